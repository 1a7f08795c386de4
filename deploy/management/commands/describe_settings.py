"""manage.py describe_settings: the page of settings (deploy/SETTINGS.md) on standard output."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from deploy.environment import page


class Command(BaseCommand):
    help = __doc__
    requires_system_checks: list[str] = []

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(page(), ending="")
