"""How a value is shown: in its field, as the echo of what was typed, and in words that can be compared."""

from __future__ import annotations

from typing import Any

from dispensing.optics import notation

from .fields import FIGURE_KINDS, Entry, Spec

ECHOED = FIGURE_KINDS | {"date"}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def echo_of(spec: Spec, value: Any) -> str:
    """How a typed value was understood, in full notation; empty for a blank."""
    if value in (None, "", ()):
        return ""
    if spec.kind in ("power", "cylinder"):
        if value == 0 and spec.part == "prescription":
            return "plano" if spec.kind == "power" else "no cylinder"
        return f"{notation.format_power(value)} {spec.unit}".strip()
    with_unit = spec.kind not in (
        "date",
        "readings",
        "prism_h",
        "prism_v",
        "prism_in",
        "prism_up",
    )  # 2.00 in: the base closes it
    return f"{shown(spec, value)} {spec.unit}".strip() if with_unit else shown(spec, value)


def shown(spec: Spec, value: Any) -> str:
    """A value as its field shows it, in the notation that reads back as the same value."""
    if value in (None, "", ()):
        return ""
    kind = spec.kind
    if kind in ("power", "cylinder", "add"):
        return notation.format_power(value)
    if kind == "axis":
        return notation.format_axis(value)
    if kind in ("prism_h", "prism_v"):
        return notation.format_prism(value.amount, value.base)
    if kind in ("prism_in", "prism_up"):
        bases = ("in", "out") if kind == "prism_in" else ("up", "down")
        return notation.format_prism(abs(value), bases[0] if value > 0 else bases[1])
    if kind == "far":
        return notation.format_mm(value).removesuffix(".0")
    if kind == "mm":
        return notation.format_mm(value)
    if kind == "degrees":
        return notation.format_degrees(value)
    if kind == "date":
        return f"{value.day} {MONTHS[value.month - 1].capitalize()} {value.year}"
    if kind == "readings":
        return "  ".join(notation.format_mm(v) for v in value)
    return str(value)


def words_of(entry: Entry) -> str:
    """What a field holds, in words that can be compared and read."""
    if entry.spec.kind == "many":
        known = dict(entry.spec.choices)
        return ", ".join(known.get(v, v) for v in entry.chosen)
    if entry.spec.kind == "tick":
        return "ticked" if entry.typed else ""
    if entry.spec.kind == "choice":
        return dict(entry.spec.choices).get(entry.typed, entry.typed)
    return entry.typed if entry.error else shown(entry.spec, entry.value)


def filled(spec: Spec, value: Any) -> Entry:
    """The Entry of a value on record."""
    if spec.kind == "many":
        return Entry(spec=spec, chosen=tuple(value or ()), value=tuple(value or ()))
    if spec.kind == "tick":
        return Entry(spec=spec, typed="1" if value else "", value=bool(value))
    return Entry(spec=spec, typed=shown(spec, value), value=value)
