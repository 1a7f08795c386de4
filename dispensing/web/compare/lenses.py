"""Lenses side by side for one dispense: sorted and filtered by links, four of them pinned, printed, one of them chosen."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from dispensing import record
from dispensing.assess import assess_dispense, keep_counts
from dispensing.case import EYES, MULTIFOCAL, SEGMENTED
from dispensing.compare import SORTS, Row, compare, sort
from dispensing.compare.lenses import FIRST_DOWN
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.shapes import Picture
from dispensing.models import CatalogueLens, LensOption
from dispensing.record import PartConflict
from dispensing.renderers.compare_sheet import Heading, compare_sheet
from dispensing.web.compare.load import (
    MOST_PINS,
    Opened,
    can_be_had,
    choice_values,
    number,
    opened,
    option_of,
    powers_go,
    query,
    said_of_all,
    two,
    usual_family,
)
from dispensing.web.compare.narrow import Narrow, narrow_of, unsaid
from dispensing.web.compare.narrow import fields as narrow_fields
from dispensing.web.sheet.present import frame_words, front_curve_words, prescription_words
from dispensing.web.sheet.views import clash_words
from practice.errors import Conflict, Invalid, NotAllowed, UseCaseError

_ORDERS = frozenset({"lens", "verdict", *SORTS})
_VERDICT_WORDS = {
    "fits": ("ok", "can be made"),
    "ask": ("confirm", "needs a reason"),
    "unsuitable": ("stop", "not suitable here"),
    "not_made": ("stop", "not made like this"),
}
_COLUMNS: tuple[tuple[str, str, str], ...] = (
    ("thickest", "Edge, thickest", "mm R / L"),
    ("thinnest", "Edge, thinnest", "mm R / L"),
    ("centre", "Centre", "mm R / L"),
    ("mass", "Mass", "g R / L, pair"),
    ("margin", "Height to spare", "mm"),
    ("needed", "Blank needed", "mm, least made"),
    ("blur", "Chromatic blur", "Δ"),
    ("size", "Image size R/L", "%"),
)


@dataclass(frozen=True, slots=True)
class State:
    """What the address says: nothing of it is kept anywhere else."""

    family: str = ""
    material: str = ""
    order: str = "verdict"
    down: bool = False
    pins: tuple[str, ...] = ()
    pins_said: bool = False
    narrow: Narrow = field(default_factory=Narrow)

    @property
    def order_said(self) -> str:
        return "" if self.order == "verdict" and not self.down else ("-" if self.down else "") + self.order

    def url(self, **changes: Any) -> str:
        new = replace(self, **changes)
        pins: Any = new.pins or (("0",) if new.pins_said else ())
        return query(family=new.family, material=new.material, **new.narrow.asked, sort=new.order_said, pin=list(pins))

    def with_pins(self, pins: tuple[str, ...]) -> str:
        return self.url(pins=pins, pins_said=True)


def state_of(request: HttpRequest) -> State:
    """The address, read; what is not understood is left out."""
    text = request.GET.get("sort", "")
    order, down = text.lstrip("-"), text.startswith("-")
    given = request.GET.getlist("pin")
    pins = tuple(dict.fromkeys(p for p in given if re.fullmatch(r"[1-9][0-9]{0,17}", p, re.ASCII)))
    family = request.GET.get("family", "")
    return State(
        family=family if family in (*CatalogueLens.Family.values, "all") else "",
        material=m if re.fullmatch(r"[A-Za-z0-9._-]{1,40}", m := request.GET.get("material", ""), re.ASCII) else "",
        order=order if order in _ORDERS else "verdict",
        down=down and order in _ORDERS,
        pins=pins[:MOST_PINS],
        pins_said=bool(given),
        narrow=narrow_of(request),
    )


class Comparison:
    """All that the page and its print show."""

    def __init__(self, at: Opened, state: State) -> None:
        self.at, self.state = at, state
        have = list(can_be_had(at.dispense, at.case))
        self.gone = at.dispense.lens_option if at.dispense.lens_option_id not in {None, *(o.pk for o in have)} else None
        if self.gone is not None:
            have.append(self.gone)  # chosen while it could be: what it is held against is what can be had now
        self.family = state.family or usual_family(at.case)
        self.families = [
            (f.value, f.label, n) for f in CatalogueLens.Family if (n := sum(o.lens.family == f.value for o in have))
        ]
        in_family = [o for o in have if self.family in ("all", o.lens.family)]
        self.materials = list(
            {o.material.code: o.material for o in sorted(in_family, key=lambda o: o.material.nd)}.values()
        )
        self.narrowing = narrow_fields(state.narrow, at.dispense.group_id, in_family)
        listed = [
            o for o in in_family if (not state.material or o.material.code == state.material) and state.narrow.keeps(o)
        ]
        self.unsaid = unsaid(state.narrow, listed)
        chosen = at.dispense.lens_option_id
        beside = [o for o in have if str(o.pk) in state.pins or o.pk == chosen]
        self.rows_by_key = {o.pk: o for o in (*listed, *beside)}
        options = [option_of(at.dispense, at.case, o) for o in self.rows_by_key.values()]
        self.by_key = {row.option.key: row for row in compare(at.case, options)}
        listed_rows = [self.by_key[str(o.pk)] for o in listed]
        ordered = sort(listed_rows, state.order, state.down)
        self.rows = [row for row in ordered if row.verdict != "not_made"]
        self.not_made = [row for row in ordered if row.verdict == "not_made"]
        self.chosen = str(chosen) if chosen else ""
        self.pins = tuple(p for p in state.pins if p in self.by_key) if state.pins_said else self._first_pins()
        self.state = replace(state, pins=self.pins)

    def _first_pins(self) -> tuple[str, ...]:
        """Something to look at on arrival: the lens chosen, or the plainest that fits, beside the thinnest that does."""
        thin = [r for r in sort(self.rows, "verdict") if r.verdict in ("fits", "ask") and r.thickest is not None]
        plain = sorted(
            thin, key=lambda r: (r.verdict != "fits", r.option.choice.material.nd if r.option.choice.material else 9)
        )
        first = self.chosen if self.chosen in self.by_key else "".join(r.option.key for r in plain[:1])
        wanted = [first, *[r.option.key for r in (*thin[:1], *plain[:1])]]
        return tuple(dict.fromkeys(k for k in wanted if k))[:2]

    @cached_property
    def pinned(self) -> list[Row]:
        return [self.by_key[p] for p in self.pins]


def picture_of(row: Row) -> Picture | None:
    return edge_picture(geometry_of(row.case, row.figures))


def _two(row: Row, name: str) -> str:
    return two(getattr(row.figures.right, name), getattr(row.figures.left, name))


def shown(row: Row, comparison: Comparison) -> dict[str, Any]:
    """A row as the templates want it."""
    state, key = comparison.state, row.option.key
    design, material = row.option.choice.design, row.option.choice.material
    shape, words = _VERDICT_WORDS[row.verdict]
    is_pinned = key in comparison.pins
    pins = tuple(p for p in comparison.pins if p != key) if is_pinned else (*comparison.pins, key)
    mass, needed = row.figures.mass_g, row.blank_needed
    return {
        "key": key,
        "row": row,
        "name": design.name if design else "",
        "code": design.identity if design else "",
        "maker": row.option.maker,
        "material": material.name if material else "",
        "index": f"{material.nd:.3f}".rstrip("0") if material else "",
        "shape": shape,
        "verdict": words,
        "thickest": _two(row, "edge_thickest"),
        "thinnest": _two(row, "edge_thinnest"),
        "centre": _two(row, "centre_thickness"),
        "mass": _two(row, "mass_g") if mass is None else f"{_two(row, 'mass_g')}, {number(mass)}",
        "front": front_curve_words(row.figures).removeprefix("Front curve "),
        "margin": number(row.height_margin, signed=True),
        "needed": "" if needed is None else f"{number(needed)}, {'none' if row.blank is None else f'{row.blank:g}'}",
        "blur": number(row.blur, 2),
        "size": number(row.figures.magnification_difference_percent, signed=True),
        "against": [(f.severity, f.message) for f in (*row.stops, *row.confirms)],
        "pinned": is_pinned,
        "pin_url": state.with_pins(pins) if is_pinned or len(comparison.pins) < MOST_PINS else "",
        "chosen": key == comparison.chosen,
        "gone": comparison.gone is not None and key == str(comparison.gone.pk),
        "band": comparison.rows_by_key[int(key)].lens.price_band,
    }


def shared(rows: Sequence[Row]) -> list[tuple[str, str]]:
    """What speaks against every one of several lenses: said once above the list, it would hide what tells them apart."""
    return said_of_all([[(f.severity, f.message) for f in (*row.stops, *row.confirms)] for row in rows])


def without(common: Sequence[tuple[str, str]], row: dict[str, Any]) -> dict[str, Any]:
    return {**row, "against": [said for said in row["against"] if said not in common]}


def _heads(state: State) -> list[dict[str, Any]]:
    heads = []
    for order, label, unit in (("lens", "Lens", ""), ("verdict", "What speaks against it", ""), *_COLUMNS):
        on = state.order == order
        down = not state.down if on else order in FIRST_DOWN
        heads.append(
            {
                "order": order,
                "label": label,
                "unit": unit,
                "url": state.url(order=order, down=down, pins_said=True),
                "sorted": ("descending" if state.down else "ascending") if on else "",
            }
        )
    return heads


@require_safe
def lenses(request: HttpRequest, reference: str) -> HttpResponse:
    return _page(request, opened(request, reference))


def _page(request: HttpRequest, at: Opened, *, status: int = 200, clash: str = "", trouble: str = "") -> HttpResponse:
    comparison = Comparison(at, state_of(request))
    state = comparison.state
    common = shared(comparison.rows)
    pinned = [{**shown(row, comparison), "picture": picture_of(row)} for row in comparison.pinned]
    context = {
        "dispense": at.dispense,
        "case": at.case,
        "allowed": at.allowed,
        "prescription": prescription_words(at.case.prescription),
        "frame": frame_words(at.case.frame),
        "missing": _missing(comparison),
        "heights_of_pupil": _heights_of_pupil(comparison),
        "common": common,
        "rows": [without(common, shown(row, comparison)) for row in comparison.rows],
        "not_made": [shown(row, comparison) for row in comparison.not_made],
        "pinned": pinned,
        "heads": _heads(state),
        "columns": [name for name, _, _ in _COLUMNS],
        "families": [
            (state.url(family=value, material="", pins_said=True), label, n, comparison.family == value)
            for value, label, n in (*comparison.families, ("all", "all", sum(n for *_, n in comparison.families)))
        ],
        "materials": [
            (
                state.url(material=m.code if state.material != m.code else "", pins_said=True),
                m.name,
                state.material == m.code,
            )
            for m in comparison.materials
        ],
        "all_materials": state.url(material="", pins_said=True),
        "narrowing": comparison.narrowing,
        "narrowed": bool(state.narrow),
        "wide": state.url(narrow=Narrow(), pins_said=True),
        "unsaid": comparison.unsaid,
        "kept": [
            *((n, v) for n, v in (("family", state.family), ("material", state.material), ("sort", state.order_said)) if v),
            *(("pin", p) for p in comparison.pins or ("0",)),
        ],
        "material": state.material,
        "print_url": reverse("dispensing:compare_print", args=[at.dispense.reference]) + state.url(),
        "here": state.url(),
        "version": record.part_version(at.dispense, "lens"),
        "clash": clash,
        "trouble": trouble,
        "most": MOST_PINS,
    }
    return render(request, "dispensing/compare/lenses.html", context, status=status)


def _missing(comparison: Comparison) -> list[str]:
    """What is not on record and leaves columns empty, in the words of the sheet."""
    case = comparison.at.case
    out = []
    if case.prescription is None:
        out.append("a prescription")
    if case.frame is None:
        out.append("a frame")
    m = case.measurements
    if any(m.of(eye).far_pd is None and m.of(eye).near_pd is None for eye in EYES):
        out.append("PDs")
    if comparison.family in (*MULTIFOCAL, "all") and any(m.of(eye).height is None for eye in EYES):
        out.append("fitting heights")
    if case.fit.vertex_mm is None:
        out.append("the vertex distance as worn (for image size)")
    return out


def _heights_of_pupil(comparison: Comparison) -> bool:
    """Heights were taken for a lens without a segment, and lenses with one are listed."""
    case, design = comparison.at.case, comparison.at.case.lens.design
    taken = any(case.measurements.of(eye).height is not None for eye in EYES)
    return taken and (design is None or design.family not in SEGMENTED) and comparison.family in (*SEGMENTED, "all")


@require_safe
def print_sheet(request: HttpRequest, reference: str) -> HttpResponse:
    """The pinned lenses for the client, in plain words, as PDF."""
    at = opened(request, reference)
    comparison = Comparison(at, state_of(request))
    client, today = at.dispense.client, at.case.today
    heading = Heading(
        reference=at.dispense.reference,
        client=client.full_name,
        branch=at.dispense.branch.name,
        printed=f"{today.day} {today:%b %Y}",
        frame=frame_words(at.case.frame),
        prescription=prescription_words(at.case.prescription).removesuffix(" · read back"),
    )
    body = compare_sheet(heading, at.case, comparison.pinned, chosen=comparison.chosen)
    headers = {
        "Content-Disposition": f'inline; filename="{at.dispense.reference}-lenses.pdf"',
        "Cache-Control": "private, no-store",
    }
    return HttpResponse(body, content_type="application/pdf", headers=headers)


@require_POST
def choose(request: HttpRequest, reference: str) -> HttpResponse:
    """Take a lens of the comparison into the dispense."""
    at = opened(request, reference)
    key, sent = str(request.POST.get("option") or ""), str(request.POST.get("version") or "")
    have = LensOption.objects.filter(lens__group=at.dispense.group_id).select_related("lens", "material")
    option = have.filter(pk=int(key)).first() if re.fullmatch(r"[0-9]{1,18}", key, re.ASCII) else None
    if option is None:
        return _page(request, at, trouble="That lens is not in this group's catalogue.")
    version = int(sent) if re.fullmatch(r"[0-9]{1,9}", sent, re.ASCII) else -1
    try:
        saved = record.choose_lens(
            actor=request.user,  # type: ignore[arg-type]
            dispense=at.dispense,
            version=version,
            **choice_values(at.dispense, option),
        )
    except PartConflict as clash:
        return _page(request, opened(request, reference), status=409, clash=clash_words(clash))
    except Conflict as clash:
        return _page(request, opened(request, reference), status=409, clash=clash.message)
    except Invalid as wrong:
        return _page(request, at, trouble=" ".join(wrong.errors.values()))
    except UseCaseError as no:
        return _page(request, at, status=403 if isinstance(no, NotAllowed) else 200, trouble=no.message)
    if saved.changed:
        messages.success(request, f"{option} is the lens now.")
    if powers_go(at.dispense, option):
        messages.warning(request, "The ordered powers were stated for the lens before: they are as prescribed again.")
    for kept in (at.dispense.coating, at.dispense.tint):
        if kept is not None and option.lens.treatment_codes and kept.code not in option.lens.treatment_codes:
            messages.warning(request, f"{option.lens.name} is not made with {kept.name}, which is chosen: choose another.")
    for words in saved.said:
        messages.warning(request, words)
    keep_counts(saved.dispense, assess_dispense(saved.dispense))
    return HttpResponseRedirect(reverse("dispensing:sheet", args=[reference]) + "#part-lens")


_AT = "dispenses/<str:reference>/compare/"
urlpatterns = [
    path(_AT, lenses, name="compare"),
    path(_AT + "lenses.pdf", print_sheet, name="compare_print"),
    path(_AT + "choose/", choose, name="compare_choose"),
]
