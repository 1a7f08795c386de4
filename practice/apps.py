from django.apps import AppConfig
from django.db.models.signals import post_migrate


class PracticeConfig(AppConfig):
    name = "practice"

    def ready(self) -> None:
        from practice import audit_guard

        post_migrate.connect(audit_guard.install, sender=self)
