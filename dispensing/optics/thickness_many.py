"""One lens over many outlines: what every frame of a catalogue would make of it.

The same closed forms and the same least thickness as `thickness.least_lens`, frame by frame, with all outlines in one array: row i is
the lens of `specs[i]` over the points of row i. Accuracy as there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dispensing.optics.errors import OpticsError
from dispensing.optics.thickness import Array, Lens, Spec, _grown, make, profiles


@dataclass(frozen=True, slots=True)
class Over:
    """The lens of least thickness over one outline, mm; None in its place where no such lens can be made."""

    lens: Lens
    thinnest: float
    thickest: float


def rows_of(outlines: Sequence[tuple[Array, Array]]) -> tuple[Array, Array]:
    """Points of many outlines as two arrays (outlines, points). A shorter outline repeats its last point: no extreme moves."""
    longest = max(x.size for x, _ in outlines)
    xs, ys = np.empty((len(outlines), longest)), np.empty((len(outlines), longest))
    for i, (x, y) in enumerate(outlines):
        xs[i, : x.size], ys[i, : y.size] = x, y
        xs[i, x.size :], ys[i, y.size :] = x[-1], y[-1]
    return xs, ys


def reach(x: Array, y: Array, at_x: Array, at_y: Array) -> Array:
    """Least uncut diameter of each row, mm, for a blank centred at (at_x, at_y): twice the distance to the farthest point. Exact."""
    dx, dy = x - at_x[:, None], y - at_y[:, None]
    found: Array = 2.0 * np.sqrt((dx * dx + dy * dy).max(axis=1))
    return found


def least_over(
    specs: Sequence[Spec],
    x: Array,
    y: Array,
    *,
    min_centre: list[float],
    min_edge: list[float],
    holes: Sequence[Sequence[tuple[float, float]]] = (),
) -> list[Over | None]:
    """The lens of least thickness of each spec over its own row of points (mm), nowhere under its minima; see `thickness.least_lens`.

    holes: further points of each row at which the edge minimum holds, such as drill points; they count for no extreme.
    """
    if not specs:
        return []
    try:
        return list(_least_over(specs, x, y, min_centre, min_edge, holes))
    except OpticsError:
        if len(specs) == 1:
            return [None]
    half = len(specs) // 2  # one that cannot be made is found by halving
    out: list[Over | None] = []
    for low, high in ((0, half), (half, len(specs))):
        out += least_over(
            specs[low:high],
            x[low:high],
            y[low:high],
            min_centre=min_centre[low:high],
            min_edge=min_edge[low:high],
            holes=holes[low:high],
        )
    return out


def _least_over(
    specs: Sequence[Spec],
    x: Array,
    y: Array,
    min_centre: Sequence[float],
    min_edge: Sequence[float],
    holes: Sequence[Sequence[tuple[float, float]]],
) -> list[Over]:
    lenses = [_grown(spec, make(spec, c), c, None, 0.0) for spec, c in zip(specs, min_centre, strict=True)]
    points = x.shape[1]
    if any(holes):
        extra = [
            [*own, *[(float(x[i, 0]), float(y[i, 0]))] * (max(map(len, holes)) - len(own))] for i, own in enumerate(holes)
        ]
        more = np.array(extra)
        x, y = np.concatenate((x, more[:, :, 0]), axis=1), np.concatenate((y, more[:, :, 1]), axis=1)
    table = profiles(lenses, x, y)
    todo = np.arange(len(specs))
    for _ in range(8):  # a thicker lens may be thinnest elsewhere: look again until it holds everywhere
        part = table[todo]
        at = part.argmin(axis=1)
        short = part[np.arange(todo.size), at] < np.array([min_edge[i] for i in todo.tolist()]) - 1e-6
        todo, at = todo[short], at[short]
        if not todo.size:
            break
        for i, k in zip(todo.tolist(), at.tolist(), strict=True):
            lenses[i] = _grown(specs[i], lenses[i], min_centre[i], (float(x[i, k]), float(y[i, k])), min_edge[i])
        table[todo] = profiles([lenses[i] for i in todo.tolist()], x[todo], y[todo])
    edge = table[:, :points]
    return [
        Over(lens, thin, thick)
        for lens, thin, thick in zip(lenses, edge.min(axis=1).tolist(), edge.max(axis=1).tolist(), strict=True)
    ]
