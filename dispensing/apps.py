from django.apps import AppConfig


class DispensingConfig(AppConfig):
    name = "dispensing"

    def ready(self) -> None:
        from dispensing import deeds, held, kept

        held.contribute()
        kept.contribute()
        deeds.contribute_own()
