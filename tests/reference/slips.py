"""One slip at a time, by kind: the list of what really goes wrong between prescription and lab.

Every slip takes a correct Case and a generator of random numbers and gives the Case with that one slip, or None where this
Case cannot have it. `always` marks slips that make a pair unmakeable, unsuitable or unlawful whatever the figures.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np

from dispensing import figures as figs
from dispensing.case import (
    MULTIFOCAL,
    SEGMENTED,
    Case,
    PrescribedLens,
    Prescription,
    Tint,
)
from tests.reference.population import MATERIALS, half, with_ordered

Rng = np.random.Generator
Apply = Callable[[Case, Case, Rng], "Case | None"]


@dataclass(frozen=True)
class Slip:
    name: str
    family: str
    apply: Apply  # (correct case, another client's correct case, rng)
    always: bool = False
    typed: bool = False  # made while typing the powers: a blind read-back would show it
    worn: bool = False  # how the frame is worn is right in the slipped record: the slip is in the power alone


SLIPS: list[Slip] = []


def slip(
    name: str, family: str, *, always: bool = False, typed: bool = False, worn: bool = False
) -> Callable[[Apply], Apply]:
    def register(f: Apply) -> Apply:
        SLIPS.append(Slip(name, family, f, always, typed, worn))
        return f

    return register


def _rx(case: Case, **by_eye: PrescribedLens) -> Case:
    assert case.prescription is not None
    return replace(case, prescription=replace(case.prescription, **by_eye))


def _one_eye(case: Case, rng: Rng, change: Callable[[PrescribedLens], PrescribedLens | None]) -> Case | None:
    assert case.prescription is not None
    eyes = ["right", "left"]
    rng.shuffle(eyes)
    for eye in eyes:
        changed = change(getattr(case.prescription, eye))
        if changed is not None:
            return _rx(case, **{eye: changed})
    return None


def _both(case: Case, change: Callable[[PrescribedLens], PrescribedLens | None]) -> Case | None:
    assert case.prescription is not None
    r, l = change(case.prescription.right), change(case.prescription.left)  # noqa: E741
    return None if r is None or l is None else _rx(case, right=r, left=l)


# --- prescription


@slip("sphere sign, one eye", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, sphere=-x.sphere) if x.sphere else None)


@slip("sphere sign, both eyes", "prescription", typed=True)
def _(case, other, rng):
    return _both(case, lambda x: replace(x, sphere=-x.sphere) if x.sphere else None)


@slip("decimal point, ten times", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, sphere=x.sphere * 10) if x.sphere else None)


@slip("decimal point, a tenth", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(
        case, rng, lambda x: replace(x, sphere=round(x.sphere / 10, 2)) if x.sphere and abs(x.sphere) >= 1 else None
    )


def _digit(value: float, rng: Rng) -> float:
    """Another digit in the units or the quarters, same sign: +1.25 -> +1.75, -3.00 -> -8.00."""
    size = abs(value)
    whole, part = int(size), size - int(size)
    if rng.random() < 0.5:
        part = float(rng.choice([p for p in (0.0, 0.25, 0.5, 0.75) if abs(p - part) > 0.01]))
    else:
        whole = int(rng.choice([w for w in range(10) if w != whole])) if whole < 10 else whole - 10
    return math.copysign(whole + part, value) if value else whole + part


@slip("digit, sphere", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, sphere=_digit(x.sphere, rng)) if x.sphere else None)


@slip("digit, cylinder", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, cylinder=_digit(x.cylinder, rng) or None) if x.cylinder else None)


@slip("eyes swapped", "prescription", typed=True)
def _(case, other, rng):
    rx = case.prescription
    return None if rx.right == rx.left else _rx(case, right=rx.left, left=rx.right)


@slip("axis missing", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, axis=None) if x.cylinder else None)


@slip("axis beyond 180", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, axis=x.axis + 100) if x.cylinder and x.axis > 80 else None)


def _transposed(axis: float) -> float | None:
    text = str(int(axis))
    if len(text) == 2:
        new = int(text[::-1])
    elif len(text) == 3:
        new = int(text[0] + text[2] + text[1])
    else:
        return None
    return float(new) if 0 < new <= 180 and new != axis else None


@slip("axis digits transposed", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(
        case,
        rng,
        lambda x: replace(x, axis=_transposed(x.axis)) if x.cylinder and _transposed(x.axis) is not None else None,
    )


@slip("axis off by 90", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, axis=(x.axis + 90) % 180 or 180.0) if x.cylinder else None)


@slip("axis and cylinder exchanged", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, axis=abs(x.cylinder), cylinder=x.axis) if x.cylinder else None)


@slip("cylinder form mixed", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, cylinder=-x.cylinder) if x.cylinder else None)


@slip("add missing", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _both(case, lambda x: replace(x, add=None)) if case.lens.design.family in MULTIFOCAL else None


@slip("near sphere typed as add", "prescription", typed=True)
def _(case, other, rng):
    return _both(case, lambda x: replace(x, add=x.sphere + x.add) if x.add and x.sphere and abs(x.sphere) > 0.2 else None)


@slip("add in one eye only", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, add=None) if x.add else None)


@slip("digit, add in one eye", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, add=_digit(x.add, rng)) if x.add else None)


@slip("prism without base", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(
        case,
        rng,
        lambda x: replace(x, base_h=None) if x.prism_h else (replace(x, base_v=None) if x.prism_v else None),
    )


_OTHER = {"in": "out", "out": "in", "up": "down", "down": "up"}


@slip("prism base reversed, one eye", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(
        case,
        rng,
        lambda x: (
            replace(x, base_h=_OTHER[x.base_h])
            if x.prism_h
            else (replace(x, base_v=_OTHER[x.base_v]) if x.prism_v else None)
        ),
    )


@slip("prism from one eye only", "prescription", typed=True)
def _(case, other, rng):
    return _one_eye(
        case,
        rng,
        lambda x: replace(x, prism_h=None, base_h=None, prism_v=None, base_v=None) if x.prism_h or x.prism_v else None,
    )


def _strong(case: Case) -> bool:
    rx = case.prescription
    return any(abs(m) >= 5 for x in (rx.right, rx.left) for m in (x.sphere or 0, (x.sphere or 0) + (x.cylinder or 0)))


@slip("vertex distance missing", "prescription", always=True)
def _(case, other, rng):
    return replace(case, prescription=replace(case.prescription, vertex_mm=None)) if _strong(case) else None


@slip("vertex distance implausible", "prescription", always=True)
def _(case, other, rng):
    if not _strong(case):
        return None
    return replace(
        case, prescription=replace(case.prescription, vertex_mm=float(rng.choice([1.2, 2.0, 21.0, 31.0, 120.0])))
    )


@slip("power not on a step", "prescription", always=True, typed=True)
def _(case, other, rng):
    return _one_eye(case, rng, lambda x: replace(x, sphere=round(x.sphere + float(rng.choice([0.1, -0.1, 0.05])), 2)))


@slip("prescription out of date", "prescription", always=True)
def _(case, other, rng):
    days = int(rng.integers(750, 1500))
    return replace(case, prescription=replace(case.prescription, written_on=case.today - timedelta(days=days)))


@slip("prescription in the future", "prescription", always=True)
def _(case, other, rng):
    days = int(rng.choice([30, 31, 365]))
    return replace(case, prescription=replace(case.prescription, written_on=case.today + timedelta(days=days)))


@slip("another client's prescription", "prescription")
def _(case, other, rng):
    def powers(rx: Prescription) -> Any:
        return (rx.right, rx.left)

    if case.lens.design.family in MULTIFOCAL and other.prescription.right.add is None:
        return None
    return (
        replace(case, prescription=other.prescription) if powers(case.prescription) != powers(other.prescription) else None
    )


# --- frame


def _frame(case: Case, **kw: Any) -> Case:
    return replace(case, frame=replace(case.frame, **kw))


@slip("a and b exchanged", "frame")
def _(case, other, rng):
    return _frame(case, a=case.frame.b, b=case.frame.a)


@slip("a and distance between lenses exchanged", "frame", always=True)
def _(case, other, rng):
    return _frame(case, a=case.frame.dbl, dbl=case.frame.a)


@slip("distance between lenses and side mixed", "frame", always=True)
def _(case, other, rng):
    return _frame(case, dbl=case.frame.side, side=case.frame.dbl)


@slip("distance between lenses, digits turned", "frame")
def _(case, other, rng):
    d = int(case.frame.dbl)
    new = float(str(d)[::-1])
    return _frame(case, dbl=new) if new != d else None


@slip("effective diameter under a", "frame", always=True)
def _(case, other, rng):
    return _frame(case, ed=case.frame.a - float(rng.integers(2, 8)))


@slip("outline of another frame", "frame", always=True)
def _(case, other, rng):
    if abs(other.frame.a - case.frame.a) < 1 and abs(other.frame.b - case.frame.b) < 1:
        return None
    return _frame(case, outline=other.frame.outline)


@slip("digit, a", "frame")
def _(case, other, rng):
    step = float(rng.choice([-10, -5, -4, -3, 3, 4, 5, 10]))
    return _frame(case, a=case.frame.a + step)


@slip("old frame's figures kept", "frame", always=True)
def _(case, other, rng):
    """The frame was changed, the figures and the readings' own frame are still those of the one before."""
    kept = replace(
        other.frame, a=case.frame.a, b=case.frame.b, dbl=case.frame.dbl, ed=case.frame.ed, identity=other.frame.identity
    )
    return replace(case, frame=kept)


