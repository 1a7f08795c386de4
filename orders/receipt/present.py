"""A verdict as lines to read: one for each quantity, figures in the trade's notation, its bar beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dispensing.case import EYES
from dispensing.drawings.shapes import Picture
from dispensing.optics import notation as n
from orders.receipt.pictures import bar, cylinder_region, pair_prism
from orders.receipt.typed import understand
from orders.receipt.verdict import Judged, Readings, Verdict, ordered_lens

OUTCOMES = {
    "within": "Everything measured is within tolerance",
    "outside": "Outside tolerance",
    "incomplete": "Not everything was measured",
}


@dataclass(frozen=True, slots=True)
class Line:
    row: Judged
    ordered: str
    found: str
    difference: str
    allowed: str
    said: str  # within, outside, not measured, no limit
    shape: str  # ok, stop, unknown, note
    used: str
    bar: Picture | None


@dataclass(frozen=True, slots=True)
class Group:
    title: str
    lines: tuple[Line, ...]
    left_out: tuple[str, ...]  # what could have been measured and did not have to be


@dataclass(frozen=True, slots=True)
class View:
    outcome: str
    words: str
    groups: tuple[Group, ...]
    pictures: tuple[Picture, ...]
    outside: tuple[str, ...]  # each with how far off it is and what is allowed
    doubts: tuple[str, ...]  # what looks like a slip of the readings


COPIED = "Every reading equals the order in every digit. Copied, not measured?"


def figure(row: Judged, value: float | None) -> str:
    """One figure of a quantity in its own notation."""
    if value is None:
        return "–"
    if row.unit == "D":
        return n.format_power(value) if row.name in ("power_high", "power_low") else f"{value:.2f}"
    if row.unit == "°":
        return n.format_axis(value) if row.name == "axis" else n.format_degrees(value)
    if row.unit == "mm":
        return n.format_mm(value)
    if row.unit == "Δ":
        if round(abs(value), 2) == 0:
            return "0.00"
        base = ("in" if value > 0 else "out") if row.name == "prism_h" else ("R up" if value > 0 else "R down")
        return f"{abs(value):.2f} {base}"
    return f"{value:.1f}"


def _signed(row: Judged, value: float | None) -> str:
    if value is None:
        return "–"
    places = 1 if row.unit in ("°", "%") else 2
    rounded = round(value, places)
    return ("+" if rounded > 0 else "−" if rounded < 0 else "") + f"{abs(rounded):.{places}f}"


def line(row: Judged) -> Line:
    if row.within is True:
        said, shape = "within", "ok"
    elif row.within is False:
        said, shape = "outside", "stop"
    elif row.found is None:
        said, shape = ("not measured", "unknown") if row.required else ("not measured", "note")
    else:
        said, shape = "no limit", "note"
    allowed = "–" if row.allowance is None else f"{'−' if row.least else '±'}{row.allowance:.2f}"
    return Line(
        row=row,
        ordered=("at least " if row.least else "") + figure(row, row.ordered),
        found=figure(row, row.found),
        difference=_signed(row, row.difference),
        allowed=allowed.rstrip("0").rstrip(".") if row.unit == "°" else allowed,
        said=said,
        shape=shape,
        used="" if row.used is None else f"{row.used:.0%}",
        bar=bar(row),
    )


def view(document: Mapping[str, Any], readings: Readings, verdict: Verdict) -> View:
    groups = []
    for where, title in (("right", "Right lens"), ("left", "Left lens"), ("pair", "The pair")):
        rows = verdict.of(where)  # type: ignore[arg-type]
        lines = tuple(line(row) for row in rows if row.required or row.found is not None or row.within is not None)
        left_out = tuple(row.label for row in rows if not row.required and row.found is None)
        if lines or left_out:
            groups.append(Group(title, lines, left_out))
    pictures = [cylinder_region(ordered_lens(document, eye), readings.of(eye), verdict, eye) for eye in EYES]
    pictures.append(pair_prism(verdict))
    return View(
        outcome=verdict.outcome,
        words=OUTCOMES[verdict.outcome],
        groups=tuple(groups),
        pictures=tuple(p for p in pictures if p is not None),
        outside=tuple(map(_off, verdict.outside)),
        doubts=(*verdict.remarks, *((COPIED,) if verdict.copied else ())),
    )


def _off(row: Judged) -> str:
    what = row.label if row.where == "pair" else f"{row.where} {row.label}"
    return f"{what[0].upper()}{what[1:]}: {_signed(row, row.difference)} {row.unit}, allowed {line(row).allowed}"


def readings_of(document: Mapping[str, Any], typed: Mapping[str, str]) -> Readings:
    """What was measured, read again from what was typed."""
    return understand(document, typed).readings
