"""Lens designs added; the materials a design is made in: added, changed, retired."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import path, reverse
from django.views.decorators.http import require_POST

from dispensing import catalogue, lens_options
from dispensing.imports import cells
from dispensing.models import LensMaterial, LensOption
from dispensing.web.catalogue_parts import form_back_to, managers_only, retiring, with_code
from dispensing.web.lens_designs import LensForm, lens_of_address
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed
from practice.web.fields import Field
from practice.web.forms import Read, fields_of, show_errors

OPTION_LABELS: dict[str, tuple[str, str]] = {
    "sphere_min": ("Sphere from", "D"),
    "sphere_max": ("Sphere to", "D"),
    "cylinder_max": ("Cylinder to", "D"),
    "prism_max": ("Prism to", "Δ"),
    "min_centre_mm": ("Least centre", "mm"),
    "min_edge_full_mm": ("Least edge, full rim", "mm"),
    "min_edge_grooved_mm": ("Least edge, grooved", "mm"),
    "min_edge_drilled_mm": ("Least edge, drilled", "mm"),
    "blank_decentration_mm": ("Blank decentred by", "mm"),
}


class OptionForm(forms.Form):
    def __init__(self, *args: Any, materials: list[LensMaterial] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if materials is not None:
            choices = [("", "choose"), *((m.code, f"{m.name} · n {m.nd}") for m in materials)]
            self.fields["material"] = forms.ChoiceField(
                choices=choices, label="Material", error_messages={"required": "Choose the material."}
            )
        for name, (label, _) in OPTION_LABELS.items():
            self.fields[name] = Read(cells.figure(*lens_options.BOUNDS[name]), label=label)
        self.fields["blank_diameters"] = Read(cells.diameters, label="Blank diameters")
        self.fields["base_curves"] = Read(cells.base_curves, label="Base curves by power")
        self.fields["diameter_ranges"] = Read(cells.diameter_ranges, label="Powers by diameter")
        self.fields["valid_from"] = Read(cells.day, label="Valid from")
        self.fields["valid_until"] = Read(cells.day, label="Valid until")

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {"kind": "figure", "unit": unit, "inputmode": "decimal"} for name, (_, unit) in OPTION_LABELS.items()
        }
        more["blank_diameters"] = {"unit": "mm", "help": "Separated by spaces: 65 70 75"}
        more["blank_decentration_mm"]["help"] = "Geometric centre nasal of the optical centre."
        more["base_curves"] = {"wide": True, "help": "Sphere from, to and front curve (n = 1.53): -8 to -4: 2; -4 to 0: 4"}
        more["diameter_ranges"] = {"wide": True, "help": "Diameter, sphere from, to and cylinder: 65: -12 to 8 cyl 6"}
        more["valid_from"] = more["valid_until"] = {"kind": "date"}
        return fields_of(self, **more)


def initial_of(option: LensOption) -> dict[str, str]:
    values = {name: cells.text_of(getattr(option, name)) for name in lens_options.FIELDS}
    values["base_curves"] = cells.base_curves_text(option.base_curves)
    values["diameter_ranges"] = cells.diameter_ranges_text(option.diameter_ranges)
    return values


def new_lens(request: HttpRequest) -> HttpResponse:
    managers_only(request)
    form = with_code(LensForm(request.POST or None))
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            saved = catalogue.add_lens(
                actor=request.user,  # type: ignore[arg-type]
                group=request.user.group,  # type: ignore[union-attr, arg-type]
                code=form.cleaned_data["code"],
                values={k: v for k, v in form.cleaned_data.items() if k != "code"},
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        else:
            messages.success(request, f"{saved.item} is in the catalogue. Say what it is made in next.")
            return redirect("dispensing:lens", saved.item.code)
    return form_back_to(request, form.shown(), trouble, "New lens design", reverse("dispensing:lenses"))


def new_option(request: HttpRequest, code: str) -> HttpResponse:
    managers_only(request)
    lens = lens_of_address(request, code)
    made = set(lens.options.values_list("material__code", flat=True))
    materials = [m for m in LensMaterial.objects.filter(group=lens.group).order_by("nd") if m.code not in made]
    form = OptionForm(request.POST or None, materials=materials)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        values = dict(form.cleaned_data)
        chosen = values.pop("material")
        material = next(m for m in materials if m.code == chosen)
        try:
            lens_options.add_option(actor=request.user, lens=lens, material=material, values=values)  # type: ignore[arg-type]
        except Invalid as problem:
            trouble = show_errors(form, problem)
        else:
            messages.success(request, f"{lens} is made in {material.name}.")
            return redirect("dispensing:lens", lens.code)
    return form_back_to(
        request, form.shown(), trouble, f"{lens}: another material", reverse("dispensing:lens", args=[lens.code])
    )


def _option(request: HttpRequest, code: str, material: str) -> LensOption:
    rows = access.scoped(LensOption.objects.select_related("lens__group", "material"), request.user)
    return get_object_or_404(rows, lens__code=code, material__code=material)


def change_option(request: HttpRequest, code: str, material: str) -> HttpResponse:
    managers_only(request)
    option = _option(request, code, material)
    form = OptionForm(request.POST or None, initial=initial_of(option))
    read = request.POST.get("read", "") or lens_options.as_read(option)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            saved = lens_options.change_option(
                actor=request.user,  # type: ignore[arg-type]
                option=option,
                read=read,
                values=form.cleaned_data,
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(request, f"{option} is changed." if saved.changed else "Nothing was different.")
            return redirect("dispensing:lens", option.lens.code)
    back = reverse("dispensing:lens", args=[option.lens.code])
    more = {
        "item": option,
        "in_use": lens_options.open_dispenses_with(option).count(),
        "may_change": True,
        "retire_at": reverse("dispensing:retire_option", args=[option.lens.code, option.material.code]),
        "ends": "The design can no longer be chosen in this material",
    }
    return form_back_to(request, form.shown(), trouble, f"Change {option}", back, read, more)


@require_POST
def retire_option(request: HttpRequest, code: str, material: str) -> HttpResponse:
    option = _option(request, code, material)
    retire, back = (partial(deed, option=option) for deed in (lens_options.retire_option, lens_options.bring_option_back))
    if retiring(request, option, retire=retire, bring_back=back):
        return redirect("dispensing:lens", option.lens.code)
    return redirect("dispensing:change_option", option.lens.code, option.material.code)


urlpatterns = [
    path("lenses/new", new_lens, name="new_lens"),
    path("lenses/<str:code>/materials/new", new_option, name="new_option"),
    path("lenses/<str:code>/materials/<str:material>/change", change_option, name="change_option"),
    path("lenses/<str:code>/materials/<str:material>/retire", retire_option, name="retire_option"),
]
