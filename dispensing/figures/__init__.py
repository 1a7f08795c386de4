"""Figures: everything computed from a Case, once.

`compute(case)` never raises for a Case that can be built: what cannot be computed is None, and `unknown` says what is missing.
All arithmetic is in `dispensing.optics`; this package only decides what is fed to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dispensing.case import EYES, Case, Eye
from dispensing.figures.place import Front, fill_blank, fill_place, lacking_frame, read_front, reference_point
from dispensing.figures.powers import fill_powers, near_only
from dispensing.figures.seeing import fill_needs, fill_seeing
from dispensing.figures.substance import Wanted, fill_substance, note_no_substance, wanted_lens
from dispensing.figures.usual import FAILED, READING_DROP_MM, Notes, drop_unreal
from dispensing.figures.values import Figures, LensFigures
from dispensing.optics import magnification
from dispensing.optics.power import Power

__all__ = ["Figures", "LensFigures", "compute", "near_only"]


def _sum(right: float | None, left: float | None) -> float | None:
    return None if right is None or left is None else right + left


def compute(case: Case) -> Figures:
    """Every figure that the Case allows. Never raises: a figure that cannot be computed is None and listed in `unknown`."""
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
    lenses = fill_substance(case, front, wanted, outs, notes)
    seen: dict[Eye, float | None] = {"right": None, "left": None}
    for eye, power in powers.items():
        seen[eye] = fill_seeing(case, eye, power, lenses.get(eye), outs[eye], notes)
        if eye not in lenses:
            note_no_substance(case, eye, outs[eye], notes)
    return _pair(case, front, outs, powers, seen, notes)


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
