"""Checks of the outline, of the frame against the earlier one and its wearer, and of mount, groove and drill points."""

from __future__ import annotations

from collections.abc import Iterator
from math import atan2, degrees, hypot

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.frame import _SIZES
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import mm


@check(
    "frame.outline-not-a-lens",
    "stop",
    "The outline is no lens shape",
    family="frame",
    source="outline of radii from the boxed centre",
    confidence="derived",
    needs=("frame.outline",),
)
def outline_not_a_lens(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a tracing with too few points, or of no lens's size, was cut short or is in another unit.
    Fires: an outline whose box is 2.6 by 1.9 mm.
    Silent: no outline; a tracing of 400 points, 52 by 38 mm.
    """
    frame = v.frame
    if frame is not None and frame.outline and v.box is None:
        yield found(
            "The outline is no lens shape.",
            "frame.outline",
            seen=(("Points", len(frame.outline), ""), ("Longest radius", max(frame.outline), "mm")),
            resolution="Trace the frame again, or leave the outline out and give a, b and the effective diameter.",
        )


@check(
    "frame.outline-against-box",
    "stop",
    "The outline and the stated box disagree",
    family="frame",
    source="ISO 8624:2011; boxed size ±0.5 mm by ISO 12870, and as much for the tracing",
    confidence="derived",
    needs=("frame.a", "frame.b", "frame.outline"),
    explains=(
        "frame.a",
        "frame.b",
        "frame.b-over-a",
        "frame.ed-under-box",
        "frame.ed-over-diagonal",
        "frame.outline-against-ed",
        "frame.child-size",
        "height.from-datum-line",
        "height.outside-box",
        "pd.frame-fit",
        "height.pupil-position",
        "height.rim-not-lowest",
        "lens.blank-too-small",
    ),
)
def outline_against_box(v: View, found: Finder) -> Iterator[Finding]:
    """Why: outline and box describe one lens. If they differ, one belongs to another size, or two figures were exchanged.
    Fires: outline 52 by 38 mm, stated a 54.
    Silent: outline 52.3 by 38.1 mm, stated 52 by 38.
    """
    frame = v.frame
    if frame is None or not frame.outline or frame.a is None or frame.b is None:
        return
    box = v.box
    if box is None:
        return
    limit = v.limit["frame.outline.box"]
    off_a, off_b = box.a - frame.a, box.b - frame.b
    if abs(off_a) > limit or abs(off_b) > limit:
        exchanged = abs(box.a - frame.b) <= limit and abs(box.b - frame.a) <= limit
        yield found(
            "a and b are exchanged: the outline says so."
            if exchanged
            else f"The outline measures {mm(box.a)} by {mm(box.b)}, the box is stated as {mm(frame.a)} by {mm(frame.b)}.",
            "frame.a" if abs(off_a) >= abs(off_b) else "frame.b",
            "frame.outline",
            seen=(
                ("Outline a", round(box.a, 2), "mm"), ("Outline b", round(box.b, 2), "mm"), ("a", frame.a, "mm"), ("b", frame.b, "mm"),
            ),
            limit=f"within {mm(limit)}",
            consequence=f"Lenses would be cut {mm(max(abs(off_a), abs(off_b)))} too {'large' if max(off_a, off_b, key=abs) < 0 else 'small'}, "
            "or the outline is of another frame.",
            resolution=f"a {mm(box.a)}, b {mm(box.b)}, or trace this frame.",
        )  # fmt: skip


@check(
    "frame.outline-against-ed",
    "confirm",
    "The outline and the effective diameter disagree",
    family="frame",
    source="effective diameter is twice the longest radius",
    confidence="derived",
    needs=("frame.ed", "frame.outline"),
)
def outline_against_ed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the longest radius can be read from the outline. If the stated figure differs, one of the two is of another frame.
    Fires: longest radius of the outline 27 mm, effective diameter stated 58.
    Silent: 27 mm and 54.4.
    """
    frame = v.frame
    if frame is None or not frame.outline or frame.ed is None:
        return
    box = v.box
    if box is not None and abs(box.ed - frame.ed) > 1.5 * v.limit["frame.outline.box"]:
        yield found(
            f"By the outline the effective diameter is {mm(box.ed)}, stated is {mm(frame.ed)}.",
            "frame.ed",
            "frame.outline",
            seen=(("Effective diameter, outline", round(box.ed, 2), "mm"), ("Effective diameter, stated", frame.ed, "mm")),
            limit=f"within {mm(1.5 * v.limit['frame.outline.box'])}",
            resolution=f"{mm(box.ed)}, if the outline is of this frame.",
        )


@check(
    "frame.old-figures-kept",
    "confirm",
    "The figures of the earlier frame were kept for another frame",
    family="frame",
    source="comparison with the earlier pair",
    confidence="derived",
    needs=(
        "frame.a",
        "frame.b",
        "frame.dbl",
        "frame.ed",
        "frame.identity",
        "frame.model",
        "frame.name",
        "frame.side",
        "earlier",
    ),
    explains=("height.as-before",),
)
def old_figures_kept(v: View, found: Finder) -> Iterator[Finding]:
    """Why: two different models hardly ever share every boxed figure. If they do, the old figures stayed when the frame was changed.
    Fires: another model than last time, with the same a, b, distance between lenses and effective diameter.
    Silent: the same frame reglazed; the same model in another colour; another model with figures of its own.
    """
    frame = v.frame
    if frame is None or None in (frame.a, frame.b, frame.dbl):
        return
    for pair in v.case.earlier:
        old = pair.frame
        if old is None or old.a is None or (frame.model and frame.model == old.model):
            continue
        other = (frame.identity and old.identity and frame.identity != old.identity and frame.name != old.name) or (
            frame.name and old.name and frame.name != old.name
        )
        same = (frame.a, frame.b, frame.dbl) == (old.a, old.b, old.dbl) and (
            frame.ed == old.ed or frame.ed is None or old.ed is None
        )
        if other and same and (frame.ed is not None or frame.side == old.side):
            yield found(
                f"{frame.name or 'This frame'} has exactly the figures of {old.name or 'the earlier frame'}.",
                "frame.a",
                "frame.name",
                seen=(
                    ("a", frame.a or "", "mm"),
                    ("b", frame.b or "", "mm"),
                    ("Distance between lenses", frame.dbl or "", "mm"),
                ),
                consequence="Lenses cut for the other frame do not fit this one.",
                resolution="Measure this frame.",
            )
            return


@check(
    "frame.child-size",
    "confirm",
    "A child in a frame of adult size",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("person.age_years", "frame.a"),
)
def child_size(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a small child's lens in an adult's frame is decentred far and sits low; or the record is a parent's.
    Fires: age 5, a 52.
    Silent: age 5, a 42; age 14, a 52.
    """
    frame = v.frame
    if frame is None or frame.a is None or v.age is None or v.age > v.limit["frame.child_age"]:
        return
    if frame.a > v.limit["frame.a.child_most"]:
        yield found(
            f"a {mm(frame.a)} for a child of {int(v.age)} years.",
            "frame.a",
            seen=(("a", frame.a, "mm"), ("Age", int(v.age), "years")),
            limit=f"{mm(v.limit['frame.a.child_most'])} up to {v.limit['frame.child_age']:.0f} years",
            resolution="Choose a child's size, or see whether this is the child's record.",
        )


@check(
    "frame.groove",
    "confirm",
    "The groove allowance is implausible",
    family="frame",
    source="0.5 mm a side, 0.5 to 1.0 in metal; none where there is no rim",
    confidence="common practice",
    needs=("frame.groove_mm", "frame.mount"),
)
def groove(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the box runs to the bevel apex in the groove, about 0.5 mm beyond the visible rim. 5 is a lost decimal point.
    Fires: groove 5 mm; groove 0.5 mm on a drilled mount.
    Silent: 0.5 mm in a full rim; none stated.
    """
    frame = v.frame
    if frame is None or not frame.groove_mm:
        return
    if frame.groove_mm > 1.5 or frame.groove_mm < 0 or frame.mount == "drilled":
        yield found(
            f"Groove {mm(frame.groove_mm)}" + (" on a drilled mount." if frame.mount == "drilled" else " is implausible."),
            "frame.groove_mm",
            seen=(("Groove", frame.groove_mm, "mm"),),
            limit="0 to 1.5 mm; none without a rim",
            consequence=f"Heights taken at the visible rim would be {mm(abs(frame.groove_mm))} out.",
            resolution="0 mm: the box is the lens edge." if frame.mount == "drilled" else "0.5 mm is usual.",
        )


@check(
    "frame.drill-point-off-lens",
    "stop",
    "A drill point lies outside the lens",
    family="frame",
    source="a hole needs lens round it; 2 mm to the edge, dispensing teaching",
    confidence="common practice",
    needs=("frame.a", "frame.b", "frame.drill_points", "frame.outline"),
)
def drill_point_off_lens(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a hole at or beyond the edge breaks out. Often x was measured from the edge and not from the boxed centre.
    Fires: a 52, drill point at x 27; x 22, y 15 in the corner of the box of an oval, which has no lens there.
    Silent: a 52, drill point at x 22, y 3.
    """
    frame = v.frame
    if frame is None or frame.a is None or frame.b is None:
        return
    for index, point in enumerate(frame.drill_points):
        reach_x, reach_y = frame.a / 2 - abs(point.x), frame.b / 2 - abs(point.y)
        edge = _radius(frame.outline, point.x, point.y) if v.box is not None else None
        beyond = edge is not None and hypot(point.x, point.y) + point.diameter / 2 > edge
        if min(reach_x, reach_y) < point.diameter / 2 or beyond:
            yield found(
                f"Drill point {index + 1} lies outside the lens.",
                "frame.drill_points",
                seen=(
                    ("x", point.x, "mm"),
                    ("y", point.y, "mm"),
                    ("a", frame.a, "mm"),
                    ("b", frame.b, "mm"),
                    *((("Outline in this direction", round(edge, 1), "mm"),) if edge is not None else ()),
                ),
                limit=f"x within ±{mm(frame.a / 2 - point.diameter / 2)}, y within ±{mm(frame.b / 2 - point.diameter / 2)}",
                resolution="Give the point from the boxed centre, nasal positive.",
            )
            return


def _radius(outline: tuple[float, ...], x: float, y: float) -> float:
    """How far the lens reaches from the boxed centre in the direction of a point, mm; radii at equal steps from nasal through up."""
    at = (degrees(atan2(y, x)) % 360.0) / 360.0 * len(outline)
    first, part = int(at), at - int(at)
    return outline[first % len(outline)] * (1 - part) + outline[(first + 1) % len(outline)] * part


@check(
    "frame.curve-against-wrap",
    "confirm",
    "The front curve and the face form angle do not go together",
    family="frame",
    source="dress fronts 4 to 6 D and about 5°, wraps 8 to 9 D and 10 to 25°",
    confidence="common practice",
    needs=("frame.face_form_deg", "frame.front_curve"),
)
def curve_against_wrap(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a strongly wrapped front is strongly curved. A flat front with 20° is a misread angle.
    Fires: front 4 D, the frame's face form 20°.
    Silent: front 8 D, 18°; front 4 D, 5°.
    """
    frame = v.frame
    if frame is None or frame.front_curve is None or frame.face_form_deg is None:
        return
    most = v.limit["face_form.flat_most"]
    if frame.front_curve <= 6 and frame.face_form_deg > most:
        yield found(
            f"A front of {frame.front_curve:.1f} D with a face form angle of {frame.face_form_deg:.0f}°.",
            "frame.face_form_deg",
            "frame.front_curve",
            seen=(("Front curve", frame.front_curve, "D"), ("Face form", frame.face_form_deg, "°")),
            limit=f"up to {most:.0f}° with a curve up to 6 D",
            resolution="Measure the angle again, or the curve.",
        )


@check(
    "frame.no-drill-points",
    "note",
    "A drilled mount without drill points",
    family="frame",
    source="what a lab needs to drill",
    confidence="common practice",
    needs=("frame.drill_points", "frame.mount"),
)
def mount_without_points(v: View, found: Finder) -> Iterator[Finding]:
    """Why: without drill points the lab drills to the demonstration lens, which then has to be sent.
    Fires: drilled mount, no drill points.
    Silent: a full rim; a drilled mount with its points.
    """
    frame = v.frame
    if frame is not None and frame.mount == "drilled" and not frame.drill_points:
        yield found(
            "No drill points: the lab needs the demonstration lens.",
            "frame.drill_points",
            resolution="Give the points, or send the demonstration lens.",
            for_lab=True,
        )
