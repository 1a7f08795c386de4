"""Checks of the finished lens: edge, centre and front curve."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.lens import _TEACHING
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, mm


@check(
    "lens.edge-too-thin",
    "stop",
    "The edge is too thin for the mount",
    family="lens",
    source="drilled 2.0, at the hole 1.8; grooved 1.5 to 1.6; US trade press 1999 to 2006; full rim 0.8 to 1.0",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "frame.a",
        "frame.dbl",
        "frame.mount",
        "frame.outline",
        "measurements.right.far_pd",
        "lens.blank_diameter_mm",
        "lens.material",
        "lens.min_edge_mm",
    ),
)
def edge_too_thin(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a drilled edge under 1.8 mm breaks at the hole, a groove under 1.5 mm breaks out, a full rim under 0.8 mm chips.
    Fires: drilled mount, edge 1.0 mm.
    Silent: drilled mount, 2.0 mm; full rim, 1.0 mm.
    """
    mount = v.frame.mount if v.frame else None
    if mount is None:
        return
    least = v.limit[{"drilled": "edge.drilled", "grooved": "edge.grooved", "full_rim": "edge.full"}[mount]]
    asked = v.case.lens.min_edge_mm
    thin: list[tuple[float, str, str]] = []
    if asked is not None and asked < least - 0.005:
        thin.append((asked, "Edge asked for", "lens.min_edge_mm"))
    for eye in EYES:
        figures = v.figures.of(eye)
        edge = figures.edge_thinnest
        if mount == "drilled" and figures.edge_at_drill_points:
            edge = min(figures.edge_at_drill_points)
        if edge is not None and edge < least - 0.05:
            thin.append((edge, f"{eye_word(eye)} thinnest edge", "lens.min_edge_mm"))
    if thin:
        value, label, path = min(thin)
        yield found(
            f"{label} {mm(value)} on a {mount.replace('_', ' ')} mount.",
            path,
            "frame.mount",
            seen=((label, round(value, 2), "mm"),),
            limit=f"at least {mm(least)}",
            consequence="The lens would break or chip at the mount.",
            resolution=f"Ask for an edge of at least {mm(least)}, or choose a frame with a full rim.",
        )


