"""Checks of pupillary distances against what else is on record: readings, the earlier pair, the frame."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, MULTIFOCAL, Eye
from dispensing.checks.consequence import of_pd_error, of_pds_exchanged
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.pd import _MOST_MONOCULAR, _REPEAT, _binocular
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm


@check(
    "pd.swapped",
    "stop",
    "Right and left PD are exchanged",
    family="measurements",
    source="comparison with the readings and the earlier pair",
    confidence="derived",
    needs=(
        "person.notes",
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.readings",
        "measurements.reason",
        "earlier",
    ),
    explains=("pd.changed", "pd.off-readings", "pd.near-off"),
)
def swapped(v: View, found: Finder) -> Iterator[Finding]:
    """Why: when the two change places both lenses are off sideways, in opposite directions.
    Fires: readings R 30, L 33, adopted R 33, L 30; last pair R 30, L 33, now R 33, L 30.
    Silent: nearly equal eyes; a last pair that agrees as it stands.
    """
    m = v.case.measurements
    for name, label in (("far_pd", "PD"), ("near_pd", "near PD")):
        right, left = getattr(m.right, name), getattr(m.left, name)
        if right is None or left is None or abs(right - left) < 1.0 or max(right, left) >= _MOST_MONOCULAR:
            continue
        source, severity = "", "stop"
        rr, rl = v.readings(name, "right"), v.readings(name, "left")
        if rr and rl:
            r0, l0 = sum(r.value for r in rr) / len(rr), sum(r.value for r in rl) / len(rl)
            if abs(r0 - left) <= 0.6 and abs(l0 - right) <= 0.6 and abs(r0 - right) > 0.9:
                source = "the readings"
            elif not (abs(r0 - right) <= 0.6 and abs(l0 - left) <= 0.6):
                continue
        if not source and abs(right - left) >= 1.5:
            pair = v.earlier_pair_with(name)
            if pair is not None:
                both = getattr(pair, name)
                r0, l0 = both.right, both.left
                crossed, straight = abs(r0 - left) + abs(l0 - right), abs(r0 - right) + abs(l0 - left)
                if crossed <= 1.6 and straight >= 2.5 and straight >= 2 * crossed:
                    source, severity = "the earlier pair", "confirm" if v.explained else "stop"
        if source:
            off = abs(right - left)
            yield found(
                f"Right and left {label} look exchanged: {source} had right {mm(r0)}, left {mm(l0)}.",
                f"measurements.right.{name}",
                f"measurements.left.{name}",
                seen=(
                    (f"Right {label}", right, "mm"),
                    (f"Left {label}", left, "mm"),
                    ("Right before", r0, "mm"),
                    ("Left before", l0, "mm"),
                ),
                consequence=of_pds_exchanged(v, off),
                resolution=f"Right {mm(left)}, left {mm(right)}?",
                severity="stop" if severity == "stop" else "confirm",
            )


@check(
    "pd.off-readings",
    "stop",
    "The PD that is to be used is none that was measured",
    family="measurements",
    source="comparison with the readings",
    confidence="derived",
    needs=("measurements.right.far_pd", "measurements.readings"),
)
def off_readings(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the value used is one of the readings or lies between them. Otherwise a digit changed on the way.
    Fires: readings 31.5 and 31, adopted 34 (stop); adopted 30.5 (asks).
    Silent: adopted 31; adopted 31.25.
    """
    yield from _off_readings(v, found, "far_pd", "PD", 0.3)
    yield from _off_readings(v, found, "near_pd", "near PD", 0.3)


def _off_readings(v: View, found: Finder, name: str, label: str, slack: float) -> Iterator[Finding]:
    for eye in EYES:
        value = getattr(v.case.measurements.of(eye), name)
        readings = v.readings(name, eye)
        if value is None or not readings:
            continue
        least, most = min(r.value for r in readings), max(r.value for r in readings)
        off = max(least - value, value - most)
        if off > slack:
            yield found(
                f"{eye_word(eye)} {label} {mm(value)} was not measured: readings {mm(least)}"
                + (f" to {mm(most)}." if most != least else "."),
                f"measurements.{eye}.{name}",
                seen=(
                    (f"{eye_word(eye)} {label}", value, "mm"),
                    ("Least reading", least, "mm"),
                    ("Greatest reading", most, "mm"),
                ),
                limit="one of the readings, or between them",
                consequence=of_pd_error(v, eye, off, too_far_out=value > most),
                resolution=f"{mm((least + most) / 2)}?",
                severity="stop" if off >= 1.0 else "confirm",
            )


