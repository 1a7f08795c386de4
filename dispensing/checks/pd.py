"""Checks of pupillary distances: possible at all, and in agreement with everything else that is known of them."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, Eye
from dispensing.checks.consequence import of_pd_error
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import OTHER, View
from dispensing.checks.words import eye_word, mm

_REPEAT = "a binocular PD repeats to about ±1 mm, a monocular one to ±0.5 to 1 mm"
_NEAR = "near centration distance, Jalie; near must be less than far"
_MOST_MONOCULAR = 44.0  # half the greatest PD measured in 6,068 adults and the greatest asymmetry; no eye is further out


def _sum(v: View, name: str) -> float | None:
    right, left = getattr(v.case.measurements.right, name), getattr(v.case.measurements.left, name)
    return None if right is None or left is None else right + left


def _binocular(v: View, name: str) -> float | None:
    """The whole: the parts together, or the binocular value where the parts are not known."""
    whole = _sum(v, name)
    return whole if whole is not None else getattr(v.case.measurements, f"binocular_{name}")


@check(
    "pd.centimetres",
    "stop",
    "A PD was given in centimetres",
    family="measurements",
    source="millimetres are the house unit",
    confidence="derived",
    needs=("measurements.right.far_pd", "measurements.right.near_pd", "measurements.binocular_far_pd", "measurements.binocular_near_pd"),
    explains=("pd.adult-range", "pd.child-range", "pd.parts-do-not-sum", "pd.frame-fit", "pd.outside-lens", "pd.near-not-less",
              "pd.near-difference", "pd.changed", "pd.unequal", "pd.off-readings", "pd.near-off", "lens.blank-too-small", "pd.swapped",
              "pd.decentration", "lens.edge-thick"),
)  # fmt: skip
def centimetres(v: View, found: Finder) -> Iterator[Finding]:
    """Why: 3.2 is a monocular PD in centimetres; the lens would be centred behind the ear.
    Fires: R 3.2, L 3.1; binocular 6.4.
    Silent: R 32, L 31.
    """
    m = v.case.measurements
    fields = [(f"measurements.{eye}.{name}", getattr(m.of(eye), name)) for eye in EYES for name in ("far_pd", "near_pd")]
    fields += [
        ("measurements.binocular_far_pd", m.binocular_far_pd),
        ("measurements.binocular_near_pd", m.binocular_near_pd),
    ]
    for path, value in fields:
        if value is not None and value < 12:
            yield found(
                f"A PD of {mm(value)}.",
                path,
                seen=(("PD", value, "mm"),),
                resolution=f"{mm(value * 10)}?" if 2 <= value <= 8 else "Enter the PD in millimetres.",
            )


@check(
    "pd.binocular-in-monocular",
    "stop",
    "A binocular PD stands in a monocular field",
    family="measurements",
    source="ANSUR II 2012: binocular 51 to 77 mm",
    confidence="published",
    needs=("measurements.right.far_pd", "measurements.right.near_pd"),
    explains=("pd.adult-range", "pd.child-range", "pd.parts-do-not-sum", "pd.frame-fit", "pd.outside-lens", "pd.unequal", "pd.near-difference",
              "pd.near-not-less", "pd.changed", "pd.off-readings", "pd.near-off", "lens.blank-too-small", "pd.swapped", "pd.decentration",
              "lens.edge-thick"),
)  # fmt: skip
def binocular_in_monocular(v: View, found: Finder) -> Iterator[Finding]:
    """Why: no eye is more than about 42 mm from the bridge. 64 in a monocular field is the whole distance.
    Fires: R 64, L 64; R 63, L blank.
    Silent: R 38.5, L 38.5, the widest there are.
    """
    for eye in EYES:
        adopted = v.case.measurements.of(eye)
        for name, label in (("far_pd", "PD"), ("near_pd", "near PD")):
            value = getattr(adopted, name)
            if value is not None and value >= _MOST_MONOCULAR:
                other = getattr(v.case.measurements.of(OTHER[eye]), name)
                yield found(
                    f"{eye_word(eye)} {label} {mm(value)} is a distance between both eyes.",
                    f"measurements.{eye}.{name}",
                    seen=((f"{eye_word(eye)} {label}", value, "mm"),),
                    limit=f"below {mm(_MOST_MONOCULAR)}",
                    consequence=f"The lens would be centred about {mm(value / 2)} too far out.",
                    resolution=f"{eye_word(eye)} {mm(value - other)} with {mm(other)} of the other eye, if measured so."
                    if other is not None and 22 <= value - other <= 42
                    else "Measure each eye from the bridge; half of it is only a guess.",
                )


@check(
    "pd.parts-do-not-sum",
    "stop",
    "The monocular PDs do not add up to the binocular one",
    family="measurements",
    source=_REPEAT,
    confidence="from memory",
    needs=(
        "measurements.right.far_pd",
        "measurements.right.near_pd",
        "measurements.binocular_far_pd",
        "measurements.binocular_near_pd",
        "measurements.readings",
    ),
    explains=("pd.unequal", "pd.near-not-less", "pd.near-difference", "pd.near-off"),
)
def parts_do_not_sum(v: View, found: Finder) -> Iterator[Finding]:
    """Why: right and left together are the whole. If not, one of the three figures is wrong.
    Fires: R 31, L 34, binocular 63 (stop); 1.5 mm apart (asks).
    Silent: R 31, L 32.5, binocular 63: half a millimetre is reading.
    """
    m = v.case.measurements
    limit = v.limit["pd.sum"]
    for name, label, whole in (("far_pd", "PD", m.binocular_far_pd), ("near_pd", "near PD", m.binocular_near_pd)):
        total = _sum(v, name)
        if total is None:
            continue
        wholes = [(whole, "adopted")] if whole is not None else []
        wholes += [(r.value, "reading") for r in v.readings(name, "both")]
        worst = max(wholes, key=lambda w: abs(w[0] - total), default=None)
        off = 0.0 if worst is None else round(total - worst[0], 6)  # 30.9 + 32.6 − 62.5 is 1, not 1 and a bit
        if worst is None or abs(off) <= limit:
            continue
        right, left = getattr(m.right, name), getattr(m.left, name)
        yield found(
            f"Right and left {label} make {mm(total)}, measured over both eyes {mm(worst[0])}.",
            f"measurements.right.{name}",
            f"measurements.left.{name}",
            seen=((f"Right {label}", right, "mm"), (f"Left {label}", left, "mm"), (f"Binocular {label}", worst[0], "mm")),
            limit=f"within {mm(limit)}",
            consequence=of_pd_error(v, "right", off, too_far_out=off > 0),
            resolution=(
                "Are these near PDs? "
                if name == "far_pd" and v.limit["pd.near.least"] <= -off <= v.limit["pd.near.most"]
                else ""
            )
            + f"Measure again: right {mm(worst[0] - left)} or left {mm(worst[0] - right)}?"
            + (" Or leave the reading over both eyes out, and say why." if worst[1] == "reading" else ""),
            severity="stop" if abs(off) >= 2 * limit else "confirm",
        )


@check(
    "pd.adult-range",
    "stop",
    "A PD hardly any adult has",
    family="measurements",
    source="ANSUR II 2012, 6,068 adults: 51.0 to 77.0 mm; Dodgson 2004: nearly all 45 to 80 mm",
    confidence="published",
    needs=(
        "person.age_years",
        "person.notes",
        "measurements.right.far_pd",
        "measurements.binocular_far_pd",
        "measurements.readings",
        "measurements.reason",
        "earlier",
    ),
)
def adult_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: one adult in about five hundred is outside 52 to 76 mm, and hardly one outside 45 to 80.
    Fires: R 22, L 21 (stop); 77 mm, each eye read once (asks: it is the greatest measured in a survey).
    Silent: 53 mm; 75 mm; 77 mm with two readings of each eye that agree.
    """
    total = _binocular(v, "far_pd")
    if total is None or not v.adult:
        return
    least, most = v.limit["pd.adult.usual_least"], v.limit["pd.adult.usual_most"]
    if least <= total <= most:
        return
    cannot = not v.limit["pd.adult.possible_least"] <= total <= v.limit["pd.adult.possible_most"]
    if not cannot and (v.explained or _agrees_with_earlier(v, total) or all(_read_twice(v, eye) for eye in EYES)):
        return
    yield found(
        f"PD {mm(total)} {'is not an adult’s' if cannot else 'is rare'}.",
        "measurements.right.far_pd" if _sum(v, "far_pd") is not None else "measurements.binocular_far_pd",
        "measurements.left.far_pd",
        seen=(("Binocular PD", total, "mm"),),
        limit=f"{mm(least)} to {mm(most)}",
        severity="stop" if cannot else "confirm",
        resolution="Measure each eye again: a second reading that agrees answers this."
        if not cannot
        else "Measure again; is it near, or one eye alone?",
    )


