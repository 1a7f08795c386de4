"""Add up what the learning pages show; for a timer, every night. Only months that were touched are counted again."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from orders.summarise import summarise
from practice.models import Group


class Command(BaseCommand):
    help = __doc__

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--rebuild", action="store_true", help="count every month again")

    def handle(self, *args: Any, rebuild: bool, **options: Any) -> None:
        groups = list(Group.objects.order_by("pk"))
        months = sum(summarise(group, rebuild=rebuild) for group in groups)
        self.stdout.write(f"{months} months of {len(groups)} groups counted.")
