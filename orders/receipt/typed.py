"""Receipt readings as they are typed, the trade's way, and as they were understood."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from dispensing.case import EYES, SEGMENTED, Eye
from dispensing.optics import notation as n
from dispensing.optics.errors import NotationError
from orders.receipt.verdict import LensReading, Readings

LONGEST = 40


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to type for each lens."""

    name: str
    label: str
    unit: str
    read: Callable[[str], Decimal | None]
    show: Callable[[Any], str]
    help: str = ""


def _mm(high: int) -> Callable[[str], Decimal | None]:
    return lambda text: n.parse_mm(text, high=high)


def _share(text: str) -> Decimal | None:
    return n.parse_figure(text.replace("%", ""), high=100)


def _prism(positive: str, negative: str) -> Callable[[str], Decimal | None]:
    """Signed from an amount with its base; a bare 0 needs none."""

    def read(text: str) -> Decimal | None:
        found = n.parse_prism(text)
        if found is None:
            return None
        if found.amount == 0:
            return Decimal("0.00")
        if found.base not in (positive, negative):
            raise NotationError(text, f"Say the base: {positive} or {negative}, like 0.5 {positive}.")
        return found.amount if found.base == positive else -found.amount

    return read


def _prism_words(positive: str, negative: str) -> Callable[[Any], str]:
    return lambda v: n.format_prism(abs(v), positive if v > 0 else negative)


POWERS = (
    Entry("sphere", "Sphere", "D", n.parse_power, n.format_power),
    Entry("cylinder", "Cylinder", "D", n.parse_cylinder, n.format_power, "Either form; DS for none."),
    Entry("axis", "Axis", "", n.parse_axis, n.format_axis),
)
ADD = Entry(
    "add", "Addition", "D", lambda t: n.parse_power(t, low=Decimal(0), high=Decimal(20)), n.format_power,
    "Near less distance, both read with the side that carries it against the stop, unless the maker says otherwise.",
)  # fmt: skip
NEAR_POINT = "Of a degressive lens read at its near point, which is its primary reference point."
PRISM_POINT = "At the prism reference point, midway between the permanent marks: "
PRISM = (
    Entry("prism_in", "Prism, horizontal", "Δ", _prism("in", "out"), _prism_words("in", "out"), "0.5 in, 1 out, 0."),
    Entry("prism_up", "Prism, vertical", "Δ", _prism("up", "down"), _prism_words("up", "down"), "0.25 up, 1 down, 0."),
)
TILT = Entry("tilt", "Tilt of marks", "°", lambda t: n.parse_degrees(t, low=-30, high=30), n.format_degrees)
THICKNESS = (
    Entry("centre_thickness", "Centre thickness", "mm", _mm(30), n.format_mm),
    Entry("edge_thickness", "Thinnest edge", "mm", _mm(30), n.format_mm),
)
TRANSMITTANCE = Entry("transmittance", "Transmittance", "%", _share, n.format_degrees)


def entries_for(document: Mapping[str, Any]) -> tuple[Entry, ...]:
    """What is worth measuring on this pair, in the order of the work at the focimeter."""
    design = document["lens"]["design"]
    family = design["family"]
    segmented, power_variation = family in SEGMENTED, family in ("progressive", "degressive")
    point = "Fitting cross" if power_variation else "Optical centre"
    places = [Entry("pd", f"{point} from the nose", "mm", _mm(60), n.format_mm)]
    height = "Segment top height" if segmented else "Fitting height" if power_variation else "Optical centre height"
    places.append(Entry("height", height, "mm", _mm(90), n.format_mm, "Above the lower box tangent."))
    if segmented:
        places.append(Entry("near_pd", "Segment from the nose", "mm", _mm(60), n.format_mm))
        if design["segment_width"]:
            places.append(Entry("segment_width", "Segment width", "mm", _mm(90), n.format_mm))
        if design["segment_depth"]:
            places.append(Entry("segment_depth", "Segment depth", "mm", _mm(90), n.format_mm))
    powers: tuple[Entry, ...] = POWERS
    prism: tuple[Entry, ...] = PRISM
    if family == "degressive":
        powers = (replace(POWERS[0], label="Sphere at the near point", help=NEAR_POINT), *POWERS[1:])
    if power_variation:
        prism = tuple(replace(entry, help=PRISM_POINT + entry.help) for entry in PRISM)
    has_add = any((document["lenses"][eye]["ordered"] or {}).get("addition") for eye in EYES)
    return (
        *powers,
        *((ADD,) if has_add else ()),
        *prism,
        *places,
        *((TILT,) if segmented or power_variation else ()),
        *THICKNESS,
        *((TRANSMITTANCE,) if document["lens"]["tint"] else ()),
    )


@dataclass(frozen=True, slots=True)
class Understood:
    readings: Readings
    values: dict[str, str]  # "right.sphere": "-2.25": exact decimal text
    echo: dict[str, str]  # "right.sphere": "−2.25": how it is shown back
    errors: dict[str, str]


def understand(document: Mapping[str, Any], typed: Mapping[str, str]) -> Understood:
    """Read every field of both lenses; an error names its field and is one sentence. A blank is "not measured"."""
    return read_lenses(entries_for(document), typed)


def read_lenses(entries: Iterable[Entry], typed: Mapping[str, str], at: str = "") -> Understood:
    """The same for any entries; `at`: what stands before the eye in the name of a field."""
    entries = tuple(entries)
    values: dict[str, str] = {}
    echo: dict[str, str] = {}
    errors: dict[str, str] = {}
    lenses: dict[Eye, LensReading] = {}
    for eye in EYES:
        read: dict[str, Decimal] = {}
        for entry in entries:
            path = f"{at}{eye}.{entry.name}"
            try:
                value = entry.read(typed.get(path, ""))
            except NotationError as problem:
                errors[path] = problem.message
                continue
            if value is not None:
                read[entry.name] = value
                values[path], echo[path] = str(value), entry.show(value)
        if read.get("cylinder") and "axis" not in read and f"{at}{eye}.axis" not in errors:
            errors[f"{at}{eye}.axis"] = "A cylinder needs its axis."
        if "sphere" not in read and ("cylinder" in read or "axis" in read) and f"{at}{eye}.sphere" not in errors:
            errors[f"{at}{eye}.sphere"] = "The sphere is missing; type 0 or pl for plano."
        if "axis" in read and not read.get("cylinder") and f"{at}{eye}.cylinder" not in errors:
            errors[f"{at}{eye}.cylinder"] = "An axis without a cylinder: type the cylinder, or leave the axis out."
        lenses[eye] = LensReading(**{name: float(v) for name, v in read.items()})
    return Understood(Readings(right=lenses["right"], left=lenses["left"]), values, echo, errors)
