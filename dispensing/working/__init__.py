"""Workings: how each figure comes about, to be opened on the sheet.

`working("right.decentration_in", case, figures)` gives the formula, the numbers put in, the steps with them and the source. The result is
worked out again from what is shown, by the same optics; a test holds it against the figure. A figure that is not known has a working
too: it says what is missing. No arithmetic of its own beyond what a person could do on paper.
"""

from __future__ import annotations

from dataclasses import replace

from dispensing.case import EYES, Case, OrderedPower
from dispensing.figures.values import Figures
from dispensing.working import place, powers, seeing, substance
from dispensing.working.values import Input, Rule, Sums, Working, n, order_text, path_words

EYE_RULES: dict[str, Rule] = {**place.RULES, **powers.RULES, **substance.RULES, **seeing.RULES}
PAIR_RULES: dict[str, Rule] = seeing.PAIR_RULES
TITLES: dict[str, str] = {
    "far_pd": "Monocular PD, far",
    "near_pd": "Monocular PD, near",
    "near_pd_computed": "Near PD from the far PD",
    "height_box": "Height above the lower box tangent",
    "height_rim": "Height above the rim straight below",
    "height_datum": "Height above the datum line",
    "decentration_in": "Decentration in",
    "decentration_up": "Fitting point above the datum line",
    "point_inside": "Fitting point inside the lens",
    "room_above": "Room above the fitting point",
    "room_below": "Room below the fitting point",
    "reference_x": "Lens centred, nasal of the boxed centre",
    "reference_y": "Lens centred, above the datum line",
    "blank_needed": "Least uncut diameter",
    "blank_rule": "Blank by the rule of thumb",
    "blank_needs_at_deg": "Where the outline needs the blank",
    "near_inset": "Near inset",
    "segment_top_below_pupil": "Segment top below the pupil",
    "corridor_end_height": "Near point above the lower box tangent",
    "ordered": "Ordered power",
    "at_eye": "Power that reaches the eye",
    "expected": "Power this fit asks for",
    "principal_max": "Stronger principal power",
    "vertical_power": "Power in the vertical meridian",
    "prism_in": "Prism at the fitting point, base in positive",
    "prism_up": "Prism at the fitting point, base up positive",
    "front_curve": "Front curve",
    "centre_thickness": "Centre thickness",
    "edge_thinnest": "Edge, thinnest",
    "edge_thinnest_at_deg": "Where the edge is thinnest",
    "edge_thickest": "Edge, thickest",
    "edge_thickest_at_deg": "Where the edge is thickest",
    "edge_profile": "Edge profile",
    "edge_at_drill_points": "Thickness at the drill points",
    "volume_mm3": "Volume",
    "mass_g": "Mass",
    "chromatic_blur": "Chromatic blur",
    "magnification_percent": "Spectacle magnification",
    "image_jump": "Image jump",
    "pd_need_mm": "How exact the PD has to be",
    "height_need_mm": "How exact the height has to be",
    "vertex_need_mm": "How exact the vertex distance has to be",
    "prism_per_mm_h": "Prism made by 1 mm of error in the PD",
    "prism_per_mm_v": "Prism made by 1 mm of error in the height",
    "binocular_far_pd": "PD far, both eyes",
    "binocular_near_pd": "PD near, both eyes",
    "box_centre_distance": "Boxed centre distance",
    "net_prism_h": "Prism of the pair, horizontal",
    "net_prism_v": "Prism of the pair, vertical",
    "vertical_imbalance_near": "Vertical imbalance at the reading level",
    "magnification_difference_percent": "Difference of magnification, right against left",
    "prism_tolerance_h": "Tolerance of the pair's prism, horizontal",
    "prism_tolerance_v": "Tolerance of the pair's prism, vertical",
}
_PLACES = {"mm": 2, "Δ": 2, "D": 2, "g": 1, "°": 1, "%": 1, "mm³": 0}


