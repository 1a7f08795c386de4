"""Readings as they were typed into their fields, made ready for the use case that records them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dispensing import measure
from dispensing.case import HEIGHTS

from .fields import READING_FIELDS, specs
from .reading import Parsed


@dataclass(frozen=True, slots=True)
class TypedReadings:
    """Readings as typed, and the field each came from, so that a refusal finds its way back."""

    readings: tuple[measure.NewReading, ...] = ()
    fields: tuple[str, ...] = field(default=())

    def errors_by_field(self, errors: Mapping[str, str]) -> dict[str, str]:
        """`readings.<n>.<name>` of a use case as paths of the page."""
        out: dict[str, str] = {}
        for path, message in errors.items():
            parts = path.split(".")
            if len(parts) != 3 or not parts[1].isdigit():
                out[path] = message
                continue
            at = self.fields[int(parts[1])]
            quantity = at.split(".")[1]
            if parts[2] == "method":
                at = "readings.height_method" if quantity in HEIGHTS else "readings.pd_method"
            elif parts[2] != "value" and f"readings.{parts[2]}" in specs("readings"):
                at = f"readings.{parts[2]}"
            out.setdefault(at, message)
        return out


def typed_readings(parsed: Parsed, entry: str = "") -> TypedReadings:
    """What was typed into the reading fields as new readings; `entry` is the page's token for this typing."""
    readings: list[measure.NewReading] = []
    fields: list[str] = []
    above, distance = parsed.value("readings.observer_above_mm"), parsed.value("readings.observer_distance_mm")
    for quantity, eye in READING_FIELDS:
        path = f"readings.{quantity}.{eye}"
        height = quantity in HEIGHTS
        for value in parsed.value(path) or ():
            readings.append(
                measure.NewReading(
                    quantity=quantity,
                    eye=eye,
                    value=value,
                    as_typed=parsed.entries[path].typed,
                    method=parsed.text("readings.height_method" if height else "readings.pd_method"),
                    reference=parsed.text("readings.reference") if height else "",
                    observer_level=None if above is None else above == 0,
                    observer_above_mm=above,
                    observer_distance_mm=distance,
                    instrument=parsed.text("readings.height_instrument" if height else "readings.pd_instrument"),
                    entry=f"{entry}-{len(readings)}" if entry else "",
                )
            )
            fields.append(path)
    return TypedReadings(tuple(readings), tuple(fields))
