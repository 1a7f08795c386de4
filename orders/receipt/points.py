"""What is looked at on a finished pair besides what is measured: safety first, then looks. Common practice, in our words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from dispensing.case import MULTIFOCAL


@dataclass(frozen=True, slots=True)
class Point:
    code: str
    kind: Literal["safety", "looks"]
    text: str


SECURE = Point("secure", "safety", "Lenses sit firmly and do not turn in the frame")
SOUND = Point("sound", "safety", "No chip, crack or strain at the edges, grooves or drill holes")
SMOOTH = Point("smooth", "safety", "No sharp edge or corner that touches skin")
FRAME = Point("frame", "safety", "Frame undamaged, joints and screws tight")
IMPACT = Point("impact", "safety", "The impact-resistance statement above holds for these lenses")
SURFACES = Point("surfaces", "looks", "No scratch, pit or wave within 30 mm of the reference point, nor in the segment")
COATING = Point("coating", "looks", "Coating even on both sides, the one ordered")
TINT = Point("tint", "looks", "Tints alike side by side in daylight, as ordered")
SIZE = Point("size", "looks", "Lenses fill the rims: no gap, no bulge, shape not bent")
EDGES = Point("edges", "looks", "Edges finished as ordered and alike, right and left")
TRUE = Point("true", "looks", "Front and sides true: stands level on a table")
MARKS = Point("marks", "looks", "Fitting marks on, level and where the maker puts them")
ALL = (SECURE, SOUND, SMOOTH, FRAME, IMPACT, SURFACES, COATING, TINT, SIZE, EDGES, TRUE, MARKS)
WORDS = {p.code: p.text for p in ALL}


def points_for(document: Mapping[str, Any], *, statement: str = "") -> tuple[Point, ...]:
    """The points that this pair has. `statement`: the branch's impact-resistance statement, if its rules demand one."""
    lens = document["lens"]
    leave_out = {
        IMPACT: not statement,
        COATING: not lens["coating"],
        TINT: lens["tint"] is None,
        MARKS: lens["design"]["family"] not in MULTIFOCAL,
    }
    return tuple(p for p in ALL if not leave_out.get(p, False))