def _agrees_with_earlier(v: View, total: float) -> bool:
    pair = v.earlier_pair_with("far_pd")
    return pair is not None and abs((pair.far_pd.right or 0) + (pair.far_pd.left or 0) - total) <= 2


def expected_child_pd(age: float, sex: str | None) -> float:
    """Far PD in mm expected between 1 month and 19 years (MacLachlan & Howland 2002, coefficients from memory); mean of both if sex
    is not known."""
    boy = 43.36 + 1.663 * age - 0.034 * age * age
    girl = 41.76 + 1.891 * age - 0.052 * age * age
    return boy if sex == "male" else girl if sex == "female" else (boy + girl) / 2


@check(
    "pd.child-range",
    "stop",
    "A PD that does not go with the child's age",
    family="measurements",
    source="MacLachlan & Howland 2002, Ophthal. Physiol. Opt. 22:175-182 (coefficients from memory); Pacific University 1993",
    confidence="from memory",
    needs=(
        "person.age_years",
        "person.notes",
        "person.sex",
        "measurements.right.far_pd",
        "measurements.binocular_far_pd",
        "measurements.reason",
        "earlier",
    ),
)
def child_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a child's PD follows age. A five-year-old has about 50 mm; 66 is a parent's, or a slip.
    Fires: age 5, PD 66 (stop); age 5, PD 60 (asks).
    Silent: age 5, PD 52; age 1, PD 42.
    """
    total = _binocular(v, "far_pd")
    if total is None or v.adult or v.age is None:
        return
    expected = expected_child_pd(v.age, v.case.person.sex)
    off = total - expected
    usual, possible = v.limit["pd.child.usual"], v.limit["pd.child.possible"]
    if abs(off) <= usual or (abs(off) <= possible and (v.explained or _agrees_with_earlier(v, total))):
        return
    yield found(
        f"PD {mm(total)} at {int(v.age)} years; about {mm(round(expected))} is expected.",
        "measurements.right.far_pd" if _sum(v, "far_pd") is not None else "measurements.binocular_far_pd",
        "measurements.left.far_pd",
        seen=(("Binocular PD", total, "mm"), ("Expected", round(expected, 1), "mm"), ("Age", int(v.age), "years")),
        limit=f"within {mm(usual)} of what the age predicts",
        severity="stop" if abs(off) > possible else "confirm",
        resolution="Measure again; is this the child's own record?",
    )


@check(
    "pd.unequal",
    "confirm",
    "The monocular PDs are very unequal",
    family="measurements",
    source="Arenas 2014, Sci. World J. 347826: 79 % differ; teaching: over 3 mm measure again, over 5 give a reason",
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "measurements.right.far_pd",
        "measurements.readings",
        "measurements.reason",
        "lens.design",
        "earlier",
    ),
)
def unequal(v: View, found: Finder) -> Iterator[Finding]:
    """Why: most faces are a little uneven, few by more than 4 mm. An injury of the nose or orbit is a reason; a slip is likelier.
    Fires: R 28, L 34.5, nothing recorded.
    Silent: R 30.5, L 33; R 29, L 33.5 with two readings of each eye that agree, or with −1.00 single vision, where half of it makes no
    prism that matters; R 28, L 34.5 with "past nasal fracture"; an earlier pair with the same difference.
    """
    m = v.case.measurements
    right, left = m.right.far_pd, m.left.far_pd
    if right is None or left is None or max(right, left) >= _MOST_MONOCULAR:
        return
    off = round(abs(right - left), 6)
    again = all(_read_twice(v, eye) for eye in EYES)
    needs = [v.figures.of(eye).pd_need_mm for eye in EYES]
    # measured to the wrong middle, each eye is half the difference off: with weak single vision that is within the tolerance
    harmless = v.family == "single_vision" and all(need is not None and off / 2 <= need for need in needs)
    usual, far = v.limit["pd.unequal"], v.limit["pd.unequal_far"]
    most = max(usual, far) if again or harmless else usual
    if off <= most or v.explained:
        return
    pair = v.earlier_pair_with("far_pd")
    if pair is not None and abs(((pair.far_pd.right or 0) - (pair.far_pd.left or 0)) - (right - left)) <= 1.5:
        return
    yield found(
        f"Right and left PD differ by {mm(off)}.",
        "measurements.right.far_pd",
        "measurements.left.far_pd",
        seen=(("Right PD", right, "mm"), ("Left PD", left, "mm")),
        limit=f"{mm(most)} without a reason",
        consequence=of_pd_error(v, "right", off / 2),
        resolution="Record the reason." if again else "Measure again with the head straight, or record the reason.",
        for_lab=True,
    )


def _read_twice(v: View, eye: Eye) -> bool:
    """Whether two readings of this eye bear out the PD that is used."""
    used = v.case.measurements.of(eye).far_pd
    return used is not None and sum(abs(r.value - used) <= v.limit["pd.repeat"] for r in v.readings("far_pd", eye)) >= 2
