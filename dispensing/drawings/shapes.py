"""Shapes in millimetres: what a picture is made of before it becomes SVG or PDF.

y grows upwards, x to the right as the viewer sees it. `role` names what a shape is ("outline", "box", "datum", "pupil", ...);
`roles.py` turns it into stroke and fill for both back ends, so that a page and a print agree on what is seen. `name` is for
shapes that a page or a test has to find again ("right.fitting"); most have none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Path:
    role: str
    points: tuple[Point, ...]
    closed: bool = False
    name: str = ""


@dataclass(frozen=True, slots=True)
class Circle:
    role: str
    x: float
    y: float
    radius: float
    name: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    role: str
    x: float
    y: float  # of the baseline
    text: str
    size: float = 3.0
    anchor: str = "middle"  # start, middle, end
    name: str = ""


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
    title: str = ""  # in two or three words what is drawn

    def named(self, name: str) -> Shape:
        """The shape of that name; KeyError when there is none."""
        for shape in self.shapes:
            if shape.name == name:
                return shape
        raise KeyError(name)

    def roles(self) -> frozenset[str]:
        return frozenset(shape.role for shape in self.shapes)


def moved(shape: Shape, dx: float, dy: float) -> Shape:
    """The same shape, shifted by dx to the right and dy upwards (mm)."""
    if isinstance(shape, Path):
        return replace(shape, points=tuple((x + dx, y + dy) for x, y in shape.points))
    return replace(shape, x=shape.x + dx, y=shape.y + dy)
