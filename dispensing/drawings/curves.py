"""Closed curves as points: rounded corners, stretches of a curve, what of a segment stays on the glazed lens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot

import numpy as np

from .shapes import Point

_CLEAR = 1e-6  # mm²: so far within an edge (times its length) rounding does not matter


def rounded(corners: Sequence[Point]) -> list[Point]:
    """A box with rounded corners, as points."""
    out: list[Point] = []
    n = len(corners)
    for i, (x, y) in enumerate(corners):
        before, after = corners[i - 1], corners[(i + 1) % n]
        start = _towards((x, y), before, 9.0)
        end = _towards((x, y), after, 9.0)
        for k in range(7):
            t = k / 6
            out.append(
                (
                    (1 - t) ** 2 * start[0] + 2 * t * (1 - t) * x + t * t * end[0],
                    (1 - t) ** 2 * start[1] + 2 * t * (1 - t) * y + t * t * end[1],
                )
            )
    return out


def _towards(a: Point, b: Point, distance: float) -> Point:
    length = hypot(b[0] - a[0], b[1] - a[1])
    part = min(distance, length / 2) / length
    return a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part


def between(start: Point, end: Point, steps: int) -> list[Point]:
    return [
        (start[0] + (end[0] - start[0]) * i / steps, start[1] + (end[1] - start[1]) * i / steps) for i in range(1, steps)
    ]


def runs(flags: Sequence[bool], points: Sequence[Point]) -> Iterator[list[Point]]:
    """Stretches of a closed curve where the flag is set, each with one point more at its ends."""
    n = len(flags)
    if not any(flags):
        return
    if all(flags):
        yield [*points, points[0]]
        return
    start = next(i for i in range(n) if flags[i] and not flags[i - 1])
    run: list[Point] = []
    for k in range(n + 1):
        i = (start + k) % n
        if flags[i] and k < n:
            if not run:
                run.append(points[i - 1])
            run.append(points[i])
        elif run:
            run.append(points[i])
            yield run
            run = []


def cutting(subject: Sequence[Point], outline: Sequence[Point]) -> list[int]:
    """The edges of an outline, by the point they lead to, that have some point of a segment outside or as good as on them."""
    b, p = np.asarray(outline), np.asarray(subject)
    a = np.roll(b, 1, axis=0)
    along = b - a
    sides = along[:, :1] * (p[:, 1] - a[:, 1:]) - along[:, 1:] * (p[:, 0] - a[:, :1])
    return [int(i) for i in np.flatnonzero(sides.min(axis=1) < _CLEAR)]


def clip(subject: Sequence[Point], outline: Sequence[Point]) -> list[Point]:
    """The part of a segment that stays on the glazed lens: Sutherland-Hodgman against the outline, which is close to convex.

    An edge that has all of the segment on its inner side takes nothing away, nor from what is left of it: most edges are passed over.
    """
    output = list(subject)
    for i in cutting(subject, outline):
        if not output:
            return []
        ax, ay = outline[i - 1]
        bx, by = outline[i]
        entering, output = output, []
        px, py = entering[-1]
        previous = (bx - ax) * (py - ay) - (by - ay) * (px - ax)
        for qx, qy in entering:
            side = (bx - ax) * (qy - ay) - (by - ay) * (qx - ax)
            if (side >= 0) != (previous >= 0):
                t = previous / (previous - side)
                output.append((px + t * (qx - px), py + t * (qy - py)))
            if side >= 0:
                output.append((qx, qy))
            px, py, previous = qx, qy, side
    return output
