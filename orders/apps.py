from django.apps import AppConfig
from django.db.models.signals import post_migrate


class OrdersConfig(AppConfig):
    name = "orders"

    def ready(self) -> None:
        from orders import guard

        post_migrate.connect(guard.install, sender=self)
