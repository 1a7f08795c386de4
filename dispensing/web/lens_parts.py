"""What lenses are made of and made with: the lists of materials and of coatings and tints; added, changed, retired."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, F, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_POST, require_safe

from dispensing import catalogue, lens_parts
from dispensing.catalogue_history import history_of
from dispensing.models import CatalogueLens, LensMaterial, Treatment
from dispensing.optics.notation import parse_figure
from dispensing.web.catalogue_parts import form_back_to, managers_only, retiring, shown_value, with_code
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed
from practice.web.fields import Field
from practice.web.forms import Read, fields_of, show_errors
from practice.words import line

A_PAGE = 100
MATERIAL_LABELS: dict[str, tuple[str, str]] = {
    "nd": ("Index nd", ""),
    "abbe": ("Abbe number", ""),
    "density": ("Density", "g/cm³"),
}
TINT_LABELS: dict[str, tuple[str, str]] = {
    "transmittance_clear": ("Light let through at its palest", "%"),
    "transmittance_dark": ("Light let through at its darkest", "%"),
}
_UNIT_ATTRS = {"kind": "figure", "inputmode": "decimal"}


def _choice(label: str, words: dict[str, str] | list[Any]) -> forms.ChoiceField:
    choices = [*words.items()] if isinstance(words, dict) else words
    return forms.ChoiceField(
        choices=[("", "choose"), *choices],
        label=label,
        error_messages=dict.fromkeys(("required", "invalid_choice"), "Choose one."),
    )


class MaterialForm(forms.Form):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["name"] = Read(partial(line, longest=80), needed="Type the name.", label="Name")
        for name, (label, _) in MATERIAL_LABELS.items():
            low, high = lens_parts.MATERIAL_BOUNDS[name]
            reader = partial(parse_figure, low=low, high=high)
            self.fields[name] = Read(reader, needed="Needed.", label=label)
        self.fields["impact"] = _choice("Resistance to impact", lens_parts.IMPACT)
        self.fields["drilled"] = _choice("Can be drilled", lens_parts.MOUNTING)
        self.fields["grooved"] = _choice("Can be grooved", lens_parts.MOUNTING)
        self.fields["source"] = Read(partial(line, longest=200), label="Source")
        self.fields["glass"] = forms.BooleanField(required=False, label="glass")

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {**_UNIT_ATTRS, "unit": unit} for name, (_, unit) in MATERIAL_LABELS.items()
        }
        more["nd"]["help"] = "At 587.6 nm, the d line: 1.592"
        more["abbe"]["help"] = "Of the d line: 41"
        more["impact"] = {"help": "Checks for children, sport and work go by it."}
        more["source"] = {"wide": True, "help": "Where the figures are from: the maker's data, with its date."}
        return fields_of(self, **more)


class TreatmentForm(forms.Form):
    """`kind`: of the one that is changed, which keeps it; empty for a new one."""

    def __init__(self, *args: Any, kind: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.new = not kind
        if self.new:
            self.fields["kind"] = _choice("Kind", Treatment.Kind.choices)
        self.fields["name"] = Read(partial(line, longest=80), needed="Type the name.", label="Name")
        if kind != Treatment.Kind.COATING:
            for name, (label, _) in TINT_LABELS.items():
                self.fields[name] = Read(partial(parse_figure, low=0, high=100), label=label)

    def shown(self) -> list[Field]:
        words = "For a fixed tint both are the same; from the maker's data."
        if self.new:
            words += " A coating has none."
        more: dict[str, dict[str, Any]] = {
            name: {**_UNIT_ATTRS, "unit": unit, "help": words} for name, (_, unit) in TINT_LABELS.items()
        }
        return fields_of(self, **more)


def _material_rows(request: HttpRequest) -> QuerySet[LensMaterial]:
    offered = Count("options", filter=Q(options__retired_on=None, options__lens__retired_on=None))
    rows = access.scoped(LensMaterial.objects.all(), request.user)
    return rows.annotate(designs=offered).order_by("nd", "name", "code")


def _treatment_rows(request: HttpRequest) -> QuerySet[Treatment]:
    rows = access.scoped(Treatment.objects.all(), request.user)
    return rows.order_by(F("retired_on").asc(nulls_first=True), "kind", "name", "code")


def _material_row(item: Any) -> dict[str, Any]:
    mounting = [lens_parts.MOUNTING.get(words, words) for words in (item.drilled, item.grooved)]
    return {"item": item, "drilled": mounting[0], "grooved": mounting[1], "designs": item.designs}


def _materials_shown(request: HttpRequest, items: list[Any]) -> list[dict[str, Any]]:
    return [_material_row(item) for item in items]


def _treatments_shown(request: HttpRequest, items: list[Any]) -> list[dict[str, Any]]:
    """A design that names no coatings and tints is offered with all of them."""
    designs = access.scoped(CatalogueLens.objects.filter(retired_on=None), request.user)
    named = list(designs.values_list("treatment_codes", flat=True))
    of_code, with_all = Counter(code for codes in named for code in codes), sum(not codes for codes in named)
    return [
        {"item": item, "through": _through(item), "designs": 0 if item.retired_on else of_code[item.code] + with_all}
        for item in items
    ]


def _through(item: Treatment) -> str:
    if item.kind != Treatment.Kind.TINT:
        return ""
    figures = (item.transmittance_clear, item.transmittance_dark)
    return " to ".join(dict.fromkeys("not known" if v is None else shown_value(v) for v in figures))


def _material_form(data: Any, item: LensMaterial | Treatment | None = None) -> MaterialForm:
    return MaterialForm(data, initial=_initial(item))


def _treatment_form(data: Any, item: LensMaterial | Treatment | None = None) -> TreatmentForm:
    return TreatmentForm(data, kind=getattr(item, "kind", ""), initial=_initial(item))


def _initial(item: LensMaterial | Treatment | None) -> dict[str, Any]:
    return {} if item is None else {name: shown_value(getattr(item, name)) for name in lens_parts.fields_of(item)}


@dataclass(frozen=True, slots=True)
class Part:
    """One of the two lists and its forms."""

    model: type[LensMaterial] | type[Treatment]
    name: str  # of one: "material"
    title: str
    new: str
    rows: Callable[[HttpRequest], QuerySet[Any]]
    shown: Callable[[HttpRequest, list[Any]], list[dict[str, Any]]]
    form: Callable[..., MaterialForm | TreatmentForm]
    labels: dict[str, tuple[str, str]]

    @property
    def all(self) -> str:
        return f"{self.name}s"

    @property
    def back(self) -> str:
        return reverse(f"dispensing:{self.all}")


MATERIALS = Part(
    LensMaterial, "material", "Materials", "New material",
    _material_rows, _materials_shown, _material_form, MATERIAL_LABELS,
)  # fmt: skip
TREATMENTS = Part(
    Treatment, "treatment", "Coatings and tints", "New coating or tint",
    _treatment_rows, _treatments_shown, _treatment_form, TINT_LABELS,
)  # fmt: skip


@require_safe
def parts(request: HttpRequest, part: Part) -> HttpResponse:
    page = Paginator(part.rows(request), A_PAGE).get_page(request.GET.get("page"))
    context = {
        "part": part,
        "page": page,
        "rows": part.shown(request, list(page.object_list)),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
    }
    return render(request, "dispensing/lens_parts.html", context)


def new_part(request: HttpRequest, part: Part) -> HttpResponse:
    managers_only(request)
    form = with_code(part.form(request.POST or None))
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            saved = lens_parts.add_part(
                actor=request.user,  # type: ignore[arg-type]
                group=request.user.group,  # type: ignore[union-attr, arg-type]
                model=part.model,
                code=form.cleaned_data["code"],
                values={k: v for k, v in form.cleaned_data.items() if k != "code"},
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        else:
            messages.success(request, f"{saved.item} is in the catalogue.")
            return redirect(part.back)
    return form_back_to(request, form.shown(), trouble, part.new, part.back)


def _of_address(request: HttpRequest, part: Part, code: str) -> Any:
    rows: QuerySet[Any] = access.scoped(part.model._default_manager.select_related("group"), request.user)
    return get_object_or_404(rows, code=code)


def change_part(request: HttpRequest, part: Part, code: str) -> HttpResponse:
    managers_only(request)
    item = _of_address(request, part, code)
    form = part.form(request.POST or None, item)
    read = request.POST.get("read", "") or lens_parts.as_read(item)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            saved = lens_parts.change_part(actor=request.user, item=item, read=read, values=form.cleaned_data)  # type: ignore[arg-type]
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(request, f"{saved.item} is changed." if saved.changed else "Nothing was different.")
            return redirect(part.back)
    return form_back_to(request, form.shown(), trouble, f"Change {item}", part.back, read, _beside(part, item))


def _beside(part: Part, item: Any) -> dict[str, Any]:
    """What stands below the form: retiring, and what was changed before."""
    in_use = lens_parts.open_dispenses_with(item).count()
    labels = {name: label.lower() for name, (label, _) in part.labels.items()} | {"abbe": "Abbe number"}  # a person
    more: dict[str, Any] = {"item": item, "in_use": in_use, "may_change": True, "history": history_of(item, labels)}
    if isinstance(item, Treatment):
        return more | {"retire_at": reverse("dispensing:retire_treatment", args=[item.code])}
    return more | {"judged": in_use}


@require_POST
def retire_treatment(request: HttpRequest, code: str) -> HttpResponse:
    item = _of_address(request, TREATMENTS, code)
    retire, back = (partial(deed, item=item) for deed in (lens_parts.retire_treatment, lens_parts.bring_treatment_back))
    if retiring(request, item, retire=retire, bring_back=back):
        return redirect(TREATMENTS.back)
    return redirect("dispensing:change_treatment", item.code)


urlpatterns = [  # the lists end without a stroke: with one they would hide a design of that code
    path("lenses/materials", parts, {"part": MATERIALS}, name="materials"),
    path("lenses/materials/new", new_part, {"part": MATERIALS}, name="new_material"),
    path("lenses/materials/<str:code>/change", change_part, {"part": MATERIALS}, name="change_material"),
    path("lenses/treatments", parts, {"part": TREATMENTS}, name="treatments"),
    path("lenses/treatments/new", new_part, {"part": TREATMENTS}, name="new_treatment"),
    path("lenses/treatments/<str:code>/change", change_part, {"part": TREATMENTS}, name="change_treatment"),
    path("lenses/treatments/<str:code>/retire", retire_treatment, name="retire_treatment"),
]
