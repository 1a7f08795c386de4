"""Checks of additions and near rows, against age and against each other."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import MULTIFOCAL
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import dioptres, eye_word, signed

_TEACHING = "dispensing teaching"


@check(
    "rx.add-missing",
    "stop",
    "A multifocal lens has no addition",
    family="prescription",
    source="ISO 13666:2019, addition power",
    confidence="standard",
    needs=(
        "person.useful_eye",
        "prescription.right.add",
        "prescription.right.near_sphere",
        "prescription.right.balance",
        "lens.design",
    ),
    explains=("rx.add-one-eye",),
)
def add_missing(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a bifocal, trifocal or progressive cannot be made without its addition.
    Fires: a progressive, addition left blank.
    Silent: a progressive with +2.00; a single-vision lens without one; a balance lens, which follows the other eye.
    """
    if v.family not in MULTIFOCAL:
        return
    for eye, lens, _ in v.lenses():
        if not lens.add and lens.near_sphere is None and not lens.balance and v.single_eye in (None, eye):
            yield found(
                f"{eye_word(eye)} addition is missing for a {v.family.replace('_', ' ')} lens.",
                f"prescription.{eye}.add",
                seen=(("Lens", v.design.name if v.design else "", ""),),
                consequence="The lens cannot be made.",
                resolution="Enter the addition, or choose a single-vision lens.",
            )


@check(
    "rx.add-one-eye",
    "confirm",
    "An addition for one eye only",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "person.notes",
        "person.useful_eye",
        "prescription.right.add",
        "prescription.right.balance",
        "prescription.remark",
    ),
)
def add_one_eye(v: View, found: Finder) -> Iterator[Finding]:
    """Why: presbyopia comes to both eyes. An addition in one field only is mostly a field that was passed over.
    Fires: R add +2.00, L add blank.
    Silent: both; neither; the other lens is a balance lens, or only one eye is useful.
    """
    rx = v.rx
    if rx is None or v.single_eye or rx.right.balance or rx.left.balance or v.rx_explained:
        return
    if bool(rx.right.add) != bool(rx.left.add):
        blank = "left" if rx.right.add else "right"
        if rx.of("left" if blank == "left" else "right").near_sphere is not None:
            return
        given = rx.right.add or rx.left.add or 0.0
        yield found(
            f"{eye_word(blank)} has no addition, the other eye has {signed(given)}.",
            f"prescription.{blank}.add",
            seen=(("Addition of the other eye", given, "D"),),
            consequence="That eye would not see near.",
            resolution=f"{signed(given)} in both eyes?",
        )


@check(
    "rx.adds-unequal",
    "confirm",
    "The additions differ",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("person.notes", "prescription.right.add", "prescription.right.balance", "prescription.remark"),
)
def adds_unequal(v: View, found: Finder) -> Iterator[Finding]:
    """Why: unequal additions have a stated reason (lens implant, different working distances) or are a slip.
    Fires: R +1.50, L +2.50, no remark.
    Silent: equal; unequal with a remark from the prescriber; a balance lens.
    """
    rx = v.rx
    if rx is None or not rx.right.add or not rx.left.add or rx.right.balance or rx.left.balance or v.rx_explained:
        return
    if abs(rx.right.add - rx.left.add) > 0.01:
        yield found(
            "The additions differ and no remark says why.",
            "prescription.right.add",
            "prescription.left.add",
            seen=(("Right addition", rx.right.add, "D"), ("Left addition", rx.left.add, "D")),
            consequence=f"The eyes would be {abs(rx.right.add - rx.left.add):.2f} D apart at near.",
            resolution="Read both again, or record the prescriber's reason.",
        )


