"""One person's record of cases, put together once for the page, the CSV and the PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from dispensing.models import Comparison, Goal
from dispensing.optics.agreement import Agreement
from dispensing.training.agreeing import QUANTITY_WORDS, Pairs, grouped
from dispensing.training.cases import CaseDone, cases_of, counted
from practice.models import Staff

COLUMNS = tuple((q, e) for q in ("far_pd", "near_pd", "height") for e in ("right", "left"))
KINDS = (("Lens", "family"), ("Power", "band"), ("PDs by", "pd_method"), ("Heights by", "height_method"))


@dataclass(frozen=True)
class Record:
    """`cases` newest first. Nothing in it names a client; free text (comments, goals) may, and is kept out of exports."""

    person: Staff
    cases: Sequence[CaseDone]
    goals: Sequence[Goal]

    @cached_property
    def compared(self) -> list[tuple[date, Comparison]]:
        return [(c.on, x) for c in self.cases for x in c.compared]

    @cached_property
    def by_quantity(self) -> list[Pairs]:
        return grouped(self.compared, lambda x: QUANTITY_WORDS[x.quantity])

    @cached_property
    def by_method(self) -> list[Pairs]:
        return grouped(self.compared, lambda x: x.method and f"{QUANTITY_WORDS[x.quantity]}, {x.method.replace('_', ' ')}")

    @property
    def agreements(self) -> list[tuple[Pairs, Agreement | None]]:
        return [(p, p.found) for p in self.by_quantity]

    @property
    def tables(self) -> list[tuple[str, list[tuple[str, int, int]]]]:
        return [(title, counted(self.cases, name)) for title, name in KINDS]

    @property
    def returned(self) -> list[CaseDone]:
        return [c for c in self.cases if c.returns]


def record_of(person: Staff) -> Record:
    return Record(
        person=person, cases=cases_of(person), goals=list(person.goals.filter(dropped_at=None).select_related("set_by"))
    )


def rows_of(record: Record, *, place_words: dict[str, str]) -> Iterator[Sequence[object]]:
    """One row a case, oldest first, for a training portfolio: no name, birthday, reference, exact day or free text.

    `place_words`: what the paths of the sheet are called; a return is told by the places it pointed at.
    """
    yield (
        ["case", "month", "lens", "power", "PD method", "height method", "outcome", "times returned", "returned for"]
        + [f"{QUANTITY_WORDS[q]} {e}: adopted minus re-measured, mm" for q, e in COLUMNS]
        + ["outside tolerance"]
    )
    for number, c in enumerate(reversed(record.cases), start=1):
        by = {(x.quantity, x.eye): x for x in c.compared}
        yield (
            [number, f"{c.on:%Y-%m}", c.family, c.band, c.pd_method, c.height_method, c.outcome, len(c.returns)]
            + ["; ".join(places_of(c, place_words))]
            + [f"{by[k].difference:.2f}" if k in by else "" for k in COLUMNS]
            + [sum(x.within is False for x in c.compared) if c.compared else ""]
        )


def places_of(c: CaseDone, place_words: dict[str, str]) -> list[str]:
    """What the returns of a case pointed at, in words, each once."""
    return list(dict.fromkeys(place_words.get(path, path.capitalize()) for r in c.returns for path, _ in r.remarks))
