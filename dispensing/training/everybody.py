"""Every blind comparison at some branches: what supervisors and managers look at. Reads only."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from zoneinfo import ZoneInfo

from dispensing.models import Comparison
from dispensing.training.cases import first_blind
from practice.models import Branch


def compared_at(branches: Iterable[Branch]) -> list[tuple[date, Comparison]]:
    """Oldest first; of each dispense, person, quantity and eye the first blind one. One query."""
    kept: dict[tuple[int, int], list[Comparison]] = {}
    for x in (
        Comparison.objects.filter(remeasure__blind=True, remeasure__dispense__branch__in=[b.pk for b in branches])
        .select_related("remeasure__dispense__branch", "of")
        .order_by("remeasure__at", "pk")
    ):
        kept.setdefault((x.remeasure.dispense_id, x.of_id), []).append(x)
    return [
        (x.remeasure.at.astimezone(ZoneInfo(x.remeasure.dispense.branch.time_zone)).date(), x)
        for rows in kept.values()
        for x in first_blind(rows)
    ]