@check(
    "pd.repeats-disagree",
    "confirm",
    "Repeated PD readings disagree",
    family="measurements",
    source=_REPEAT,
    confidence="from memory",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.readings",
        "lens.design",
    ),
    explains=("pd.unequal",),
)
def repeats_disagree(v: View, found: Finder) -> Iterator[Finding]:
    """Why: two readings of one eye that are more than 1 mm apart show that at least one is wrong; their mean is not better.
    Fires: 31 and 32.5 with a progressive, or with −9.00; 31 and 33.5 with any lens.
    Silent: 31 and 31.5; 31 and 32.5 with −1.00 single vision, where it moves the prism by less than the tolerance; three readings of
    which two agree and the value used is one of them.
    """
    for eye in EYES:
        limit, need = v.limit["pd.repeat"], v.figures.of(eye).pd_need_mm
        if v.family not in MULTIFOCAL and need is not None:
            limit = max(limit, min(need / 2, 2 * limit))  # the other eye may be as far off
        for name, label in (("far_pd", "PD"), ("near_pd", "near PD")):
            values = sorted(r.value for r in v.readings(name, eye))
            if len(values) < 2 or values[-1] - values[0] <= limit:
                continue
            used = getattr(v.case.measurements.of(eye), name)
            close = [x for x in values if used is not None and abs(x - used) <= limit / 2]
            if len(values) >= 3 and len(close) >= 2:
                continue
            yield found(
                f"{eye_word(eye)} {label} was read as {mm(values[0])} and as {mm(values[-1])}.",
                f"measurements.{eye}.{name}",
                seen=((f"Least {label}", values[0], "mm"), (f"Greatest {label}", values[-1], "mm")),
                limit=f"within {mm(limit)}",
                consequence=of_pd_error(v, eye, values[-1] - values[0]),
                resolution="Measure once more; two readings that agree decide.",
            )


@check(
    "pd.single-reading",
    "confirm",
    "One PD reading where this prescription needs two",
    family="measurements",
    source="a single reading is good to ±0.5 to 1 mm; prism of a millimetre against ISO 21987:2017",
    confidence="derived",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.far_pd",
        "measurements.readings",
        "measurements.reason",
        "earlier",
    ),
)
def single_reading(v: View, found: Finder) -> Iterator[Finding]:
    """Why: with strong lenses a millimetre of PD is half the tolerance of the pair, so one reading alone proves too little.
    Fires: −9.00 D in both eyes, PD read once.
    Silent: −1.00 D read once; −9.00 D read twice; an earlier pair with the same PD.
    """
    limit = v.limit["repeat.prism"]
    short = [
        eye
        for eye in EYES
        if (per_mm := v.figures.of(eye).prism_per_mm_h) is not None
        and per_mm >= limit
        and len(v.readings("far_pd", eye)) == 1
    ]
    if short and not v.explained and not _earlier_close(v):
        eye = short[0]
        need = v.figures.of(eye).pd_need_mm
        yield found(
            "PD was read once, and with these lenses a millimetre matters.",
            f"measurements.{eye}.far_pd",
            seen=(
                ("Prism of one millimetre", round(v.figures.of(eye).prism_per_mm_h or 0.0, 2), "Δ"),
                ("Exactness needed", round(need, 1) if need is not None else "", "mm"),
                ("Readings", 1, ""),
            ),
            limit=f"two readings from {limit:.2f} Δ a millimetre",
            consequence=of_pd_error(v, eye, 1.0),
            resolution="Read it once more, by another person or method if possible.",
        )


def _earlier_close(v: View) -> bool:
    """An earlier pair within half a millimetre is a second reading."""
    pair = v.earlier_pair_with("far_pd")
    m = v.case.measurements
    if pair is None or m.right.far_pd is None or m.left.far_pd is None:
        return False
    return abs((pair.far_pd.right or 0) - m.right.far_pd) <= 0.5 and abs((pair.far_pd.left or 0) - m.left.far_pd) <= 0.5


