from django.apps import AppConfig
from django.db.models.signals import post_migrate


class OrdersConfig(AppConfig):
    name = "orders"

    def ready(self) -> None:
        from dispensing.signals import catalogue_changed
        from orders import at_once, deeds, guard, held, recheck
        from practice.signals import limit_changed

        held.contribute()
        deeds.contribute_own()
        post_migrate.connect(guard.install, sender=self)
        post_migrate.connect(at_once.install, sender=self)
        limit_changed.connect(recheck.on_limit_changed, dispatch_uid="recheck a limit")
        catalogue_changed.connect(recheck.on_catalogue_changed, dispatch_uid="recheck a catalogue entry")
