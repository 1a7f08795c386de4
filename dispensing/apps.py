from django.apps import AppConfig


class DispensingConfig(AppConfig):
    name = "dispensing"