# --- measurements


def _adopt(case: Case, quantity: str, values: dict[str, float | None], *, readings: str) -> Case:
    """Change adopted values; `readings`: "all" = every reading shows it, "one" = the last one does, "none"."""
    m = case.measurements
    changed = {eye: replace(m.of(eye), **{quantity: v}) for eye, v in values.items()}  # type: ignore[arg-type]
    new = list(m.readings)
    for eye, v in values.items():
        where = [i for i, r in enumerate(new) if r.quantity == quantity and r.eye == eye]
        if v is None:
            continue
        for i in where if readings == "all" else where[-1:] if readings == "one" else []:
            new[i] = replace(new[i], value=v)
    return replace(case, measurements=replace(m, readings=tuple(new), **changed))


@slip("binocular PD in both monocular fields", "measurements")
def _(case, other, rng):
    total = case.measurements.right.far_pd + case.measurements.left.far_pd
    return _adopt(case, "far_pd", {"right": total, "left": total}, readings="all")


@slip("binocular PD in one monocular field", "measurements")
def _(case, other, rng):
    total = case.measurements.right.far_pd + case.measurements.left.far_pd
    return _adopt(case, "far_pd", {"right": total}, readings="all")


@slip("digit, PD of one eye", "measurements")
def _(case, other, rng):
    eye = str(rng.choice(["right", "left"]))
    v = case.measurements.of(eye).far_pd
    return _adopt(case, "far_pd", {eye: v + float(rng.choice([-10, -5, -4, -3, -2, 2, 3, 4, 5, 10]))}, readings="one")