def working(path: str, case: Case, figures: Figures) -> Working | None:
    """The working of a figure by its path ("left.blank_needed", "net_prism_v"); None when there is no such figure.

    Never raises for figures that `compute(case)` gave.
    """
    eye, _, name = path.rpartition(".")
    if eye not in ("", "right", "left"):
        return None
    rule = (EYE_RULES if eye else PAIR_RULES).get(name)
    if rule is None:
        return None
    holder = figures.of("right" if eye == "right" else "left") if eye else figures
    value = getattr(holder, name)
    title = TITLES[name]
    if value is None or value == ():
        missing = tuple(figures.unknown.get(path, ()))
        text = "not yet known" if missing else "does not apply to this lens"
        words = tuple(dict.fromkeys(path_words(p) for p in missing))
        return Working(path=path, eye=eye, title=title, result_text=text, missing=missing, missing_words=words)
    try:
        found = rule(Sums(case, figures, "left" if eye == "left" else "right"))
    except (AssertionError, ArithmeticError, ValueError):  # figures of another case
        return Working(path=path, eye=eye, title=title, result_text="cannot be shown for these figures")
    if found is None:
        return None
    return replace(
        found, path=path, eye=eye, title=title, result_text=_text(found), assumed=tuple(_stand_ins(path, figures))
    )


def _text(found: Working) -> str:
    result = found.result
    if isinstance(result, OrderedPower):
        return order_text(result)
    if isinstance(result, bool):
        return "yes" if result else "no"
    if isinstance(result, tuple):
        return ", ".join(n(v, 2) for v in result[:8]) + (" …" if len(result) > 8 else "") + f" {found.unit}"
    if isinstance(result, float | int):
        shown = n(float(result), _PLACES.get(found.unit, 2))
        return f"{shown}{found.unit}" if found.unit == "°" else f"{shown} {found.unit}".strip()
    return str(result)


# which figures lean on which stand-in
_LEANS: dict[str, tuple[str, ...]] = {
    "frame.outline": (
        "height_", "room_", "point_inside", "blank_", "edge_", "centre_thickness", "volume", "mass", "magnification",
    ),
    "needs.working_distance_mm": ("near_pd_computed", "near_inset", "vertical_imbalance"),
    "lens.front_curve": ("front_curve", "centre_thickness", "edge_", "volume", "mass", "magnification"),
    "lens.min_centre_mm": ("centre_thickness", "edge_", "volume", "mass", "magnification"),
    "lens.min_edge_mm": ("centre_thickness", "edge_", "volume", "mass", "magnification"),
    "lens.design": ("blank_", "reference_", "edge_", "centre_thickness", "volume", "mass"),
    "lens.material": ("at_eye", "expected"),
    "fit.vertex_mm": ("at_eye", "expected", "vertex_need"),
    "prescription.vertex_mm": ("at_eye", "expected"),
    "fit.pantoscopic_deg": ("at_eye", "expected"),
    "fit.face_form_deg": ("at_eye", "expected"),
    "measurements.right.height": ("blank_", "reference_", "edge_", "centre_thickness", "volume", "mass"),
    "measurements.left.height": ("blank_", "reference_", "edge_", "centre_thickness", "volume", "mass"),
}  # fmt: skip


def _stand_ins(path: str, figures: Figures) -> list[str]:
    eye, _, name = path.rpartition(".")
    out = []
    for where, sentence in figures.assumed.items():
        part = where.split(".")
        if part[0] == "measurements" and eye and part[1] != eye:
            continue
        if part[0] in EYES:  # a figure of one eye, and what leans on it
            if eye in ("", part[0]):
                where = f"lens.{part[1]}"
            else:
                continue
        if name.startswith(_LEANS.get(where, ())):
            out.append(sentence)
    return out


__all__ = ["EYE_RULES", "PAIR_RULES", "Input", "Working", "working"]
