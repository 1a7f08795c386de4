"""What the lens is made of: thickness, edges, volume, mass."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dispensing.case import Case, Eye, Frame
from dispensing.figures.curves import front_curve
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
    found = front_curve(case.lens, power)
    curve = found.curve
    out["front_curve"], out["front_curve_by"] = curve, found.by
    if found.beyond:
        notes.assumed[f"{eye}.front_curve"] = (
            "The maker's table of front curves has none for this power: Vogel's rule instead."
        )
    elif found.by == "rule":
        notes.assumed["lens.front_curve"] = "Front curve by Vogel's rule; the maker's series decides."
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


@dataclass(frozen=True, slots=True)
class Cut:
    """A lens cut to an outline: the lens and the figures of its substance, all but the mass."""

    lens: Lens
    figures: dict[str, Any]


def fill_substance(
    case: Case,
    front: Front,
    wanted: dict[Eye, Wanted],
    outs: dict[Eye, dict[str, Any]],
    notes: Notes,
    ready: Mapping[Wanted, Cut] | None = None,
) -> dict[Eye, Lens]:
    """Thickness, edges, mass of the lenses, both in one vectorised pass where both are known.

    `ready`: lenses cut before, over the same outline (`cut_all`); one that is not among them cannot be made.
    """
    if front.shape is None or not wanted:
        return {}
    if ready is None:
        ready = cut_all(case, front, wanted.values())
    density = number(case.lens.material.density) if case.lens.material else None
    lenses: dict[Eye, Lens] = {}
    for eye, one in wanted.items():
        cut = ready.get(one)
        if cut is None:
            for name in _SUBSTANCE:
                notes.lack(f"{eye}.{name}", "lens.front_curve", "lens.material", f"prescription.{eye}.sphere")
            continue
        lenses[eye] = cut.lens
        outs[eye].update(cut.figures)
        if density is not None:
            try:
                outs[eye]["mass_g"] = thickness.mass_g(cut.figures["volume_mm3"], density)
            except FAILED:  # a density no material has
                notes.lack(f"{eye}.mass_g", "lens.material")
    return lenses


def cut_all(case: Case, front: Front, wanted: Iterable[Wanted]) -> dict[Wanted, Cut]:
    """Each different lens over the outline of `front`, cut once; one that cannot be made is left out and takes no other away."""
    different = list(dict.fromkeys(wanted))
    try:
        return dict(zip(different, _cut(case, front, different), strict=True))
    except FAILED:
        pass
    cuts: dict[Wanted, Cut] = {}
    for one in different:
        try:
            cuts[one] = _cut(case, front, [one])[0]
        except FAILED:
            continue
    return cuts


def holes_of(frame: Frame) -> tuple[tuple[float, float], ...]:
    """Where the lens is drilled, mm from the boxed centre."""
    drills = frame.drill_points if frame.mount == "drilled" else ()
    return tuple((p.x, p.y) for p in drills if number(p.x) is not None and number(p.y) is not None)


def _cut(case: Case, front: Front, wanted: Sequence[Wanted]) -> list[Cut]:
    shape = front.shape
    assert case.frame is not None
    assert shape is not None
    holes = holes_of(case.frame)
    lenses = thickness.least_lenses(
        [w.spec for w in wanted],
        shape.x,
        shape.y,
        min_centre=[w.min_centre for w in wanted],
        min_edge=[w.min_edge for w in wanted],
        extra=holes,
    )
    return cuts_of(lenses, shape, holes)


def cuts_of(lenses: Sequence[Lens], shape: Box, holes: Sequence[tuple[float, float]] = ()) -> list[Cut]:
    """Lenses of known thickness cut to one shape."""
    table, volumes = thickness.edge_and_volume(lenses, shape)
    cuts = []
    for row, lens in enumerate(lenses):
        edge = thickness.edge_of(table[row], shape)
        figures: dict[str, Any] = {
            "centre_thickness": lens.centre,
            "edge_thinnest": edge.thinnest,
            "edge_thinnest_at_deg": edge.thinnest_at_deg,
            "edge_thickest": edge.thickest,
            "edge_thickest_at_deg": edge.thickest_at_deg,
            "edge_profile": tuple(edge.profile.tolist()),
            "edge_at_drill_points": tuple([thickness.thickness_at(lens, x, y) for x, y in holes]),
            "volume_mm3": volumes[row],
        }
        cuts.append(Cut(lens, figures))
    return cuts


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
