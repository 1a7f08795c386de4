"""A small picture of how a figure went over the years, for both eyes: points to scale in time and value, the table beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from math import ceil, floor

WIDTH, HEIGHT = 520, 190
LEFT, RIGHT, TOP, BOTTOM = 52, 16, 14, 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    eye: str  # right, left
    points: tuple[tuple[float, float], ...]  # in the picture's own units

    @property
    def path(self) -> str:
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in self.points)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    title: str
    unit: str
    description: str
    lines: tuple[Line, ...]
    levels: tuple[tuple[float, str], ...]  # y, words
    years: tuple[tuple[float, str], ...]  # x, words
    rows: tuple[tuple[date, str, str], ...]  # when, R, L: newest first
    width: int = WIDTH
    height: int = HEIGHT


def trend(
    title: str,
    unit: str,
    values: Sequence[tuple[date, float | None, float | None]],
    *,
    least_span: float,
    digits: int,
    signed: bool = False,
) -> Trend | None:
    """None when there are fewer than two days to compare. `least_span` keeps small changes looking small."""
    values = sorted((v for v in values if v[1] is not None or v[2] is not None), key=lambda v: v[0])
    if len({on for on, _, _ in values}) < 2:
        return None
    known = [v for _, r, le in values for v in (r, le) if v is not None]
    low, high = min(known), max(known)
    spare = max(0.0, least_span - (high - low)) / 2
    step = _step(high - low + 2 * spare)
    low, high = floor((low - spare) / step) * step, ceil((high + spare) / step) * step
    first, last = values[0][0], values[-1][0]
    days = (last - first).days

    def x(on: date) -> float:
        return LEFT + (on - first).days / days * (WIDTH - LEFT - RIGHT)

    def y(value: float) -> float:
        return TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def words(value: float | None) -> str:
        if value is None:
            return ""
        text = str(abs(Decimal(str(round(value, 6)))).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP))
        zero = float(text) == 0
        return ("−" if value < 0 and not zero else "+" if signed and not zero else "") + text

    lines = tuple(
        Line(eye=eye, points=tuple((x(v[0]), y(v[i])) for v in values if v[i] is not None))  # type: ignore[arg-type]
        for i, eye in ((1, "right"), (2, "left"))
    )
    count = round((high - low) / step)
    years = [(x(date(year, 1, 1)), str(year)) for year in range(first.year + 1, last.year + 1)]
    if len(years) < 2:
        years = [(x(first), f"{first:%b %Y}"), (x(last), f"{last:%b %Y}")]
    every = max(1, ceil(len(years) / 8))
    said = "; ".join(f"{name} from {words(found[0])} to {words(found[-1])}" for name, found in _both(values) if found)
    return Trend(
        title=title,
        unit=unit,
        description=f"{title}, {unit}, {first.year} to {last.year}: {said}",
        lines=tuple(line for line in lines if line.points),
        levels=tuple((y(low + i * step), words(low + i * step)) for i in range(count + 1)),
        years=tuple(years[::every]),
        rows=tuple((on, words(r), words(le)) for on, r, le in reversed(values)),
    )


def _both(values: Sequence[tuple[date, float | None, float | None]]) -> list[tuple[str, list[float]]]:
    return [
        ("right", [r for _, r, _ in values if r is not None]),
        ("left", [le for _, _, le in values if le is not None]),
    ]


def _step(span: float) -> float:
    """A round step that gives about four levels."""
    for step in (0.25, 0.5, 1.0, 2.0, 5.0, 10.0):
        if span / step <= 5:
            return step
    return 20.0
