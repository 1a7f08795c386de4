"""After a change of the site's key: encrypt anew under it what can be, and say what has to be renewed by people. See deploy/KEYS.md."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db.models import Max

from orders.models import Webhook
from practice import sealed
from practice.models import AuditEvent

_SECRET = ("lab.webhook_saved", "lab.webhook_secret_changed")


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        done = sealed.renew()
        self.stdout.write(f"{done.count} second factors and sets of recovery codes are under the present key.")
        for hook in Webhook.objects.select_related("lab").order_by("lab__code"):
            events = AuditEvent.objects.filter(group=hook.lab.group_id, subject=f"lab {hook.lab.code}")
            changed = events.filter(action=_SECRET[1]).aggregate(at=Max("at"))["at"]
            first = events.filter(action=_SECRET[0]).order_by("at").values_list("at", flat=True).first()
            at = changed or first
            self.stdout.write(
                f"webhook of lab {hook.lab.code}: its secret was made {at:%Y-%m-%d}"
                if at
                else f"webhook of lab {hook.lab.code}"
            )
        if settings.SECRET_KEY_FALLBACKS and Webhook.objects.exists():
            self.stdout.write(
                "Secrets of webhooks that are older than the key: make a new one for each lab on its page. Until then messages are signed "
                "under both keys; once the old one is unset, those labs can check nothing."
            )
        if done.lost:
            raise CommandError(
                f"{len(done.lost)} cannot be opened by any key that is set (staff numbers {', '.join(map(str, done.lost))}): set the key they are "
                "under in DATUMLINE_SECRET_KEY_FALLBACKS, or reset those factors."
            )
