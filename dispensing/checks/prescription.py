"""Checks that need the prescription alone: can it be made, and is it written as the trade writes it."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import axis_word, dioptres, eye_word, signed

_NOTATION = "ISO 8429:1986; BS 2738-3:2004 notation"
_TEACHING = "dispensing teaching"
# what else is found of a power that cannot be meant
_OF_SUCH_A_POWER = (
    "rx.vertex-missing", "rx.changed", "rx.slip", "lens.power-range", "lens.blank-too-small", "lens.edge-too-thin", "pd.single-reading",
    "height.single-reading", "seeing.imbalance", "ordered.not-compensated", "ordered.unexplained",
)  # fmt: skip
_STEPS = frozenset({0, 12, 13, 25, 37, 38, 50, 62, 63, 75, 87, 88})  # hundredths: quarters, and eighths cut or rounded


@check(
    "rx.cylinder-without-axis",
    "stop",
    "A cylinder has no axis",
    family="prescription",
    source=_NOTATION,
    confidence="standard",
    needs=("prescription.right.cylinder", "prescription.right.axis"),
)
def cylinder_without_axis(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a cylinder cannot be made without its axis, and a guessed axis is worse than no cylinder.
    Fires: R −2.00 / −1.25, axis left blank.
    Silent: R −2.00 / −1.25 × 90; R −2.00 with no cylinder.
    """
    for eye, lens, _ in v.lenses():
        if lens.cylinder and lens.axis is None:
            yield found(
                f"{eye_word(eye)} cylinder without an axis.",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} cylinder", lens.cylinder, "D"),),
                consequence="The lens cannot be made.",
                resolution="Enter the axis, 1 to 180, from the prescription.",
            )


@check(
    "rx.axis-without-cylinder",
    "stop",
    "An axis has no cylinder",
    family="prescription",
    source=_NOTATION,
    confidence="standard",
    needs=("prescription.right.cylinder", "prescription.right.axis"),
)
def axis_without_cylinder(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an axis is written only for a cylinder, so a cylinder was probably lost in copying.
    Fires: L +1.50, cylinder blank, axis 95.
    Silent: L +1.50 / −0.50 × 95; L +1.50 with neither.
    """
    for eye, lens, _ in v.lenses():
        if lens.axis is not None and not lens.cylinder:
            yield found(
                f"{eye_word(eye)} axis {axis_word(lens.axis)} without a cylinder.",
                f"prescription.{eye}.cylinder",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} axis", lens.axis, ""),),
                consequence="A cylinder may have been lost in copying.",
                resolution="Enter the cylinder, or clear the axis if there is none.",
            )


@check(
    "rx.axis-off-scale",
    "stop",
    "An axis is outside 1 to 180",
    family="prescription",
    source="ISO 8429:1986",
    confidence="standard",
    needs=("prescription.right.axis",),
)
def axis_off_scale(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the axis scale runs from 1 to 180. A figure beyond it is a slip, and which one cannot be told from here.
    Fires: R +0.75 / −0.50 × 195.
    Silent: × 180; × 1; × 0, which is read as 180.
    """
    for eye, lens, _ in v.lenses():
        axis = lens.axis
        if axis is not None and not 0 <= axis <= 180:
            digits = f"{abs(axis):.0f}"
            guesses = sorted({f"{axis - 180:g}", digits[:2], digits[-2:], digits[0] + digits[2:]}) if axis > 180 else []
            likely = [g for g in guesses if g.isdigit() and 1 <= int(g) <= 180]
            yield found(
                f"{eye_word(eye)} axis {axis_word(axis)} is not on the scale.",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} axis", axis, ""),),
                limit="1 to 180",
                consequence="The lens cannot be made.",
                resolution="Look at the prescription" + (f": {' or '.join(likely)}?" if likely else "."),
            )


