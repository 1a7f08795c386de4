"""The verdict to look at: a bar for each quantity, the tolerance of a cylinder in power-vector space, the pair's prism.

Pictures of `dispensing.drawings.shapes`, so that page and print show the same. What is found outside has another shape, not only
another colour. One length everywhere: in a bar 20 mm are one allowance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from dispensing.drawings.shapes import Circle, Path, Picture, Shape, Text
from orders.receipt.verdict import Judged, LensReading, OrderedLens, Verdict, power_found

ALLOWANCE_MM = 20.0
HALF_BAR = 30.0
HALF_FIELD = 24.0  # of the square pictures
ROOM = 14.0  # mm that the allowance takes in a square picture


def _found(x: float, y: float, fine: bool | None, name: str) -> Iterable[Shape]:
    """A disc within, a cross in a diamond outside."""
    if fine is not False:
        yield Circle("reading", x, y, 1.4, name)
        return
    r = 1.9
    yield Path("fitting-bad", ((x - r, y), (x, y + r), (x + r, y), (x, y - r)), closed=True, name=name)
    yield Path("fitting-bad", ((x - 1, y), (x + 1, y)))


def bar(row: Judged) -> Picture | None:
    """Ordered in the middle, the allowance as a band, what was found as a mark; None where nothing is judged."""
    if row.difference is None or not row.allowance:
        return None
    x = max(-HALF_BAR + 2.5, min(HALF_BAR - 2.5, row.difference / row.allowance * ALLOWANCE_MM))
    left = -ALLOWANCE_MM
    right = HALF_BAR if row.least else ALLOWANCE_MM
    shapes: list[Shape] = [
        Path("spread", ((left, -2.0), (right, -2.0), (right, 2.0), (left, 2.0)), closed=True),
        Path("extension", ((-HALF_BAR, 0.0), (HALF_BAR, 0.0))),
        Path("datum", ((0.0, -2.9), (0.0, 2.9))),
        Path("limit", ((left, -2.5), (left, 2.5))),
    ]
    if not row.least:
        shapes.append(Path("limit", ((right, -2.5), (right, 2.5))))
    shapes += _found(x, 0.0, row.within, "found")
    share = f"{row.used:.0%} of the allowance used" if row.used is not None else ""
    words = "within" if row.within else "outside"
    return Picture(-HALF_BAR, -3.2, 2 * HALF_BAR, 6.4, tuple(shapes), f"{row.label}: {words}, {share}.")


def cylinder_region(ordered: OrderedLens, read: LensReading, verdict: Verdict, eye: str) -> Picture | None:
    """Cylinder and axis together in the plane of J0 and J45: where a reading may lie, and where it lies.

    Cylinder either way and axis either way bound a piece of a ring in this plane; without a judged axis it is a disc.
    """
    if ordered.power is None:
        return None
    c = verdict.one("cylinder", eye)  # type: ignore[arg-type]
    try:
        turn = verdict.one("axis", eye).allowance  # type: ignore[arg-type]
    except KeyError:
        turn = None
    allowed = c.allowance or 0.0
    want = ordered.power.vector()
    size, middle = math.hypot(want.j0, want.j45), math.atan2(want.j45, want.j0)
    inner, outer = max(0.0, size - allowed / 2), size + allowed / 2
    spread = math.radians(2 * turn) if turn else math.pi
    if turn is None:
        edge = [_polar(outer, 2 * math.pi * k / 48) for k in range(48)]
    else:
        steps = [middle - spread + 2 * spread * k / 24 for k in range(25)]
        edge = [_polar(outer, t) for t in steps] + [_polar(inner, t) for t in reversed(steps)]
    centre = (want.j0, want.j45)
    reach = max(math.dist(p, centre) for p in edge) or 0.06
    scale = ROOM / reach

    def at(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] - centre[0]) * scale, (point[1] - centre[1]) * scale

    shapes: list[Shape] = [
        Path("extension", ((-HALF_FIELD + 1, 0.0), (HALF_FIELD - 1, 0.0))),
        Path("extension", ((0.0, -HALF_FIELD + 1), (0.0, HALF_FIELD - 1))),
        Path("spread", tuple(at(p) for p in edge), closed=True, name="allowed"),
        Path("datum", ((-1.6, 0.0), (1.6, 0.0))),
        Path("datum", ((0.0, -1.6), (0.0, 1.6))),
        Text("note-text", HALF_FIELD - 1, 1.0, "J0", 2.6, "end"),
        Text("note-text", 1.0, HALF_FIELD - 3.4, "J45", 2.6, "start"),
        Text(
            "note-text", -HALF_FIELD + 1, -HALF_FIELD + 1.2, f"{2 * ROOM / scale:.2f} D = {2 * ROOM:.0f} mm", 2.4, "start"
        ),
    ]
    power = power_found(ordered, read)
    words = "not measured"
    if power is not None:
        v = power.vector()
        x, y = at((v.j0, v.j45))
        fine = all(j.within is not False for j in verdict.judged if j.where == eye and j.name in ("cylinder", "axis"))
        away = math.hypot(x, y)
        if away > HALF_FIELD - 3:
            x, y = x / away * (HALF_FIELD - 3), y / away * (HALF_FIELD - 3)
        shapes += _found(x, y, fine, "found")
        words = "found within" if fine else "found outside"
    return Picture(
        -HALF_FIELD, -HALF_FIELD, 2 * HALF_FIELD, 2 * HALF_FIELD, tuple(shapes),
        f"{eye} lens, cylinder and axis as a power vector: {words} what is allowed.", f"{eye} cylinder and axis",
    )  # fmt: skip


def _polar(r: float, t: float) -> tuple[float, float]:
    return r * math.cos(t), r * math.sin(t)


def pair_prism(verdict: Verdict) -> Picture | None:
    """Base in to the right, right base up upwards: the ordered prism, what is allowed around it, what was found."""
    try:
        h, v = verdict.one("prism_h", "pair"), verdict.one("prism_v", "pair")
    except KeyError:
        return None
    if not h.allowance or not v.allowance:
        return None
    scale = ROOM / max(h.allowance, v.allowance)
    dx, dy = h.allowance * scale, v.allowance * scale
    shapes: list[Shape] = [
        Path("extension", ((-HALF_FIELD + 1, 0.0), (HALF_FIELD - 1, 0.0))),
        Path("extension", ((0.0, -HALF_FIELD + 1), (0.0, HALF_FIELD - 1))),
        Path("spread", ((-dx, -dy), (dx, -dy), (dx, dy), (-dx, dy)), closed=True, name="allowed"),
        Path("datum", ((-1.6, 0.0), (1.6, 0.0))),
        Path("datum", ((0.0, -1.6), (0.0, 1.6))),
        Text("note-text", HALF_FIELD - 1, 1.0, "in", 2.6, "end"),
        Text("note-text", -HALF_FIELD + 1, 1.0, "out", 2.6, "start"),
        Text("note-text", 1.0, HALF_FIELD - 3.4, "R up, L down", 2.6, "start"),
        Text("note-text", -HALF_FIELD + 1, -HALF_FIELD + 1.2, f"±{h.allowance:.2f} by ±{v.allowance:.2f} Δ", 2.4, "start"),
    ]
    words = "not measured"
    if h.difference is not None and v.difference is not None:
        x, y = h.difference * scale, v.difference * scale
        away = max(abs(x), abs(y))
        if away > HALF_FIELD - 3:
            x, y = x / away * (HALF_FIELD - 3), y / away * (HALF_FIELD - 3)
        fine = h.within is not False and v.within is not False
        shapes += _found(x, y, fine, "found")
        words = f"{h.difference:+.2f} Δ horizontally and {v.difference:+.2f} Δ vertically from what was ordered"
    return Picture(
        -HALF_FIELD, -HALF_FIELD, 2 * HALF_FIELD, 2 * HALF_FIELD, tuple(shapes),
        f"Prism of the pair: {words}; allowed ±{h.allowance:.2f} and ±{v.allowance:.2f} Δ.", "prism of the pair",
    )  # fmt: skip
