"""What the year is copied from: the scenario's own orders, with a few measurings of each, good and bad, worked out once."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from dispensing.models import Adoption, Dispense, PrescriptionEye, Reading, Reason
from orders.demo.after import readings
from orders.models import Order
from orders.receipt.typed import entries_for, understand
from orders.receipt.verdict import Verdict, judge, to_json
from practice.models import Group


@dataclass(slots=True)
class Look:
    """What one measuring of a template gives: worked out once, kept by many."""

    typed: dict[str, str]
    values: dict[str, str]
    verdict: Verdict
    stored: dict[str, Any]

    @property
    def used(self) -> float | None:
        return max((u for j in self.verdict.judged if (u := j.used) is not None), default=None)


@dataclass(slots=True)
class Template:
    order: Order
    document: dict[str, Any]
    dispense: Dispense
    eyes: list[PrescriptionEye]
    readings: list[Reading]
    adoptions: list[Adoption]
    reasons: list[Reason]
    fragments: dict[str, str] = field(default_factory=dict)  # canonical JSON of the parts that are the same in every copy
    good: list[Look] = field(default_factory=list)
    bad: list[Look] = field(default_factory=list)


def templates_of(group: Group, draw: random.Random) -> Iterator[Template]:
    for order in (
        Order.objects.filter(group=group, replaces=None)
        .select_related("dispense__prescription", "dispense__client", "lab", "branch")
        .order_by("pk")
    ):
        dispense = order.dispense
        if dispense.prescription is None or dispense.lens_option is None:
            continue
        document = json.loads(order.document)
        made = Template(
            order, document, dispense, list(dispense.prescription.eyes.all()), _first_of(dispense.readings.all()),
            list(dispense.adoptions.all()), list(dispense.reasons.all()),
        )  # fmt: skip
        for _ in range(5):
            look = _look(document, _small(draw, document))
            if look.verdict.outcome == "within" and not look.verdict.copied:
                made.good.append(look)
        strong = draw.choice((0.25, 0.37, -0.25, -0.37))
        for off in ({"right.sphere": strong}, {"left.sphere": -strong, "left.prism_up": 0.5}):
            look = _look(document, off)
            if look.verdict.outcome == "outside":
                made.bad.append(look)
        if made.good and made.bad:
            yield made


def _first_of(rows: Any) -> list[Reading]:
    """One reading of a quantity and eye: what is needed to look at, without the repeats."""
    found: dict[tuple[str, str], Reading] = {}
    for r in rows:
        found.setdefault((r.quantity, r.eye), r)
    return list(found.values())


def _small(draw: random.Random, document: Mapping[str, Any]) -> dict[str, float]:
    """Departures such as a good lab has: a few hundredths of a dioptre, a degree."""
    off: dict[str, float] = {}
    for eye in ("right", "left"):
        off |= {
            f"{eye}.sphere": draw.choice((0.0, 0.0, 0.03, -0.03, 0.06, -0.06)), f"{eye}.cylinder": draw.choice((0.0, 0.0, 0.03, -0.03)),
            f"{eye}.axis": draw.choice((0.0, 0.0, 1.0, -1.0)), f"{eye}.prism_in": draw.choice((0.0, 0.1, -0.1)),
            f"{eye}.prism_up": draw.choice((0.0, 0.0, 0.1)), f"{eye}.place": draw.choice((0.0, 0.0, 0.25, -0.25, 0.5)),
        }  # fmt: skip
    return off


def _look(document: Mapping[str, Any], off: Mapping[str, float]) -> Look:
    typed = readings(document, off)
    names = {e.name for e in entries_for(document)}
    for eye in ("right", "left"):
        c = document["lenses"][eye]["centration"]
        for name, value in (("pd", c["far_pd"]), ("height", c["height"]), ("near_pd", c["near_pd"])):
            if name in names and value and not (name == "pd" and c["centred_for"] == "near"):
                typed[f"{eye}.{name}"] = f"{float(value) + off.get(f'{eye}.place', 0.0):.2f}"
    found = understand(document, typed)
    verdict = judge(document, found.readings)
    return Look(typed, found.values, verdict, to_json(verdict))


def fitting(templates: list[Template], code: str) -> list[Template]:
    """Of the same branch; a branch with few of its own borrows those of others under the same standard."""
    own = [t for t in templates if t.order.branch.code == code]
    return (
        own
        if len(own) >= 4
        else [t for t in templates if t.document["tolerance_standard"] == own[0].document["tolerance_standard"]]
    )
