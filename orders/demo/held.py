"""Clients who have not been there for long, so that the retention report has somebody in it, and a few consent notes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

from django.utils import timezone

from orders.demo.hours import BRANCH
from practice.models import Client, Staff
from practice.privacy.consent import note_consent

LONG_AGO = 12 * 366  # days
MOST = 6
CONSENTS = (
    ("Reminders by post", True, "in words"),
    ("Photographs for measuring", True, "on paper"),
    ("Reminders by post", False, "by telephone"),
)


def load_held(staff: Mapping[str, Staff], clients: Mapping[str, Client]) -> None:
    """After everything else: clients without spectacles are the ones who came long ago."""
    grown = timezone.localdate() - timedelta(days=LONG_AGO + 40 * MOST + 18 * 366)  # adults when they came
    ours = Client.objects.filter(pk__in=[c.pk for c in clients.values()], dispenses=None, date_of_birth__lt=grown)
    without = ours.order_by("-branch__code", "pk")
    old = list(without.values_list("pk", flat=True)[:MOST])
    zones = dict(without.values_list("pk", "branch__time_zone"))
    for n, pk in enumerate(old):
        # the database layer sets the moment to now; these are old
        at = BRANCH.within(timezone.now() - timedelta(days=LONG_AGO + 40 * n), zones[pk])
        Client.objects.filter(pk=pk).update(created_at=at)
    someone = Client.objects.exclude(pk__in=old).filter(branch__code="SM").select_related("branch").order_by("pk").first()
    if someone is None:
        return
    for purpose, given, how in CONSENTS:
        note_consent(actor=staff["jonas"], client=someone, purpose=purpose, given=given, how=how)
