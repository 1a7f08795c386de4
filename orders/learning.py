"""Returns, re-makes and rejections as rates with their uncertainty: read from the sums of `orders.summarise`.

A rate is shown with a 95 % Wilson score interval (Wilson 1927, JASA 22:209); below `FEWEST` pairs no rate is given at all, because one
case more or less would turn it over. Nothing is ranked: intervals that overlap do not differ as far as these figures can tell.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal

from django.db.models import Min, Sum

from dispensing.checks import registry
from dispensing.models import CatalogueLens
from orders import control
from orders.models import Collection, Lab, ReceiptCheck, ReturnVisit
from orders.models_learning import Tally, TallyState
from orders.returns import bands
from practice.models import Branch, Group, Staff

FEWEST = 20
Z = 1.959963984540054  # 97.5 % point of the normal distribution
Cases = Literal["back", "again"]
CASES: dict[str, str] = {"back": "came back", "again": "made again"}


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
    """One group of pairs: what it is (`key`) and is called today (`name`), how many, and how many of them are cases."""

    key: str
    pairs: int
    cases: int
    name: str = ""

    @property
    def shown(self) -> str:
        return self.name or self.key

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
    compares: bool = True  # rows are groups of pairs that can be held against each other


BY: dict[str, str] = {
    "branch": "branch",
    "lab": "lab",
    "design": "lens design",
    "family": "kind of lens",
    "power": "power band",
    "frame": "frame mount",
    "method": "how the PD was measured",
    "person": "dispenser",
}


@dataclass(frozen=True, slots=True)
class Quality:
    """How a lab delivers: the greatest share of an allowance its pairs take on average, and its days from order to dispatch."""

    lab: str
    pairs: int
    used: float | None  # mean over the pairs measured; None under `FEWEST`
    dispatched: int
    days: float | None  # mean; None under `FEWEST`


@dataclass(frozen=True, slots=True)
class Since:
    """What has happened since the sums were made."""

    handed: int
    back: int
    rejected: int


def first_month(months: int, today: date) -> date:
    """The first day of the first of so many months, this one included."""
    count = today.year * 12 + today.month - months
    return date(count // 12, count % 12 + 1, 1)


class Sums:
    """The sums of a group, or of one branch, over some months: one query for all tables, one for the charts over time."""

    def __init__(self, group: Group, branch: Branch | None, since: date) -> None:
        self.group, self.branch, self.since = group, branch, since
        rows = (
            Tally.objects.filter(group=group, branch=branch, month__gte=since)
            .values("measure", "by", "key")
            .annotate(n=Sum("pairs"), b=Sum("back"), a=Sum("again"), x=Sum("amount"), c=Sum("counted"))
            .order_by()
        )
        self._rows: dict[tuple[str, str], list[dict[str, Any]]] = {}
        self._called: dict[str, dict[str, tuple[str, str]]] = {}  # by what they are split: name and code of each key
        for r in rows:
            self._rows.setdefault((r["measure"], r["by"]), []).append(dict(r))

    def of(self, measure: str, by: str) -> list[dict[str, Any]]:
        return self._rows.get((measure, by), [])

    @property
    def pairs(self) -> int:
        """Handed over in this time."""
        return sum(r["n"] for r in self.of("handed", "all"))

    def _table_rows(self, by: str, rows: Sequence[Mapping[str, Any]], cases: Cases) -> tuple[Row, ...]:
        names = self._names(by, [r["key"] for r in rows])
        found = [Row(r["key"], r["n"], r["b" if cases == "back" else "a"], names[r["key"]]) for r in rows]
        return tuple(sorted(found, key=lambda r: (-r.pairs, r.name)))

    def _names(self, by: str, keys: Iterable[str]) -> dict[str, str]:
        """What keys are called today; two of one name are told apart by their codes. A key of nothing that is known stays as it is."""
        if by not in self._called:
            every = {r["key"] for (_, of), rows in self._rows.items() if of == by for r in rows}
            self._called[by] = {str(key): (name, code) for key, name, code in _called(self.group, by, every)}
        known = self._called[by]
        twice = Counter(name for name, _ in known.values())
        return {
            key: key.replace("_", " ") if key not in known else f"{name} ({code})" if twice[name] > 1 else name
            for key in keys
            for name, code in [known.get(key, ("", ""))]
        }

    def rates(self, by: str, cases: Cases = "again") -> Table:
        """Pairs handed over in this time and those that came back or were made again. KeyError for an unknown `by`."""
        words = BY[by]
        rows = self._table_rows(by, self.of("handed", by), cases)
        if by == "power":
            place = {band: i for i, band in enumerate(bands.ORDER)}
            rows = tuple(sorted(rows, key=lambda r: place.get(r.key, len(place))))
        return Table(by, f"{CASES[cases].capitalize()}, by {words}", words, "pairs handed over", rows)

    def came_back(self, words: Mapping[str, str]) -> Table:
        """Of the pairs handed over, how many came back at all, by what the cause turned out to be. `words`: causes by code."""
        pairs, total = self.pairs, sum(r["b"] for r in self.of("handed", "all"))
        rows = [Row(words.get(r["key"], r["key"]) or "not decided yet", pairs, r["b"]) for r in self.of("handed", "cause")]
        undecided = [Row("not decided yet", pairs, r["b"]) for r in self.of("handed", "cause") if r["key"] == ""]
        rows = [r for r in rows if r.key != "not decided yet"] + undecided
        rows = [Row("any cause", pairs, total), *sorted(rows, key=lambda r: (-r.cases, r.key))]
        return Table("cause", "Came back, by cause", "cause", "pairs handed over", tuple(rows) if pairs else (), False)

    def rejected(self) -> Table:
        """Pairs measured on arrival, and those that were sent back, by lab."""
        return Table(
            "rejects",
            "Rejected on arrival, by lab",
            "lab",
            "pairs decided on",
            self._table_rows("lab", self.of("arrived", "lab"), "back"),
        )

    def overridden(self, cases: Cases = "back") -> Table:
        """Of the pairs for which a finding was answered with a reason, how many came back, by check."""
        rows = self._table_rows("check", self.of("handed", "check"), cases)
        title = f"{CASES[cases].capitalize()}, by finding that was answered with a reason"
        return Table("overridden", title, "check", "pairs handed over", rows, False)

    def lab_quality(self) -> tuple[Quality, ...]:
        """By lab: margins used on arrival, and days from issue to the first dispatch."""
        measured = {r["key"]: r for r in self.of("arrived", "lab")}
        sent = {r["key"]: r for r in self.of("sent", "lab")}

        def mean(row: Mapping[str, Any] | None) -> float | None:
            return row["x"] / row["c"] if row and row["c"] >= FEWEST else None

        names = self._names("lab", {*measured, *sent})
        return tuple(
            Quality(
                lab=names[key],
                pairs=measured[key]["c"] if key in measured else 0,
                used=mean(measured.get(key)),
                dispatched=sent[key]["n"] if key in sent else 0,
                days=mean(sent.get(key)),
            )
            for key in sorted(names, key=names.__getitem__)
        )

    def over_time(self, today: date) -> dict[str, control.Chart | None]:
        """Charts by month: "back" and "again" of the pairs handed over, "rejected" of the pairs decided on."""
        rows = Tally.objects.filter(group=self.group, branch=self.branch, month__gte=self.since, by="all").values_list(
            "measure", "month", "pairs", "back", "again"
        )
        handed: dict[date, tuple[int, int, int]] = {}
        arrived: dict[date, tuple[int, int, int]] = {}
        for measure, month, pairs, back, again in rows:
            (handed if measure == "handed" else arrived)[month] = (pairs, back, again)
        if not handed and not arrived:
            return {"back": None, "again": None, "rejected": None}
        months = _months(min([*handed, *arrived]), today)

        def chart(of: Mapping[date, tuple[int, int, int]], which: int) -> control.Chart | None:
            counts = [(m.strftime("%b %Y"), of.get(m, (0, 0, 0))[which], of.get(m, (0, 0, 0))[0]) for m in months]
            return control.p_chart(counts)

        return {"back": chart(handed, 1), "again": chart(handed, 2), "rejected": chart(arrived, 1)}


def _called(group: Group, by: str, keys: set[str]) -> Iterable[tuple[Any, str, str]]:
    """Key, name and code of the labs, branches, designs, checks or people with these keys; nothing for what is called by its key."""
    numbers = [int(k) for k in keys if k.isdecimal() and len(k) < 19]
    if by == "lab":
        return Lab.objects.filter(group=group, pk__in=numbers).values_list("pk", "name", "code")
    if by == "branch":
        return Branch.objects.filter(group=group, pk__in=numbers).values_list("pk", "name", "code")
    if by == "design":
        return CatalogueLens.objects.filter(group=group, code__in=keys).values_list("code", "name", "code")
    if by == "check":
        return [(key, spec.summary, key) for key, spec in registry().items() if key in keys]
    if by == "person":
        return [(p.pk, p.display_name, p.username) for p in Staff.objects.filter(group=group, pk__in=numbers)]
    return ()


def _months(first: date, last: date) -> Sequence[date]:
    found, month = [], first
    while month <= last:
        found.append(month)
        month = date(month.year + month.month // 12, month.month % 12 + 1, 1)
    return found


def as_of(group: Group) -> datetime | None:
    """Up to when the sums know what happened; None when nothing was ever summed up."""
    return TallyState.objects.filter(group=group).aggregate(m=Min("upto"))["m"]  # type: ignore[no-any-return]


def since_then(group: Group, branch: Branch | None, moment: datetime) -> Since:
    """What the sums do not hold yet: three counts over a day by indexes of time."""
    of: dict[str, Any] = {"order__group": group} | ({"order__branch": branch} if branch else {})
    return Since(
        handed=Collection.objects.filter(at__gt=moment, **of).count(),
        back=ReturnVisit.objects.filter(at__gt=moment, **of).count(),
        rejected=ReceiptCheck.objects.filter(decided_at__gt=moment, decision="rejected", **of).count(),
    )
