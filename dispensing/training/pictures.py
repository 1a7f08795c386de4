"""Differences drawn: against the mean of both (limits of agreement), and over time. Millimetres of paper, one look for both."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date

from dispensing.drawings.shapes import Circle, Path, Picture, Shape, Text
from dispensing.optics.agreement import Agreement
from dispensing.training.agreeing import LEAST_IN_QUARTER, Pairs, by_quarter

WIDTH, HEIGHT = 150.0, 74.0
LEFT, RIGHT, TOP, BOTTOM = 15.0, 26.0, 5.0, 13.0
SIZE = 3.0


class _Frame:
    """A plane with a scale on both sides; y in mm of difference."""

    def __init__(self, low_x: float, high_x: float, reach: float) -> None:
        self.low_x, self.high_x = low_x, high_x if high_x > low_x else low_x + 1.0
        self.step = next((s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0) if reach / s <= 4), 50.0)
        self.reach = math.ceil(reach / self.step - 1e-9) * self.step

    def x(self, value: float) -> float:
        return LEFT + (value - self.low_x) / (self.high_x - self.low_x) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        return BOTTOM + (value + self.reach) / (2 * self.reach) * (HEIGHT - BOTTOM - TOP)

    def across(self, role: str, value: float, name: str = "") -> Path:
        return Path(role, ((LEFT, self.y(value)), (WIDTH - RIGHT, self.y(value))), name=name)

    def band(self, low: float, high: float) -> Path:
        a, b = self.y(max(low, -self.reach)), self.y(min(high, self.reach))
        return Path("corridor", ((LEFT, a), (WIDTH - RIGHT, a), (WIDTH - RIGHT, b), (LEFT, b)), closed=True)

    def scale(self) -> Iterator[Shape]:
        yield Path("dim", ((LEFT, BOTTOM), (LEFT, HEIGHT - TOP)))
        yield Path("dim", ((LEFT, BOTTOM), (WIDTH - RIGHT, BOTTOM)))
        yield self.across("dim", 0.0)
        steps = round(self.reach / self.step)
        for k in range(-steps, steps + 1):
            value = k * self.step
            yield Path("dim", ((LEFT - 1.2, self.y(value)), (LEFT, self.y(value))))
            yield Text("dim-text", LEFT - 2.0, self.y(value) - SIZE * 0.35, signed(value), SIZE, "end")
        yield Text("note-text", LEFT + 1.2, HEIGHT - TOP + 0.6, "mm", SIZE, "start")


def signed(value: float, digits: int = 1) -> str:
    """With its sign, ties away from zero; a plain 0 without."""
    scaled = math.floor(abs(value) * 10**digits + 0.5) / 10**digits
    return f"{'−' if value < 0 else '+'}{scaled:.{digits}f}" if scaled else f"{0:.{digits}f}"


def limits_picture(pairs: Pairs, found: Agreement) -> Picture:
    """Difference against mean (Bland & Altman, Lancet 1986), mean difference, limits and their 95 % confidence bands."""
    means = [(float(c.theirs) + float(c.ours)) / 2 for _, c in pairs.rows]
    spare = max(0.5, (max(means) - min(means)) * 0.06)
    reach = max(abs(v) for v in (*pairs.differences, found.lower_low, found.upper_high, 0.5)) * 1.04
    f = _Frame(min(means) - spare, max(means) + spare, reach)
    shapes: list[Shape] = [
        f.band(found.bias_low, found.bias_high),
        f.band(found.lower_low, found.lower_high),
        f.band(found.upper_low, found.upper_high),
        *f.scale(),
        f.across("datum", found.bias, "bias"),
        f.across("limit", found.lower, "lower"),
        f.across("limit", found.upper, "upper"),
    ]
    shapes += _words(f, ((found.bias, "mean"), (found.lower, "limit"), (found.upper, "limit")))
    shapes += [
        Circle("reading", f.x(mean), f.y(d), 0.9, name=f"pair.{i}")
        for i, (mean, d) in enumerate(zip(means, pairs.differences, strict=True))
    ]
    low, high = math.ceil(f.low_x), math.floor(f.high_x)
    step = max(1, round((high - low) / 5))
    for value in range(low, high + 1, step):
        shapes.append(Path("dim", ((f.x(value), BOTTOM - 1.2), (f.x(value), BOTTOM))))
        shapes.append(Text("dim-text", f.x(value), BOTTOM - 1.8 - SIZE, str(value), SIZE))
    shapes.append(Text("note-text", (LEFT + WIDTH - RIGHT) / 2, 1.2, "mean of both readings, mm", SIZE))
    return Picture(
        0.0,
        0.0,
        WIDTH,
        HEIGHT,
        tuple(shapes),
        f"{pairs.name}: {found.n} differences against the mean of both readings. Mean difference {signed(found.bias, 2)} mm, "
        f"limits of agreement {signed(found.lower, 2)} to {signed(found.upper, 2)} mm. The figures are in the table.",
        f"{pairs.name}, limits of agreement",
    )


def _words(f: _Frame, lines: Sequence[tuple[float, str]]) -> list[Shape]:
    """Labels at the right end, moved apart where they would touch."""
    placed: list[Shape] = []
    last = -math.inf
    for value, word in sorted(lines):
        at = max(f.y(value) - SIZE * 0.35, last + SIZE * 1.1)
        placed.append(Text("dim-text", WIDTH - RIGHT + 1.5, at, f"{word} {signed(value, 2)}", SIZE, "start"))
        last = at
    return placed


def trend_picture(pairs: Pairs) -> Picture | None:
    """Differences by day, with the mean of each quarter that has enough; None for fewer than two days."""
    days = [on.toordinal() for on, _ in pairs.rows]
    if len(set(days)) < 2:
        return None
    reach = max(0.5, *(abs(d) for d in pairs.differences)) * 1.04
    spare = max(2.0, (days[-1] - days[0]) * 0.03)
    f = _Frame(days[0] - spare, days[-1] + spare, reach)
    shapes: list[Shape] = list(f.scale())
    shapes += [Circle("reading", f.x(day), f.y(d), 0.9) for day, d in zip(days, pairs.differences, strict=True)]
    middles: dict[str, list[int]] = {}
    for day in days:
        on = date.fromordinal(day)
        middles.setdefault(f"{on.year}-{(on.month - 1) // 3}", []).append(day)
    quarters = zip(middles.values(), by_quarter(pairs), strict=True)
    points = tuple((f.x(sum(d) / len(d)), f.y(p.mean)) for d, p in quarters if p.enough)
    if len(points) > 1:
        shapes.append(Path("datum", points, name="means"))
    shapes += [Circle("drill", x, y, 1.3) for x, y in points]
    for day, anchor in ((days[0], "start"), (days[-1], "end")):
        shapes.append(Text("dim-text", f.x(day), BOTTOM - 1.8 - SIZE, f"{date.fromordinal(day):%b %Y}", SIZE, anchor))
    key = ("○ mean of", "a quarter") if points else ("too few in", "each quarter", "for a mean")
    for line, words in enumerate(key):
        shapes.append(Text("note-text", WIDTH - RIGHT + 1.5, HEIGHT - TOP - (1 + 1.2 * line) * SIZE, words, SIZE, "start"))
    return Picture(
        0.0,
        0.0,
        WIDTH,
        HEIGHT,
        tuple(shapes),
        f"{pairs.name}: differences from {date.fromordinal(days[0]):%B %Y} to {date.fromordinal(days[-1]):%B %Y}, with the mean of "
        f"each quarter that has {LEAST_IN_QUARTER} or more. The figures are in the table.",
        f"{pairs.name} over time",
    )