@slip("PD right and left swapped", "measurements")
def _(case, other, rng):
    r, l = case.measurements.right.far_pd, case.measurements.left.far_pd  # noqa: E741
    return _adopt(case, "far_pd", {"right": l, "left": r}, readings="all") if abs(r - l) >= 1 else None


@slip("near PD where distance is asked", "measurements")
def _(case, other, rng):
    values = {e: half(case.measurements.of(e).far_pd * 400 / 427) for e in ("right", "left")}
    return _adopt(case, "far_pd", values, readings="all")


@slip("distance PD where near is asked", "measurements")
def _(case, other, rng):
    if case.measurements.right.near_pd is None:
        return None
    values = {e: case.measurements.of(e).far_pd for e in ("right", "left")}
    return _adopt(case, "near_pd", values, readings="none")


@slip("PD from another client", "measurements")
def _(case, other, rng):
    values = {e: other.measurements.of(e).far_pd for e in ("right", "left")}
    case = _adopt(case, "far_pd", values, readings="all")
    if case.measurements.binocular_far_pd is not None:
        case = replace(case, measurements=replace(case.measurements, binocular_far_pd=sum(values.values())))
    return case


@slip("PD in centimetres", "measurements")
def _(case, other, rng):
    values = {e: round(case.measurements.of(e).far_pd / 10, 2) for e in ("right", "left")}
    return _adopt(case, "far_pd", values, readings="all")


def _heights(case: Case) -> dict[str, float] | None:
    values = {e: case.measurements.of(e).height for e in ("right", "left")}
    return None if any(v is None for v in values.values()) else values  # type: ignore[return-value]


@slip("height from the datum line", "measurements")
def _(case, other, rng):
    h = _heights(case)
    return (
        None if h is None else _adopt(case, "height", {e: half(v - case.frame.b / 2) for e, v in h.items()}, readings="all")
    )


@slip("height to the rim below the pupil", "measurements")
def _(case, other, rng):
    h = _heights(case)
    if h is None:
        return None
    found = figs.compute(case)
    values = {e: half(found.of(e).height_rim) for e in h if found.of(e).height_rim is not None}
    return _adopt(case, "height", values, readings="all") if len(values) == 2 else None


