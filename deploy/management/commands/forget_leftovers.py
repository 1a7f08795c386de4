"""manage.py forget_leftovers: drop what nobody needs any more: sessions that are over, who had a sheet open, lost workers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib.sessions.models import Session
from django.core.management.base import BaseCommand
from django.utils import timezone

from deploy.jobs import WORKER_LOST
from deploy.models import Worker
from dispensing.models import Presence
from practice import sessions

PRESENCE_OLD = timedelta(hours=1)  # it counts for a minute


class Command(BaseCommand):
    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        now = timezone.now()
        over = Session.objects.filter(expire_date__lt=now).delete()[0]
        signed_in = sessions.forget_old()
        presence = Presence.objects.filter(seen_at__lt=now - PRESENCE_OLD).delete()[0]
        workers = Worker.objects.filter(seen_at__lt=now - WORKER_LOST).delete()[0]
        self.stdout.write(f"{over} sessions, {signed_in} sign-ins, {presence} presences, {workers} workers dropped.")
