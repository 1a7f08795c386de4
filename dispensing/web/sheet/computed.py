"""What this fit asks to be ordered (`figures.expected`), in words and ready to be put into the fields of the ordered powers."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from decimal import Decimal

from dispensing import case as c
from dispensing import forms
from dispensing.figures import Figures
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power
from dispensing.web.sheet.figure_rows import ordered_words

_SAME_D = 0.06  # powers nearer than this are one power, rounded: half of an eighth


@dataclass(frozen=True, slots=True)
class ComputedOrder:
    words: str
    fields: str  # JSON: what each field of the ordered powers is to hold


def computed_order(case: c.Case, figures: Figures) -> ComputedOrder | None:
    """None while it is not known, where it is what is ordered already, and where the maker compensates."""
    powers = {eye: _as_ordered(figures.of(eye).expected) for eye in c.EYES}
    if case.lens.compensation == "maker" or case.lens.design is None:
        return None
    known = {eye: power for eye, power in powers.items() if power is not None}
    if len(known) < len(powers) or all(_same(power, figures.of(eye).ordered) for eye, power in known.items()):
        return None
    fields = {path: text for eye, power in known.items() for path, text in _fields(eye, power).items()}
    words = " · ".join(f"{eye[0].upper()} {ordered_words(power)}" for eye, power in known.items())
    return ComputedOrder(words, json.dumps(fields, ensure_ascii=False))


def _as_ordered(power: c.OrderedPower | None) -> c.OrderedPower | None:
    """To hundredths of a dioptre and whole degrees, as it is written on an order."""
    if power is None:
        return None
    cylinder = round(power.cylinder, 2)
    axis = float(round(power.axis) % 180 or 180) if cylinder and power.axis is not None else None
    return replace(
        power,
        sphere=round(power.sphere, 2),
        cylinder=cylinder,
        axis=axis,
        prism_in=round(power.prism_in, 2),
        prism_up=round(power.prism_up, 2),
    )


def _same(power: c.OrderedPower, ordered: c.OrderedPower | None) -> bool:
    if ordered is None:
        return False
    try:
        one, other = (Power(p.sphere, p.cylinder, p.axis if p.axis and p.cylinder else 180.0) for p in (power, ordered))
    except OpticsError:
        return False
    return one.distance_from(other) <= _SAME_D


def _fields(eye: str, power: c.OrderedPower) -> dict[str, str]:
    out = {}
    for name in ("sphere", "cylinder", "axis", "add", "prism_in", "prism_up"):
        path = f"lens.ordered_{eye}.{name}"
        value = getattr(power, name)
        blank = value is None or (not value and name != "sphere")
        out[path] = "" if blank else forms.shown(forms.all_specs()[path], Decimal(str(value)))
    return out
