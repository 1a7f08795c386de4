"""The columns of each kind of file: what a cell means, and what trade files call it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dispensing import catalogue, lens_options
from dispensing.imports import cells
from practice.errors import Invalid


@dataclass(frozen=True, slots=True)
class Column:
    """`words`: what trade files call it, besides its own name and label. `left_when_empty`: an empty cell says nothing, for there is no
    such thing without this value; of other columns it empties the value."""

    name: str
    label: str
    reader: Callable[[str], Any]
    words: tuple[str, ...] = ()
    needed: bool = False
    left_when_empty: bool = False


def _check_code(cell: str) -> str:
    try:
        return catalogue.check_code(cell) if cell else ""
    except Invalid as problem:
        raise ValueError(problem.errors["code"]) from None


_VALID = (
    Column("valid_from", "Valid from", cells.day, ("from", "start date", "available from", "launch date")),
    Column("valid_until", "Valid until", cells.day, ("until", "end date", "available until", "discontinued on")),
)


FRAME_COLUMNS = (
    Column(
        "code",
        "Code",
        _check_code,
        ("sku", "item", "item code", "item no", "article", "article number", "reference", "ref", "product code"),
        True,
    ),
    Column("maker", "Maker", cells.words(80), ("brand", "manufacturer", "supplier", "vendor", "collection"), True),
    Column("model", "Model", cells.words(80), ("model name", "style", "style name", "frame", "frame name", "name"), True),
    Column("colour", "Colour", cells.words(60), ("color", "colour name", "color name", "col", "finish")),
    Column(
        "gtin",
        "Trade number (GTIN)",
        cells.words(14),
        ("gtin", "ean", "ean13", "ean 13", "upc", "barcode", "bar code", "trade number"),
    ),
    Column("shape", "Shape", cells.words(40), ("front shape", "lens shape")),
    Column(
        "a",
        "Boxed width a",
        cells.figure(*catalogue.FRAME_LIMITS["a"]),
        ("a", "a size", "eye size", "eyesize", "lens width", "boxed width", "width", "size", "box a", "hbox"),
        True,
    ),
    Column(
        "b",
        "Boxed depth b",
        cells.figure(*catalogue.FRAME_LIMITS["b"]),
        ("b", "b size", "lens height", "lens depth", "boxed height", "depth", "height", "box b", "vbox"),
        True,
    ),
    Column(
        "dbl",
        "Distance between lenses",
        cells.figure(*catalogue.FRAME_LIMITS["dbl"]),
        ("dbl", "d", "bridge", "bridge size", "bridge width", "nose width"),
        True,
    ),
    Column("ed", "Effective diameter", cells.figure(*catalogue.FRAME_LIMITS["ed"]), ("ed",)),
    Column(
        "side",
        "Length of side",
        cells.figure(*catalogue.FRAME_LIMITS["side"]),
        ("temple", "temple length", "arm", "arm length", "side length", "overall length of side"),
    ),
    Column(
        "front_curve",
        "Front curve",
        cells.figure(*catalogue.FRAME_LIMITS["front_curve"]),
        ("base", "base curve", "front base", "curve"),
    ),
    Column(
        "face_form_deg",
        "Face form angle",
        cells.figure(*catalogue.FRAME_LIMITS["face_form_deg"]),
        ("face form", "wrap", "wrap angle", "ztilt"),
    ),
    Column("groove_mm", "Groove", cells.figure(*catalogue.FRAME_LIMITS["groove_mm"]), ("groove depth", "bevel depth")),
    Column("weight_g", "Weight", cells.figure(*catalogue.FRAME_LIMITS["weight_g"]), ("weight g", "mass")),
    Column("mount", "Mount", cells.MOUNTS, ("rim", "rim type", "construction", "mounting"), left_when_empty=True),
    Column("material", "Material", cells.words(40), ("front material", "frame material")),
    Column("child", "Child’s frame", cells.yes_or_no, ("kids", "children", "childs frame", "junior")),
    *_VALID,
    Column("outline", "Outline radii", cells.outline, ("radii", "trace", "tracing")),
)

LENS_COLUMNS = (
    Column("code", "Code", _check_code, ("sku", "item", "item code", "product code", "reference", "design code"), True),
    Column("maker", "Maker", cells.words(80), ("brand", "manufacturer", "supplier"), True),
    Column("name", "Name", cells.words(120), ("design", "design name", "lens", "lens name", "product"), True),
    Column(
        "family",
        "Family",
        cells.choice(
            {
                "single_vision": ("sv", "single"),
                "round_bifocal": ("round seg", "round segment bifocal"),
                "flat_top_bifocal": ("flat top", "ft", "d seg", "flat top bifocal"),
                "trifocal": (),
                "progressive": ("ppl", "varifocal", "pal", "progressive addition"),
                "degressive": ("occupational", "office", "enhanced reading"),
            },
            "Single vision, round bifocal, flat top bifocal, trifocal, progressive or degressive.",
            may_be_empty=False,
        ),
        ("type", "lens type", "category"),
        True,
    ),
    Column("corridor_mm", "Corridor", cells.figure(4, 30), ("corridor", "corridor length", "progression length")),
    Column(
        "min_height_mm",
        "Least fitting height",
        cells.figure(6, 40),
        ("minimum fitting height", "min fitting height", "mfh", "minimum height"),
    ),
    Column("min_above_mm", "Least above the fitting point", cells.figure(0, 30), ("minimum above",)),
    Column("near_inset_mm", "Near inset", cells.figure(0, 8), ("inset",)),
    Column(
        "near_inset_rule",
        "Near inset rule",
        cells.choice(
            {"": (), "computed": ("variable",), "fixed": (), "maker": ("by the maker",)}, "Computed, fixed or maker."
        ),
        ("inset rule",),
    ),
    Column("segment_width_mm", "Segment width", cells.figure(8, 90), ("seg width", "segment size", "seg size")),
    Column("segment_depth_mm", "Segment depth", cells.figure(5, 60), ("seg depth", "seg height")),
    Column("intermediate_depth_mm", "Intermediate depth", cells.figure(2, 20), ("intermediate",)),
    Column(
        "segment_centre_below_top_mm",
        "Segment centre below its top",
        cells.figure(-10, 40),
        ("seg centre", "segment centre"),
    ),
    Column("cross_above_prism_point_mm", "Cross above the prism point", cells.figure(0, 12), ("cross above prp",)),
    Column("add_min", "Least addition", cells.figure(0, 6), ("add from", "min add", "minimum addition", "add min")),
    Column("add_max", "Greatest addition", cells.figure(0, 20), ("add to", "max add", "maximum addition", "add max")),
    Column("degression", "Degression", cells.figure(0, 6), ()),
    Column("price_band", "Price band", cells.words(20), ("price", "band", "price group")),
    Column(
        "lead_days",
        "Lead time, working days",
        cells.whole(0, catalogue.MOST_LEAD_DAYS),
        ("lead time", "delivery days", "days"),
    ),
    Column("lab_codes", "Labs that make it", cells.codes, ("labs", "lab", "made by")),
    Column("treatment_codes", "Coatings and tints", cells.codes, ("treatments", "coatings", "tints")),
    *_VALID,
)

OPTION_COLUMNS = (
    Column("lens", "Design (code)", _check_code, ("design", "lens", "design code", "lens code"), True),
    Column("material", "Material (code)", _check_code, ("material code", "index", "material"), True),
    Column(
        "sphere_min",
        "Sphere from",
        cells.figure(*lens_options.BOUNDS["sphere_min"]),
        ("min sphere", "sph min", "sphere min", "minimum sphere"),
    ),
    Column(
        "sphere_max",
        "Sphere to",
        cells.figure(*lens_options.BOUNDS["sphere_max"]),
        ("max sphere", "sph max", "sphere max", "maximum sphere"),
    ),
    Column(
        "cylinder_max",
        "Cylinder to",
        cells.figure(*lens_options.BOUNDS["cylinder_max"]),
        ("max cylinder", "cyl max", "cylinder", "maximum cylinder"),
    ),
    Column(
        "prism_max",
        "Prism to",
        cells.figure(*lens_options.BOUNDS["prism_max"]),
        ("max prism", "prism", "maximum prism"),
    ),
    Column("blank_diameters", "Blank diameters", cells.diameters, ("diameters", "blanks", "diameter")),
    Column(
        "blank_decentration_mm",
        "Blank decentration",
        cells.figure(*lens_options.BOUNDS["blank_decentration_mm"]),
        ("decentration",),
    ),
    Column(
        "min_centre_mm",
        "Least centre",
        cells.figure(*lens_options.BOUNDS["min_centre_mm"]),
        ("min centre", "centre thickness", "ct", "minimum centre thickness"),
    ),
    Column(
        "min_edge_full_mm",
        "Least edge, rim",
        cells.figure(*lens_options.BOUNDS["min_edge_full_mm"]),
        ("min edge", "edge thickness", "et"),
    ),
    Column(
        "min_edge_grooved_mm",
        "Least edge, grooved",
        cells.figure(*lens_options.BOUNDS["min_edge_grooved_mm"]),
        ("min edge grooved",),
    ),
    Column(
        "min_edge_drilled_mm",
        "Least edge, drilled",
        cells.figure(*lens_options.BOUNDS["min_edge_drilled_mm"]),
        ("min edge drilled",),
    ),
    Column("base_curves", "Base curves by power", cells.base_curves, ("base curves", "base curve chart")),
    Column("diameter_ranges", "Powers by diameter", cells.diameter_ranges, ("power ranges", "ranges by diameter")),
    *_VALID,
)

_MOUNTING = {"fair": (), "no": ("not", "never"), "poor": ("poorly",), "good": ("well",)}

MATERIAL_COLUMNS = (
    Column("code", "Code", _check_code, ("material code", "material"), True),
    Column("name", "Name", cells.words(80), ("description",), left_when_empty=True),
    Column("nd", "Index", cells.exact_figure(1, 3), ("refractive index", "n", "nd"), left_when_empty=True),
    Column("abbe", "Abbe number", cells.exact_figure(10, 90), ("abbe", "v", "vd"), left_when_empty=True),
    Column("density", "Density", cells.exact_figure(0, 9), ("density g cm3", "specific gravity"), left_when_empty=True),
    Column(
        "impact",
        "Resistance to impact",
        cells.choice({"basic": (), "low": (), "good": (), "high": ()}, "Low, basic, good or high."),
        ("impact",),
        left_when_empty=True,
    ),
    Column("drilled", "Drilled", cells.choice(_MOUNTING, "No, poor, fair or good."), ("drilling",), left_when_empty=True),
    Column("grooved", "Grooved", cells.choice(_MOUNTING, "No, poor, fair or good."), ("grooving",), left_when_empty=True),
    Column("glass", "Glass", cells.yes_or_no, ("mineral",), left_when_empty=True),
    Column("source", "Source", cells.words(200), ("data from",)),
)

TREATMENT_COLUMNS = (
    Column("code", "Code", _check_code, ("treatment", "treatment code"), True),
    Column(
        "kind",
        "Coating or tint",
        cells.choice({"coating": (), "tint": ("tinted", "photochromic", "colour")}, "Coating or tint.", may_be_empty=False),
        ("kind", "type"),
        True,
        left_when_empty=True,
    ),
    Column("name", "Name", cells.words(80), ("description",), left_when_empty=True),
    Column(
        "transmittance_clear",
        "Light through, palest %",
        cells.exact_figure(0, 100),
        ("transmittance", "luminous transmittance", "transmittance clear", "tau v clear"),
    ),
    Column(
        "transmittance_dark", "Light through, darkest %", cells.exact_figure(0, 100), ("transmittance dark", "tau v dark")
    ),
)
