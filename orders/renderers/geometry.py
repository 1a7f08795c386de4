"""From an order document to the geometry that is drawn: the same value that the sheet makes from a Case, from the text alone."""

from __future__ import annotations

from typing import Any

from dispensing.case import Eye
from dispensing.drawings.geometry import EyeGeometry, PairGeometry, blank_centre, near_point


def geometry_of_document(document: dict[str, Any]) -> PairGeometry:
    """Both lenses of an order document (schema 1.0)."""
    frame = document["frame"]
    outline = frame["outline"]
    return PairGeometry(
        a=_number(frame["a"]),
        b=_number(frame["b"]),
        dbl=_number(frame["dbl"]),
        outline=tuple(r / 100 for r in outline["radii"]) if outline else (),
        drill_points=tuple((float(p["x"]), float(p["y"]), float(p["diameter"])) for p in frame["drill_points"]),
        min_edge=_number(document["lenses"]["right"]["thickness"]["edge_min"]),
        right=_eye(document, "right"),
        left=_eye(document, "left"),
    )


def _eye(document: dict[str, Any], eye: Eye) -> EyeGeometry:
    lens, frame, design = document["lenses"][eye], document["frame"], document["lens"]["design"]
    centration = lens["centration"]
    b, c = _number(frame["b"]), _number(frame["c"])
    in_, height = _number(centration["decentration_in"]), _number(centration["height"])
    from_nose = _number(centration["near_pd" if centration["centred_for"] == "near" else "far_pd"])
    if from_nose is None and c is not None and in_ is not None:
        from_nose = c / 2 - in_
    fitting = None
    if c is not None and b is not None and from_nose is not None and height is not None:
        fitting = (c / 2 - from_nose, height - b / 2)
    family = design["family"]
    prism = (
        (float(lens["ordered"]["prism"]["in"]), float(lens["ordered"]["prism"]["up"])) if lens["ordered"] else (0.0, 0.0)
    )
    return EyeGeometry(
        from_nose=from_nose,
        centred_for=centration["centred_for"],
        height=height,
        pupil_above_fitting=None if family in ("round_bifocal", "flat_top_bifocal", "trifocal") else 0.0,
        family=family,
        near=near_point(family, fitting, inset=_number(centration["near_inset"]), corridor=_number(design["corridor"])),
        segment_width=_number(design["segment_width"]),
        segment_depth=_number(design["segment_depth"]),
        intermediate_depth=_number(design["intermediate_depth"]),
        blank_diameter=_number(lens["blank"]["diameter"]),
        blank_centre=blank_centre(family, fitting, cross_above_prism_point=_number(design["cross_above_prism_point"])),
        optical_centre=fitting if family == "single_vision" and prism == (0.0, 0.0) else None,
        prism_in=prism[0],
        prism_up=prism[1],
    )


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)
