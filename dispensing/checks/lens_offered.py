"""Checks of the chosen lens against what its maker offers: front curves by power, coatings and tints, and until when."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from dispensing.case import EYES, CurveStep, Eye
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import day_word, dioptres, eye_word
from dispensing.figures.curves import from_table, minus_sphere

_ENTRY = "the design's entry in the catalogue, as its maker states it"
_POWERS = (
    "prescription.right.sphere",
    "prescription.right.cylinder",
    "prescription.right.axis",
    "lens.compensation",
    "lens.design",
    "lens.ordered_right",
    "lens.front_curve",
)


def _sphere(v: View, eye: Eye) -> float | None:
    ordered = v.figures.of(eye).ordered
    return None if ordered is None else minus_sphere(ordered.sphere, ordered.cylinder)


def _listed(steps: tuple[CurveStep, ...]) -> list[float]:
    return sorted({step.curve for step in steps})


def _words(curves: list[float]) -> str:
    return ", ".join(f"{c:.2f}" for c in curves) + " D"


@check(
    "lens.front-curve-table",
    "note",
    "The maker's table has no front curve for this power",
    family="lens",
    source=_ENTRY,
    confidence="published",
    needs=_POWERS,
)
def front_curve_table(v: View, found: Finder) -> Iterator[Finding]:
    """Why: thickness, mass and magnification follow the front curve. Where the maker's table says nothing they rest on the usual rule.
    Fires: table to −6.00, ordered −7.50, no front curve stated.
    Silent: ordered −5.00; a front curve is stated; the maker gives no table.
    """
    design = v.design
    if design is None or not design.front_curves or v.case.lens.front_curve is not None:
        return
    beyond = [
        (eye, sphere)
        for eye in EYES
        if v.figures.of(eye).front_curve_by != "maker"  # else it was found there
        and (sphere := _sphere(v, eye)) is not None
        and from_table(design.front_curves, sphere) is None
    ]
    if beyond:
        low, high = min(s.sphere_from for s in design.front_curves), max(s.sphere_to for s in design.front_curves)
        yield found(
            f"Front curve not in the maker's table for {' and '.join(f'{eye} {dioptres(sphere)}' for eye, sphere in beyond)}.",
            "lens.front_curve",
            "lens.design",
            seen=tuple((f"{eye_word(eye)} sphere", sphere, "D") for eye, sphere in beyond),
            limit=f"table from {dioptres(low)} to {dioptres(high)}",
            consequence="Thickness, mass and magnification are reckoned with the usual rule.",
            resolution="Ask the lab for its curve and state it as front curve.",
        )


@check(
    "lens.front-curve-unlisted",
    "confirm",
    "The front curve asked for is not what the maker lists",
    family="lens",
    source=_ENTRY,
    confidence="published",
    needs=_POWERS,
)
def front_curve_unlisted(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a curve that is not in the series is not made. Another curve of the series can be had, with a lens of poorer form.
    Fires: 5.00 asked for, 2, 4 and 6 listed; 6.00 asked for (a note) where the table has 4.00 for the power.
    Silent: 4.00 asked for where the table has 4.00; the maker gives no table.
    """
    design, stated = v.design, v.case.lens.front_curve
    if design is None or not design.front_curves or stated is None:
        return
    listed, limit = _listed(design.front_curves), v.limit["curve.series"] + 0.005
    nearest = min(listed, key=lambda curve: abs(curve - stated))
    if abs(nearest - stated) > limit:
        yield found(
            f"A front curve of {stated:.2f} D is not in the maker's table.",
            "lens.front_curve",
            seen=(("Front curve asked for", stated, "D"),),
            limit=_words(listed),
            resolution=f"{nearest:.2f} D, or no wish: the table decides.",
        )
        return
    other = []
    for eye in EYES:
        sphere = _sphere(v, eye)
        step = None if sphere is None else from_table(design.front_curves, sphere)
        if step is not None and abs(step.curve - stated) > limit:
            other.append((eye, step.curve))
    if other:
        yield found(
            f"The maker's table has {' and '.join(f'{eye} {curve:.2f} D' for eye, curve in other)}; {stated:.2f} D is asked for.",
            "lens.front_curve",
            seen=(("Front curve asked for", stated, "D"), *((f"{eye_word(eye)} by the table", c, "D") for eye, c in other)),
            limit="the curve of the table",
            consequence="Off the table the lens is seen through less well away from its centre.",
            resolution="Right where curves are to match each other or an earlier pair; otherwise leave the wish out.",
            severity="note",
        )


@check(
    "lens.treatment-not-made",
    "stop",
    "The design is not made with this coating or tint",
    family="lens",
    source=_ENTRY,
    confidence="published",
    needs=("lens.design", "lens.coating", "lens.coating_code", "lens.tint"),
)
def treatment_not_made(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an order for a coating or tint that the design is not made with comes back from the lab, or comes without it.
    Fires: made with HC and AR, the silver mirror chosen.
    Silent: made with HC and AR, AR chosen; the catalogue does not say what it is made with.
    """
    design, lens = v.design, v.case.lens
    if design is None or not design.made_with:
        return
    chosen = [("coating", lens.coating_code, lens.coating)]
    if lens.tint is not None:
        chosen.append(("tint", lens.tint.code, lens.tint.name))
    for kind, code, name in chosen:
        if not (code or name) or code in design.made_with:
            continue
        limit = "made with " + ", ".join(design.made_with)
        if not code:
            path = "lens.coating_code" if kind == "coating" else "lens.tint"
            yield found(
                f"Not yet known: whether {design.name or 'the design'} is made with {name}.",
                path,
                seen=((kind.capitalize(), name, ""),),
                limit=limit,
                resolution=f"Give the {kind}'s code in the catalogue.",
                severity="unknown",
                missing=(path,),
            )
            continue
        yield found(
            f"{design.name or 'This design'} is not made with {name or code}.",
            f"lens.{kind}",
            "lens.design",
            seen=((kind.capitalize(), f"{name} ({code})" if name else code, ""),),
            limit=limit,
            resolution=f"Another {kind}, or a design made with it; or correct the design's entry in the catalogue.",
        )


@check(
    "lens.no-longer-offered",
    "confirm",
    "Something of the lens is no longer offered",
    family="lens",
    source=_ENTRY,
    confidence="published",
    needs=("lens.design", "lens.coating", "lens.coating_offered_until", "lens.tint"),
)
def no_longer_offered(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a design, coating or tint whose last day has passed since it was chosen may not be had any more.
    Fires: the last day of the design was yesterday; the coating was retired.
    Silent: today is the last day; no end is stated.
    """
    lens, design, today = v.case.lens, v.design, v.case.today
    ends = (
        design and design.offered_until,
        lens.coating_offered_until,
        lens.tint and lens.tint.offered_until,
    )
    if ends == (None, None, None):
        return
    parts: list[tuple[str, str, date | None]] = []
    if design is not None:
        material = f" in {lens.material.name}" if lens.material is not None else ""
        parts.append(("design", (design.name or "This design") + material, design.offered_until))
    parts.append(("coating", lens.coating or "This coating", lens.coating_offered_until))
    if lens.tint is not None:
        parts.append(("tint", lens.tint.name or "This tint", lens.tint.offered_until))
    for kind, name, last in parts:
        if last is not None and last < today:
            yield found(
                f"{name} is no longer offered.",
                f"lens.{kind}",
                seen=(("Last day", day_word(last), ""),),
                limit=f"today, {day_word(today)}",
                resolution=f"Another {kind}; or ask the lab and say here that it can still be had.",
            )
