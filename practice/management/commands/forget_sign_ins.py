"""manage.py forget_sign_ins: wrong tries and links for signing in that say nothing any more. For a timer, once a day."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from practice import links, sign_in


class Command(BaseCommand):
    help = "Drop wrong tries and links that are long over. The audit trail keeps what was done."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--days", type=int, default=90, help="keep what is younger (default 90)")

    def handle(self, *args: Any, days: int, **options: Any) -> None:
        before = timedelta(days=max(1, days))
        tries, old = sign_in.forget_old(), links.forget_old(before)
        self.stdout.write(f"{tries} tries, {old} links dropped.")