@slip("height to the visible rim, groove not added", "measurements")
def _(case, other, rng):
    h = _heights(case)
    if h is None or case.frame.mount != "full_rim":
        return None
    return _adopt(case, "height", {e: v - 0.5 for e, v in h.items()}, readings="all")


@slip("digit, height of one eye", "measurements")
def _(case, other, rng):
    h = _heights(case)
    if h is None:
        return None
    eye = str(rng.choice(["right", "left"]))
    return _adopt(case, "height", {eye: h[eye] + float(rng.choice([-10, -5, -4, -3, -2, 2, 3, 4, 5, 10]))}, readings="one")


@slip("heights of the previous frame", "measurements")
def _(case, other, rng):
    h = _heights(case)
    if h is None:
        return None
    old = case.earlier[0].height if case.earlier else None
    values = {e: (old.of(e) if old and old.of(e) is not None else h[e] + (other.frame.b - case.frame.b) / 2) for e in h}
    case = _adopt(case, "height", {e: half(v) for e, v in values.items()}, readings="all")
    readings = tuple(
        replace(r, frame_identity="the frame before") if r.quantity == "height" else r for r in case.measurements.readings
    )
    return replace(case, measurements=replace(case.measurements, readings=readings))


@slip("pupil outside the lens", "measurements", always=True)
def _(case, other, rng):
    h = _heights(case)
    return None if h is None else _adopt(case, "height", dict.fromkeys(h, case.frame.b + 1.5), readings="all")


@slip("an outlying reading adopted", "measurements")
def _(case, other, rng):
    eye = str(rng.choice(["right", "left"]))
    quantity = str(rng.choice(["far_pd", "height"]))
    v = getattr(case.measurements.of(eye), quantity)
    if v is None or sum(r.quantity == quantity and r.eye == eye for r in case.measurements.readings) < 2:
        return None
    return _adopt(case, quantity, {eye: v + float(rng.choice([-3, -2.5, 2.5, 3]))}, readings="one")


@slip("observer not level", "measurements")
def _(case, other, rng):
    """The observer's eye 120 mm high at 450 mm: the height read is too high by the parallax over the vertex distance and
    pupil depth."""
    h = _heights(case)
    if h is None:
        return None
    off = 120.0 * (case.fit.vertex_mm + 3.0) / (450.0 + 3.0)
    case = _adopt(case, "height", {e: half(v + off) for e, v in h.items()}, readings="all")
    readings = tuple(
        replace(r, observer_level=False, observer_above_mm=120.0, observer_distance_mm=450.0)
        if r.quantity == "height"
        else r
        for r in case.measurements.readings
    )
    return replace(case, measurements=replace(case.measurements, readings=readings))


@slip("measured before the final fit", "measurements", always=True)
def _(case, other, rng):
    return replace(case, fit=replace(case.fit, confirmed=False, confirmed_at=None))


@slip("as-worn angle implausible", "measurements", always=True)
def _(case, other, rng):
    if rng.random() < 0.5:
        return replace(case, fit=replace(case.fit, pantoscopic_deg=float(rng.choice([45, 90, -8, 30]))))
    return replace(case, fit=replace(case.fit, face_form_deg=float(rng.choice([25, 50, 40]))))


# --- lens


def _design(case: Case, **kw: Any) -> Case:
    return replace(case, lens=replace(case.lens, design=replace(case.lens.design, **kw)))


@slip("height under the design's minimum", "lens", always=True)
def _(case, other, rng):
    h = _heights(case)
    if h is None or case.lens.design.family not in ("progressive", "degressive"):
        return None
    return _design(case, min_height_mm=math.ceil(min(h.values())) + 2.0, corridor_mm=min(h.values()) - 2)


@slip("too little above the fitting cross", "lens", always=True)
def _(case, other, rng):
    h = _heights(case)
    if h is None or case.lens.design.family not in ("progressive", "degressive"):
        return None
    return _design(case, min_above_mm=math.ceil(case.frame.b - max(h.values())) + 2.0)


@slip("segment top above the pupil, adult", "lens", always=True)
def _(case, other, rng):
    h = _heights(case)
    if h is None or case.lens.design.family not in SEGMENTED or (case.person.age_years or 0) < 18:
        return None
    return _adopt(case, "height", {e: v + 8.0 for e, v in h.items()}, readings="all")


@slip("power outside the range made", "lens", always=True)
def _(case, other, rng):
    ordered = figs.compute(case).right.ordered  # of a near pair it is not the distance sphere
    s = ordered.sphere if ordered is not None else 0.0
    return _design(case, sphere_max=s - 0.5) if s > 0 else _design(case, sphere_min=s + 0.5)


