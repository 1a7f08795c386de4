"""Figures: everything computed from a Case, once.

`compute(case)` never raises for a Case that can be built: what cannot be computed is None, and `unknown` says what is missing.
All arithmetic is in `dispensing.optics`; this package only decides what is fed to it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from dispensing.case import EYES, Case, Eye
from dispensing.figures.place import Front, fill_blank, fill_place, lacking_frame, read_front, reference_point
from dispensing.figures.powers import fill_powers, near_only
from dispensing.figures.seeing import fill_needs, fill_seeing
from dispensing.figures.substance import Cut, Wanted, cut_all, fill_substance, note_no_substance, wanted_lens
from dispensing.figures.usual import FAILED, READING_DROP_MM, Notes, drop_unreal
from dispensing.figures.values import Figures, LensFigures
from dispensing.optics import magnification
from dispensing.optics.power import Power

__all__ = ["Figures", "LensFigures", "compute", "compute_many", "near_only", "wanted_of"]


def _sum(right: float | None, left: float | None) -> float | None:
    return None if right is None or left is None else right + left


@dataclass(slots=True)
class _Half:
    """A Case computed as far as the lenses that are wanted, before any of them is cut."""

    front: Front
    notes: Notes
    outs: dict[Eye, dict[str, Any]]
    powers: dict[Eye, Power]
    wanted: dict[Eye, Wanted]


def compute(case: Case) -> Figures:
    """Every figure that the Case allows. Never raises: a figure that cannot be computed is None and listed in `unknown`."""
    return _other_half(case, _half(case), None)


def compute_many(cases: Sequence[Case]) -> list[Figures]:
    """`compute` of each Case. Those that differ in little else than the lens share what is common to them: a lens that two designs
    have in common over one frame is cut once, all of a frame in one pass; designs that differ only in name, range and blanks are one.
    """
    keys = [_figures_hang_on(case) for case in cases]
    halves = {}
    over: dict[tuple[Any, ...], list[tuple[Case, _Half]]] = {}
    for key, case in zip(keys, cases, strict=True):
        if key not in halves:
            half = halves[key] = _half(case)
            if half.front.shape is not None and case.frame is not None:
                where = (id(case.frame), case.rules.groove_mm)
                over.setdefault(where, []).append((case, half))
    ready: dict[tuple[Any, ...], dict[Wanted, Cut]] = {
        where: cut_all(members[0][0], members[0][1].front, [w for _, half in members for w in half.wanted.values()])
        for where, members in over.items()
    }
    done: dict[tuple[Any, ...], Figures] = {}
    for key, case in zip(keys, cases, strict=True):
        if key not in done:
            done[key] = _other_half(case, halves[key], ready.get((id(case.frame), case.rules.groove_mm)))
    return [done[key] for key in keys]


def wanted_of(case: Case) -> dict[Eye, Wanted]:
    """The lenses that a Case asks for, before they are cut: for those who try them in many frames."""
    return _half(case).wanted


def _figures_hang_on(case: Case) -> tuple[Any, ...]:
    """What the figures of a Case depend on: two Cases with the same have the same figures. Parts beside the lens by identity."""
    lens, design = case.lens, case.lens.design
    if design is not None:
        design = replace(design, **_NO_FIGURE)
    lens = replace(lens, design=design, **_NO_FIGURE_OF_THE_CHOICE)
    return (lens, *(id(getattr(case, name)) for name in _BESIDE_THE_LENS))


_NO_FIGURE: Mapping[str, Any] = {
    "identity": "",
    "name": "",
    "min_height_mm": None,
    "min_above_mm": None,
    "sphere_min": None,
    "sphere_max": None,
    "cylinder_max": None,
    "add_min": None,
    "add_max": None,
    "prism_max": None,
    "blank_diameters": (),
    "degression": None,
    "made_with": (),
    "offered_until": None,
}
_NO_FIGURE_OF_THE_CHOICE: Mapping[str, Any] = {
    "blank_diameter_mm": None,
    "coating": "",
    "coating_code": "",
    "coating_offered_until": None,
    "tint": None,
    "remark": "",
}
_BESIDE_THE_LENS = tuple(f.name for f in fields(Case) if f.name not in ("lens", "today", "hands", "earlier"))


def _half(case: Case) -> _Half:
    notes = Notes()
    front = read_front(case, notes)
    outs: dict[Eye, dict[str, Any]] = {"right": {}, "left": {}}
    powers: dict[Eye, Power] = {}
    wanted: dict[Eye, Wanted] = {}
    for eye in EYES:
        out = outs[eye]
        _, power = fill_powers(case, eye, out, notes)
        fill_place(case, eye, front, power, out, notes)
        at = reference_point(case, eye, out, notes)
        fill_blank(eye, front, at, out, notes)
        if power is None:
            continue
        powers[eye] = power
        if at is not None:
            try:
                one = wanted_lens(case, eye, power, at, out, notes)
            except FAILED:
                one = None
            if one is not None:
                wanted[eye] = one
    return _Half(front, notes, outs, powers, wanted)


def _other_half(case: Case, half: _Half, ready: Mapping[Wanted, Cut] | None) -> Figures:
    outs, notes = half.outs, half.notes
    lenses = fill_substance(case, half.front, half.wanted, outs, notes, ready)
    seen: dict[Eye, float | None] = {"right": None, "left": None}
    for eye, power in half.powers.items():
        seen[eye] = fill_seeing(case, eye, power, lenses.get(eye), outs[eye], notes)
        if eye not in lenses:
            note_no_substance(case, eye, outs[eye], notes)
    return _pair(case, half.front, outs, half.powers, seen, notes)


def _pair(
    case: Case,
    front: Front,
    outs: dict[Eye, dict[str, Any]],
    powers: dict[Eye, Power],
    seen: dict[Eye, float | None],
    notes: Notes,
) -> Figures:
    right, left = outs["right"], outs["left"]
    pair: dict[str, Any] = {
        "binocular_far_pd": _sum(right["far_pd"], left["far_pd"]),
        "binocular_near_pd": _sum(right["near_pd"], left["near_pd"]),
        "box_centre_distance": front.c,
        "mass_g": _sum(right.get("mass_g"), left.get("mass_g")),
    }
    order_r, order_l = right.get("ordered"), left.get("ordered")
    if order_r is not None and order_l is not None:
        pair["net_prism_h"] = order_r.prism_in + order_l.prism_in
        pair["net_prism_v"] = order_r.prism_up - order_l.prism_up
    if len(powers) == 2:
        try:
            pair["vertical_imbalance_near"] = magnification.vertical_imbalance(
                powers["right"],
                powers["left"],
                READING_DROP_MM,
                right_inset_mm=right.get("near_inset") or 0.0,
                left_inset_mm=left.get("near_inset") or 0.0,
            ).vertical
        except FAILED:
            notes.lack("vertical_imbalance_near", "prescription.right.sphere", "prescription.left.sphere")
    if seen["right"] is not None and seen["left"] is not None:
        try:
            pair["magnification_difference_percent"] = magnification.difference_percent(seen["right"], seen["left"])
        except FAILED:
            notes.lack("magnification_difference_percent", "fit.vertex_mm", "lens.front_curve")
    fill_needs(case, outs, powers, pair, notes)
    for name, parts in _PARTS.items():
        if pair.get(name) is None:
            notes.lack(name, *[p for eye in EYES for part in parts for p in notes.unknown.get(f"{eye}.{part}", ())])
    if front.c is None:
        notes.lack("box_centre_distance", *lacking_frame(case.frame, "a", "dbl"))
    drop_unreal(right, "right.", notes)
    drop_unreal(left, "left.", notes)
    drop_unreal(pair, "", notes)
    return Figures(
        right=LensFigures(**right),
        left=LensFigures(**left),
        unknown={name: paths for name, paths in notes.unknown.items() if paths},
        outline_assumed=front.assumed,
        assumed=notes.assumed,
        **pair,
    )


# a figure of the pair and the figures of each eye that it is made of
_PARTS: Mapping[str, tuple[str, ...]] = {
    "binocular_far_pd": ("far_pd",),
    "binocular_near_pd": ("near_pd",),
    "mass_g": ("mass_g",),
    "net_prism_h": ("ordered",),
    "net_prism_v": ("ordered",),
    "vertical_imbalance_near": ("vertical_power",),
    "magnification_difference_percent": ("magnification_percent",),
    "prism_tolerance_h": ("principal_max",),
    "prism_tolerance_v": ("principal_max",),
}
