"""manage.py forget_answers: drop what labs' repeated requests were answered, once it is older than seven days. For a daily timer."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from orders.api.once import forget_old_answers


class Command(BaseCommand):
    help = "Drop answers kept under Idempotency-Keys that are older than seven days."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{forget_old_answers()} dropped.")
