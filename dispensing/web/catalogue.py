"""The catalogue of frames: a list that can be searched, and a page for each with its drawing. Retiring, of frames and of lenses."""

from __future__ import annotations

from functools import lru_cache, partial
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.http import require_POST, require_safe

from dispensing import catalogue, stock
from dispensing.catalogue_history import history_of
from dispensing.drawings.catalogue import front_picture, small_front
from dispensing.gather import frame_of
from dispensing.imports import cells
from dispensing.models import CatalogueFrame
from dispensing.optics.outlines import SHAPE_KINDS
from dispensing.record import frame_to_store
from dispensing.templatetags import drawings
from dispensing.web.catalogue_parts import (
    changing_page,
    figure_reader,
    figures_of,
    form_page,
    listed,
    managers_only,
    retiring,
    say,
    shown_value,
    with_code,
    words_of,
)
from dispensing.web.lens_designs import lens_of_address
from practice import access
from practice.errors import Invalid
from practice.web.fields import Field
from practice.web.forms import Read, fields_of, show_errors
from practice.words import line

MOST_SIZES = 30  # other sizes and colours that a frame's page lists
FRAME_LABELS: dict[str, tuple[str, str]] = {
    "a": ("Boxed width a", "mm"),
    "b": ("Boxed depth b", "mm"),
    "dbl": ("Distance between lenses", "mm"),
    "ed": ("Effective diameter", "mm"),
    "side": ("Overall length of side", "mm"),
    "front_curve": ("Front curve (n = 1.53)", "D"),
    "face_form_deg": ("Face form angle", "°"),
    "groove_mm": ("Groove, visible rim to apex", "mm"),
    "weight_g": ("Weight", "g"),
}


class FrameSearch(forms.Form):
    q = Read(partial(line, longest=200), label="Maker, model, colour or number")
    shape = forms.ChoiceField(required=False, label="Shape")
    mount = forms.ChoiceField(required=False, choices=[("", "any"), *CatalogueFrame.Mount.choices], label="Mount")
    for_whom = forms.ChoiceField(
        required=False, choices=[("", "anybody"), ("adult", "adults"), ("child", "children")], label="For"
    )
    a_least = Read(figure_reader(20, 90), label="Width a from")
    a_most = Read(figure_reader(20, 90), label="to")
    b_least = Read(figure_reader(10, 80), label="Lens depth b at least")
    pd = Read(figure_reader(30, 90), label="For a PD of")
    branch = forms.ChoiceField(required=False, label="In stock at")
    retired = forms.BooleanField(required=False, label="retired as well")

    def wish(self) -> catalogue.FrameWish:
        got = self.cleaned_data
        pd = got.get("pd")
        return catalogue.FrameWish(
            text=got.get("q") or "",
            shape=got.get("shape") or "",
            mount=got.get("mount") or "",
            child={"adult": False, "child": True}.get(got.get("for_whom") or ""),
            a_least=got.get("a_least"),
            a_most=got.get("a_most"),
            b_least=got.get("b_least"),
            # common practice: little decentration, and seldom outwards
            c_least=None if pd is None else pd - 2,
            c_most=None if pd is None else pd + 10,
            branch=int(got["branch"]) if got.get("branch") else None,
            retired=bool(got.get("retired")),
        )


@require_safe
def frames(request: HttpRequest) -> HttpResponse:
    everything = access.scoped(CatalogueFrame.objects.all(), request.user)
    form = _frame_search(request, everything)
    mm = {"kind": "figure", "unit": "mm", "inputmode": "decimal"}
    fields = fields_of(
        form,
        q={"kind": "search", "autocomplete": "off", "wide": True},
        a_least=mm,
        a_most=mm,
        b_least=mm,
        pd={**mm, "help": "Boxed centre distance up to 10 mm greater."},
    )
    found = catalogue.find_frames(everything, form.wish())
    return render(request, "dispensing/frames.html", listed(request, fields, found, everything, _frame_row))


def _frame_search(request: HttpRequest, everything: QuerySet[CatalogueFrame]) -> FrameSearch:
    form = FrameSearch(request.GET)
    shapes = everything.order_by("shape").values_list("shape", flat=True).distinct()
    form.fields["shape"].choices = [("", "any"), *((s, words_of(s)) for s in shapes if s)]  # type: ignore[attr-defined]
    branches = access.visible_branches(request.user).order_by("name")
    form.fields["branch"].choices = [("", "anywhere or nowhere"), *((str(b.pk), b.name) for b in branches)]  # type: ignore[attr-defined]
    form.is_valid()  # a field that is not understood says so and asks nothing
    return form


def frames_asked_for(request: HttpRequest, everything: QuerySet[CatalogueFrame]) -> QuerySet[CatalogueFrame]:
    """What the search in the address finds."""
    return catalogue.find_frames(everything, _frame_search(request, everything).wish())


def _frame_row(frame: CatalogueFrame) -> dict[str, Any]:
    drawn = _drawn(tuple(frame.outline), float(frame.a or 0), float(frame.dbl or 0), str(frame)) if frame.outline else ""
    c = None if frame.a is None or frame.dbl is None else frame.a + frame.dbl
    return {"item": frame, "drawn": drawn, "c": c, "shape": words_of(frame.shape)}


@lru_cache(maxsize=1024)
def _drawn(outline: tuple[float, ...], a: float, dbl: float, name: str) -> SafeString:
    """The small front as SVG, kept: colours of one size share it, and thinning its curve is most of what a list costs."""
    return drawings.picture(small_front(outline, a, dbl, name))


