"""Both lens shapes of a front with the eyes in them: small, for lists in which frames are chosen for a face."""

from __future__ import annotations

from .geometry import outline_points
from .shapes import Circle, Path, Picture, Shape

PUPIL_MM = 2.0  # radius as drawn
ARM_MM = 4.5


def front_with_eyes(
    outline: tuple[float, ...],
    a: float,
    dbl: float,
    right: tuple[float, float] | None,
    left: tuple[float, float] | None,
    name: str,
) -> Picture:
    """Both shapes, the datum line through them, and the pupils. `outline` as in case.Frame; `right`, `left`: pupil from the boxed
    centre, mm, nasal and up positive, None where it is not known."""
    half = 0.5 * (a + dbl)
    points = outline_points(outline)
    shapes: list[Shape] = []
    words = [f"Front of {name}"]
    for side, x0 in ((1.0, -half), (-1.0, half)):
        shapes.append(Path("outline", tuple((x0 + side * x, y) for x, y in points), closed=True))
    low = min((y for _, y in points), default=-15.0)
    high = max((y for _, y in points), default=15.0)
    wide = half + 0.5 * a
    shapes.append(Path("datum", ((-wide, 0.0), (wide, 0.0))))
    for eye, side, x0, at in (("right", 1.0, -half, right), ("left", -1.0, half, left)):
        if at is None:
            continue
        x, y = x0 + side * at[0], at[1]
        shapes += [
            Circle("pupil", x, y, PUPIL_MM),
            Path("fitting", ((x - ARM_MM, y), (x + ARM_MM, y))),
            Path("fitting", ((x, y - ARM_MM), (x, y + ARM_MM))),
        ]
        words.append(f"{eye} pupil {abs(at[0]):.1f} mm {'in' if at[0] >= 0 else 'out'} from the middle of its lens")
    return Picture(-wide - 1.0, low - 1.0, 2.0 * wide + 2.0, high - low + 2.0, tuple(shapes), ", ".join(words) + ".")
