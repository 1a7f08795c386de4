"""The catalogues: frames and lenses, each a list that can be searched and a page per item with its drawing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from functools import lru_cache, partial
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.core import signing
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Prefetch, QuerySet
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.safestring import SafeString
from django.views.decorators.http import require_POST, require_safe

from dispensing import catalogue, frame_table
from dispensing.drawings.catalogue import design_picture, front_picture, small_front
from dispensing.gather import design_of, frame_of
from dispensing.models import CatalogueFrame, CatalogueLens, LensMaterial, LensOption
from dispensing.optics.notation import format_power, parse_mm
from dispensing.optics.outlines import SHAPE_KINDS
from dispensing.record import frame_to_store
from dispensing.templatetags import drawings
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, fields_of, show_errors
from practice.words import line

A_PAGE = 24
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


def _figure(low: int, high: int) -> Callable[[str], Decimal | None]:
    return partial(parse_mm, low=low, high=high)


def _words_of(choice: str) -> str:
    return choice.replace("_", " ")


# --- frames -----------------------------------------------------------------------------------------------------------


class FrameSearch(forms.Form):
    q = Read(partial(line, longest=200), label="Maker, model, colour or number")
    shape = forms.ChoiceField(required=False, label="Shape")
    mount = forms.ChoiceField(required=False, choices=[("", "any"), *CatalogueFrame.Mount.choices], label="Mount")
    for_whom = forms.ChoiceField(
        required=False, choices=[("", "anybody"), ("adult", "adults"), ("child", "children")], label="For"
    )
    a_least = Read(_figure(20, 90), label="Width a from")
    a_most = Read(_figure(20, 90), label="to")
    b_least = Read(_figure(10, 80), label="Depth b at least")
    pd = Read(_figure(30, 90), label="For a PD of")
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
    return render(request, "dispensing/frames.html", _list(request, fields, found, everything, _frame_row))


def _frame_search(request: HttpRequest, everything: QuerySet[CatalogueFrame]) -> FrameSearch:
    form = FrameSearch(request.GET)
    shapes = everything.order_by("shape").values_list("shape", flat=True).distinct()
    form.fields["shape"].choices = [("", "any"), *((s, _words_of(s)) for s in shapes if s)]  # type: ignore[attr-defined]
    form.is_valid()  # a field that is not understood says so and asks nothing
    return form


def _frame_row(frame: CatalogueFrame) -> dict[str, Any]:
    drawn = _drawn(tuple(frame.outline), float(frame.a or 0), float(frame.dbl or 0), str(frame)) if frame.outline else ""
    c = None if frame.a is None or frame.dbl is None else frame.a + frame.dbl
    return {"item": frame, "drawn": drawn, "c": c, "shape": _words_of(frame.shape)}


@lru_cache(maxsize=1024)
def _drawn(outline: tuple[float, ...], a: float, dbl: float, name: str) -> SafeString:
    """The small front as SVG, kept: colours of one size share it, and thinning its curve is most of what a list costs."""
    return drawings.picture(small_front(outline, a, dbl, name))


def _list(
    request: HttpRequest,
    fields: list[Field],
    found: QuerySet[Any],
    everything: QuerySet[Any],
    row: Callable[[Any], dict[str, Any]],
) -> dict[str, Any]:
    page = Paginator(found, A_PAGE).get_page(request.GET.get("page"))
    asked = {k: v for k, v in request.GET.items() if k != "page" and v}
    return {
        "fields": fields,
        "errors": with_errors(fields),
        "page": page,
        "rows": [row(item) for item in page.object_list],
        "total": everything.filter(retired_on=None).count(),
        "asked": bool(asked),
        "query": urlencode(asked),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
    }


class FrameForm(forms.Form):
    maker = Read(partial(line, longest=80), needed="Type the maker.", label="Maker")
    model = Read(partial(line, longest=80), needed="Type the model.", label="Model")
    colour = Read(partial(line, longest=60), label="Colour")
    gtin = Read(partial(line, longest=14), label="Trade number (GTIN)")
    shape = forms.ChoiceField(required=False, label="Shape")
    mount = forms.ChoiceField(choices=CatalogueFrame.Mount.choices, label="Mount")
    material = Read(partial(line, longest=40), label="Material")
    child = forms.BooleanField(required=False, label="Child's frame")

    def __init__(self, *args: Any, frame: CatalogueFrame | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = list(SHAPE_KINDS)
        if frame is not None and frame.shape and frame.shape not in kinds:
            kinds.append(frame.shape)
        self.fields["shape"].choices = [("", "not said"), *((s, _words_of(s)) for s in kinds)]  # type: ignore[attr-defined]
        for name, (label, unit) in FRAME_LABELS.items():
            low, high = catalogue.FRAME_LIMITS[name]
            needed = f"Type the {label.lower()}." if name in ("a", "b", "dbl") else ""
            self.fields[name] = Read(_figure(low, high), needed=needed, label=label, help_text="")
            self.fields[name].unit = unit  # type: ignore[attr-defined]

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {"kind": "figure", "unit": unit, "inputmode": "decimal"} for name, (_, unit) in FRAME_LABELS.items()
        }
        more["ed"]["help"] = "Left empty, it follows from the shape."
        more["gtin"] = {"inputmode": "numeric", "help": "As printed under the bars."}
        more["shape"] = {"help": "The outline is drawn from it to fit the box."}
        return fields_of(self, **more)


@require_safe
def frame(request: HttpRequest, code: str) -> HttpResponse:
    item = _frame(request, code)
    sizes = (
        access.scoped(CatalogueFrame.objects.all(), request.user)
        .filter(maker=item.maker, model=item.model, retired_on=None)
        .exclude(pk=item.pk)
        .order_by("a", "colour")
    )
    context = {
        "item": item,
        "picture": front_picture(frame_of(frame_to_store(item, {})), timezone.localdate()),  # type: ignore[arg-type]
        "figures": _figures(item, FRAME_LABELS),
        "c": item.a + item.dbl if item.a is not None and item.dbl is not None else None,
        "shape": _words_of(item.shape),
        "sizes": sizes,
        "in_use": catalogue.open_dispenses_with(item).count(),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
    }
    return render(request, "dispensing/frame.html", context)


def _figures(item: Any, labels: Mapping[str, tuple[str, str]]) -> list[tuple[str, str, str]]:
    return [
        (label, format_power(value) if unit == "D" else f"{value.normalize():f}", unit)
        for name, (label, unit) in labels.items()
        if (value := getattr(item, name)) is not None
    ]


def _frame(request: HttpRequest, code: str) -> CatalogueFrame:
    return get_object_or_404(access.scoped(CatalogueFrame.objects.select_related("group"), request.user), code=code)


def new_frame(request: HttpRequest) -> HttpResponse:
    _managers_only(request)
    form = _with_code(FrameForm(request.POST or None))
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
            _said(request, f"{saved.item} is in the catalogue.", saved.said)
            return redirect("dispensing:frame", saved.item.code)
    return _form_page(request, form.shown(), trouble, title="New frame", back="dispensing:frames")


def change_frame(request: HttpRequest, code: str) -> HttpResponse:
    _managers_only(request)
    item = _frame(request, code)
    initial = {name: _shown_value(getattr(item, name)) for name in catalogue.FRAME_FIELDS}
    form = FrameForm(request.POST or None, frame=item, initial=initial)
    return _change(request, item, form, catalogue.change_frame, "frame")


def _with_code(form: Any) -> Any:
    form.fields = {"code": Read(partial(line, longest=40), needed="Give it a code.", label="Code"), **form.fields}
    return form


def _shown_value(value: Any) -> Any:
    return f"{value.normalize():f}" if isinstance(value, Decimal) else value


def _change(request: HttpRequest, item: Any, form: Any, use_case: Callable[..., Any], kind: str) -> HttpResponse:
    trouble = ""
    read = request.POST.get("read", "") or catalogue.as_read(item)
    if request.method == "POST" and form.is_valid():
        try:
            saved = use_case(actor=request.user, read=read, values=form.cleaned_data, **{kind: item})
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            _said(request, f"{saved.item} is changed." if saved.changed else "Nothing was different.", saved.said)
            return redirect(f"dispensing:{kind}", saved.item.code)
    return _form_page(
        request, form.shown(), trouble, title=f"Change {item}", back=f"dispensing:{kind}", code=item.code, read=read
    )


def _said(request: HttpRequest, what: str, more: tuple[str, ...]) -> None:
    messages.success(request, what)
    for words in more:
        messages.warning(request, words)


def _form_page(
    request: HttpRequest, fields: list[Field], trouble: str, *, title: str, back: str, code: str = "", read: str = ""
) -> HttpResponse:
    context = {
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
        "title": title,
        "back": back,
        "code": code,
        "read": read,
    }
    return render(request, "dispensing/catalogue_form.html", context)


def _managers_only(request: HttpRequest) -> None:
    if not catalogue.may_change(request.user):  # type: ignore[arg-type]
        raise PermissionDenied("Only a manager of this group can change its catalogues.")


# --- frames as a table ------------------------------------------------------------------------------------------------

_SALT = "dispensing.frame_table"
_SHOWN = 50  # lines of a preview


@require_safe
def frame_table_file(request: HttpRequest) -> StreamingHttpResponse:
    """The frames that the search found, as CSV."""
    everything = access.scoped(CatalogueFrame.objects.all(), request.user)
    form = _frame_search(request, everything)
    found = catalogue.find_frames(everything, form.wish())
    answer = StreamingHttpResponse(
        frame_table.write_table(found.iterator(chunk_size=500)), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = 'attachment; filename="frames.csv"'
    return answer


def import_frames(request: HttpRequest) -> HttpResponse:
    """Choose a file, look at what it would do, then carry it out or take the faulty lines away to mend them."""
    _managers_only(request)
    group = request.user.group  # type: ignore[union-attr]
    context: dict[str, Any] = {"columns": frame_table.COLUMNS, "needed": frame_table.NEEDED, "most": frame_table.MOST_LINES}
    if request.method != "POST":
        return render(request, "dispensing/frames_import.html", context)
    try:
        text = _sent_text(request)
        if request.POST.get("deed") == "import":
            plan = frame_table.import_frames(
                actor=request.user,  # type: ignore[arg-type]
                group=group,  # type: ignore[arg-type]
                text=text,
                digest=request.POST.get("digest", ""),
            )
            messages.success(request, f"{len(plan.new)} frames are new, {len(plan.changed)} changed.")
            return redirect("dispensing:frames")
        plan = frame_table.plan_import(text=text, group=group)  # type: ignore[arg-type]
    except (frame_table.Unreadable, Conflict) as problem:
        return render(request, "dispensing/frames_import.html", context | {"trouble": str(problem)})
    except Invalid as problem:
        return render(request, "dispensing/frames_import.html", context | {"trouble": " ".join(problem.errors.values())})
    if request.POST.get("deed") == "faults":
        answer = HttpResponse("".join(frame_table.write_faults(text, plan)), content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = 'attachment; filename="frames-to-mend.csv"'
        return answer
    context |= {
        "plan": plan,
        "faults": plan.faults[:_SHOWN],
        "changes": [(each, sorted(d.items())) for each, d in plan.changed[:_SHOWN]],
        "new": plan.new[:_SHOWN],
        "shown": _SHOWN,
        "held": signing.dumps({"who": request.user.pk, "text": text}, salt=_SALT, compress=True),
    }
    return render(request, "dispensing/frames_import.html", context)


def _sent_text(request: HttpRequest) -> str:
    """The file just chosen, or the one that was previewed: it travels signed, so nothing is kept on the server."""
    held = request.POST.get("held", "")
    if held:
        try:
            sent = signing.loads(held, salt=_SALT, max_age=3600)
        except signing.BadSignature:
            raise frame_table.Unreadable("The preview is too old or was altered. Choose the file again.") from None
        if sent.get("who") != request.user.pk:
            raise frame_table.Unreadable("That was somebody else’s preview. Choose the file again.")
        return str(sent["text"])
    file = request.FILES.get("file")
    if file is None or isinstance(file, list):
        raise frame_table.Unreadable("Choose a file.")
    if (file.size or 0) > frame_table.MOST_BYTES:
        raise frame_table.Unreadable(f"The file is larger than {frame_table.MOST_BYTES // 1_000_000} MB.")
    return frame_table.text_of(file.read())


# --- lenses -----------------------------------------------------------------------------------------------------------


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
    return render(request, "dispensing/lenses.html", _list(request, fields, found, everything, _lens_row))


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
            self.fields[name] = Read(_figure(*catalogue.LENS_BOUNDS[name]), label=label)

    def shown(self) -> list[Field]:
        more: dict[str, dict[str, Any]] = {
            name: {"kind": "figure", "unit": unit, "inputmode": "decimal"} for name, (_, unit) in LENS_LABELS.items()
        }
        more["near_inset_mm"]["help"] = "Left empty, it is computed for each client."
        return fields_of(self, **more)


@require_safe
def lens(request: HttpRequest, code: str) -> HttpResponse:
    item = _lens(request, code)
    options = list(item.options.select_related("material").order_by("material__nd"))
    made = [o for o in options if o.retired_on is None] or options
    diameter = max((float(d) for o in made for d in o.blank_diameters), default=70.0)
    design = design_of(made[0]) if made else None
    context = {
        "item": item,
        "picture": design_picture(design, diameter) if design is not None else None,
        "figures": _figures(item, LENS_LABELS),
        "options": [(o, f"{format_power(o.sphere_min) or '?'} to {format_power(o.sphere_max) or '?'}") for o in options],
        "in_use": catalogue.open_dispenses_with(item).count(),
        "may_change": catalogue.may_change(request.user),  # type: ignore[arg-type]
    }
    return render(request, "dispensing/lens.html", context)


def _lens(request: HttpRequest, code: str) -> CatalogueLens:
    return get_object_or_404(access.scoped(CatalogueLens.objects.select_related("group"), request.user), code=code)


def change_lens(request: HttpRequest, code: str) -> HttpResponse:
    _managers_only(request)
    item = _lens(request, code)
    initial = {name: _shown_value(getattr(item, name)) for name in catalogue.LENS_FIELDS}
    return _change(request, item, LensForm(request.POST or None, initial=initial), catalogue.change_lens, "lens")


# --- retiring ---------------------------------------------------------------------------------------------------------


@require_POST
def retire(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    item = _frame(request, code) if kind == "frame" else _lens(request, code)
    try:
        if request.POST.get("deed") == "bring back":
            catalogue.bring_back(actor=request.user, item=item)  # type: ignore[arg-type]
            messages.success(request, f"{item} can be chosen again.")
        else:
            catalogue.retire(actor=request.user, item=item, reason=request.POST.get("reason", "")[:400])  # type: ignore[arg-type]
            messages.success(request, f"{item} is retired: it can no longer be chosen. What was dispensed stays as it is.")
    except NotAllowed as problem:
        raise PermissionDenied(problem.message) from problem
    except Invalid as problem:
        messages.error(request, " ".join(problem.errors.values()))
    return redirect(f"dispensing:{kind}", item.code)


urlpatterns = [
    path("frames/", frames, name="frames"),
    path("frames/new", new_frame, name="new_frame"),
    path("frames/table.csv", frame_table_file, name="frame_table"),
    path("frames/import", import_frames, name="import_frames"),
    path("frames/<str:code>/", frame, name="frame"),
    path("frames/<str:code>/change", change_frame, name="change_frame"),
    path("frames/<str:code>/retire", retire, {"kind": "frame"}, name="retire_frame"),
    path("lenses/", lenses, name="lenses"),
    path("lenses/<str:code>/", lens, name="lens"),
    path("lenses/<str:code>/change", change_lens, name="change_lens"),
    path("lenses/<str:code>/retire", retire, {"kind": "lens"}, name="retire_lens"),
]