class FrameForm(forms.Form):
    maker = Read(partial(line, longest=80), needed="Type the maker.", label="Maker")
    model = Read(partial(line, longest=80), needed="Type the model.", label="Model")
    colour = Read(partial(line, longest=60), label="Colour")
    gtin = Read(partial(line, longest=14), label="Trade number (GTIN)")
    shape = forms.ChoiceField(required=False, label="Shape")
    mount = forms.ChoiceField(choices=CatalogueFrame.Mount.choices, label="Mount")
    material = Read(partial(line, longest=40), label="Material")
    child = forms.BooleanField(required=False, label="Child's frame")
    valid_from = Read(cells.day, label="Valid from")
    valid_until = Read(cells.day, label="Valid until")

    def __init__(self, *args: Any, frame: CatalogueFrame | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = list(SHAPE_KINDS)
        if frame is not None and frame.shape and frame.shape not in kinds:
            kinds.append(frame.shape)
        self.fields["shape"].choices = [("", "not said"), *((s, words_of(s)) for s in kinds)]  # type: ignore[attr-defined]
        for name, (label, unit) in FRAME_LABELS.items():
            low, high = catalogue.FRAME_LIMITS[name]
            needed = f"Type the {label.lower()}." if name in ("a", "b", "dbl") else ""
            self.fields[name] = Read(figure_reader(low, high), needed=needed, label=label, help_text="")
            self.fields[name].unit = unit  # type: ignore[attr-defined]

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {"kind": "figure", "unit": unit, "inputmode": "decimal"} for name, (_, unit) in FRAME_LABELS.items()
        }
        more["ed"]["help"] = "Left empty, it follows from the shape."
        more["gtin"] = {"inputmode": "numeric", "help": "As printed under the bars."}
        more["shape"] = {"help": "The outline is drawn from it to fit the box."}
        more["valid_from"] = more["valid_until"] = {"kind": "date"}
        return fields_of(self, **more)


def stock_rows(request: HttpRequest, frame: CatalogueFrame, typed: Any = None, errors: Any = None) -> list[dict[str, Any]]:
    """A row for each branch of the group: how many it has, and whether whoever asks may count there."""
    have = stock.stock_of(frame)
    mine = {b.pk for b in access.branches_where(request.user, "stock.change")}
    return [
        {
            "branch": b,
            "count": (typed or {}).get(f"stock-{b.pk}", have.get(b.pk, "")),
            "may": b.pk in mine,
            "error": (errors or {}).get(str(b.pk), ""),
        }
        for b in access.visible_branches(request.user).order_by("name")
    ]


@require_safe
def frame(request: HttpRequest, code: str) -> HttpResponse:
    item = frame_of_address(request, code)
    sizes = (
        access.scoped(CatalogueFrame.objects.all(), request.user)
        .filter(maker=item.maker, model=item.model, retired_on=None)
        .exclude(pk=item.pk)
        .order_by("a", "colour")[:MOST_SIZES]
    )
    context = {
        "item": item,
        "picture": front_picture(frame_of(frame_to_store(item, {})), timezone.localdate()),  # type: ignore[arg-type]
        "figures": figures_of(item, FRAME_LABELS),
        "c": item.a + item.dbl if item.a is not None and item.dbl is not None else None,
        "shape": words_of(item.shape),
        "sizes": sizes,
        "in_use": catalogue.open_dispenses_with(item).count(),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
        "stock": stock_rows(request, item),
        "history": history_of(item, {n: label.lower() for n, (label, _) in FRAME_LABELS.items()}),
    }
    return render(request, "dispensing/frame.html", context)


def frame_of_address(request: HttpRequest, code: str) -> CatalogueFrame:
    return get_object_or_404(access.scoped(CatalogueFrame.objects.select_related("group"), request.user), code=code)


def new_frame(request: HttpRequest) -> HttpResponse:
    managers_only(request)
    form = with_code(FrameForm(request.POST or None))
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            values = {k: v for k, v in form.cleaned_data.items() if k != "code"}
            saved = catalogue.add_frame(
                actor=request.user,  # type: ignore[arg-type]
                group=request.user.group,  # type: ignore[union-attr, arg-type]
                code=form.cleaned_data["code"],
                values=values,
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        else:
            say(request, f"{saved.item} is in the catalogue.", saved.said)
            return redirect("dispensing:frame", saved.item.code)
    return form_page(request, form.shown(), trouble, title="New frame", back="dispensing:frames")


def change_frame(request: HttpRequest, code: str) -> HttpResponse:
    managers_only(request)
    item = frame_of_address(request, code)
    initial = {name: shown_value(getattr(item, name)) for name in catalogue.FRAME_FIELDS}
    form = FrameForm(request.POST or None, frame=item, initial=initial)
    return changing_page(request, item, form, catalogue.change_frame, "frame")


# --- retiring ---------------------------------------------------------------------------------------------------------


@require_POST
def retire(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    item = frame_of_address(request, code) if kind == "frame" else lens_of_address(request, code)
    retiring(
        request, item, retire=partial(catalogue.retire, item=item), bring_back=partial(catalogue.bring_back, item=item)
    )
    return redirect(f"dispensing:{kind}", item.code)


urlpatterns = [
    path("frames/", frames, name="frames"),
    path("frames/new", new_frame, name="new_frame"),
    path("frames/<str:code>/", frame, name="frame"),
    path("frames/<str:code>/change", change_frame, name="change_frame"),
    path("frames/<str:code>/retire", retire, {"kind": "frame"}, name="retire_frame"),
    path("lenses/<str:code>/retire", retire, {"kind": "lens"}, name="retire_lens"),
]
