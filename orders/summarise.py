"""The sums that the learning pages are read from: counted month by month from the records, again whenever a month was touched.

A month is that of the branch: what was handed over late on its last evening there belongs to it, whatever the day is elsewhere, and the
whole group's month is the sum of its branches' months.

A month of a group is counted in one transaction under a lock of its own: counting twice gives the same, two at once wait for each other,
and a run that was broken off is finished by the next. Nothing here is a record: all of it can be deleted and counted again.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from hashlib import sha256
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q, Subquery
from django.db.models.functions import TruncMonth
from django.utils import timezone

from dispensing.models import PrescriptionEye, Reading, Reason
from orders.models import Collection, Order, OrderEvent, ReceiptCheck, ReturnVisit
from orders.models_learning import Tally, TallyMonth, TallyState
from orders.returns.bands import band_of
from practice.models import Group

SLACK = timedelta(hours=1)  # a transaction may become visible so long after the moment it wrote down
EDITION = 3  # months by the clocks of the branches; 2: months in UTC, by identity; 1 (kept as null): by name
NOT_RECORDED = "not recorded"
DIMENSIONS = ("all", "lab", "design", "family", "frame", "method", "power", "person")


@dataclass(slots=True)
class _Sum:
    pairs: int = 0
    back: int = 0
    again: int = 0
    amount: float = 0.0
    counted: int = 0


Sums = dict[tuple[int | None, str, str, str], _Sum]  # (branch, measure, by, key)


@dataclass(frozen=True, slots=True)
class _Clock:
    """Branches of a group with the same clock; `branches` is None where it is that of all of them."""

    zone: ZoneInfo
    branches: tuple[int, ...] | None

    def of(self, order: str = "") -> Q:
        """Their orders, from a row that has the order at `order` ("order__"; empty: is one)."""
        return Q() if self.branches is None else Q(**{f"{order}branch__in": self.branches})

    def span(self, month: date) -> tuple[datetime, datetime]:
        """From its first moment to the first of the next."""
        start = datetime(month.year, month.month, 1, tzinfo=self.zone)
        return start, datetime(month.year + month.month // 12, month.month % 12 + 1, 1, tzinfo=self.zone)


def _clocks(group: Group) -> list[_Clock]:
    zones: dict[str, list[int]] = defaultdict(list)
    for branch, zone in group.branches.order_by("pk").values_list("pk", "time_zone"):
        zones[zone].append(branch)
    return [_Clock(ZoneInfo(zone), None if len(zones) == 1 else tuple(mine)) for zone, mine in zones.items()]


def edition_of(group: Group) -> int:
    """How the sums of a group are counted, as a number: of another edition, or with a branch more or one with another clock, all is
    counted anew. Never one that an earlier release kept: those are below."""
    clocks = sorted(group.branches.values_list("pk", "time_zone"))
    return EDITION + int.from_bytes(sha256(repr((EDITION, clocks)).encode()).digest()[:4]) % 32_000


def summarise(group: Group, *, rebuild: bool = False) -> int:
    """Count every month that was touched since the last run (or all of them); the number of months counted."""
    began = timezone.now()
    state, _ = TallyState.objects.get_or_create(group=group)
    edition = edition_of(group)
    whole = rebuild or state.upto is None or state.edition != edition or _by_name(group)
    since = None if whole or state.upto is None else state.upto - SLACK
    months = sorted(_touched(group, since))
    if since is None:
        with transaction.atomic():
            Tally.objects.filter(group=group).exclude(month__in=months).delete()
            TallyMonth.objects.filter(group=group).exclude(month__in=months).delete()
    done = sum(_count(group, month, began) for month in months)
    TallyState.objects.filter(Q(upto=None) | Q(upto__lt=began), group=group).update(upto=began)
    if whole:
        TallyState.objects.filter(group=group).update(edition=edition)
    return done


def _by_name(group: Group) -> bool:
    """Whether the release before has counted a month since, as one that is gone back to does: it knows nothing of editions."""
    return Tally.objects.filter(group=group, branch=None, by="lab").exclude(key__regex="^[0-9]+$").exists()


def _touched(group: Group, since: datetime | None) -> set[date]:
    """First days of the months in which something is counted that happened or changed since then (None: ever)."""

    def months(rows: Any, field: str) -> Iterator[date]:
        for clock in clocks:
            found = rows.filter(clock.of("order__")).annotate(m=TruncMonth(field, tzinfo=clock.zone))
            yield from (m.date() for m in found.values_list("m", flat=True).order_by().distinct() if m is not None)

    def later(field: str) -> Q:
        return Q() if since is None else Q(**{f"{field}__gte": since})

    clocks = _clocks(group)
    visits = ReturnVisit.objects.filter(later("at") | later("decided_at"), order__group=group)
    sent = OrderEvent.objects.filter(later("at"), order__group=group, kind="dispatched")
    return {
        *months(Collection.objects.filter(later("at"), order__group=group), "at"),
        *(months(visits, "order__collection__at") if since is not None else ()),
        *months(ReceiptCheck.objects.filter(later("decided_at"), order__group=group).exclude(decision=""), "decided_at"),
        *months(sent, "at"),
    }


@transaction.atomic
def _count(group: Group, month: date, began: datetime) -> int:
    TallyMonth.objects.get_or_create(group=group, month=month)
    row = TallyMonth.objects.select_for_update().get(group=group, month=month)
    if row.counted_at is not None and row.counted_at > began:
        return 0  # another run has counted it since this one began
    row.counted_at = timezone.now()
    sums: Sums = defaultdict(_Sum)
    for clock in _clocks(group):
        _handed(group, clock, month, sums)
        _arrived(group, clock, month, sums)
        _sent(group, clock, month, sums)
    Tally.objects.filter(group=group, month=month).delete()
    Tally.objects.bulk_create(
        (
            Tally(
                group=group, branch_id=branch, month=month, measure=measure, by=by, key=key[:160], pairs=s.pairs, back=s.back,
                again=s.again, amount=s.amount, counted=s.counted,
            )
            for (branch, measure, by, key), s in sums.items()
        ),
        batch_size=1000,
    )  # fmt: skip
    row.save(update_fields=["counted_at"])
    return 1


def _handed(group: Group, clock: _Clock, month: date, sums: Sums) -> None:
    """Pairs handed over. What a pair was like is read from its dispense; of one that is made again from its own order document and from
    what was read before it was issued: its dispense was opened and may by now say something else."""
    start, end = clock.span(month)
    mine = Order.objects.filter(clock.of(), group=group, collection__at__gte=start, collection__at__lt=end)
    newest = Reading.objects.filter(
        dispense=OuterRef("dispense"), quantity="far_pd", struck_out_at=None, at__lte=OuterRef("issued_at")
    ).order_by("-at", "-pk")
    rows = mine.annotate(
        back=Exists(ReturnVisit.objects.filter(order=OuterRef("pk"))),
        method=Subquery(newest.values("method")[:1]),
        design=F("dispense__lens_option__lens__code"),
        family=F("dispense__lens_option__lens__family"),
        frame=F("dispense__frame_item__mount"),
        person=F("dispense__dispenser"),
        rx=F("dispense__prescription_id"),
    ).values(
        "pk", "dispense_id", "branch_id", "state", "back", "method", "lab_id", "design", "family", "frame", "person", "rx"
    )  # fmt: skip
    eyes: dict[int, list[tuple[float, float]]] = defaultdict(list)
    of_month = mine.values("dispense__prescription_id")
    for rx, sphere, cylinder in (
        PrescriptionEye.objects.filter(prescription__in=of_month, sphere__isnull=False, balance=False)
        .values_list("prescription_id", "sphere", "cylinder")
        .iterator()
    ):
        eyes[rx].append((float(sphere), float(cylinder or 0)))
    papers = {
        pk: json.loads(text)
        for pk, text in mine.filter(state=Order.State.RETURNED).values_list("pk", "document").iterator()
    }
    reasons: dict[int, set[str]] = defaultdict(set)
    dispenses = mine.values("dispense_id")
    for dispense, key in Reason.objects.filter(dispense__in=dispenses).values_list("dispense_id", "finding_key").iterator():
        reasons[dispense].add(key.partition("|")[0])
    causes: dict[int, set[str]] = defaultdict(set)
    visits = ReturnVisit.objects.filter(
        clock.of("order__"), order__group=group, order__collection__at__gte=start, order__collection__at__lt=end
    )
    for order, cause in visits.values_list("order_id", "cause"):
        causes[order].add(cause)
    for r in rows.iterator():
        paper, again = papers.get(r["pk"]), r["state"] == Order.State.RETURNED
        facts = (
            _from_paper(paper)
            if paper
            else {"design": r["design"], "family": r["family"], "frame": r["frame"], "power": band_of(eyes[r["rx"]])}
        )
        facts |= {"all": "all", "lab": r["lab_id"], "method": r["method"], "person": r["person"]}
        keys = [(by, str(facts[by] or NOT_RECORDED)) for by in DIMENSIONS]
        checks = {x["check"] for x in paper["reasons"]} if paper else reasons[r["dispense_id"]]
        keys += [("check", check) for check in checks]
        keys += [("cause", cause) for cause in causes[r["pk"]]]
        for branch in (r["branch_id"], None):
            for by, key in keys:
                _add(sums[branch, "handed", by, key], r["back"], again)
        _add(sums[None, "handed", "branch", str(r["branch_id"])], r["back"], again)


def _add(one: _Sum, back: bool, again: bool) -> None:
    one.pairs += 1
    one.back += back
    one.again += again


def _from_paper(paper: dict[str, Any]) -> dict[str, str]:
    lens = paper["lens"]["design"]
    written: Iterable[dict[str, Any]] = (paper["lenses"][eye]["prescribed"] for eye in ("right", "left"))
    powers = [
        (float(p["sphere"]), float(p["cylinder"] or 0)) for p in written if p["sphere"] is not None and not p["balance"]
    ]
    return {"design": lens["code"], "family": lens["family"], "frame": paper["frame"]["mount"], "power": band_of(powers)}


def _arrived(group: Group, clock: _Clock, month: date, sums: Sums) -> None:
    start, end = clock.span(month)
    rows = ReceiptCheck.objects.filter(
        clock.of("order__"), order__group=group, decided_at__gte=start, decided_at__lt=end
    ).exclude(decision="")
    for branch, lab, decision, used in rows.values_list(
        "order__branch_id", "order__lab_id", "decision", "most_used"
    ).iterator():
        for where in (branch, None):
            for by, key in (("lab", str(lab)), ("all", "all")):
                one = sums[where, "arrived", by, key]
                one.pairs += 1
                one.back += decision == ReceiptCheck.Decision.REJECTED
                if used is not None:
                    one.amount += used
                    one.counted += 1


def _sent(group: Group, clock: _Clock, month: date, sums: Sums) -> None:
    """The first dispatch of an order counts; a later one is the same pair again."""
    before = OrderEvent.objects.filter(order=OuterRef("order"), kind="dispatched").filter(
        Q(at__lt=OuterRef("at")) | Q(at=OuterRef("at"), pk__lt=OuterRef("pk"))
    )
    start, end = clock.span(month)
    rows = OrderEvent.objects.filter(
        ~Exists(before), clock.of("order__"), order__group=group, kind="dispatched", at__gte=start, at__lt=end
    )
    for branch, lab, at, issued in rows.values_list(
        "order__branch_id", "order__lab_id", "at", "order__issued_at"
    ).iterator():
        for where in (branch, None):
            one = sums[where, "sent", "lab", str(lab)]
            one.pairs += 1
            one.counted += 1
            one.amount += (at - issued).total_seconds() / 86400
