"""Checks of powers stated for the order against the prescription: compensation for vertex distance and tilt, and slips on the way."""

from __future__ import annotations

import math
from collections.abc import Iterator

from dispensing.case import OrderedPower, PrescribedLens
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import dioptres, eye_word, signed
from dispensing.figures import near_only
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power
from dispensing.optics.tilt import total_tilt
from dispensing.optics.vertex import compensate

_COMPENSATION = "vertex: F/(1 − xF) in each meridian; tilt: matrix form; tolerances ISO 21987:2017 Table 1 (from memory)"
_TRANSPOSING = "transposition: sphere + cylinder, other sign, axis turned by 90"
_COMPENSATED_FROM = (  # what a compensation is worked out from, and where it is stated
    "prescription.right.sphere",
    "prescription.right.cylinder",
    "prescription.right.axis",
    "prescription.vertex_mm",
    "fit.face_form_deg",
    "fit.pantoscopic_deg",
    "fit.vertex_mm",
    "lens.compensation",
    "lens.ordered_right",
)
_SAME = 0.06  # two powers this near are the same power, rounded


def _power(order: OrderedPower | None) -> Power | None:
    if order is None:
        return None
    try:
        return Power(order.sphere, order.cylinder, order.axis if order.axis and order.cylinder else 180.0)
    except OpticsError:
        return None


def _written(order: OrderedPower) -> str:
    text = dioptres(order.sphere)
    if not order.cylinder:
        return text
    axis = order.axis or 0.0
    # nobody makes a tenth of a degree; what is stated in half degrees is told as it is stated
    return f"{text} / {signed(order.cylinder)} × {axis if not axis * 2 % 1 else round(axis) or 180:g}"


def _tolerance(power: Power) -> float:
    """Power tolerance in D of the stronger principal meridian (ISO 21987:2017 Table 1, from memory)."""
    strongest = abs(power.strongest.power)
    return 0.12 if strongest <= 9 else 0.18 if strongest <= 12 else 0.25


def _meridional(power: Power, other: Power) -> float:
    """Greatest difference of two powers in any meridian, D: what a power tolerance is held against."""
    a, b = power.vector(), other.vector()
    return abs(a.m - b.m) + math.hypot(a.j0 - b.j0, a.j45 - b.j45)


def _slack(order: OrderedPower) -> float:
    """How far a worked-out power may lie from the formula by its rounding, D: half a step of 0.12 in sphere and in cylinder, or
    hardly anything where it is stated in hundredths."""
    on_step = all(min(abs(x) % 0.125, -abs(x) % 0.125) < 0.006 for x in (order.sphere, order.cylinder))
    return 0.125 if on_step else 0.05


def _half_transposed(order: OrderedPower, rx: PrescribedLens) -> str:
    """What went wrong in transposing, or ""."""
    if rx.sphere is None or not rx.cylinder or rx.axis is None or not order.cylinder or order.axis is None:
        return ""
    turned = abs((order.axis - rx.axis) % 180 - 90) < 0.6
    same_axis = min((order.axis - rx.axis) % 180, (rx.axis - order.axis) % 180) < 0.6
    other_form = abs(order.sphere - rx.sphere - rx.cylinder) < _SAME and abs(order.cylinder + rx.cylinder) < _SAME
    same_form = abs(order.sphere - rx.sphere) < _SAME and abs(order.cylinder - rx.cylinder) < _SAME
    if other_form and same_axis:
        return f"the axis was not turned: {(rx.axis + 90) % 180 or 180:g}"
    if same_form and turned:
        return f"the axis was turned but the powers were not changed: {rx.axis:g}"
    if turned and abs(order.sphere - rx.sphere) < _SAME and abs(order.cylinder + rx.cylinder) < _SAME:
        return f"the sphere was not changed: {dioptres(rx.sphere + rx.cylinder)}"
    return ""


@check(
    "ordered.half-transposed",
    "stop",
    "The ordered power was transposed halfway",
    family="lens",
    source=_TRANSPOSING,
    confidence="published",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "lens.compensation",
        "lens.ordered_right",
    ),
    explains=("ordered.unexplained", "ordered.wrong-way", "ordered.twice", "ordered.not-compensated"),
)
def half_transposed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: turning a prescription into the other cylinder form changes sphere, sign and axis together. One left out is another lens.
    Fires: prescribed +2.00 / −1.00 × 90, ordered +1.00 / +1.00 × 90.
    Silent: ordered +1.00 / +1.00 × 180.
    """
    for eye, lens, _ in v.lenses():
        order = v.case.lens.ordered(eye)
        what = _half_transposed(order, lens) if order is not None else ""
        power, ordered = v.powers[eye], _power(order)
        if order is not None and what and power is not None and ordered is not None:
            yield found(
                f"{eye_word(eye)} order {_written(order)}: {what}?",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} ordered", _written(order), ""),),
                consequence=f"The lens would be {ordered.distance_from(power):.2f} D away from the prescription.",
                resolution="Write the order in the form of the prescription.",
            )


@check(
    "ordered.wrong-way",
    "stop",
    "The compensation goes the wrong way",
    family="lens",
    source=_COMPENSATION,
    confidence="derived",
    needs=_COMPENSATED_FROM,
    explains=("ordered.unexplained", "ordered.not-compensated"),
    same_question=("ordered.unexplained",),
)
def wrong_way(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a minus lens moved away from the eye has to be stronger, a plus lens weaker. The other way round doubles the error.
    Fires: −10.00 tested at 12, fitted at 15, ordered −9.71 instead of −10.31.
    Silent: ordered −10.31; values that the maker states (it asks).
    """
    yield from _compensated(v, found, "wrong way")