@slip("add not made", "lens", always=True)
def _(case, other, rng):
    add = case.prescription.right.add
    return _design(case, add_max=add - 0.25) if add and case.lens.design.family in MULTIFOCAL else None


@slip("blank too small", "lens", always=True)
def _(case, other, rng):
    found = figs.compute(case)
    need = max(found.right.blank_needed or 0, found.left.blank_needed or 0)
    small = math.floor((need - 1) / 5) * 5.0
    return replace(case, lens=replace(case.lens, blank_diameter_mm=small)) if small >= 50 else None


@slip("prism beyond the range", "lens", always=True)
def _(case, other, rng):
    x = case.prescription.right
    amount = max(x.prism_h or 0, x.prism_v or 0)
    return _design(case, prism_max=amount - 0.5) if amount else None


@slip("material not for the mount", "lens", always=True)
def _(case, other, rng):
    return replace(case, lens=replace(case.lens, material=MATERIALS["1.50"])) if case.frame.mount == "drilled" else None


@slip("material not for the person", "lens", always=True)
def _(case, other, rng):
    low = replace(MATERIALS["1.50"], name="glass 1.52", nd=1.523, density=2.54, impact="low", glass=True)
    if (case.person.age_years or 99) < 16:
        return replace(case, lens=replace(case.lens, material=low))
    if rng.random() < 0.5:
        return replace(case, lens=replace(case.lens, material=low), person=replace(case.person, useful_eye="right"))
    return replace(case, lens=replace(case.lens, material=low), needs=replace(case.needs, uses=("safety",)))


@slip("tint not for driving", "lens", always=True)
def _(case, other, rng):
    if rng.random() < 0.5:
        tint, use = Tint(name="grey", transmittance_clear=6, transmittance_dark=6), "driving_day"
    else:
        tint, use = Tint(name="brown", transmittance_clear=50, transmittance_dark=50), "driving_night"
    return replace(case, lens=replace(case.lens, tint=tint), needs=replace(case.needs, uses=(*case.needs.uses, use)))


@slip("front curve not for the frame", "lens", always=True)
def _(case, other, rng):
    return _frame(replace(case, lens=replace(case.lens, front_curve=case.frame.front_curve + 5.0)))


def _compensated(case: Case, vertex_change_mm: float, factor: float) -> Case | None:
    """Worn `vertex_change_mm` away from where it was tested, ordered for `factor` times that change (-1: the wrong way).

    The tilt is compensated as it should be: this slip is of the vertex distance alone.
    """
    rx = case.prescription
    if rx.vertex_mm is None or not _strong(case):
        return None
    thought = replace(case, fit=replace(case.fit, vertex_mm=rx.vertex_mm + factor * vertex_change_mm))
    lens = with_ordered(thought, always=True).lens
    return replace(case, fit=replace(case.fit, vertex_mm=rx.vertex_mm + vertex_change_mm), lens=lens)


@slip("compensated the wrong way", "lens", worn=True)
def _(case, other, rng):
    return _compensated(case, float(rng.choice([-3, 3, 4])), -1)


@slip("compensated twice", "lens", worn=True)
def _(case, other, rng):
    return _compensated(case, float(rng.choice([-3, 3, 4])), 2)


@slip("not compensated", "lens", worn=True)
def _(case, other, rng):
    return _compensated(case, float(rng.choice([-3, 3, 4])), 0)


# --- order


@slip("not measured on the frame that is ordered", "order", always=True)
def _(case, other, rng):
    return _frame(case, identity="another frame of the same size")


@slip("changed after signature", "order", always=True)
def _(case, other, rng):
    return replace(case, hands=replace(case.hands, signed_by="s", signer_registered=True, changed_after_signature=True))


@slip("restricted client, nobody registered", "order", always=True)
def _(case, other, rng):
    person = replace(case.person, sight_impaired=True)
    return replace(case, person=person, hands=replace(case.hands, dispenser_registered=False))


@slip("trainee signing for themselves", "order", always=True)
def _(case, other, rng):
    hands = replace(case.hands, dispenser_role="trainee", dispenser_registered=False, signed_by=case.hands.dispenser)
    return replace(case, hands=hands)


@slip("copy of an order still open", "order", always=True)
def _(case, other, rng):
    return replace(case, hands=replace(case.hands, open_order_for_same_pair=True))
