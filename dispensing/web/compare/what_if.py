"""What if: a few figures moved, and what follows beside what is. The address holds all of it; nothing is saved."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_safe

from dispensing import gather
from dispensing.case import EYES, Case, LensChoice, Pair
from dispensing.compare.what_if import Compared, Moved, Outcome, what_if
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.pair import pair_picture
from dispensing.drawings.shapes import Picture
from dispensing.figures import Figures, compute, near_only
from dispensing.models import LensMaterial, LensOption
from dispensing.optics.errors import NotationError
from dispensing.optics.notation import format_mm, parse_figure, parse_mm
from dispensing.record.frame import FRAME_BOUNDS
from dispensing.web.compare.load import Opened, choice_of, number, opened, query
from dispensing.web.sheet.present import frame_words, front_curve_words, lens_words, prescription_words

SAME = 0.006  # what is shown to two decimals and typed back is the same


@dataclass(frozen=True, slots=True)
class Handle:
    """A figure that can be moved: where it is recorded, how far it goes, in what steps the slider runs."""

    name: str
    label: str
    unit: str
    low: int
    high: int
    slide: tuple[float, float]  # about the recorded value, what the slider spans at least
    step: str
    usual: float  # where the slider stands while nothing is recorded
    read: Callable[[str], Decimal | None]

    @property
    def id(self) -> str:
        return f"f-{self.name}"


def _handle(
    name: str, label: str, low: int, high: int, span: float, usual: float, step: str = "0.5", unit: str = "mm"
) -> Handle:
    read = partial(parse_figure if unit == "D" else parse_mm, low=low, high=high)
    return Handle(name, label, unit, low, high, (-span, span), step, usual, read)


def handles(near: bool) -> tuple[Handle, ...]:
    pd = "near PD" if near else "PD"
    return (
        _handle("a", "Lens size a", *FRAME_BOUNDS["a"], 8, 52),
        _handle("b", "Lens depth b", *FRAME_BOUNDS["b"], 10, 38),
        _handle("dbl", "Between lenses", *FRAME_BOUNDS["dbl"], 5, 18),
        _handle("pd_right", f"R {pd}", 15, 45, 5, 32),
        _handle("pd_left", f"L {pd}", 15, 45, 5, 32),
        _handle("up_right", "R above datum line", -20, 25, 6, 0),
        _handle("up_left", "L above datum line", -20, 25, 6, 0),
        _handle("front_curve", "Front curve", 0, 16, 4, 6, "0.25", "D"),
        _handle("blank", "Blank diameter", 40, 100, 15, 70, "1"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    handle: Handle
    value: str  # as typed, or as recorded
    recorded: str
    slider: float
    low: float
    high: float
    error: str = ""
    moved: bool = False

    @property
    def described_by(self) -> str:
        return f"{self.handle.id}-unit {self.handle.id}-was" + (f" {self.handle.id}-error" if self.error else "")


@require_safe
def page(request: HttpRequest, reference: str) -> HttpResponse:
    at = opened(request, reference)
    now = compute(at.case)
    near = near_only(at.case.needs, at.case.lens)
    recorded = _recorded(at.case, now, near)
    entries, values = _entries(request, handles(near), recorded)
    materials = list(LensMaterial.objects.filter(group=at.dispense.group_id, options__retired_on=None).distinct())
    material, choice = _material(request, at, materials)
    full_round = request.GET.get("round") == "1"
    moved = Moved(
        a=values.get("a"),
        b=values.get("b"),
        dbl=values.get("dbl"),
        pd=Pair(values.get("pd_right"), values.get("pd_left")),
        up=Pair(values.get("up_right"), values.get("up_left")),
        choice=choice,
        blank_diameter_mm=values.get("blank"),
        front_curve=values.get("front_curve"),
        round_blank=full_round,
    )
    compared = what_if(at.case, moved)
    changed = {name: f"{value:g}" for name, value in values.items()}
    if choice is not None:
        changed["material"] = material
    if full_round:
        changed["round"] = "1"
    context = {
        "dispense": at.dispense,
        "prescription": prescription_words(at.case.prescription),
        "frame": frame_words(at.case.frame),
        "lens": lens_words(at.dispense),
        "entries": entries,
        "materials": materials,
        "material": material,
        "round": full_round,
        "errors": [{"id": e.handle.id, "label": e.handle.label, "error": e.error} for e in entries if e.error],
        "changed": bool(changed),
        "share": query(**changed),
        **_outcome(compared),
    }
    fragment = bool(request.headers.get("HX-Request"))
    answer = render(
        request, "dispensing/compare/what_if_outcome.html" if fragment else "dispensing/compare/what_if.html", context
    )
    patch_vary_headers(answer, ["HX-Request"])
    return answer


def _recorded(case: Case, figures: Figures, near: bool) -> dict[str, float | None]:
    frame, m = case.frame, case.measurements
    pd = {eye: m.of(eye).near_pd if near else m.of(eye).far_pd for eye in EYES}
    curves = [c for eye in EYES if (c := figures.of(eye).front_curve) is not None]
    return {
        "a": frame.a if frame else None,
        "b": frame.b if frame else None,
        "dbl": frame.dbl if frame else None,
        "pd_right": pd["right"],
        "pd_left": pd["left"],
        "up_right": figures.right.height_datum,
        "up_left": figures.left.height_datum,
        "front_curve": case.lens.front_curve
        if case.lens.front_curve is not None
        else (curves[0] if len(set(curves)) == 1 else None),
        "blank": case.lens.blank_diameter_mm,
    }


def _entries(
    request: HttpRequest, all_handles: tuple[Handle, ...], recorded: dict[str, float | None]
) -> tuple[list[Entry], dict[str, float]]:
    """Each field as it is shown, and the values that differ from the record. What is not understood moves nothing and says so."""
    entries, values = [], {}
    for h in all_handles:
        was = recorded[h.name]
        shown = "" if was is None else format_mm(was).removesuffix(".0")
        typed = request.GET.get(h.name)
        error, value = "", None
        if typed is not None and typed.strip():
            try:
                value = h.read(typed)
            except NotationError as no:
                error = no.message
        if value is not None and (was is None or abs(float(value) - was) > SAME):
            values[h.name] = float(value)
        middle = was if was is not None else h.usual
        now = float(value) if value is not None else middle
        entries.append(
            Entry(
                handle=h,
                value=shown if typed is None or not typed.strip() else typed.strip()[:40],
                recorded=shown,
                slider=now,
                low=max(h.low, min(middle + h.slide[0], now)),
                high=min(h.high, max(middle + h.slide[1], now)),
                error=error,
                moved=h.name in values,
            )
        )
    return entries, values


def _material(request: HttpRequest, at: Opened, materials: list[LensMaterial]) -> tuple[str, LensChoice | None]:
    """The material asked for, and the lens in it: with the maker's minima where the design is made in it."""
    now = at.dispense.lens_option.material.code if at.dispense.lens_option else ""
    asked = request.GET.get("material", "")
    row = (
        next((m for m in materials if m.code == asked), None)
        if re.fullmatch(r"[A-Za-z0-9._-]{1,40}", asked, re.ASCII)
        else None
    )
    if row is None or row.code == now:
        return now, None
    lens = at.case.lens
    if at.dispense.lens_option is not None:
        made = LensOption.objects.filter(lens=at.dispense.lens_option.lens_id, material=row, retired_on=None)
        option = made.select_related("lens", "material").first()
        if option is not None:
            mount = at.case.frame.mount if at.case.frame else None
            choice = choice_of(at.dispense, option, mount)
            return row.code, replace(choice, blank_diameter_mm=lens.blank_diameter_mm)
    bare = gather.material_of(LensOption(material=row))
    # the table is of the other material
    design = replace(lens.design, front_curves=()) if lens.design is not None else None
    return row.code, replace(lens, design=design, material=bare, min_centre_mm=None, min_edge_mm=None)


