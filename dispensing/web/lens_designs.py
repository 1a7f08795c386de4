"""Lens designs: the list, which can be searched, and a page for each with its drawing and what it is made in."""

from __future__ import annotations

from decimal import Decimal
from functools import partial
from typing import Any

from django import forms
from django.db.models import Prefetch
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing import catalogue
from dispensing.catalogue_history import history_of
from dispensing.drawings.catalogue import design_picture
from dispensing.gather import design_of
from dispensing.imports import cells
from dispensing.models import CatalogueLens, LensMaterial, LensOption, Treatment
from dispensing.optics.notation import format_power
from dispensing.web.catalogue_parts import changing_page, figure_reader, figures_of, listed, managers_only, shown_value
from practice import access
from practice.web.fields import Field
from practice.web.forms import Read, fields_of
from practice.words import line

LENS_LABELS: dict[str, tuple[str, str]] = {
    "corridor_mm": ("Corridor", "mm"),
    "min_height_mm": ("Least fitting height", "mm"),
    "min_above_mm": ("Least above the fitting point", "mm"),
    "near_inset_mm": ("Near inset", "mm"),
    "segment_width_mm": ("Segment width", "mm"),
    "segment_depth_mm": ("Segment depth", "mm"),
    "intermediate_depth_mm": ("Intermediate depth", "mm"),
    "segment_centre_below_top_mm": ("Segment centre below its top", "mm"),
    "cross_above_prism_point_mm": ("Cross above the prism point", "mm"),
    "add_min": ("Least addition", "D"),
    "add_max": ("Greatest addition", "D"),
    "degression": ("Degression", "D"),
}


class LensSearch(forms.Form):
    q = Read(partial(line, longest=200), label="Maker, name or code")
    family = forms.ChoiceField(required=False, choices=[("", "any"), *CatalogueLens.Family.choices], label="Family")
    material = forms.ChoiceField(required=False, label="Made in")
    retired = forms.BooleanField(required=False, label="retired as well")


@require_safe
def lenses(request: HttpRequest) -> HttpResponse:
    everything = access.scoped(CatalogueLens.objects.all(), request.user)
    form = LensSearch(request.GET)
    materials = access.scoped(LensMaterial.objects.order_by("nd"), request.user)
    form.fields["material"].choices = [("", "any"), *((m.code, m.name) for m in materials)]  # type: ignore[attr-defined]
    form.is_valid()
    got = form.cleaned_data
    found = catalogue.find_lenses(
        everything,
        text=got.get("q") or "",
        family=got.get("family") or "",
        material=got.get("material") or "",
        retired=bool(got.get("retired")),
    ).prefetch_related(Prefetch("options", LensOption.objects.select_related("material").order_by("material__nd")))
    fields = fields_of(form, q={"kind": "search", "autocomplete": "off", "wide": True})
    return render(request, "dispensing/lenses.html", listed(request, fields, found, everything, _lens_row))


def _lens_row(lens: CatalogueLens) -> dict[str, Any]:
    segment = " × ".join(f"{v.normalize():f}" for v in (lens.segment_width_mm, lens.segment_depth_mm) if v is not None)
    return {"item": lens, "segment": segment, "materials": [o.material for o in lens.options.all() if o.retired_on is None]}


class LensForm(forms.Form):
    maker = Read(partial(line, longest=80), needed="Type the maker.", label="Maker")
    name = Read(partial(line, longest=120), needed="Type the name.", label="Name")
    family = forms.ChoiceField(choices=CatalogueLens.Family.choices, label="Family")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, (label, _) in LENS_LABELS.items():
            self.fields[name] = Read(figure_reader(*catalogue.LENS_BOUNDS[name]), label=label)
        self.fields["near_inset_rule"] = forms.ChoiceField(
            required=False, choices=[("", "not said"), *CatalogueLens.NearInset.choices], label="Near inset is"
        )
        self.fields["price_band"] = Read(partial(line, longest=20), label="Price band")
        self.fields["lead_days"] = Read(cells.whole(0, catalogue.MOST_LEAD_DAYS), label="Lead time")
        self.fields["lab_codes"] = Read(cells.codes, label="Labs that make it (codes)")
        self.fields["treatment_codes"] = Read(cells.codes, label="Coatings and tints (codes)")
        self.fields["valid_from"] = Read(cells.day, label="Valid from")
        self.fields["valid_until"] = Read(cells.day, label="Valid until")

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {"kind": "figure", "unit": unit, "inputmode": "decimal"} for name, (_, unit) in LENS_LABELS.items()
        }
        more["near_inset_mm"]["help"] = "Left empty, it is computed for each client."
        more["lead_days"] = {"unit": "days", "inputmode": "numeric", "help": "Working days, as the maker states them."}
        more["lab_codes"] = {"help": "Separated by spaces; empty: not said."}
        more["treatment_codes"] = {"help": "Separated by spaces; empty: not said, all are offered."}
        more["valid_from"] = more["valid_until"] = {"kind": "date"}
        return fields_of(self, **more)


@require_safe
def lens(request: HttpRequest, code: str) -> HttpResponse:
    item = lens_of_address(request, code)
    options = list(item.options.select_related("material").order_by("material__nd"))
    made = [o for o in options if o.retired_on is None] or options
    diameter = max((float(d) for o in made for d in o.blank_diameters), default=70.0)
    design = design_of(made[0]) if made else None
    made_with = Treatment.objects.filter(group=item.group, code__in=item.treatment_codes).order_by("kind", "name")
    context = {
        "item": item,
        "picture": design_picture(design, diameter) if design is not None else None,
        "figures": figures_of(item, LENS_LABELS),
        "options": [(o, f"{format_power(o.sphere_min) or '?'} to {format_power(o.sphere_max) or '?'}") for o in options],
        "in_use": catalogue.open_dispenses_with(item).count(),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
        "treatments": made_with,
        "by_power": [_by_power(o) for o in options if o.base_curves or o.diameter_ranges or o.valid_until],
        "history": history_of(item, {n: label.lower() for n, (label, _) in LENS_LABELS.items()}),
    }
    return render(request, "dispensing/lens.html", context)


def _by_power(option: LensOption) -> dict[str, Any]:
    """Front curves and blanks of a material by power, in words."""

    def span(step: dict[str, str]) -> str:
        return f"{format_power(Decimal(step['from']))} to {format_power(Decimal(step['to']))}"

    return {
        "option": option,
        "curves": [(f"{Decimal(s['curve']):.2f}", span(s)) for s in option.base_curves],
        "blanks": [
            (r["diameter"], span(r) + (f", cylinder to {Decimal(r['cylinder']):.2f}" if r["cylinder"] else ""))
            for r in option.diameter_ranges
        ],
    }


def lens_of_address(request: HttpRequest, code: str) -> CatalogueLens:
    return get_object_or_404(access.scoped(CatalogueLens.objects.select_related("group"), request.user), code=code)


def change_lens(request: HttpRequest, code: str) -> HttpResponse:
    managers_only(request)
    item = lens_of_address(request, code)
    initial = {name: shown_value(getattr(item, name)) for name in catalogue.LENS_FIELDS}
    return changing_page(request, item, LensForm(request.POST or None, initial=initial), catalogue.change_lens, "lens")


urlpatterns = [
    path("lenses/", lenses, name="lenses"),
    path("lenses/<str:code>/", lens, name="lens"),
    path("lenses/<str:code>/change", change_lens, name="change_lens"),
]
