"""Walk every group's audit chain; name the first broken link and fail if there is one."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from practice import audit
from practice.models import AuditHead, Group


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        broken = []
        for group in Group.objects.order_by("pk"):
            found = audit.verify(group)
            if found:
                broken.append(found)
                self.stdout.write(f"{group}: BROKEN at row {found.sequence}: {found.what}")
            else:
                head = AuditHead.objects.filter(group=group).first()
                self.stdout.write(
                    f"{group}: whole, {head.sequence if head else 0} rows, ends {head.digest[:16] if head else '-'}"
                )
        if broken:
            raise CommandError(
                f"{len(broken)} audit chain(s) broken; first broken link: {broken[0].group}, row {broken[0].sequence}"
            )
