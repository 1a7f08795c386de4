"""What the lens is made of: thickness, edges, volume, mass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dispensing.case import Case, Eye
from dispensing.figures.place import Front
from dispensing.figures.usual import EDGE_MM, FAILED, Notes, number, thinning, usual_centre_mm
from dispensing.optics import thickness
from dispensing.optics.boxing import Box
from dispensing.optics.power import Power
from dispensing.optics.thickness import Lens, Spec


@dataclass(frozen=True, slots=True)
class Wanted:
    spec: Spec
    min_centre: float
    min_edge: float


def minima(case: Case, notes: Notes) -> tuple[float, float]:
    """Least thickness at the centre and at the edge, mm: as stated for the lens and mount, or the usual values."""
    material = case.lens.material
    min_centre, min_edge = number(case.lens.min_centre_mm), number(case.lens.min_edge_mm)
    if min_centre is None:
        min_centre = usual_centre_mm(material.nd if material else 1.5, bool(material and material.glass))
        notes.assumed["lens.min_centre_mm"] = f"Least centre thickness not stated: {min_centre:g} mm taken."
    if min_edge is None:
        min_edge = EDGE_MM.get((case.frame.mount if case.frame else None) or "full_rim", 1.0)
        notes.assumed["lens.min_edge_mm"] = f"Least edge thickness not stated: {min_edge:g} mm taken."
    return min_centre, min_edge


def wanted_lens(
    case: Case, eye: Eye, power: Power, at: tuple[float, float], out: dict[str, Any], notes: Notes
) -> Wanted | None:
    material, order = case.lens.material, out.get("ordered")
    if material is None or order is None:
        return None
    curve = number(case.lens.front_curve)
    if curve is None:
        curve = thickness.base_curve(power.sphere, power.cylinder)
        notes.assumed["lens.front_curve"] = "Front curve by Vogel's rule; the maker's series decides."
    out["front_curve"] = curve
    min_centre, min_edge = minima(case, notes)
    spec = Spec(
        sphere=power.sphere,
        cylinder=power.cylinder,
        axis_deg=thickness.nasal_axis(power.axis, eye),
        index=material.nd,
        front_curve=curve,
        prism_in=order.prism_in,
        prism_up=order.prism_up - thinning(case),
        at_x=at[0],
        at_y=at[1],
    )
    return Wanted(spec, min_centre, min_edge)


_SUBSTANCE = (
    "centre_thickness",
    "edge_thinnest",
    "edge_thickest",
    "edge_profile",
    "mass_g",
)


def fill_substance(
    case: Case, front: Front, wanted: dict[Eye, Wanted], outs: dict[Eye, dict[str, Any]], notes: Notes
) -> dict[Eye, Lens]:
    """Thickness, edges, mass of the lenses, both in one vectorised pass where both are known."""
    shape = front.shape
    if shape is None or not wanted:
        return {}
    try:
        return _cut(case, shape, wanted, outs)
    except FAILED:
        pass
    lenses: dict[Eye, Lens] = {}
    for eye, one in wanted.items():  # one lens that cannot be made does not take the other's figures away
        try:
            lenses |= _cut(case, shape, {eye: one}, outs)
        except FAILED:
            for name in _SUBSTANCE:
                notes.lack(f"{eye}.{name}", "lens.front_curve", "lens.material", f"prescription.{eye}.sphere")
    return lenses


def _cut(case: Case, shape: Box, wanted: dict[Eye, Wanted], outs: dict[Eye, dict[str, Any]]) -> dict[Eye, Lens]:
    assert case.frame is not None
    drills = case.frame.drill_points if case.frame.mount == "drilled" else ()
    holes = [(p.x, p.y) for p in drills if number(p.x) is not None and number(p.y) is not None]
    density = number(case.lens.material.density) if case.lens.material else None
    lenses = thickness.least_lenses(
        [w.spec for w in wanted.values()],
        shape.x,
        shape.y,
        min_centre=[w.min_centre for w in wanted.values()],
        min_edge=[w.min_edge for w in wanted.values()],
        extra=holes,
    )
    table, volumes = thickness.edge_and_volume(lenses, shape)
    found = dict(zip(wanted, lenses, strict=True))
    filled = []
    for row, eye in enumerate(wanted):
        edge = thickness.edge_of(table[row], shape)
        more: dict[str, Any] = {
            "centre_thickness": lenses[row].centre,
            "edge_thinnest": edge.thinnest,
            "edge_thinnest_at_deg": edge.thinnest_at_deg,
            "edge_thickest": edge.thickest,
            "edge_thickest_at_deg": edge.thickest_at_deg,
            "edge_profile": tuple(edge.profile.tolist()),
            "edge_at_drill_points": tuple([thickness.thickness_at(lenses[row], x, y) for x, y in holes]),
            "volume_mm3": volumes[row],
        }
        if density is not None:
            more["mass_g"] = thickness.mass_g(volumes[row], density)
        filled.append((eye, more))
    for eye, more in filled:
        outs[eye].update(more)
    return found


def note_no_substance(case: Case, eye: Eye, out: dict[str, Any], notes: Notes) -> None:
    paths: tuple[str, ...] = ()
    if case.lens.material is None:
        paths += ("lens.material",)
    if out.get("ordered") is None:
        paths += notes.unknown.get(f"{eye}.ordered", ())
    paths += notes.unknown.get(f"{eye}.blank_needed", ())
    for name in _SUBSTANCE:
        if paths:
            notes.lack(f"{eye}.{name}", *paths)
