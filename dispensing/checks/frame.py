"""Checks of the frame's own figures, against each other and against what frames are like."""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import mm

_BOXING = "ISO 8624:2011 boxing; ISO 12870 marking a □ d"
_SIZES = "usual catalogue sizes, dispensing teaching"


@check(
    "frame.side-as-dbl",
    "stop",
    "The length of side stands in the distance between lenses",
    family="frame",
    source=_BOXING,
    confidence="standard",
    needs=("frame.dbl", "frame.side"),
    explains=(
        "frame.dbl",
        "frame.side",
        "frame.a-not-over-dbl",
        "pd.frame-fit",
        "lens.blank-too-small",
        "pd.decentration",
        "pd.outside-lens",
    ),
)
def side_as_dbl(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a frame is marked 48□18 140. Read in the wrong order, 140 becomes the distance between lenses.
    Fires: distance between lenses 140, side 18.
    Silent: distance between lenses 18, side 140.
    """
    frame = v.frame
    if frame is None or frame.dbl is None:
        return
    if frame.dbl >= 80 or (frame.side is not None and frame.side <= 40 and frame.side > 0):
        yield found(
            f"Distance between lenses {mm(frame.dbl)}"
            + (f" and side {mm(frame.side)}" if frame.side is not None else "")
            + " look exchanged.",
            "frame.dbl",
            "frame.side",
            seen=(("Distance between lenses", frame.dbl, "mm"), ("Length of side", frame.side or "not given", "mm")),
            consequence="Every centration would be wrong by tens of millimetres.",
            resolution=(
                f"Distance between lenses {mm(frame.side)}, side {mm(frame.dbl)}?"
                if frame.side is not None and frame.dbl >= 80
                else "Read the marking on the side again: a □ d, then the side."
            ),
        )


@check(
    "frame.a-not-over-dbl",
    "stop",
    "The lens is not wider than the distance between lenses",
    family="frame",
    source=_BOXING,
    confidence="derived",
    needs=("frame.a", "frame.dbl"),
    explains=(
        "frame.a",
        "frame.dbl",
        "frame.b-over-a",
        "frame.ed-under-box",
        "frame.ed-over-diagonal",
        "frame.outline-against-box",
        "pd.decentration",
        "pd.outside-lens",
        "lens.blank-too-small",
    ),
)
def a_not_over_dbl(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a lens is always wider than the space between the lenses; the other way round the two figures were exchanged.
    Fires: a 18, distance between lenses 52.
    Silent: a 52, distance between lenses 18.
    """
    frame = v.frame
    if frame is None or frame.a is None or frame.dbl is None or frame.dbl >= 80:
        return
    if frame.a <= frame.dbl:
        digits = int(f"{frame.dbl:.0f}"[::-1]) if frame.dbl >= 10 else 0
        yield found(
            f"Boxed length {mm(frame.a)} is not more than the distance between lenses {mm(frame.dbl)}.",
            "frame.a",
            "frame.dbl",
            seen=(("a", frame.a, "mm"), ("Distance between lenses", frame.dbl, "mm")),
            consequence=f"The boxed centres stay {mm(frame.a + frame.dbl)} apart, but the lens would be cut to the wrong size.",
            resolution=f"Distance between lenses {digits} mm?"
            if v.limit["frame.dbl.least"] <= digits <= v.limit["frame.dbl.most"]
            else f"a {mm(frame.dbl)}, distance between lenses {mm(frame.a)}?",
        )


@check(
    "frame.b-over-a",
    "confirm",
    "The lens is deeper than it is wide",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("frame.a", "frame.b"),
)
def b_over_a(v: View, found: Finder) -> Iterator[Finding]:
    """Why: hardly any lens shape is deeper than wide; the two figures were probably exchanged.
    Fires: a 38, b 52.
    Silent: a 52, b 38; a round shape, 46 by 46.
    """
    frame = v.frame
    if frame is None or frame.a is None or frame.b is None:
        return
    if frame.b > frame.a + 0.5:
        yield found(
            f"b {mm(frame.b)} is more than a {mm(frame.a)}.",
            "frame.b",
            "frame.a",
            seen=(("a", frame.a, "mm"), ("b", frame.b, "mm")),
            consequence=f"If exchanged, each lens is centred {mm((frame.b - frame.a) / 2)} off sideways.",
            resolution=f"a {mm(frame.b)}, b {mm(frame.a)}?",
        )


def _range_check(
    v: View, found: Finder, name: str, label: str, usual: tuple[float, float], possible: tuple[float, float]
) -> Iterator[Finding]:
    value = getattr(v.frame, name) if v.frame else None
    if value is None or usual[0] <= value <= usual[1]:
        return
    cannot = not possible[0] <= value <= possible[1]
    yield found(
        f"{label} {mm(value)} {'cannot be' if cannot else 'is unusual'}.",
        f"frame.{name}",
        seen=((label, value, "mm"),),
        limit=f"{mm(usual[0])} to {mm(usual[1])}",
        severity="stop" if cannot else "confirm",
        resolution=f"{mm(value * 10)}? Centimetres were typed."
        if usual[0] <= value * 10 <= usual[1]
        else "Measure the frame, or read its marking again.",
    )


@check(
    "frame.a",
    "stop",
    "The boxed length is implausible",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("person.age_years", "frame.a", "frame.child"),
)
def a_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the boxed length decides centration and blank. Outside 40 to 62 mm (a child's 34 to 50) it was mostly misread.
    Fires: a 5.2, centimetres (stop); a 66 (asks).
    Silent: a 52; a 36 on a child's frame.
    """
    if v.frame is None:
        return
    small = v.frame.child or (v.age is not None and v.age < 13)
    least = v.limit["frame.a.child_least"] if small else v.limit["frame.a.least"]
    most = v.limit["frame.a.child_most"] if v.frame.child else v.limit["frame.a.most"]
    yield from _range_check(v, found, "a", "Boxed length a", (least, most), (25.0, 75.0))


@check(
    "frame.b",
    "stop",
    "The boxed depth is implausible",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("frame.b",),
)
def b_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the boxed depth decides every height. Outside 20 to 56 mm it was mostly misread, or the distance between lenses was typed.
    Fires: b 3.8, centimetres (stop); b 18 (asks).
    Silent: b 34.
    """
    yield from _range_check(
        v, found, "b", "Boxed depth b", (v.limit["frame.b.least"], v.limit["frame.b.most"]), (12.0, 75.0)
    )


@check(
    "frame.dbl",
    "stop",
    "The distance between lenses is implausible",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("frame.dbl",),
)
def dbl_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: with the boxed length it decides where the optical centres go. Outside 10 to 26 mm another figure was mostly typed.
    Fires: 38, the depth of the lens (stop); 27 (asks).
    Silent: 18.
    """
    yield from _range_check(
        v, found, "dbl", "Distance between lenses", (v.limit["frame.dbl.least"], v.limit["frame.dbl.most"]), (5.0, 35.0)
    )


@check(
    "frame.side",
    "confirm",
    "The length of side is implausible",
    family="frame",
    source=_SIZES,
    confidence="common practice",
    needs=("frame.side",),
)
def side_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the side is marked last on the frame; an odd figure shows that the marking was read in the wrong order.
    Fires: side 52.
    Silent: side 140; side 120 on a child's frame.
    """
    yield from _range_check(
        v, found, "side", "Length of side", (v.limit["frame.side.least"], v.limit["frame.side.most"]), (0.0, 1e9)
    )


@check(
    "frame.ed-under-box",
    "stop",
    "The effective diameter is smaller than the lens",
    family="frame",
    source="effective diameter is twice the longest radius, so at least a and b",
    confidence="derived",
    needs=("frame.a", "frame.b", "frame.ed"),
    explains=("frame.outline-against-ed",),
)
def ed_under_box(v: View, found: Finder) -> Iterator[Finding]:
    """Why: twice the longest radius cannot be less than the box is wide. A blank chosen by it would not cut out.
    Fires: a 54, effective diameter 50.
    Silent: a 54, effective diameter 57; 54 on a round shape.
    """
    frame = v.frame
    if frame is None or frame.ed is None or frame.a is None or frame.b is None:
        return
    least = max(frame.a, frame.b)
    if frame.ed < least - 0.5:
        yield found(
            f"Effective diameter {mm(frame.ed)} is less than the box is wide.",
            "frame.ed",
            "frame.a",
            seen=(("Effective diameter", frame.ed, "mm"), ("a", frame.a, "mm"), ("b", frame.b, "mm")),
            limit=f"at least {mm(least)}",
            consequence="The blank would be chosen too small.",
            resolution=f"Measure the longest radius from the boxed centre: between {mm(least)} and {mm(hypot(frame.a, frame.b))}.",
        )


@check(
    "frame.ed-over-diagonal",
    "stop",
    "The effective diameter is more than the diagonal of the box",
    family="frame",
    source="a shape lies inside its box",
    confidence="derived",
    needs=("frame.a", "frame.b", "frame.ed"),
    explains=("frame.outline-against-ed",),
)
def ed_over_diagonal(v: View, found: Finder) -> Iterator[Finding]:
    """Why: no point of the lens lies outside its box, so twice the longest radius is at most the diagonal.
    Fires: a 48, b 30, effective diameter 62.
    Silent: a 48, b 38, effective diameter 54.
    """
    frame = v.frame
    if frame is None or frame.ed is None or frame.a is None or frame.b is None:
        return
    most = hypot(frame.a, frame.b)
    if frame.ed > most + 0.5:
        yield found(
            f"Effective diameter {mm(frame.ed)} is more than the diagonal of the box.",
            "frame.ed",
            "frame.b",
            seen=(("Effective diameter", frame.ed, "mm"), ("a", frame.a, "mm"), ("b", frame.b, "mm")),
            limit=f"at most {mm(most)}",
            resolution="Measure a, b and the longest radius again; one of them is wrong.",
        )