@check(
    "rx.axis-cylinder-exchanged",
    "stop",
    "Cylinder and axis stand in each other's place",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("prescription.right.cylinder", "prescription.right.axis"),
    explains=(
        "rx.cylinder-range",
        "rx.power-step",
        "rx.axis-half-degree",
        "rx.cylinder-unusual",
        "rx.cylinder-forms-mixed",
        *_OF_SUCH_A_POWER,
    ),
)
def axis_cylinder_exchanged(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a whole number above 10 in the cylinder field with a small figure in quarters as axis is a pair of exchanged columns.
    Fires: R −2.00 / 90 × 1.25, or / 10 × 1.00.
    Silent: R −2.00 / −1.25 × 90; / −6.50 × 70 of a keratoconic eye.
    """
    for eye, lens, _ in v.lenses():
        cylinder, axis = lens.cylinder, lens.axis
        if not cylinder or axis is None:
            continue
        swapped = (cylinder >= 5 and cylinder == int(cylinder) and abs(axis) <= 10 and on_step(axis)) or (
            cylinder >= 10 and axis <= 10
        )
        if swapped:
            yield found(
                f"{eye_word(eye)} cylinder {signed(cylinder)} and axis {axis_word(axis)} look exchanged.",
                f"prescription.{eye}.cylinder",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} cylinder", cylinder, "D"), (f"{eye_word(eye)} axis", axis, "")),
                consequence="The lens would have a cylinder nobody prescribed.",
                resolution=f"Cylinder {abs(axis):.2f} with axis {cylinder:g}?",
            )


@check(
    "rx.axis-half-degree",
    "confirm",
    "An axis is not in whole or half degrees",
    family="prescription",
    source=_NOTATION,
    confidence="common practice",
    needs=("prescription.right.cylinder", "prescription.right.axis"),
)
def axis_half_degree(v: View, found: Finder) -> Iterator[Finding]:
    """Why: axes are written in steps of 5, 2.5 or 1, now and then one half. Any other figure belongs in another column.
    Fires: axis 1.25.
    Silent: axis 7; axis 7.5.
    """
    for eye, lens, _ in v.lenses():
        if lens.axis is not None and lens.cylinder and (lens.axis * 2) % 1:
            yield found(
                f"{eye_word(eye)} axis {axis_word(lens.axis)} is in no usual step.",
                f"prescription.{eye}.axis",
                seen=((f"{eye_word(eye)} axis", lens.axis, ""),),
                limit="whole or half degrees",
                resolution="Look whether another figure was typed as the axis.",
            )


@check(
    "rx.cylinder-forms-mixed",
    "confirm",
    "The two cylinders are written in different forms",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("person.notes", "prescription.right.cylinder", "prescription.remark"),
)
def cylinder_forms_mixed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: one form writes both eyes in minus cylinders or both in plus. One of each is mostly a lost sign.
    Fires: R −1.00 / −0.75 × 90, L −1.25 / +0.75 × 85.
    Silent: both minus; both plus; a cylinder in one eye only.
    """
    rx = v.rx
    if rx is None:
        return
    right, left = rx.right.cylinder, rx.left.cylinder
    if right and left and (right > 0) != (left > 0) and not v.rx_explained:
        yield found(
            "One eye is written with a minus cylinder and the other with a plus.",
            "prescription.right.cylinder",
            "prescription.left.cylinder",
            seen=(("Right cylinder", right, "D"), ("Left cylinder", left, "D")),
            consequence=f"If a sign was lost, that eye is {2 * min(abs(right), abs(left)):.2f} D of astigmatism out.",
            resolution="Read both signs again; write both eyes in one form.",
        )


@check(
    "rx.power-step",
    "confirm",
    "A power is in no usual step",
    family="prescription",
    source="BS 2738-3:2004: quarter dioptres, eighths now and then",
    confidence="from memory",
    needs=("prescription.right.sphere", "prescription.right.cylinder", "prescription.right.add"),
)
def power_step(v: View, found: Finder) -> Iterator[Finding]:
    """Why: powers are prescribed in quarters, now and then in eighths. −2.30 is a slip of a digit, or a figure of something else.
    Fires: sphere −2.30.
    Silent: −2.25; −2.12; −2.125; −2.37.
    """
    for eye, lens, _ in v.lenses():
        for name, value in (("sphere", lens.sphere), ("cylinder", lens.cylinder), ("add", lens.add)):
            if value is not None and not on_step(value):
                nearest = round(value * 4) / 4
                yield found(
                    f"{eye_word(eye)} {name} {signed(value)} is in no usual step.",
                    f"prescription.{eye}.{name}",
                    seen=((f"{eye_word(eye)} {name}", value, "D"),),
                    limit="steps of 0.25 D, or 0.12 D",
                    resolution=f"{signed(nearest)}?",
                )


def on_step(value: float) -> bool:
    """A quarter dioptre, or an eighth whole, cut or rounded to two places."""
    hundredths = abs(value) * 100
    part = hundredths % 100
    return (abs(part - round(part)) < 1e-6 and round(part) % 100 in _STEPS) or abs((hundredths / 12.5) % 1) < 1e-6


@check(
    "rx.sphere-range",
    "stop",
    "A sphere no spectacle lens has",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("prescription.right.sphere",),
    explains=("rx.sphere-unusual", *_OF_SUCH_A_POWER),
)
def sphere_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: beyond ±30 D the decimal point was lost.
    Fires: sphere −225.
    Silent: +22.00 of an aphakic infant.
    """
    most = v.limit["rx.sphere.possible"]
    for eye, lens, _ in v.lenses():
        if lens.sphere is not None and abs(lens.sphere) > most:
            yield found(
                f"{eye_word(eye)} sphere {dioptres(lens.sphere)} cannot be meant.",
                f"prescription.{eye}.sphere",
                seen=((f"{eye_word(eye)} sphere", lens.sphere, "D"),),
                limit=f"{most:g} D either way",
                resolution=f"{dioptres(lens.sphere / 10)} or {dioptres(lens.sphere / 100)}?",
            )


@check(
    "rx.sphere-unusual",
    "confirm",
    "A sphere stronger than is usual",
    family="prescription",
    source="range for questions, dispensing teaching",
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
)
def sphere_unusual(v: View, found: Finder) -> Iterator[Finding]:
    """Why: very strong powers exist, but a lost decimal point (−2.50 as −25.0) is commoner. Nothing is asked once the powers were
    read back, came as data, or an earlier pair had nearly the same.
    Fires: L −25.00, typed once, nothing earlier.
    Silent: −11.75; −13.00 when the last pair had −12.75.
    """
    low, high = v.limit["rx.sphere.usual_least"], v.limit["rx.sphere.usual_most"]
    for eye, lens, _ in v.lenses():
        sphere = lens.sphere
        if sphere is None or low <= sphere <= high or not v.fresh or v.rx_explained:
            continue
        before = v.earlier_rx.of(eye).sphere if v.earlier_rx else None
        if before is not None and abs(before - sphere) <= 2:
            continue
        yield found(
            f"{eye_word(eye)} sphere {dioptres(sphere)} is stronger than is usual.",
            f"prescription.{eye}.sphere",
            seen=((f"{eye_word(eye)} sphere", sphere, "D"),),
            limit=f"{dioptres(low)} to {dioptres(high)}",
            resolution=f"Read the powers back. {dioptres(sphere / 10)}?" if abs(sphere) >= 10 else "Read the powers back.",
        )


@check(
    "rx.cylinder-range",
    "stop",
    "A cylinder no spectacle lens has",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=("prescription.right.cylinder",),
    explains=("rx.cylinder-unusual", *_OF_SUCH_A_POWER),
)
def cylinder_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: beyond 12 D the decimal point was lost or another column was typed.
    Fires: cylinder −25.
    Silent: −6.50 of a keratoconic eye.
    """
    most = v.limit["rx.cylinder.possible"]
    for eye, lens, _ in v.lenses():
        if lens.cylinder is not None and abs(lens.cylinder) > most:
            yield found(
                f"{eye_word(eye)} cylinder {signed(lens.cylinder)} cannot be meant.",
                f"prescription.{eye}.cylinder",
                seen=((f"{eye_word(eye)} cylinder", lens.cylinder, "D"),),
                limit=f"{most:g} D either way",
                resolution=f"{signed(lens.cylinder / 10)}?",
            )


@check(
    "rx.cylinder-unusual",
    "confirm",
    "A cylinder stronger than is usual",
    family="prescription",
    source="range for questions, dispensing teaching",
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.cylinder",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
)
def cylinder_unusual(v: View, found: Finder) -> Iterator[Finding]:
    """Why: cylinders above 4 D are mostly keratoconic or after surgery; a digit slip is as likely. Nothing is asked once the powers
    were read back, came as data, or an earlier pair had nearly the same.
    Fires: −1.25 / −7.50 × 90, typed once, nothing earlier.
    Silent: −3.75; −6.50 with the remark "keratoconus".
    """
    most = v.limit["rx.cylinder.usual"]
    for eye, lens, _ in v.lenses():
        cylinder = lens.cylinder
        if cylinder is None or abs(cylinder) <= most or not v.fresh or v.rx_explained:
            continue
        before = v.earlier_rx.of(eye).cylinder if v.earlier_rx else None
        if before is not None and abs(abs(before) - abs(cylinder)) <= 1.5:
            continue
        yield found(
            f"{eye_word(eye)} cylinder {signed(cylinder)} is stronger than is usual.",
            f"prescription.{eye}.cylinder",
            seen=((f"{eye_word(eye)} cylinder", cylinder, "D"),),
            limit=f"{most:.2f} D",
            resolution="Read the powers back, or record what explains it.",
        )


@check(
    "rx.mirror-signs",
    "confirm",
    "The spheres are equal with opposite signs",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
)
def mirror_signs(v: View, found: Finder) -> Iterator[Finding]:
    """Why: one eye minus and the other plus by the same amount is very rare; a lost sign is not.
    Fires: R −4.25, L +4.25, typed once.
    Silent: R −0.50, L +0.50; R −4.25, L +1.00; read back and matching; the last pair was like it.
    """
    rx = v.rx
    if rx is None or not v.fresh or v.rx_explained:
        return
    right, left = rx.right.sphere, rx.left.sphere
    if right is None or left is None or right * left >= 0:
        return
    if all(off is not None and off <= 1.0 for off in v.changed_by.values()):
        return  # the last pair was like it
    if min(abs(right), abs(left)) >= v.limit["rx.mirror.size"] and abs(right + left) <= 0.5:
        yield found(
            "The spheres are alike in size and opposite in sign.",
            "prescription.right.sphere",
            "prescription.left.sphere",
            seen=(("Right sphere", right, "D"), ("Left sphere", left, "D")),
            consequence=f"If a sign was lost, that eye is {2 * abs(left):.2f} D out.",
            resolution="Read both signs again, or read the powers back.",
        )


@check(
    "rx.nothing-prescribed",
    "confirm",
    "Neither lens does anything",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "person.notes",
        "needs.uses",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.add",
        "prescription.right.near_sphere",
        "prescription.right.prism_h",
        "prescription.right.prism_v",
        "prescription.remark",
        "lens.design",
        "lens.tint",
    ),
)
def nothing_prescribed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: two plano lenses without addition, prism or tint are hardly worth an order; a page may have been left half typed.
    Fires: R plano, L plano, nothing else.
    Silent: plano with a tint, with prism, with an addition, or for safety.
    """
    rx = v.rx
    if rx is None or rx.right.sphere is None or rx.left.sphere is None or v.case.lens.design is None:
        return
    used = any(
        lens.sphere or lens.cylinder or lens.add or lens.near_sphere or lens.prism_h or lens.prism_v
        for lens in (rx.right, rx.left)
    )
    if not used and v.case.lens.tint is None and not {"safety", "sport", "sun"} & set(v.uses) and not v.rx_explained:
        yield found(
            "Both lenses are plano, with no addition, prism or tint.",
            "prescription.right.sphere",
            "prescription.left.sphere",
            resolution="Look whether the powers were left out.",
        )
