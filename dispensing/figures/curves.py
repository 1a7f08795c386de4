"""Which front curve a lens is reckoned with: stated with the lens, from the maker's table, or by the usual rule.

All curves in D at n = 1.53. A maker's table gives one curve from one sphere to another. Blanks are chosen for the sphere of the
minus-cylinder form, as the range of powers of a design is (common practice: base curve charts of toric-back lenses). Where two steps
share a border the power on it belongs to the step that begins there. Tables are written in quarter dioptres, so a gap of a quarter
between two steps (to -2.25, from -2.00) is none: a power inside it goes with the nearer step. A power beyond the table's ends, or in
a wider gap, is not in the table: no curve is made up for it from its neighbours.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from dispensing.case import CurveStep, LensChoice
from dispensing.figures.usual import number
from dispensing.optics import thickness
from dispensing.optics.power import Power

CurveBy = Literal["stated", "maker", "rule"]
WORDS: dict[str, str] = {"stated": "as stated with the lens", "maker": "maker's table", "rule": "assumed"}
SAME_D = 0.005  # powers are written to the hundredth
GAP_D = 0.25 + SAME_D


def minus_sphere(sphere: float, cylinder: float) -> float:
    """The sphere of the minus-cylinder form, D: what tables of powers are entered with."""
    return sphere + max(cylinder, 0.0)


def from_table(steps: Iterable[CurveStep], sphere: float) -> CurveStep | None:
    """The step for a sphere of the minus-cylinder form, D; None when the table says nothing for it."""
    inside = below = above = None
    for step in steps:
        if step.sphere_from - SAME_D <= sphere <= step.sphere_to + SAME_D:
            if inside is None or step.sphere_from > inside.sphere_from:
                inside = step
        elif step.sphere_to < sphere:
            if below is None or step.sphere_to > below.sphere_to:
                below = step
        elif step.sphere_from > sphere and (above is None or step.sphere_from < above.sphere_from):
            above = step
    if inside is not None or below is None or above is None or above.sphere_from - below.sphere_to > GAP_D:
        return inside
    return below if sphere - below.sphere_to < above.sphere_from - sphere else above


@dataclass(frozen=True, slots=True)
class FrontCurve:
    """A front curve, D at n = 1.53, and where it comes from. `beyond`: there is a table and it says nothing for this power."""

    curve: float
    by: CurveBy
    beyond: bool = False


def front_curve(choice: LensChoice, power: Power) -> FrontCurve:
    """The curve this lens is reckoned with. `power`: as ordered, back vertex, either cylinder form."""
    stated = number(choice.front_curve)
    if stated is not None:
        return FrontCurve(stated, "stated")
    steps = choice.design.front_curves if choice.design is not None else ()
    if steps:
        step = from_table(steps, minus_sphere(power.sphere, power.cylinder))
        if step is not None and number(step.curve) is not None:
            return FrontCurve(step.curve, "maker")
    return FrontCurve(thickness.base_curve(power.sphere, power.cylinder), "rule", beyond=bool(steps))
