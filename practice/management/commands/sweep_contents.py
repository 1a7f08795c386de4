"""Delete from the store what no record holds any more: removed and erased pictures, leftovers of what was never saved."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from practice.contents import Away
from practice.contents.sweep import sweep


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            done = sweep()
        except Away as away:
            raise CommandError(away.why) from away
        self.stdout.write(
            f"{done.deleted} deleted from the store, {done.left} not due yet."
            + (f" {done.held} held after all." if done.held else "")
        )
