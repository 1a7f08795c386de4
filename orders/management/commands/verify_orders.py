"""Recompute every order's digest from its stored text; name the first order that differs and fail if there is one."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from orders.verify import differences


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        first, wrong, total = None, 0, 0
        for seen, found in differences():
            total = seen
            if found is not None:
                first, wrong = first or found, wrong + 1
                self.stdout.write(f"{found.number}: {found.what}")
        if first is not None:
            raise CommandError(
                f"{wrong} of {total} orders differ; the first is {first.number} of {first.group}: {first.what}"
            )
        self.stdout.write(f"{total} orders, every one as it was issued.")
