from django.apps import AppConfig


class DeployConfig(AppConfig):
    name = "deploy"
    verbose_name = "running"

    def ready(self) -> None:
        from deploy import checks, metrics

        checks.register_all()
        metrics.listen()
