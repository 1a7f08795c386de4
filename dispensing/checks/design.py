"""Checks of the design against what it is for."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import choice_word, signed


@check(
    "design.use",
    "confirm",
    "The lens does not serve the use",
    family="lens",
    source="what lens families are made for, dispensing teaching",
    confidence="common practice",
    needs=("needs.uses", "lens.design"),
)
def design_use(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a degressive lens blurs the distance, so it is not for driving; a single-vision lens at the distance power does not read
    for a presbyope.
    Fires: degressive with the use "driving by day"; single vision, addition +2.00, uses distance and near.
    Silent: degressive for screens; progressive for everything.
    """
    uses = set(v.uses)
    if not v.design or not uses:
        return
    far = uses & {"distance", "driving_day", "driving_night", "all_round"}
    if v.family == "degressive" and far:
        yield found(
            "A degressive lens is not for the distance.",
            "lens.design",
            "needs.uses",
            seen=(("Uses", ", ".join(choice_word(use) for use in sorted(far)), ""),),
            consequence="Distance would be blurred by most of the degression.",
            resolution="A progressive lens, or a second pair for the distance.",
        )
    elif v.family == "single_vision" and far & {"distance", "all_round"} and uses & {"near"} and v.rx is not None:
        add = max(v.rx.right.add or 0.0, v.rx.left.add or 0.0)
        if add >= 1.0:
            yield found(
                f"Single vision for distance and near, with an addition of {signed(add)}.",
                "lens.design",
                "needs.uses",
                seen=(("Addition", add, "D"),),
                consequence="One of the two would be blurred.",
                resolution="A multifocal lens, or two pairs.",
            )


@check(
    "design.add-unused",
    "note",
    "The addition is not used by this lens",
    family="lens",
    source="what lens families are made for",
    confidence="common practice",
    needs=("needs.uses", "lens.design"),
)
def add_unused(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an addition on the prescription and a single-vision distance pair may be meant, or the wrong lens was picked.
    Fires: addition +2.00, single vision, use "driving by day".
    Silent: the same with a progressive; a near pair.
    """
    if v.family != "single_vision" or v.rx is None or not v.uses or set(v.uses) & {"near", "screens", "intermediate"}:
        return
    add = max(v.rx.right.add or 0.0, v.rx.left.add or 0.0)
    if add > 0:
        yield found(
            f"The addition {signed(add)} is not used: a distance pair.",
            "lens.design",
            seen=(("Addition", add, "D"),),
            resolution="Nothing to do if a distance pair is meant.",
        )


@check(
    "design.thinning",
    "confirm",
    "Prism thinning that does not belong here",
    family="lens",
    source="0.6 to 0.67 of the addition, base down in both; progressive lenses only",
    confidence="common practice",
    needs=("prescription.right.add", "lens.design", "lens.prism_thinning_down"),
)
def thinning(v: View, found: Finder) -> Iterator[Finding]:
    """Why: equal base-down prism thins a progressive lens and does no harm. In another lens, or more of it than the addition, it is
    a prism in the wrong field.
    Fires: 1.5 Δ down with single vision; 3 Δ down with addition +2.00.
    Silent: 1.25 Δ down with a progressive of +2.00.
    """
    down = v.case.lens.prism_thinning_down
    if not down or not v.family:
        return
    add = max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    most = v.limit["thinning.most"] * add
    if v.family != "progressive" or down < 0 or (add and down > most):
        yield found(
            f"{down:.2f} Δ base down in both lenses of a {v.family.replace('_', ' ')} pair.",
            "lens.prism_thinning_down",
            seen=(("Prism thinning", down, "Δ"), ("Addition", add, "D")),
            limit=f"up to {most:.2f} Δ" if v.family == "progressive" else "progressive lenses only",
            resolution=f"About {0.65 * add:.2f} Δ." if v.family == "progressive" and add else "Take it out.",
        )


@check(
    "design.first-progressive",
    "note",
    "A first progressive with a high addition or a short corridor",
    family="lens",
    source="adaptation, dispensing teaching",
    confidence="common practice",
    needs=("needs.first_progressive", "prescription.right.add", "lens.design"),
)
def first_progressive(v: View, found: Finder) -> Iterator[Finding]:
    """Why: swimming edges grow with the addition and with a shorter corridor; a first wearer should be told and shown.
    Fires: first progressive, addition +2.50.
    Silent: first progressive, addition +1.25, corridor 13.
    """
    if not v.case.needs.first_progressive or v.family != "progressive" or v.design is None:
        return
    add = max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    short = v.design.corridor_mm is not None and v.design.corridor_mm < 11
    if add >= 2.25 or short:
        yield found(
            "A first progressive"
            + (f" with {signed(add)}" if add >= 2.25 else "")
            + (" with a short corridor." if short else "."),
            "needs.first_progressive",
            "lens.design",
            seen=(
                ("Addition", add, "D"),
                ("Corridor", v.design.corridor_mm if v.design.corridor_mm is not None else "not stated", "mm"),
            ),
            resolution="Explain the side areas; consider a longer corridor or a second pair for long reading.",
        )