_ROWS: tuple[tuple[str, str, int], ...] = (
    ("decentration_in", "decentration, + inwards, mm", 1),
    ("height_box", "height above the box tangent, mm", 1),
    ("room_above", "room above the fitting point, mm", 1),
    ("blank_needed", "blank needed, mm", 1),
    ("centre_thickness", "centre, mm", 2),
    ("edge_thinnest", "edge, thinnest, mm", 2),
    ("edge_thickest", "edge, thickest, mm", 2),
    ("mass_g", "mass, g", 1),
    ("chromatic_blur", "chromatic blur, Δ", 2),
)
_SIGNED = frozenset({"decentration_in"})


def _outcome(compared: Compared) -> dict[str, Any]:
    before, after = compared.before, compared.after
    geometry = geometry_of(after.case, after.figures)
    was = geometry_of(before.case, before.figures)
    edges = same_window([edge_picture(was), edge_picture(geometry)])
    same = after is before
    rows = []
    for name, label, digits in _ROWS:
        cells = []
        for eye in EYES:
            one, two = getattr(before.figures.of(eye), name), getattr(after.figures.of(eye), name)
            cells += [number(one, digits, name in _SIGNED), number(two, digits, name in _SIGNED)]
        if any(cells):
            rows.append({"label": label, "cells": cells, "differs": cells[0] != cells[1] or cells[2] != cells[3]})
    return {
        "same": same,
        "front_curves": (front_curve_words(before.figures), "" if same else front_curve_words(after.figures)),
        "pair": pair_picture(geometry, before=None if same else was),
        "edge_before": edges[0],
        "edge_after": edges[1],
        "rows": rows,
        "pair_rows": [
            {"label": label, "before": one, "after": two, "differs": one != two}
            for label, one, two in (
                ("mass of both, g", number(before.figures.mass_g, 1), number(after.figures.mass_g, 1)),
                (
                    "image size R/L, %",
                    number(before.figures.magnification_difference_percent, 1, True),
                    number(after.figures.magnification_difference_percent, 1, True),
                ),
            )
            if one or two
        ],
        "new": compared.new,
        "gone": compared.gone,
        "round_diameter": after.round_diameter,
        "round_lacks": _round_lacks(after),
        "live": _live(compared),
    }