@check(
    "pd.changed",
    "confirm",
    "The PD is not that of the earlier pair",
    family="measurements",
    source="a PD repeats to ±0.5 to 1 mm; growth of children, MacLachlan & Howland 2002",
    confidence="derived",
    needs=(
        "person.age_years",
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.far_pd",
        "measurements.reason",
        "earlier",
        "today",
    ),
)
def changed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an adult's PD hardly changes in a few years. A different one is a slip, a near PD, another client's, or the old one was wrong.
    Fires: last pair R 31 L 32, now R 28.5 L 32.
    Silent: R 31.5 L 31.5; a child who grew; a difference that makes no prism with these lenses.
    """
    pair = v.earlier_pair_with("far_pd")
    m = v.case.measurements
    if pair is None or v.explained:
        return
    years = max((v.case.today - pair.on).days / 365.25, 0.0) if pair.on else 2.0
    limit = v.limit["pd.change"]
    growth = 0.0 if v.age is None or v.age >= 18 else v.limit["pd.growth_a_year"] * min(years, 6.0) / 2
    worst: tuple[float, Eye, float, float] | None = None
    offs: list[float] = []
    for eye in EYES:
        now, before = m.of(eye).far_pd, pair.far_pd.of(eye)
        if now is None or before is None:
            return
        off = now - before
        offs.append(off)
        beyond = max(off - growth, -off) if growth else abs(off)
        need = v.figures.of(eye).pd_need_mm
        # three millimetres are asked about whatever the lens: such a PD belongs to somebody else, or to near
        least = limit if need is None else max(limit, min(need, 2 * limit))
        if beyond > least and (worst is None or beyond > worst[0]):
            worst = (beyond, eye, now, before)
    if worst is None:
        return
    _, eye, now, before = worst
    nearer = all(-3.5 <= off <= -1.0 for off in offs)
    yield found(
        f"{eye_word(eye)} PD {mm(now)}; the earlier pair had {mm(before)}.",
        f"measurements.{eye}.far_pd",
        seen=((f"{eye_word(eye)} PD", now, "mm"), ("Earlier pair", before, "mm")),
        limit=f"within {mm(limit)}",
        consequence=of_pd_error(v, eye, now - before, too_far_out=now > before),
        resolution="Both eyes are nearer by the same: is this the near PD?"
        if nearer
        else "Measure again; is this this client's PD?",
    )


@check(
    "pd.frame-fit",
    "confirm",
    "The PD and the frame do not go together",
    family="measurements",
    source="derived from usual frame sizes",
    confidence="derived",
    needs=("frame.a", "frame.dbl", "measurements.right.far_pd", "measurements.binocular_far_pd"),
)
def frame_fit(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a frame is chosen so that the eyes are near the middle of the lenses. Far from it, PD or frame figures are wrong.
    Fires: boxed centres 58 apart, PD 66; boxed centres 84 apart, PD 60.
    Silent: boxed centres 70 apart, PD 63.
    """
    frame, total = v.frame, _binocular(v, "far_pd")
    centres = frame.c if frame else None
    if frame is None or total is None or centres is None:
        return
    wider, narrower = v.limit["pd.frame.wider"], v.limit["pd.frame.narrower"]
    if not centres - narrower <= total <= centres + wider:
        yield found(
            f"PD {mm(total)} in a frame with boxed centres {mm(centres)} apart.",
            "measurements.right.far_pd",
            "frame.a",
            seen=(("Binocular PD", total, "mm"), ("Boxed centre distance", centres, "mm")),
            limit=f"{mm(centres - narrower)} to {mm(centres + wider)}",
            resolution="Look at PD, a and distance between lenses; or choose "
            + (
                f"a frame at least {mm(total - centres - wider)} wider."
                if total > centres
                else f"a frame {mm(centres - narrower - total)} narrower."
            ),
        )


@check(
    "pd.outside-lens",
    "stop",
    "The fitting point lies outside the lens",
    family="measurements",
    source="ISO 8624:2011 boxing",
    confidence="derived",
    needs=("frame.a", "frame.b", "frame.dbl", "frame.outline", "measurements.right.far_pd", "measurements.right.height"),
)
def outside_lens(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the client would look past the lens. PD, height or a frame figure is wrong, or the frame is.
    Fires: b 30, fitting height 34.
    Silent: b 30, fitting height 19.
    """
    for eye in EYES:
        lens = v.figures.of(eye)
        if lens.point_inside is False:
            yield found(
                f"{eye_word(eye)} fitting point lies outside the lens.",
                f"measurements.{eye}.height" if lens.height_box is not None else f"measurements.{eye}.far_pd",
                f"measurements.{eye}.far_pd",
                seen=tuple(
                    (label, round(value, 1), "mm")
                    for label, value in (
                        ("PD", lens.far_pd),
                        ("Decentration in", lens.decentration_in),
                        ("Height in the box", lens.height_box),
                        ("b", v.frame.b if v.frame else None),
                    )
                    if value is not None
                ),
                resolution="Measure PD and height again on this frame.",
            )


@check(
    "pd.decentration",
    "note",
    "The lenses are decentred far",
    family="measurements",
    source="up to 3 mm an eye for strong lenses, above 5 mm ask; dispensing teaching",
    confidence="common practice",
    needs=("frame.a", "frame.dbl", "measurements.right.far_pd"),
)
def decentration(v: View, found: Finder) -> Iterator[Finding]:
    """Why: far decentration makes a thick edge, a large blank and an eye that is off the middle of the lens.
    Fires: boxed centres 76 apart, PD 62: 7 mm in each eye.
    Silent: boxed centres 70 apart, PD 63.
    """
    offs = [
        (abs(f.decentration_in), f.decentration_in, eye)
        for eye in EYES
        if (f := v.figures.of(eye)).decentration_in is not None
    ]
    if not offs or max(offs)[0] <= 5:
        return
    off, inwards, eye = max(offs)
    yield found(
        f"{mm(off)} decentration in the {eye} lens.",
        f"measurements.{eye}.far_pd",
        seen=(("Decentration", round(off, 1), "mm"),),
        limit="5 mm",
        resolution=f"A frame {mm(2 * (off - 3))} {'narrower' if inwards > 0 else 'wider'} between boxed centres brings it to 3 mm.",
    )
