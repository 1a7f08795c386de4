"""The invented catalogues. Keys are codes: loading again brings a catalogue to what the fixtures say and adds nothing twice."""

from __future__ import annotations

from typing import Any

from django.db.models import Model

from dispensing.models import CatalogueFrame, CatalogueLens, LensMaterial, LensOption, Treatment
from orders.demo.files import figure, table
from practice.models import Group

_FRAME_FIGURES = ("a", "b", "dbl", "ed", "side", "front_curve", "face_form_deg", "groove_mm", "weight_g")
_LENS_FIGURES = (
    "corridor_mm",
    "min_height_mm",
    "min_above_mm",
    "near_inset_mm",
    "segment_width_mm",
    "segment_depth_mm",
    "intermediate_depth_mm",
    "segment_centre_below_top_mm",
    "cross_above_prism_point_mm",
    "add_min",
    "add_max",
    "degression",
)
_OPTION_FIGURES = (
    "sphere_min",
    "sphere_max",
    "cylinder_max",
    "prism_max",
    "min_centre_mm",
    "min_edge_full_mm",
    "min_edge_grooved_mm",
    "min_edge_drilled_mm",
)


def load_catalogues(group: Group) -> None:
    _put(Treatment, [_treatment(group, row) for row in table("treatments")], "group", "code")
    _put(LensMaterial, [_material(group, row) for row in table("materials")], "group", "code")
    _put(CatalogueLens, [_lens(group, row) for row in table("lenses")], "group", "code")
    lenses = {lens.code: lens for lens in CatalogueLens.objects.filter(group=group)}
    materials = {material.code: material for material in LensMaterial.objects.filter(group=group)}
    _put(LensOption, [_option(lenses, materials, row) for row in table("lens-options")], "lens", "material")
    outlines = outlines_of_shapes()
    _put(CatalogueFrame, [_frame(group, row, outlines) for row in table("frames")], "group", "code")


def outlines_of_shapes() -> dict[tuple[str, str, str], list[float]]:
    """Radii by shape, a and b as they are written in the frame table."""
    return {(r["shape"], r["a"], r["b"]): [float(v) for v in r["radii"].split()] for r in table("outlines")}


def _put(model: type[Model], rows: list[Any], *key: str) -> None:
    changed = [f.name for f in model._meta.concrete_fields if not f.primary_key and f.name not in key]
    model._default_manager.bulk_create(
        rows, update_conflicts=True, unique_fields=list(key), update_fields=changed, batch_size=100
    )


def _treatment(group: Group, row: dict[str, str]) -> Treatment:
    return Treatment(
        group=group,
        code=row["code"],
        kind=row["kind"],
        name=row["name"],
        transmittance_clear=figure(row["transmittance_clear"]),
        transmittance_dark=figure(row["transmittance_dark"]),
    )


def _material(group: Group, row: dict[str, str]) -> LensMaterial:
    figures = {name: figure(row[name]) for name in ("nd", "abbe", "density")}
    words = {name: row[name] for name in ("code", "name", "impact", "drilled", "grooved", "source")}
    return LensMaterial(group=group, glass=row["glass"] == "1", **words, **figures)


def _lens(group: Group, row: dict[str, str]) -> CatalogueLens:
    figures = {name: figure(row[name]) for name in _LENS_FIGURES}
    return CatalogueLens(
        group=group, code=row["code"], maker=row["maker"], name=row["name"], family=row["family"], **figures
    )


def _option(lenses: dict[str, CatalogueLens], materials: dict[str, LensMaterial], row: dict[str, str]) -> LensOption:
    return LensOption(
        lens=lenses[row["lens"]],
        material=materials[row["material"]],
        blank_diameters=[int(d) for d in row["blank_diameters"].split()],
        **{name: figure(row[name]) for name in _OPTION_FIGURES},
    )


def _frame(group: Group, row: dict[str, str], outlines: dict[tuple[str, str, str], list[float]]) -> CatalogueFrame:
    points = [
        dict(zip(("x", "y", "diameter"), map(float, p.split()), strict=True)) for p in row["drill_points"].split(";") if p
    ]
    words = {name: row[name] for name in ("code", "maker", "model", "colour", "gtin", "shape", "mount", "material")}
    return CatalogueFrame(
        group=group,
        child=row["child"] == "1",
        outline=outlines[row["shape"], row["a"], row["b"]],
        drill_points=points,
        **words,
        **{name: figure(row[name]) for name in _FRAME_FIGURES},
    )