@check(
    "rx.add-range",
    "stop",
    "An addition that cannot be, or is unusual",
    family="prescription",
    source="ISO 13666:2019: addition is positive; usual range from dispensing teaching",
    confidence="common practice",
    needs=("person.notes", "person.sight_impaired", "prescription.right.add", "prescription.remark"),
)
def add_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an addition is positive. Outside +0.50 to +3.50 it has a reason, such as low vision; beyond +20 there is none.
    Fires: add −2.00 (stop); add +4.50 without a remark (asks).
    Silent: +2.00; +6.00 for a client registered sight-impaired.
    """
    least, most, possible = v.limit["rx.add.usual_least"], v.limit["rx.add.usual_most"], v.limit["rx.add.possible"]
    for eye, lens, _ in v.lenses():
        add = lens.add
        if not add:
            continue
        path = f"prescription.{eye}.add"
        seen = ((f"{eye_word(eye)} addition", add, "D"),)
        if add < 0 or add > possible:
            yield found(
                f"{eye_word(eye)} addition {signed(add)} cannot be meant.",
                path,
                seen=seen,
                limit=f"above 0, up to {signed(possible)}",
                resolution=f"{signed(abs(add))}?" if add < 0 else f"{signed(add / 10)}?",
            )
        elif not least <= add <= most and not v.case.person.sight_impaired and not v.rx_explained:
            yield found(
                f"{eye_word(eye)} addition {signed(add)} is unusual.",
                path,
                seen=seen,
                limit=f"{signed(least)} to {signed(most)}",
                severity="confirm",
                resolution="Near sphere typed as addition? If it is meant, record why.",
            )


# Working band for questions: by age, least and greatest addition (derived from Millodot 7th ed. and web tables of addition by age).
ADD_BANDS: tuple[tuple[float, float, float], ...] = (
    (38, 0.5, 1.75),
    (45, 0.75, 2.25),
    (50, 1.0, 2.75),
    (55, 1.25, 3.0),
    (60, 1.5, 3.5),
)


def add_band(age: float) -> tuple[float, float] | None:
    """Least and greatest usual addition at an age in years; None under the youngest band."""
    band = None
    for start, least, most in ADD_BANDS:
        if age >= start:
            band = (least, most)
    return band


@check(
    "rx.add-for-age",
    "confirm",
    "The addition does not go with the age",
    family="prescription",
    source="Millodot, Dictionary of Optometry 7th ed., near addition; bands derived from it",
    confidence="derived",
    needs=(
        "person.age_years",
        "person.notes",
        "person.sight_impaired",
        "prescription.right.sphere",
        "prescription.right.add",
        "prescription.remark",
        "earlier",
    ),
    explains=("rx.add-range",),
    same_question=("rx.add-range",),
)
def add_for_age(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the addition follows age closely. One that does not is another client's, a near sphere in the wrong field, or has a reason.
    Fires: add +2.25 at 24; add +4.00 with sphere +2.00 at 58: the near sphere was typed.
    Silent: add +2.00 at 58; add +2.50 at 5 with the remark "accommodative esotropia"; the last pair had nearly the same.
    """
    if v.age is None or v.rx_explained or v.case.person.sight_impaired:
        return
    young = v.limit["rx.add.reason_below_age"]
    band = add_band(v.age)
    for eye, lens, _ in v.lenses():
        add = lens.add
        if not add or add < 0:
            continue
        before = v.earlier_rx.of(eye).add if v.earlier_rx else None
        if before and -0.25 <= add - before <= 0.5:
            continue
        path = f"prescription.{eye}.add"
        seen = ((f"{eye_word(eye)} addition", add, "D"), ("Age", int(v.age), "years"))
        if v.age < young or band is None:
            yield found(
                f"{eye_word(eye)} addition {signed(add)} at {int(v.age)} years, and no remark says why.",
                path,
                seen=seen,
                limit=f"no addition below {young:.0f} years without a reason",
                resolution="Is this this client's prescription? If so, record the prescriber's reason.",
            )
            continue
        least, most = band
        if least <= add <= most:
            continue
        typed_near = lens.sphere is not None and lens.sphere > 0 and least <= add - lens.sphere <= most
        yield found(
            f"{eye_word(eye)} addition {signed(add)} does not go with {int(v.age)} years.",
            path,
            seen=seen,
            limit=f"{signed(least)} to {signed(most)} at this age",
            consequence=f"Near would be {abs(add - (most if add > most else least)):.2f} D beyond what this age uses.",
            resolution=(
                f"The near sphere may have been typed: addition {signed(add - (lens.sphere or 0))}?"
                if typed_near
                else "Read the addition again; is this this client's prescription?"
            ),
        )


@check(
    "rx.near-sphere-as-add",
    "stop",
    "The near sphere was typed as the addition",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "person.age_years",
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.add",
        "prescription.right.near_sphere",
        "prescription.remark",
    ),
    explains=("rx.near-row", "rx.add-for-age", "rx.add-range", "rx.adds-unequal"),
)
def near_sphere_as_add(v: View, found: Finder) -> Iterator[Finding]:
    """Why: where the near row is written out, the addition is the difference between the rows, not the near sphere itself. Two additions
    that differ as the spheres do are two near spheres.
    Fires: distance +2.00, addition +4.00, near row +4.00 (stop); R +1.25 add +3.50, L +0.75 add +3.00 (asks: +2.25 in both?).
    Silent: distance +2.00, addition +2.00, near row +4.00; distance plano, where both are the same; additions that differ otherwise.
    """
    yield from _near_spheres(v, found)
    for eye, lens, _ in v.lenses():
        if lens.sphere and lens.add and lens.near_sphere is not None and abs(lens.near_sphere - lens.add) < 0.01:
            true_add = lens.near_sphere - lens.sphere
            yield found(
                f"{eye_word(eye)} near sphere {dioptres(lens.near_sphere)} was typed as the addition.",
                f"prescription.{eye}.add",
                f"prescription.{eye}.near_sphere",
                seen=(
                    (f"{eye_word(eye)} sphere", lens.sphere, "D"),
                    (f"{eye_word(eye)} addition", lens.add, "D"),
                    (f"{eye_word(eye)} near sphere", lens.near_sphere, "D"),
                ),
                consequence=f"Near would be {dioptres(lens.sphere + lens.add)} instead of {dioptres(lens.near_sphere)}.",
                resolution=f"Addition {signed(true_add)}.",
            )


