"""Checks of powers stated for the order against the prescription: compensation for vertex distance and tilt, and slips on the way."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, OrderedPower, PrescribedLens
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import dioptres, eye_word, prism_in_word, prism_up_word, signed
from dispensing.figures import near_only
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power
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
    return text if not order.cylinder else f"{text} / {signed(order.cylinder)} × {order.axis or 0:g}"


def _tolerance(power: Power) -> float:
    """Power tolerance in D of the stronger principal meridian (ISO 21987:2017 Table 1, from memory)."""
    strongest = abs(power.strongest.power)
    return 0.12 if strongest <= 9 else 0.18 if strongest <= 12 else 0.25


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
        p, x, o = prescribed.vector(), expected.vector(), ordered.vector()
        wanted = (x.m - p.m, x.j0 - p.j0, x.j45 - p.j45)
        made = (o.m - p.m, o.j0 - p.j0, o.j45 - p.j45)
        size = sum(w * w for w in wanted)
        if size < 0.1**2:
            continue
        part = sum(w * d for w, d in zip(wanted, made, strict=True)) / size  # 1 = right, −1 = the wrong way, 2 = twice
        if (kind == "wrong way" and -1.6 <= part <= -0.4) or (kind == "twice" and 1.6 <= part <= 2.6):
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
    Fires: −10.00 tested at 12, fitted at 15, ordered −10.00: 0.3 D short.
    Silent: −3.00 with the same distances; values the maker will compute; −10.31 ordered.
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
            # the mean sphere carries the vertex part; ordinary tilt alone changes it little and optical-centre drop takes care of it
            off = abs(wanted.mean_sphere - given.mean_sphere)
        else:
            # stated: it should be what this fit asks for, with the tilt or without, in every meridian
            off = given.distance_from(wanted)
            if off > v.limit["compensation.ask"] and not near and tested is not None and fitted is not None:
                off = min(off, given.distance_from(compensate(prescribed, tested, fitted)))
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


@check(
    "ordered.prism",
    "stop",
    "The ordered prism is not the prescribed one",
    family="lens",
    source="ISO 21987:2017: prism of the pair against that ordered",
    confidence="derived",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "lens.compensation",
        "lens.ordered_right",
    ),
)
def ordered_prism(v: View, found: Finder) -> Iterator[Finding]:
    """Why: prism changes only by a small compensation, or by equal base down in both lenses for thinning.
    Fires: prescribed 2 Δ out, ordered 2 Δ in.
    Silent: ordered as prescribed; 1 Δ down in both lenses of a progressive pair.
    """
    rx = v.rx
    orders = {eye: v.case.lens.ordered(eye) for eye in EYES}
    if rx is None or (orders["right"] is None and orders["left"] is None) or near_only(v.case.needs, v.case.lens):
        return
    limit = 0.75 if v.case.lens.compensation == "maker" else 0.25
    off: dict[str, tuple[float, float]] = {}
    for eye in EYES:
        order, lens = orders[eye], rx.of(eye)
        if order is None or lens.prism_in is None or lens.prism_up is None:
            return
        off[eye] = (order.prism_in - lens.prism_in, order.prism_up - lens.prism_up)
    thinning = abs(off["right"][1] - off["left"][1]) <= limit
    for eye in EYES:
        order, lens = orders[eye], rx.of(eye)
        if order is None:
            continue
        for name, wanted, given, word, gone in (
            ("h", lens.prism_in or 0.0, order.prism_in, prism_in_word, off[eye][0]),
            ("v", lens.prism_up or 0.0, order.prism_up, prism_up_word, 0.0 if thinning else off[eye][1]),
        ):
            if abs(gone) <= limit:
                continue
            reversed_ = abs(wanted + given) <= limit and abs(wanted) > limit
            yield found(
                f"{eye_word(eye)} prism ordered is {word(given)}, prescribed {word(wanted)}.",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.prism_{name}",
                seen=((f"{eye_word(eye)} ordered", word(given), ""), (f"{eye_word(eye)} prescribed", word(wanted), "")),
                limit=f"within {limit:.2f} Δ",
                severity="stop" if reversed_ or v.case.lens.compensation != "maker" else "confirm",
                consequence=f"The pair would be {abs(gone):.2f} Δ out.",
                resolution=f"{word(wanted)}." if reversed_ else "Order the prescribed prism, or record what changed it.",
            )


@check(
    "ordered.add",
    "stop",
    "The ordered addition is not the prescribed one",
    family="lens",
    source="ISO 21987:2017 Table 4 (from memory): ±0.12 D",
    confidence="standard",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.add",
        "lens.compensation",
        "lens.ordered_right",
    ),
)
def ordered_add(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the addition is not compensated by the practice; a maker may state one that is a little different.
    Fires: prescribed +2.00, ordered +2.50.
    Silent: +2.00; +2.10 stated by the maker.
    """
    maker = v.case.lens.compensation == "maker"
    for eye, lens, _ in v.lenses():
        order = v.case.lens.ordered(eye)
        if order is None or order.add is None or not lens.add or near_only(v.case.needs, v.case.lens):
            continue
        off = abs(order.add - lens.add)
        if off > (0.5 if maker else 0.12):
            yield found(
                f"{eye_word(eye)} addition ordered {signed(order.add)}, prescribed {signed(lens.add)}.",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.add",
                seen=((f"{eye_word(eye)} ordered", order.add, "D"), (f"{eye_word(eye)} prescribed", lens.add, "D")),
                limit="within 0.12 D" if not maker else "within 0.50 D",
                severity="confirm" if maker else "stop",
                consequence=f"Near would be {off:.2f} D out.",
                resolution=f"{signed(lens.add)}.",
            )


@check(
    "ordered.maker-needs-fit",
    "confirm",
    "The maker is to compensate, but was not told how the frame is worn",
    family="lens",
    source="compensation needs vertex distance, pantoscopic angle and face form as worn",
    confidence="published",
    needs=("fit.vertex_mm", "lens.compensation", "lens.ordered_right"),
)
def maker_needs_fit(v: View, found: Finder) -> Iterator[Finding]:
    """Why: without the as-worn figures the maker computes with standard ones, which is compensation for another face.
    Fires: compensation by the maker, vertex distance blank.
    Silent: all three given; no compensation.
    """
    if v.case.lens.compensation != "maker" or v.case.lens.ordered_right or v.case.lens.ordered_left:
        return
    fit = v.case.fit
    lacking = [n for n in ("vertex_mm", "pantoscopic_deg", "face_form_deg") if getattr(fit, n) is None]
    words = {"vertex_mm": "vertex distance", "pantoscopic_deg": "pantoscopic angle", "face_form_deg": "face form angle"}
    if lacking:
        yield found(
            f"The maker compensates, and has no {' or '.join(words[n] for n in lacking)}.",
            f"fit.{lacking[0]}",
            "lens.compensation",
            missing=tuple(f"fit.{n}" for n in lacking),
            resolution="Measure as worn, or let the maker know that standard figures are to be used.",
            for_lab=True,
        )
