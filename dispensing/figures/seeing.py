"""What it does to seeing, and how exact the measurements have to be for it."""

from __future__ import annotations

from typing import Any

from dispensing.case import EYES, SEGMENTED, Case, Eye
from dispensing.figures.place import cross_above, rotation_mm
from dispensing.figures.usual import FAILED, GAZE_DEG, POSITION_MM, Notes, number, thinning
from dispensing.optics import chromatic, consequence, magnification, tolerance
from dispensing.optics.power import Power
from dispensing.optics.prism import prism_at
from dispensing.optics.thickness import Lens
from dispensing.optics.vertex import curve_in_index


def fill_seeing(case: Case, eye: Eye, power: Power, lens: Lens | None, out: dict[str, Any], notes: Notes) -> float | None:
    """Chromatic blur, magnification, jump, prism at the fitting point. Returns the total magnification."""
    material, design, order = case.lens.material, case.lens.design, out.get("ordered")
    if order is not None:
        prism_in, prism_up = order.prism_in, order.prism_up - thinning(case)
        try:
            if design is not None and design.family in ("progressive", "degressive"):
                # the ordered prism is at the prism reference point, below the fitting cross
                at_cross = prism_at(power, 0.0, cross_above(design), eye)
                prism_in, prism_up = prism_in + at_cross.base_in, prism_up + at_cross.base_up
            out["prism_in"], out["prism_up"] = prism_in, prism_up
        except FAILED:
            notes.lack(f"{eye}.prism_up", "lens.design.cross_above_prism_point_mm")
    if material is None:
        notes.lack(f"{eye}.chromatic_blur", "lens.material")
    else:
        try:
            out["chromatic_blur"] = chromatic.blur_at_gaze(power, GAZE_DEG, eye, material.abbe, rotation_mm(case))
        except FAILED:
            notes.lack(f"{eye}.chromatic_blur", "lens.material")
    if design is not None and design.family in SEGMENTED:
        add, below = order.add if order else None, number(design.segment_centre_below_top_mm)
        if add is None:
            notes.lack(f"{eye}.image_jump", f"prescription.{eye}.add")
        elif below is None:
            notes.lack(f"{eye}.image_jump", "lens.design.segment_centre_below_top_mm")
        else:
            try:
                out["image_jump"] = magnification.image_jump(add, below)
            except FAILED:
                notes.lack(f"{eye}.image_jump", f"prescription.{eye}.add", "lens.design.segment_centre_below_top_mm")
    vertex = number(case.fit.vertex_mm)
    if lens is None or material is None or vertex is None:
        notes.lack(
            f"{eye}.magnification_percent",
            *(("fit.vertex_mm",) if vertex is None else ()),
            *(("lens.material",) if material is None else ()),
            *(notes.unknown.get(f"{eye}.blank_needed", ()) if lens is None else ()),
        )
        return None
    try:
        seen = magnification.lens_magnification(
            power,
            front=curve_in_index(out["front_curve"], material.nd),
            thickness_mm=lens.centre,
            index=material.nd,
            vertex_mm=vertex,
        )
    except FAILED:
        notes.lack(f"{eye}.magnification_percent", "fit.vertex_mm", "lens.front_curve")
        return None
    out["magnification_percent"] = seen.mean_percent
    return 1.0 + seen.mean_percent / 100.0


def fill_needs(
    case: Case, outs: dict[Eye, dict[str, Any]], powers: dict[Eye, Power], pair: dict[str, Any], notes: Notes
) -> None:
    """How exact the measurements have to be for this prescription, and what the standard allows the pair."""
    family = case.lens.design.family if case.lens.design else "single_vision"
    kind: tolerance.Kind = "single vision"
    if family in SEGMENTED:
        kind = "multifocal"
    elif family in ("progressive", "degressive"):
        kind = "progressive"
    standard = case.rules.tolerance_standard
    vertex = number(case.fit.vertex_mm)
    for eye in EYES:
        own = powers.get(eye)
        if own is None:
            for name in ("pd_need_mm", "height_need_mm", "vertex_need_mm", "prism_per_mm_h", "prism_per_mm_v"):
                notes.lack(f"{eye}.{name}", *notes.unknown.get(f"{eye}.principal_max", ()))
    if not powers:
        return
    right, left = powers.get("right") or powers["left"], powers.get("left") or powers["right"]
    try:
        limit = tolerance.pair_prism_tolerance(
            right,
            left,
            ordered_horizontal=pair.get("net_prism_h") or 0.0,
            ordered_vertical=pair.get("net_prism_v") or 0.0,
            standard=standard,
            kind=kind,
        )
    except FAILED:
        return
    if len(powers) == 2:
        pair["prism_tolerance_h"], pair["prism_tolerance_v"] = limit.horizontal, limit.vertical
    for eye, power in powers.items():
        out = outs[eye]
        try:
            need = consequence.shift_need_within(power, eye, limit)
            pd, height = need.pd_mm, need.height_mm
            out["prism_per_mm_h"], out["prism_per_mm_v"] = need.prism_per_mm_pd, need.prism_per_mm_height
            pd = consequence.SHIFT_MATTERS_MM if pd is None else pd
            height = consequence.SHIFT_MATTERS_MM if height is None else height
            if kind == "progressive":
                pd = min(pd, POSITION_MM)
            if kind != "single vision":
                height = min(height, POSITION_MM)
            out["pd_need_mm"], out["height_need_mm"] = pd, height
            far = consequence.vertex_need(power, 13.0 if vertex is None else vertex, standard, kind)
            out["vertex_need_mm"] = consequence.VERTEX_MATTERS_MM if far is None else far
        except FAILED:
            for name in ("pd_need_mm", "height_need_mm", "vertex_need_mm"):
                if name not in out:
                    notes.lack(f"{eye}.{name}", "fit.vertex_mm", f"prescription.{eye}.sphere")
