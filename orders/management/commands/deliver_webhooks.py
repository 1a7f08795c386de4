"""Send labs the messages that are due: one pass, then ends. For a timer, every minute; several at once do no harm."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from orders.webhooks import deliver


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--most", type=int, default=deliver.PASS, help="messages at most in this pass")

    def handle(self, *args: Any, most: int, **options: Any) -> None:
        counts = deliver.deliver_due(most=most)
        forgotten = deliver.forget_old(timezone.now())
        self.stdout.write(
            f"{counts.delivered} delivered, {counts.failed} failed, {counts.disabled} disabled, {forgotten} old ones dropped."
        )
