"""Five looks at one pair beside each other: prescribed, ordered, found on receipt, on the face now, and the pair before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dispensing.case import EYES
from dispensing.optics.notation import format_lens, format_mm
from dispensing.optics.power import Power
from orders.receipt.verdict import Readings, near_reference, ordered_lens
from orders.returns.explain import Before, WornNow

NONE = "–"
APART_MM = 1.0  # a place on the face so far from the ordered one is pointed out


@dataclass(frozen=True, slots=True)
class Cell:
    text: str
    differs: bool = False  # from the ordered place, by `APART_MM` or more


@dataclass(frozen=True, slots=True)
class Line:
    what: str
    unit: str
    cells: tuple[Cell, ...]  # one for each of `heads`


@dataclass(frozen=True, slots=True)
class SideBySide:
    heads: tuple[str, ...]
    lines: tuple[Line, ...]


def side_by_side(document: Mapping[str, Any], readings: Readings, now: WornNow | None, before: Before | None) -> SideBySide:
    """`now` None: nothing was measured on the face yet, its column is left out; so is that of a pair before that is not known."""
    heads = ["Prescribed", "Ordered", "Found on receipt"]
    heads += ["On the face now"] if now is not None else []
    heads += [f"The pair before ({before.said})" if before.said else "The pair before"] if before is not None else []

    def row(
        what: str,
        unit: str,
        *,
        rx: str = "",
        ordered: str = "",
        found: str = "",
        face: str = "",
        old: str = "",
        apart: bool = False,
    ) -> Line:
        texts = [Cell(rx or NONE), Cell(ordered or NONE), Cell(found or NONE)]
        texts += [Cell(face or NONE, apart)] if now is not None else []
        texts += [Cell(old or NONE)] if before is not None else []
        return Line(what, unit, tuple(texts))

    lines: list[Line] = []
    for eye in EYES:
        written, lens, read = document["lenses"][eye]["prescribed"], ordered_lens(document, eye), readings.of(eye)
        lines.append(
            row(
                f"{eye.capitalize()} lens", "D", rx=_written(written),
                ordered=format_lens(lens.power, lens.add) if lens.power else "balance",
                found=format_lens(read.power, read.add) + (" at the near point" if near_reference(document, lens) else "") if read.power else "",
                old=format_lens(before.of(eye), before.add(eye)) if before else "",
            )
        )  # fmt: skip
    for name, label in (("pd", "PD"), ("height", "Height")):
        for eye in EYES:
            want = getattr(ordered_lens(document, eye), name)
            seen = getattr(now, f"{eye}_{name}") if now else None
            held = want
            place = document["lenses"][eye]["centration"]
            if name == "pd" and place["centred_for"] == "near":  # on the face it is measured looking far
                held = None if place["far_pd"] is None else float(place["far_pd"])
            lines.append(
                row(
                    f"{eye.capitalize()} {label if name == 'pd' else label.lower()}", "mm",
                    ordered=_mm(want), found=_mm(getattr(readings.of(eye), name)), face=_mm(seen),
                    old=_mm(before.place(eye, name)) if before else "",
                    apart=held is not None and seen is not None and abs(seen - held) >= APART_MM,
                )
            )  # fmt: skip
    worn = document["as_worn"]
    tested = document["prescription"]["vertex_distance"]
    lines.append(
        row("Vertex distance", "mm", rx=_mm(tested), ordered=_mm(worn["vertex_distance"]), face=_mm(now.vertex if now else None),
            old=_mm(before.vertex) if before else "")
    )  # fmt: skip
    for name, label in (("pantoscopic", "Pantoscopic angle"), ("face_form", "Face form angle")):
        seen = getattr(now, name) if now else None
        lines.append(row(label, "°", ordered=_degrees(worn[name]), face=_degrees(seen)))
    return SideBySide(tuple(heads), tuple(lines))


def _written(p: Mapping[str, Any]) -> str:
    if p["balance"] or p["sphere"] is None:
        return "balance"
    power = Power(float(p["sphere"]), float(p["cylinder"] or 0), float(p["axis"] or 180))
    return format_lens(power, float(p["addition"]) if p["addition"] else None)


def _mm(value: Any) -> str:
    return "" if value is None or value == "" else format_mm(float(value))


def _degrees(value: Any) -> str:
    return "" if value is None or value == "" else f"{float(value):g}"
