"""Order documents and readings to hold against each other, built from the example order."""

from __future__ import annotations

import copy
from typing import Any

from orders.receipt.verdict import LensReading, Readings
from tests.orders.examples import example_document

_EXAMPLE = None


def prism(base_in: float = 0.0, base_up: float = 0.0) -> dict[str, Any]:
    return {"in": f"{base_in:.2f}", "up": f"{base_up:.2f}"}


def ordered(
    sphere: float, cylinder: float = 0.0, axis: float | None = None, add: float | None = None, **more: float
) -> dict:
    return {
        "sphere": f"{sphere:.3f}",
        "cylinder": f"{cylinder:.3f}",
        "axis": None if axis is None else f"{axis:.1f}",
        "addition": None if add is None else f"{add:.2f}",
        "prism": prism(**more),
    }


def document(
    right: dict | None, left: dict | None, *, family: str = "single_vision", standard: str = "ISO 21987:2017", **change: Any
) -> dict:
    """The example order with other lenses. `change`: pd, height, near_pd as (right, left); thinning; tint; design={}."""
    global _EXAMPLE
    _EXAMPLE = _EXAMPLE or example_document()
    made = copy.deepcopy(_EXAMPLE)
    made["tolerance_standard"] = standard
    made["lens"]["design"].update(
        {"family": family, "segment_width": None, "segment_depth": None, **change.get("design", {})}
    )
    made["lens"]["prism_thinning_down"] = f"{change.get('thinning', 0.0):.2f}"
    made["lens"]["tint"] = change.get("tint")
    for i, (eye, lens) in enumerate((("right", right), ("left", left))):
        part = made["lenses"][eye]
        part["ordered"] = lens
        c = part["centration"]
        c["centred_for"] = "distance"
        for name, key in (("pd", "far_pd"), ("height", "height"), ("near_pd", "near_pd")):
            value = change.get(name, {"pd": (31.5, 32.0), "height": (20.0, 20.0), "near_pd": (29.5, 30.0)}[name])[i]
            c[key] = None if value is None else f"{value:.2f}"
    return made


def exact(doc: dict, **more: Any) -> Readings:
    """A pair found exactly as ordered, measured in every respect. `more`: right={...}, left={...} to change."""

    def lens(eye: str) -> LensReading:
        part = doc["lenses"][eye]
        o, c = part["ordered"], part["centration"]
        values: dict[str, Any] = {}
        if o is not None:
            values = {
                "sphere": float(o["sphere"]),
                "cylinder": float(o["cylinder"]),
                "axis": float(o["axis"]) if o["axis"] else None,
                "add": float(o["addition"]) if o["addition"] else None,
                "prism_in": float(o["prism"]["in"]),
                "prism_up": float(o["prism"]["up"]) - float(doc["lens"]["prism_thinning_down"]),
            }
        for name, key in (("pd", "far_pd"), ("height", "height"), ("near_pd", "near_pd")):
            values[name] = float(c[key]) if c[key] else None
        return LensReading(**{**values, **more.get(eye, {})})

    return Readings(right=lens("right"), left=lens("left"))
