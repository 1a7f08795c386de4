"""Paths of an order document and what stands there, as somebody at a branch would say it."""

from __future__ import annotations

NOTHING = "nothing"

# by path; for a lens without its eye
_WORDS: dict[str, tuple[str, str]] = {
    "prescribed.balance": ("balance lens", ""),
    "prescribed.sphere": ("prescribed sphere", "D"),
    "prescribed.cylinder": ("prescribed cylinder", "D"),
    "prescribed.axis": ("prescribed axis", "°"),
    "prescribed.addition": ("prescribed addition", "D"),
    "prescribed.intermediate_addition": ("prescribed intermediate addition", "D"),
    "prescribed.near_sphere": ("prescribed near sphere", "D"),
    "prescribed.prism": ("prescribed prism", ""),
    "prescribed.near_prism": ("prescribed near prism", ""),
    "ordered": ("ordered power", ""),
    "ordered.sphere": ("ordered sphere", "D"),
    "ordered.cylinder": ("ordered cylinder", "D"),
    "ordered.axis": ("ordered axis", "°"),
    "ordered.addition": ("ordered addition", "D"),
    "ordered.prism": ("ordered prism", ""),
    "centration.centred_for": ("what it is centred for", ""),
    "centration.decentration_in": ("decentration in", "mm"),
    "centration.decentration_up": ("decentration up", "mm"),
    "centration.far_pd": ("PD far", "mm"),
    "centration.near_pd": ("PD near", "mm"),
    "centration.height": ("height above the lower box tangent", "mm"),
    "centration.height_reference": ("what the height counts from", ""),
    "centration.height_above_datum": ("height above the datum line", "mm"),
    "centration.height_as_read": ("height as it was read", ""),
    "centration.height_as_read.value": ("height as it was read", "mm"),
    "centration.height_as_read.reference_words": ("where the height was read from", ""),
    "centration.near_inset": ("near inset", "mm"),
    "blank.diameter": ("blank", "mm"),
    "blank.needed": ("least blank needed", "mm"),
    "thickness.centre_min": ("least centre thickness", "mm"),
    "thickness.edge_min": ("least edge thickness", "mm"),
    "front_curve_wish": ("front curve asked for", "D"),
    "front_curve": ("front curve reckoned with", ""),
    "front_curve.curve": ("front curve reckoned with", "D"),
    "front_curve.from": ("where the front curve comes from", ""),
    "lens.design.code": ("code of the lens design", ""),
    "lens.design.name": ("lens design", ""),
    "lens.design.family": ("kind of lens", ""),
    "lens.design.corridor": ("corridor", "mm"),
    "lens.design.near_inset": ("near inset of the design", "mm"),
    "lens.design.segment_width": ("segment width", "mm"),
    "lens.design.segment_depth": ("segment depth", "mm"),
    "lens.design.intermediate_depth": ("depth of the intermediate segment", "mm"),
    "lens.design.degression": ("degression", "D"),
    "lens.design.cross_above_prism_point": ("fitting cross above the prism reference point", "mm"),
    "lens.material.name": ("lens material", ""),
    "lens.material.index": ("refractive index", ""),
    "lens.material.abbe": ("Abbe number", ""),
    "lens.coating": ("coating", ""),
    "lens.tint": ("tint", ""),
    "lens.tint.name": ("tint", ""),
    "lens.tint.transmittance_clear": ("light the tint lets through at its palest", "%"),
    "lens.tint.transmittance_dark": ("light the tint lets through at its darkest", "%"),
    "lens.compensation": ("who compensates for the position of wear", ""),
    "lens.cylinder_form": ("cylinder form", ""),
    "lens.prism_thinning_down": ("prism thinning, base down", "Δ"),
    "lens.slab_off": ("slab-off", ""),
    "lens.remark": ("remark", ""),
    "frame.name": ("frame", ""),
    "frame.own": ("client’s own frame", ""),
    "frame.a": ("box width", "mm"),
    "frame.b": ("box height", "mm"),
    "frame.c": ("box centres apart", "mm"),
    "frame.dbl": ("distance between lenses", "mm"),
    "frame.ed": ("effective diameter", "mm"),
    "frame.side": ("length of side", "mm"),
    "frame.mount": ("mount", ""),
    "frame.material": ("frame material", ""),
    "frame.front_curve": ("front curve of the frame", "D"),
    "frame.face_form": ("face form of the frame", "°"),
    "frame.groove": ("groove of the rim", "mm"),
    "frame.outline": ("outline", ""),
    "frame.drill_points": ("drill points", ""),
    "as_worn.vertex_distance": ("vertex distance as worn", "mm"),
    "as_worn.pantoscopic": ("pantoscopic angle as worn", "°"),
    "as_worn.face_form": ("face form as worn", "°"),
    "prescription.prescriber": ("prescriber", ""),
    "prescription.written_on": ("day of the prescription", ""),
    "prescription.vertex_distance": ("vertex distance of the test", "mm"),
    "tolerance_standard": ("tolerance standard", ""),
    "instructions": ("instructions to the lab", ""),
}
KNOWN = frozenset(_WORDS)


def _place(path: str) -> tuple[str, str]:
    """Eye (or "") and the path without it."""
    parts = path.split(".")
    return (parts[1], ".".join(parts[2:])) if parts[0] == "lenses" and len(parts) > 1 else ("", path)


def what(path: str) -> str:
    """`lenses.right.ordered.sphere`: "right ordered sphere". A path that has no words yet is spelt out."""
    eye, rest = _place(path)
    words = _WORDS.get(rest, (rest.replace(".", " ").replace("_", " "), ""))[0]
    return f"{eye} {words}".strip()


def said(path: str, value: str) -> str:
    """A value of a document with its unit, in the trade's minus sign."""
    unit = _WORDS.get(_place(path)[1], ("", ""))[1]
    if value == NOTHING:
        return value
    if not unit:
        return value.replace("_", " ")
    return f"{value.replace('-', '−')}{'' if unit == '°' else ' '}{unit}"
