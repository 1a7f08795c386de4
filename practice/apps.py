from django.apps import AppConfig
from django.db.models.signals import post_migrate


class PracticeConfig(AppConfig):
    name = "practice"

    def ready(self) -> None:
        from practice import audit_function, audit_guard, deeds

        deeds.contribute_own()
        post_migrate.connect(audit_guard.install, sender=self)
        post_migrate.connect(audit_function.install, sender=self)
