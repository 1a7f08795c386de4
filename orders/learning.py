"""Returns, re-makes and rejections as rates with their uncertainty: counted from the records of one group.

A rate is shown with a 95 % Wilson score interval (Wilson 1927, JASA 22:209); below `FEWEST` pairs no rate is given at all, because one
case more or less would turn it over. Nothing is ranked: intervals that overlap do not differ as far as these figures can tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import (
    Avg,
    Case,
    Count,
    DurationField,
    Exists,
    ExpressionWrapper,
    F,
    IntegerField,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    Value,
    When,
)

from dispensing.models import Reading, Reason
from orders.models import Order, OrderEvent, ReceiptCheck, ReturnVisit
from orders.returns.words import CAUSES

FEWEST = 20
Z = 1.959963984540054  # 97.5 % point of the normal distribution
State = Order.State


@dataclass(frozen=True, slots=True)
class Interval:
    low: float
    rate: float
    high: float


def wilson(cases: int, of: int, z: float = Z) -> Interval:
    """Rate and Wilson score interval of `cases` among `of`; ValueError for counts that cannot be."""
    if of < 1 or not 0 <= cases <= of:
        raise ValueError("cases must be between 0 and of, and of at least 1")
    p, z2 = cases / of, z * z
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = z / (1 + z2 / of) * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return Interval(max(0.0, middle - half), p, min(1.0, middle + half))


@dataclass(frozen=True, slots=True)
class Row:
    """One group of pairs: how many, how many came back, how many were made again."""

    key: str
    pairs: int
    cases: int

    @property
    def interval(self) -> Interval | None:
        """None for too few pairs to speak of a rate."""
        return wilson(self.cases, self.pairs) if self.pairs >= FEWEST else None


@dataclass(frozen=True, slots=True)
class Table:
    name: str
    title: str
    by: str
    of: str  # what is counted below the line
    rows: tuple[Row, ...]


BY: dict[str, tuple[str, str]] = {
    "branch": ("branch", "branch__name"),
    "lab": ("lab", "lab__name"),
    "design": ("lens design", "dispense__lens_option__lens__name"),
    "family": ("kind of lens", "dispense__lens_option__lens__family"),
    "frame": ("frame mount", "dispense__frame_item__mount"),
    "method": ("how the PD was measured", "method"),
    "person": ("dispenser", "dispense__dispenser__username"),
}


def handed_over(orders: QuerySet[Order], since: datetime) -> QuerySet[Order]:
    return orders.filter(state__in=[State.COLLECTED, State.RETURNED], collection__at__gte=since)


def _rows(counted: Iterable[Mapping[str, Any]], show: Callable[[str], str]) -> tuple[Row, ...]:
    rows = [Row(show(str(r["key"] or "not recorded")), r["pairs"], r["cases"]) for r in counted]
    return tuple(sorted(rows, key=lambda r: (-r.pairs, r.key)))


def rates(orders: QuerySet[Order], *, by: str, since: datetime) -> Table:
    """Pairs handed over since then, and those that were made again, split by one thing. KeyError for an unknown `by`."""
    words, column = BY[by]
    found = handed_over(orders, since)
    if by == "method":
        # the method of the newest far PD reading that stands; one sub-select, no row twice
        newest = Reading.objects.filter(dispense=OuterRef("dispense"), quantity="far_pd", struck_out_at=None).order_by(
            "-at", "-pk"
        )
        found = found.annotate(method=Subquery(newest.values("method")[:1]))
    again = Case(When(state=State.RETURNED, then=Value(1)), default=None, output_field=IntegerField())
    counted = found.values(key=F(column)).annotate(pairs=Count("pk"), cases=Count(again)).order_by()
    return Table(by, f"Made again, by {words}", words, "pairs handed over", _rows(counted, lambda k: k.replace("_", " ")))


def came_back(orders: QuerySet[Order], since: datetime) -> Table:
    """Of the pairs handed over, how many came back at all, by what the cause turned out to be."""
    found = handed_over(orders, since)
    pairs = found.count()
    visits = (
        ReturnVisit.objects.filter(order__in=found).values("cause").annotate(cases=Count("order", distinct=True)).order_by()
    )
    rows = [Row(CAUSES.get(v["cause"], "not decided yet"), pairs, v["cases"]) for v in visits]
    total = ReturnVisit.objects.filter(order__in=found).values("order").distinct().count()
    rows = [Row("any cause", pairs, total), *sorted(rows, key=lambda r: -r.cases)]
    return Table("cause", "Came back, by cause", "cause", "pairs handed over", tuple(rows) if pairs else ())


def rejected(orders: QuerySet[Order], since: datetime) -> Table:
    """Pairs measured on arrival, and those that were sent back, by lab."""
    counted = (
        ReceiptCheck.objects.filter(order__in=orders, decided_at__gte=since)
        .exclude(decision="")
        .values(key=F("order__lab__name"))
        .annotate(pairs=Count("pk"), cases=Count("pk", filter=Q(decision="rejected")))
        .order_by()
    )
    return Table("rejects", "Rejected on arrival, by lab", "lab", "pairs decided on", _rows(counted, str))


@dataclass(frozen=True, slots=True)
class Quality:
    """How a lab delivers: the greatest share of an allowance its pairs take on average, and its days from order to dispatch."""

    lab: str
    pairs: int
    used: float | None  # mean over the pairs measured; None under `FEWEST`
    dispatched: int
    days: float | None  # mean; None under `FEWEST`


def lab_quality(orders: QuerySet[Order], since: datetime) -> tuple[Quality, ...]:
    """By lab: margins used on arrival (first measuring decided on), and days from issue to the first dispatch."""
    measured = {
        r["order__lab__name"]: r
        for r in ReceiptCheck.objects.filter(order__in=orders, decided_at__gte=since, most_used__isnull=False)
        .values("order__lab__name")
        .annotate(pairs=Count("pk"), used=Avg("most_used"))
        .order_by()
    }
    first = OrderEvent.objects.filter(order=OuterRef("pk"), kind="dispatched").order_by("at", "pk").values("at")[:1]
    sent = {
        r["lab__name"]: r
        for r in orders.filter(issued_at__gte=since)
        .annotate(sent=Subquery(first))
        .filter(sent__isnull=False)
        .values("lab__name")
        .annotate(pairs=Count("pk"), wait=Avg(ExpressionWrapper(F("sent") - F("issued_at"), output_field=DurationField())))
        .order_by()
    }
    found = []
    for name in sorted({*measured, *sent}):
        m, s = measured.get(name), sent.get(name)
        found.append(
            Quality(
                lab=name,
                pairs=m["pairs"] if m else 0,
                used=m["used"] if m and m["pairs"] >= FEWEST else None,
                dispatched=s["pairs"] if s else 0,
                days=s["wait"].total_seconds() / 86400 if s and s["pairs"] >= FEWEST else None,
            )
        )
    return tuple(found)


def overridden(orders: QuerySet[Order], since: datetime) -> Table:
    """Of the pairs for which a finding was answered with a reason, how many came back, by check."""
    found = handed_over(orders, since)
    back = ReturnVisit.objects.filter(order__dispense=OuterRef("dispense"), order__in=found)
    rows = (
        Reason.objects.filter(dispense__orders__in=found)
        .annotate(back=Exists(back))
        .values_list("finding_key", "dispense", "back")
        .distinct()
    )
    pairs: dict[str, dict[int, bool]] = {}
    for key, dispense, came in rows.iterator():
        pairs.setdefault(key.partition("|")[0], {})[dispense] = came
    counted = ({"key": check, "pairs": len(d), "cases": sum(d.values())} for check, d in pairs.items())
    return Table(
        "overridden",
        "Came back, by finding that was answered with a reason",
        "check",
        "pairs handed over",
        _rows(counted, str),
    )
