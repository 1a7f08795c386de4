"""Shapes in millimetres: what a picture is made of before it becomes SVG or PDF.

y grows upwards, x to the right as the viewer sees it. `role` names what a shape is ("outline", "box", "datum", "pupil", ...);
a back end turns the role into stroke and fill, so that a page and a print agree on what is seen.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Path:
    role: str
    points: tuple[tuple[float, float], ...]
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Circle:
    role: str
    x: float
    y: float
    radius: float


@dataclass(frozen=True, slots=True)
class Text:
    role: str
    x: float
    y: float
    text: str
    size: float = 3.0
    anchor: str = "middle"  # start, middle, end


Shape = Path | Circle | Text


@dataclass(frozen=True, slots=True)
class Picture:
    """Shapes with the window they are seen through: left, bottom, width, height in mm."""

    left: float
    bottom: float
    width: float
    height: float
    shapes: tuple[Shape, ...]
    description: str  # what somebody who cannot see it needs to know