def _near_spheres(v: View, found: Finder) -> Iterator[Finding]:
    """No near row to compare with: the additions less the spheres are alike, and what an eye of this age is given."""
    rx = v.rx
    if rx is None or v.rx_explained or rx.right.near_sphere is not None or rx.left.near_sphere is not None:
        return
    pairs = [(lens.sphere, lens.add) for lens in (rx.right, rx.left)]
    if any(sphere is None or not add for sphere, add in pairs):
        return
    (right, right_add), (left, left_add) = ((sphere or 0.0, add or 0.0) for sphere, add in pairs)
    likely = right_add - right
    least, most = (add_band(v.age) if v.age is not None else None) or (
        v.limit["rx.add.usual_least"],
        v.limit["rx.add.usual_most"],
    )
    if abs(right_add - left_add) < 0.2 or abs(likely - (left_add - left)) > 0.01 or not least <= likely <= most:
        return
    yield found(
        f"Additions {signed(right_add)} and {signed(left_add)} differ as the spheres do: were the near spheres typed?",
        "prescription.right.add",
        "prescription.left.add",
        seen=(
            ("Right sphere", right, "D"),
            ("Right addition", right_add, "D"),
            ("Left sphere", left, "D"),
            ("Left addition", left_add, "D"),
        ),
        severity="confirm",
        consequence=f"Near would be {max(abs(right), abs(left)):.2f} D out.",
        resolution=f"Addition {signed(likely)} in both eyes?",
    )


@check(
    "rx.near-row",
    "stop",
    "Distance, addition and near row contradict each other",
    family="prescription",
    source="ISO 13666:2019, addition power",
    confidence="standard",
    needs=("prescription.right.sphere", "prescription.right.add", "prescription.right.near_sphere"),
)
def near_row(v: View, found: Finder) -> Iterator[Finding]:
    """Why: near sphere = distance sphere + addition. If all three are written and do not agree, one of them is wrong.
    Fires: distance −1.00, addition +2.00, near row +1.50.
    Silent: distance −1.00, addition +2.00, near row +1.00.
    """
    for eye, lens, _ in v.lenses():
        if lens.sphere is None or lens.near_sphere is None or not lens.add:
            continue
        if abs(lens.sphere + lens.add - lens.near_sphere) > 0.02:
            yield found(
                f"{eye_word(eye)} near sphere is not distance and addition together.",
                f"prescription.{eye}.near_sphere",
                f"prescription.{eye}.add",
                seen=(
                    (f"{eye_word(eye)} sphere", lens.sphere, "D"),
                    (f"{eye_word(eye)} addition", lens.add, "D"),
                    (f"{eye_word(eye)} near sphere", lens.near_sphere, "D"),
                ),
                resolution=(
                    f"Near {dioptres(lens.sphere + lens.add)}, or addition {signed(lens.near_sphere - lens.sphere)}: "
                    "read the prescription again."
                ),
            )


@check(
    "rx.intermediate-add",
    "stop",
    "The intermediate addition is not below the near addition",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("prescription.right.add", "prescription.right.intermediate_add"),
)
def intermediate_add(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the intermediate addition is a part of the near addition, mostly about half.
    Fires: intermediate +2.00 with near +2.00.
    Silent: intermediate +1.00 with near +2.00.
    """
    for eye, lens, _ in v.lenses():
        near, between = lens.add, lens.intermediate_add
        if not between or not near:
            continue
        if between >= near or between < 0:
            yield found(
                f"{eye_word(eye)} intermediate addition {signed(between)} is not below the near addition {signed(near)}.",
                f"prescription.{eye}.intermediate_add",
                seen=((f"{eye_word(eye)} addition", near, "D"), (f"{eye_word(eye)} intermediate", between, "D")),
                limit=f"below {signed(near)}",
                resolution=f"About {signed(round(near * 2) / 4)}, or the two were exchanged.",
            )
        elif not 0.3 <= between / near <= 0.8:
            yield found(
                f"{eye_word(eye)} intermediate addition is {between / near:.0%} of the near addition.",
                f"prescription.{eye}.intermediate_add",
                seen=((f"{eye_word(eye)} addition", near, "D"), (f"{eye_word(eye)} intermediate", between, "D")),
                limit="about half",
                severity="note",
            )