@check(
    "ordered.twice",
    "stop",
    "The compensation was made twice",
    family="lens",
    source=_COMPENSATION,
    confidence="derived",
    needs=_COMPENSATED_FROM,
    explains=("ordered.unexplained", "ordered.not-compensated"),
    same_question=("ordered.unexplained",),
)
def twice(v: View, found: Finder) -> Iterator[Finding]:
    """Why: practice and maker may both compensate; then the lens is as far off as with none at all, the other way.
    Fires: −10.00 tested at 12, fitted at 15, ordered −10.62.
    Silent: ordered −10.31.
    """
    yield from _compensated(v, found, "twice")


def _compensated(v: View, found: Finder, kind: str) -> Iterator[Finding]:
    if v.case.lens.ordered_right is None and v.case.lens.ordered_left is None:
        return
    for eye, _, figures in v.lenses():
        order = v.case.lens.ordered(eye)
        ordered, expected, prescribed = _power(order), _power(figures.expected), v.powers[eye]
        if (
            order is None
            or ordered is None
            or expected is None
            or prescribed is None
            or near_only(v.case.needs, v.case.lens)
        ):
            continue
        if _same_mistake(v, kind, prescribed, ordered, expected):
            severity: Severity = "confirm" if v.case.lens.compensation == "maker" else "stop"
            yield found(
                f"{eye_word(eye)} order {_written(order)} is compensated {'the wrong way' if kind == 'wrong way' else 'twice'}.",
                f"lens.ordered_{eye}",
                "fit.vertex_mm",
                seen=(
                    (f"{eye_word(eye)} ordered", _written(order), ""),
                    ("Computed for this fit", _written(figures.expected) if figures.expected else "", ""),
                    (
                        "Vertex distance of the test",
                        v.rx.vertex_mm if v.rx and v.rx.vertex_mm is not None else "not known",
                        "mm",
                    ),
                    ("As worn", v.case.fit.vertex_mm if v.case.fit.vertex_mm is not None else "not known", "mm"),
                ),
                severity=severity,
                consequence=f"The eye would be {ordered.distance_from(expected):.2f} D out.",
                resolution=f"{_written(figures.expected)}." if figures.expected else "",
                for_lab=severity == "confirm",
            )


def _moved(power: Power, tested: float | None, fitted: float | None) -> Power:
    """The power for another vertex distance; as it is where that is not known, or is none (which is found elsewhere)."""
    if tested is None or fitted is None:
        return power
    try:
        return compensate(power, tested, fitted)
    except OpticsError:
        return power


def _ordinary_tilt(v: View) -> bool:
    """Whether the lens leans from the line of sight no more than lowered centres take care of: mostly downwards, not sideways."""
    fit, frame = v.case.fit, v.frame
    face_form = fit.face_form_deg if fit.face_form_deg is not None or frame is None else frame.face_form_deg
    if abs(face_form or 0.0) > v.limit["compensation.face_form"]:
        return False
    try:
        return total_tilt(fit.pantoscopic_deg or 0.0, face_form or 0.0) <= v.limit["compensation.tilt"]
    except OpticsError:
        return False  # no frame is worn so, which is found elsewhere


def _same_mistake(v: View, kind: str, prescribed: Power, ordered: Power, expected: Power) -> bool:
    """Whether what was done is the wrong way (or twice) of what this fit asks for: with the tilt, or for the vertex distance alone."""
    if ordered.distance_from(expected) <= v.limit["compensation.ask"]:
        return False  # it is right, however it was come by
    least, most = (-1.6, -0.4) if kind == "wrong way" else (1.6, 2.6)
    p, o = prescribed.vector(), ordered.vector()
    made = (o.m - p.m, o.j0 - p.j0, o.j45 - p.j45)
    for meant in (expected, _moved(prescribed, v.rx.vertex_mm if v.rx else None, v.case.fit.vertex_mm)):
        x = meant.vector()
        wanted = (x.m - p.m, x.j0 - p.j0, x.j45 - p.j45)
        size = sum(w * w for w in wanted)
        if size < 0.1**2:
            continue
        part = sum(w * d for w, d in zip(wanted, made, strict=True)) / size  # 1 = right, −1 = the wrong way, 2 = twice
        off = sum((d - part * w) ** 2 for w, d in zip(wanted, made, strict=True))
        if least <= part <= most and (meant is expected or off <= 0.06**2):
            return True
    return False