def _round_lacks(after: Outcome) -> bool:
    """A full round that does not cover the lens: its edge would be beyond its own rim."""
    if after.round_diameter is None:
        return False
    needed = [n for eye in EYES if (n := after.figures.of(eye).blank_needed) is not None]
    return bool(needed) and max(needed) > after.round_diameter + 0.05


def _live(compared: Compared) -> str:
    mass, was = compared.after.figures.mass_g, compared.before.figures.mass_g
    thick = [t for eye in EYES if (t := compared.after.figures.of(eye).edge_thickest) is not None]
    parts = [f"Thickest edge {number(max(thick))} mm"] if thick else []
    if mass is not None:
        parts.append(
            f"both lenses {number(mass)} g" + (f", now {number(was)}" if was is not None and abs(was - mass) > 0.05 else "")
        )
    return "; ".join(parts)


def same_window(pictures: list[Picture | None]) -> list[Picture | None]:
    """Pictures at one scale: each seen through a window as wide as the widest and as high as the highest."""
    drawn = [p for p in pictures if p is not None]
    if not drawn:
        return pictures
    wide, high = max(p.width for p in drawn), max(p.height for p in drawn)
    return [
        None
        if p is None
        else replace(p, left=p.left - (wide - p.width) / 2, width=wide, bottom=p.bottom - (high - p.height), height=high)
        for p in pictures
    ]


urlpatterns = [path("dispenses/<str:reference>/what-if/", page, name="what_if")]