@check(
    "lens.edge-too-thick",
    "confirm",
    "The edge is too thick for a drilled mount",
    family="lens",
    source="about 5 mm at the mount, US trade press 2003, 2006",
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def edge_too_thick(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the screws of a drilled mount reach through about 5 mm.
    Fires: −9.00 in 1.50 resin, 7 mm at the drill point.
    Silent: −3.00, 3 mm; a full rim.
    """
    if v.frame is None or v.frame.mount != "drilled":
        return
    most = v.limit["edge.drilled_most"]
    for eye in EYES:
        points = v.figures.of(eye).edge_at_drill_points
        if points and max(points) > most:
            yield found(
                f"{eye_word(eye)} lens is {mm(max(points))} thick at a drill point.",
                "lens.material",
                "frame.mount",
                seen=((f"{eye_word(eye)} at the drill point", round(max(points), 1), "mm"),),
                limit=f"about {mm(most)}",
                resolution=_higher_index(v),
            )
            return


def _higher_index(v: View) -> str:
    material = v.case.lens.material
    if material is None or material.nd >= 1.7:
        return "A smaller frame, or boxed centres nearer to the PD."
    return "A higher index, a smaller frame, or boxed centres nearer to the PD."


@check(
    "lens.edge-thick",
    "note",
    "A thick edge",
    family="lens",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "frame.a",
        "frame.dbl",
        "frame.outline",
        "measurements.right.far_pd",
        "lens.material",
    ),
)
def edge_thick(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the client should know before the order what the edge will look like.
    Fires: an edge of 10 mm.
    Silent: an edge of 5 mm.
    """
    most = v.limit["edge.thick"]
    thick = [(t, eye) for eye in EYES if (t := v.figures.of(eye).edge_thickest) is not None and t > most]
    if thick:
        value, eye = max(thick)
        yield found(
            f"{eye_word(eye)} lens is {mm(value)} thick at its thickest edge.",
            "lens.material",
            seen=(("Thickest edge", round(value, 1), "mm"),),
            limit=f"{mm(most)}",
            resolution=_higher_index(v),
        )


@check(
    "lens.centre-too-thin",
    "stop",
    "The centre is too thin",
    family="lens",
    source="resin 1.0 to 2.2 mm by material, toughened glass 2.0; dispensing teaching",
    confidence="common practice",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "lens.material",
        "lens.min_centre_mm",
    ),
)
def centre_too_thin(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a minus lens under 1 mm at its centre bends and breaks; glass needs twice that to stand the impact test.
    Fires: centre 0.6 mm; glass 1.2 mm.
    Silent: 1.3 mm in 1.60 resin; 2.0 mm in glass.
    """
    lens = v.case.lens
    glass = lens.material is not None and lens.material.glass
    least = v.limit["centre.glass" if glass else "centre.resin"]
    thin = [(t, f"{eye_word(eye)} centre") for eye in EYES if (t := v.figures.of(eye).centre_thickness) is not None]
    if lens.min_centre_mm is not None:
        thin.append((lens.min_centre_mm, "Centre asked for"))
    thin = [(t, label) for t, label in thin if t < least - 0.05]
    if thin:
        value, label = min(thin)
        yield found(
            f"{label} {mm(value)}" + (" in glass." if glass else "."),
            "lens.min_centre_mm",
            "lens.material",
            seen=((label, round(value, 2), "mm"),),
            limit=f"at least {mm(least)}",
            resolution=f"Ask for a centre of at least {mm(least)}.",
        )


@check(
    "lens.front-curve",
    "confirm",
    "The front curve does not go with the frame",
    family="lens",
    source="lens and frame curve within 1 to 2 D; dress 4 to 6, wrap 8 to 9",
    confidence="common practice",
    needs=("frame.front_curve", "lens.front_curve"),
)
def front_curve(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a lens much flatter or steeper than its rim springs out or bends the front.
    Fires: front curve 2 asked for in a front of 8; −8.00 in a wrap.
    Silent: 4 in a front of 4.5; a strong plus whose curve is steep in an ordinary front.
    """
    frame = v.frame
    if frame is None or frame.front_curve is None:
        return
    limit = v.limit["frame.curve_match"]
    stated = v.case.lens.front_curve
    if stated is not None:
        if abs(stated - frame.front_curve) > limit:
            yield _curve_finding(found, stated, frame.front_curve, limit, "Front curve asked for")
        return
    if frame.front_curve < 7:
        return
    for eye in EYES:
        computed = v.figures.of(eye).front_curve
        if computed is not None and frame.front_curve - computed > limit:
            whose = (
                "front curve by the maker's table" if v.figures.of(eye).front_curve_by == "maker" else "usual front curve"
            )
            yield _curve_finding(found, computed, frame.front_curve, limit, f"{eye_word(eye)} {whose}")
            return


def _curve_finding(found: Finder, curve: float, frame: float, limit: float, label: str) -> Finding:
    return found(
        f"{label} {curve:.2f} D in a front of {frame:.2f} D.",
        "lens.front_curve",
        "frame.front_curve",
        seen=((label, round(curve, 2), "D"), ("Front curve of the frame", frame, "D")),
        limit=f"within {limit:.1f} D",
        consequence="The lens would not sit in the rim.",
        resolution=f"A front curve of {frame - limit:.1f} to {frame + limit:.1f} D, or a flatter frame.",
    )


@check(
    "lens.front-curves-differ",
    "note",
    "The two lenses have different front curves",
    family="lens",
    source="more than 1 to 2 D between right and left is seen; dispensing teaching",
    confidence="common practice",
    needs=("lens.front_curve", "lens.design"),
)
def front_curves_differ(v: View, found: Finder) -> Iterator[Finding]:
    """Why: unlike curves are seen, and add to the difference in image size. One curve for both can be asked for.
    Fires: R +5.00, L plano; a maker's table with 4 for the right power and 6 for the left.
    Silent: R −2.00, L −2.75; both powers in one step of the table.
    """
    right, left = v.figures.right.front_curve, v.figures.left.front_curve
    limit = v.limit["curve.pair"]
    if right is None or left is None or abs(right - left) <= limit + 0.005:
        return
    between = _between(v, right, left)
    yield found(
        f"Front curves {right:.2f} and {left:.2f} D{_by_whom(v)}.",
        "lens.front_curve",
        seen=(("Right front curve", round(right, 2), "D"), ("Left front curve", round(left, 2), "D")),
        limit=f"{limit:g} D apart",
        consequence="It is seen from the front, and the images differ more in size.",
        resolution=f"To have them alike, state {between:.2f} D as front curve for both, or ask the lab to match them.",
    )


def _by_whom(v: View) -> str:
    by = {v.figures.right.front_curve_by, v.figures.left.front_curve_by}
    return ", by the maker's table" if by == {"maker"} else ", by the usual rule" if by == {"rule"} else ""


def _between(v: View, right: float, left: float) -> float:
    """One curve for both: of those the maker lists the nearest to the middle, the steeper of two; else the middle to the quarter."""
    middle = (right + left) / 2
    listed = sorted({step.curve for step in v.design.front_curves}, reverse=True) if v.design is not None else []
    return min(listed, key=lambda curve: abs(curve - middle)) if listed else round(middle * 4) / 4