@check(
    "ordered.not-compensated",
    "confirm",
    "The power was not compensated for this fit",
    family="lens",
    source=_COMPENSATION,
    confidence="derived",
    needs=_COMPENSATED_FROM,
)
def not_compensated(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a strong lens that sits elsewhere than it was tested, or tilted, has another power at the eye.
    Fires: −10.00 tested at 12, fitted at 15, ordered −10.00: 0.3 D short; −6.00 with a face form angle of 18° as prescribed.
    Silent: −3.00 with the same distances; values the maker will compute; −10.31 ordered; −9.00 as prescribed, worn where it was tested
    with an ordinary tilt, which lowered centres take care of; they do nothing for a face form of more than 8°.
    """
    if v.case.lens.compensation == "maker":
        return
    near = near_only(v.case.needs, v.case.lens)
    tested, fitted = (v.rx.vertex_mm if v.rx else None), v.case.fit.vertex_mm
    for eye, _, figures in v.lenses():
        wanted, prescribed, given = _power(figures.expected), v.powers[eye], _power(figures.ordered)
        order = v.case.lens.ordered(eye)
        if wanted is None or prescribed is None or given is None:
            continue
        if order is None:
            # the mean sphere carries the vertex part; an ordinary tilt is taken care of by lowering the centres
            meant = wanted
            if _ordinary_tilt(v):
                meant = _moved(given, tested, fitted)
            off = abs(meant.mean_sphere - given.mean_sphere)
        else:
            # stated: it should be what this fit asks for in every meridian; or just what it asks for without the tilt
            off = _meridional(given, wanted)
            if off > v.limit["compensation.ask"] and not near and tested is not None and fitted is not None:
                plain = _meridional(given, compensate(prescribed, tested, fitted))
                off = off if plain > _slack(order) else min(off, plain)
        if off <= v.limit["compensation.ask"]:
            continue
        tolerance = max(v.limit["compensation.ask"], _tolerance(prescribed))
        if off > tolerance:
            yield found(
                f"{eye_word(eye)} power is not what this fit asks for.",
                f"lens.ordered_{eye}",
                "fit.vertex_mm",
                seen=(
                    (f"{eye_word(eye)} ordered", _written(order) if order is not None else "as prescribed", ""),
                    ("Computed for this fit", _written(figures.expected) if figures.expected else "", ""),
                    ("Vertex distance of the test", tested if tested is not None else "not known", "mm"),
                    ("As worn", fitted if fitted is not None else "not known", "mm"),
                ),
                limit=f"{tolerance:.2f} D",
                consequence=f"The eye would be {off:.2f} D out.",
                resolution=f"Order {_written(figures.expected)}, or let the maker compensate." if figures.expected else "",
                for_lab=True,
            )


@check(
    "ordered.unexplained",
    "stop",
    "The ordered power is neither the prescription nor its compensation",
    family="lens",
    source=_COMPENSATION,
    confidence="derived",
    needs=_COMPENSATED_FROM,
    explains=("ordered.not-compensated",),
)
def unexplained(v: View, found: Finder) -> Iterator[Finding]:
    """Why: what is ordered is the prescription, or the prescription compensated for this fit. Anything else changed on the way.
    Fires: prescribed −2.25, ordered −2.75, no compensation.
    Silent: the same power in the other form; −10.31 for −10.00 at 3 mm more; a maker's stated value within 2 D (a wrap may ask for it).
    """
    maker = v.case.lens.compensation == "maker"
    for eye, _, figures in v.lenses():
        order = v.case.lens.ordered(eye)
        if order is None:
            continue
        ordered, expected, prescribed = _power(order), _power(figures.expected), v.powers[eye]
        if ordered is None or prescribed is None:
            continue
        near = near_only(v.case.needs, v.case.lens)
        bases = [p for p in (expected, None if near else prescribed) if p is not None]
        if not bases:
            continue
        off = min(ordered.distance_from(p) for p in bases)
        limit = v.limit["ordered.far"] if maker else 2 * _tolerance(prescribed)
        if off > limit + 0.005:
            yield found(
                f"{eye_word(eye)} order {_written(order)} is {off:.2f} D away from the prescription.",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.sphere",
                seen=(
                    (f"{eye_word(eye)} ordered", _written(order), ""),
                    ("Computed for this fit", _written(figures.expected) if figures.expected else "not known", ""),
                ),
                limit=f"{limit:.2f} D",
                severity="confirm" if maker else "stop",
                consequence=f"The lens would be {off:.2f} D wrong.",
                resolution=f"{_written(figures.expected)}?" if figures.expected else "Order the prescription.",
                for_lab=maker,
            )
