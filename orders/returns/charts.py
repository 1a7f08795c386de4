"""Charts for the learning page, drawn in millimetres like every other picture: a funnel, and a rate over the months.

The figures are in the table beneath; what lies outside the limits has another shape, a name and a word, not only another colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from dispensing.drawings.shapes import Circle, Path, Picture, Shape, Text
from orders.control import Chart, funnel_limits

WIDTH, HEIGHT = 150.0, 62.0
LEFT, RIGHT, BOTTOM, TOP = 14.0, 3.0, 11.0, 5.0
SMALL = 2.9
MONTHS_WIDTH = 104.0  # three of them stand side by side


class _Axes:
    """Where a value lies; x from 0 to 1 across, y a rate."""

    def __init__(self, top: float, width: float = WIDTH) -> None:
        self.width = width
        self.step = _step(top)
        self.top = max(self.step, math.ceil(top / self.step - 1e-9) * self.step)

    def x(self, share: float) -> float:
        return LEFT + share * (self.width - LEFT - RIGHT)

    def y(self, rate: float) -> float:
        return BOTTOM + min(rate, self.top) / self.top * (HEIGHT - BOTTOM - TOP)

    def frame(self) -> list[Shape]:
        shapes: list[Shape] = []
        for k in range(round(self.top / self.step) + 1):
            rate = k * self.step
            shapes.append(Path("extension", ((self.x(0), self.y(rate)), (self.x(1), self.y(rate)))))
            shapes.append(Text("note-text", LEFT - 1.2, self.y(rate) - 1.0, f"{rate * 100:g} %", SMALL, "end"))
        return shapes


def _step(top: float) -> float:
    """A round step that gives three to six lines."""
    for step in (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2):
        if top / step <= 6:
            return step
    return 0.25


def _mark(x: float, y: float, fine: bool, name: str = "", radius: float = 1.1) -> list[Shape]:
    if fine:
        return [Circle("reading", x, y, radius, name)]
    r = 1.9
    return [
        Path("fitting-bad", ((x - r, y), (x, y + r), (x + r, y), (x, y - r)), closed=True, name=name),
        Path("fitting-bad", ((x - 1, y), (x + 1, y))),
    ]


def funnel(rows: Sequence[tuple[str, int, int]], title: str) -> Picture | None:
    """Rates of groups (name, pairs, cases) against their number of pairs, with the limits around all together. None for fewer than
    three groups or without a case: there is nothing to compare."""
    rows = [r for r in rows if r[1] > 0]
    pairs, cases = sum(n for _, n, _ in rows), sum(c for _, _, c in rows)
    if len(rows) < 3 or not 0 < cases < pairs:
        return None
    middle = cases / pairs
    least, most = min(n for _, n, _ in rows), max(n for _, n, _ in rows)
    most = max(most, least + 1)
    low, high = math.log(max(1.0, least * 0.8)), math.log(most * 1.15)
    sizes = sorted({round(math.exp(low + (high - low) * k / 28)) for k in range(29)} - {0})
    limits = [(n, funnel_limits(n, middle)) for n in sizes]
    highest = max(c / n for _, n, c in rows)
    axes = _Axes(min(1.0, max(highest * 1.1, middle * 2, min(limits[0][1][3], middle * 4))))

    def across(n: float) -> float:
        return axes.x((math.log(max(n, 1)) - low) / (high - low))

    shapes = axes.frame()
    for which, role in ((0, "limit"), (1, "before"), (2, "before"), (3, "limit")):
        line = tuple((across(n), axes.y(four[which])) for n, four in limits if four[which] <= axes.top)
        if len(line) > 1:
            shapes.append(Path(role, line))
    shapes.append(Path("datum", ((axes.x(0), axes.y(middle)), (axes.x(1), axes.y(middle))), name="all together"))
    for n in _ticks(sizes[0], sizes[-1]):
        shapes.append(Text("note-text", across(n), BOTTOM - 4.2, f"{n:,}", SMALL))
        shapes.append(Path("extension", ((across(n), BOTTOM), (across(n), BOTTOM - 1.2))))
    shapes.append(Text("note-text", axes.x(1), 1.0, "pairs", SMALL, "end"))
    said, named, taken = [], list[tuple[float, float, float, str]](), list[_Area]()
    for name, n, c in rows:
        a, w, x, b = funnel_limits(n, middle)
        rate, at = c / n, across(n)
        inside = a <= rate <= b
        shapes += _mark(at, axes.y(rate), inside, name, 1.1 if len(rows) < 60 else 0.7)
        reach = 1.0 if inside else 2.0
        taken.append((at - reach, axes.y(rate) - reach, at + reach, axes.y(rate) + reach))
        if not w <= rate <= x:
            named.append((abs(rate - middle) / max(x - w, 1e-9), at, axes.y(rate), name))
        if not a <= rate <= b:
            said.append(f"{name} {'above' if rate > b else 'below'} the 99.8 % limits")
    labels, without = _labels(named, taken)
    shapes += labels
    words = "; ".join(said) or "no group is outside the 99.8 % limits"
    if without:
        words += f"; outside the 95 % limits without room for a name: {', '.join(without)}"
    return Picture(
        0.0, 0.0, WIDTH, HEIGHT, tuple(shapes),
        f"{title}: {len(rows)} groups around {middle:.1%} of {pairs:,} pairs; {words}. The figures are in the table.", f"{title}, funnel",
    )  # fmt: skip


_Area = tuple[float, float, float, float]  # left, bottom, right, top
LONGEST = 34  # letters of a name in a picture


def _labels(named: Sequence[tuple[float, float, float, str]], taken: list[_Area]) -> tuple[list[Shape], list[str]]:
    """A name beside each (distance, x, y, name), the furthest first, where it covers neither a mark nor another name; and the names for
    which there was no room."""
    found, without = list[Shape](), list[str]()
    for _, x, y, name in sorted(named, reverse=True):
        text = name if len(name) <= LONGEST else name[: LONGEST - 1] + "…"
        wide, tall = len(text) * SMALL * 0.53, SMALL
        for dx, dy, anchor in ((2.4, -1.0, "start"), (-2.4, -1.0, "end"), (0.0, 2.2, "middle"), (0.0, -4.4, "middle"),
                               (2.0, 1.6, "start"), (-2.0, 1.6, "end"), (2.0, -3.8, "start"), (-2.0, -3.8, "end")):  # fmt: skip
            left = x + dx - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
            area = (left, y + dy - 0.5, left + wide, y + dy + tall - 0.7)
            if left < LEFT or area[2] > WIDTH or area[1] < BOTTOM - 0.5 or area[3] > HEIGHT:
                continue
            if any(area[0] < t[2] and t[0] < area[2] and area[1] < t[3] and t[1] < area[3] for t in taken):
                continue
            taken.append(area)
            found.append(Text("dim-text", x + dx, y + dy, text, SMALL, anchor))
            break
        else:
            without.append(name)
    return found, without


def _ticks(low: float, high: float) -> list[int]:
    """Round numbers between: 1, 2, 5 times powers of ten; at most seven."""
    found = [m * 10**e for e in range(8) for m in (1, 2, 5) if low <= m * 10**e <= high]
    return found if len(found) <= 7 else [n for n in found if str(n)[0] == "1"]


def over_time(chart: Chart, title: str, fewest: int) -> Picture | None:
    """Rates by month with three standard deviations either way. None with fewer than three months that have enough pairs."""
    if sum(s.pairs >= fewest for s in chart.steps) < 3:
        return None
    steps = chart.steps
    enough = [s for s in steps if s.pairs >= fewest]
    top = max([chart.middle * 2, *(s.high for s in enough), *(s.rate or 0.0 for s in enough)])
    axes = _Axes(min(1.0, max(top, 0.005)), MONTHS_WIDTH)
    count = len(steps)
    half = 0.5 / count
    shapes = axes.frame()
    for pick in ("high", "low"):
        run: list[tuple[float, float]] = []
        for i, s in enumerate(steps):
            if s.pairs < fewest:
                if len(run) > 1:
                    shapes.append(Path("limit", tuple(run)))
                run = []
                continue
            y = axes.y(getattr(s, pick))
            run += [(axes.x(i / count), y), (axes.x(i / count + 2 * half), y)]
        if len(run) > 1:
            shapes.append(Path("limit", tuple(run)))
    shapes.append(Path("datum", ((axes.x(0), axes.y(chart.middle)), (axes.x(1), axes.y(chart.middle))), name="mean"))
    places = [
        (axes.x(i / count + half), axes.y(s.rate), s)
        for i, s in enumerate(steps)
        if s.rate is not None and s.pairs >= fewest
    ]
    shapes.append(Path("pupil", tuple((x, y) for x, y, _ in places)))
    for x, y, s in places:
        shapes += _mark(x, y, not s.outside, s.label)
        if s.outside:
            shapes.append(Text("dim-text", x, y + 2.8 if y < HEIGHT - 9 else y - 5.0, s.label, SMALL))
    every = max(1, math.ceil(count / 12))
    for i, s in enumerate(steps):
        if i % every == 0:
            shapes.append(Text("note-text", axes.x(i / count + half), BOTTOM - 4.4, s.label[:3], SMALL))
            if i == 0 or s.label.startswith("Jan") or every > 1:
                shapes.append(Text("note-text", axes.x(i / count + half), BOTTOM - 8.2, s.label[-4:], SMALL))
    out = [s.label for s in steps if s.outside and s.pairs >= fewest]
    words = f"outside the limits: {', '.join(out)}" if out else "no month is outside the limits"
    return Picture(
        0.0, 0.0, MONTHS_WIDTH, HEIGHT, tuple(shapes),
        f"{title} by month around a mean of {chart.middle:.1%}; {words}. The figures are in the table.", f"{title} by month",
    )  # fmt: skip
