"""Photographs of a dispense: added, marked by click, touch, keyboard or typed pixels, measured, removed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import wraps
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from dispensing import photographs
from dispensing.drawings.methods import method_picture
from dispensing.kept import PHOTOGRAPHS
from dispensing.models import Dispense, Photograph
from dispensing.optics import photograph as optics
from dispensing.optics.errors import NotStated, OpticsError
from dispensing.optics.notation import format_mm, parse_degrees, parse_figure, parse_mm
from dispensing.photographs import Stated
from dispensing.picture_file import CONTENT_TYPE, MOST_BYTES
from dispensing.web.sheet.load import Loaded, load, whole, why_not_change
from practice import contents
from practice.errors import Conflict, Invalid, NotAllowed, UseCaseError
from practice.web.fields import Field
from practice.words import number_in

View = Callable[..., HttpResponse]
# an independent reading by hand: right to about this, one standard uncertainty (dispensing teaching: 0.5 to 1 mm)
BY_HAND_MM = 0.5
_KINDS = (("card", "card, 85.60 mm wide"), ("frame", "the frame’s own width"), ("length", "another known length"))
_LOOKING = (("camera", "into the camera"), ("far", "past it, at something far"))
_MARKS = (("pupil", "pupil centres"), ("reflex", "reflexes of a light at the camera"))
_NEEDS = {"far_pd": "pd_need_mm", "height": "height_need_mm"}
_ROWS = (
    ("far_pd_right", "far_pd", "right", "Far PD, R"),
    ("far_pd_left", "far_pd", "left", "Far PD, L"),
    ("far_pd_both", "far_pd", "both", "Far PD, both eyes"),
    ("height_right", "height", "right", "Height in the box, R"),
    ("height_left", "height", "left", "Height in the box, L"),
)


def _limited(view: View) -> View:
    """Refuse what is too large by what the request says of itself, before any of it is read; only then look for the CSRF token,
    which is in the body."""
    inner = csrf_protect(view)

    @wraps(view)
    def limited(request: HttpRequest, reference: str) -> HttpResponse:
        length = request.META.get("CONTENT_LENGTH") or "0"
        if request.method == "POST" and (not length.isdecimal() or int(length) > MOST_BYTES + 100_000):
            words = f"The file is larger than {MOST_BYTES // 1_000_000} MB."
            return _list(request, load(request, reference), errors={"picture": words}, status=413)
        return inner(request, reference)

    return csrf_exempt(limited)


# --- the pictures of a dispense ------------------------------------------------------------------------------------------


@_limited
@require_http_methods(["GET", "HEAD", "POST"])
def pictures(request: HttpRequest, reference: str) -> HttpResponse:
    dispense = load(request, reference)
    if request.method != "POST":
        return _list(request, dispense)
    file = request.FILES.get("picture")
    consent = bool(request.POST.get("consent"))
    if file is None or isinstance(file, list):
        return _list(request, dispense, errors={"picture": "Choose a picture."}, consent=consent)
    try:
        made = photographs.add_photograph(
            actor=request.user,  # type: ignore[arg-type]
            dispense=dispense,
            sent=file.read(MOST_BYTES + 1),
            consent=consent,
        )
    except Invalid as wrong:
        return _list(request, dispense, errors=wrong.errors, consent=consent)
    except UseCaseError as no:
        return _list(request, dispense, trouble=no.message, consent=consent, status=_status(no))
    return HttpResponseRedirect(reverse("dispensing:photograph", args=[reference, made.pk]))


def _list(
    request: HttpRequest,
    dispense: Dispense,
    *,
    errors: Mapping[str, str] | None = None,
    trouble: str = "",
    consent: bool = False,
    status: int = 200,
) -> HttpResponse:
    errors = errors or {}
    picture = Field(
        name="picture",
        label="Front view, JPEG or PNG",
        error=errors.get("picture", ""),
        help=f"At most {MOST_BYTES // 1_000_000} MB. Not mirrored, not cropped to one side.",
    )
    agreed = Field(
        name="consent",
        label="The client agrees that this picture is kept with the record",
        kind="tick",
        value=consent,
        error=errors.get("consent", ""),
    )
    rows = dispense.photographs.defer("image").select_related("added_by", "placed_by", "removed_by")
    context = {
        "dispense": dispense,
        "photographs": rows,
        "field": picture,
        "consent": agreed,
        "errors": [f for f in (picture, agreed) if f.error],
        "trouble": trouble,
        "why_not": why_not_change(request, dispense) or "",
        "drawing": method_picture("photograph"),
        "zone": dispense.branch.time_zone,
    }
    return _private(render(request, "dispensing/photographs.html", context, status=status))


# --- one picture -----------------------------------------------------------------------------------------------------------


@dataclass
class Typed:
    """What the form of a picture holds: as it was typed, as it was understood, and what is wrong with it."""

    text: dict[str, str] = field(default_factory=dict)
    points: dict[str, tuple[float, float]] = field(default_factory=dict)
    stated: Stated = field(default_factory=Stated)
    errors: dict[str, str] = field(default_factory=dict)


def _on_record(photograph: Photograph) -> Typed:
    stated = photographs.stated_of(photograph)
    text = {
        name: format_mm(value) if isinstance(value, Decimal) else value or ""
        for name, value in photographs.vars_of(stated).items()
    }
    points = photographs.points_of(photograph)
    for name, (x, y) in points.items():
        text[f"x.{name}"], text[f"y.{name}"] = f"{x:g}", f"{y:g}"
    return Typed(text=text, points=points, stated=stated)


def _typed(request: HttpRequest) -> Typed:
    typed = Typed(text={name: str(request.POST.get(name) or "")[:40] for name in Stated.__dataclass_fields__})
    values: dict[str, Any] = {name: typed.text[name] for name in ("reference_kind", "looking", "mark")}
    for name, (least, most, _) in photographs.STATED.items():
        read = parse_degrees if name.endswith("_deg") else parse_mm
        try:
            values[name] = read(typed.text[name], low=least, high=most)
        except OpticsError as wrong:
            typed.errors[name] = wrong.message
    if values["reference_kind"] != Photograph.Kind.LENGTH:
        typed.errors.pop("reference_mm", None)
        values["reference_mm"] = None
    typed.stated = Stated(**values)
    for name in optics.POINTS:
        pair = []
        for axis in ("x", "y"):
            text = typed.text[f"{axis}.{name}"] = str(request.POST.get(f"{axis}.{name}") or "").strip()[:40]
            try:
                value = parse_figure(text, low=0, high=20_000)
            except OpticsError as wrong:
                typed.errors[f"points.{name}"] = wrong.message
                continue
            if value is not None:
                pair.append(float(value))
        if len(pair) == 2:
            typed.points[name] = (pair[0], pair[1])
        elif pair:
            typed.errors.setdefault(f"points.{name}", "Needs both figures, across and down.")
    return typed


@require_http_methods(["GET", "HEAD", "POST"])
def photograph(request: HttpRequest, reference: str, pk: int) -> HttpResponse:
    """Place points, see what they say, keep them, take readings from them."""
    dispense = load(request, reference)
    row = _row(dispense, pk)
    if request.method != "POST":
        return _page(request, dispense, row, _on_record(row))
    typed = _typed(request)
    version = number_in(str(request.POST.get("version") or ""))
    take = request.POST.get("deed") == "use"
    if typed.errors:
        return _page(request, dispense, row, typed)
    what: dict[str, Any] = {
        "actor": request.user,
        "photograph": row,
        "version": -1 if version is None else version,  # none of any row's
        "points": typed.points,
        "stated": typed.stated,
    }
    try:
        if take:
            said = photographs.take_readings(**what).said
        else:
            photographs.place_points(**what)
    except Invalid as wrong:
        typed.errors |= wrong.errors
        return _page(request, dispense, row, typed)
    except UseCaseError as no:
        return _page(request, dispense, row, typed, trouble=no.message, status=_status(no))
    if not take:
        messages.success(request, "The points are kept.")
        return HttpResponseRedirect(reverse("dispensing:photograph", args=[reference, pk]))
    messages.success(request, "Taken as readings. Adopt them here, or read again by another method first.")
    for words in said:
        messages.warning(request, words)
    return HttpResponseRedirect(reverse("dispensing:sheet", args=[reference]) + "#part-readings")


@require_POST
def preview(request: HttpRequest, reference: str, pk: int) -> HttpResponse:
    """What the points would say as they lie now. Saves nothing."""
    dispense = load(request, reference)
    row = _row(dispense, pk)
    context = _results(dispense, row, _typed(request))
    return _private(render(request, "dispensing/photograph_results.html", context))


@require_safe
def picture(request: HttpRequest, reference: str, pk: int) -> HttpResponse:
    """The bytes we wrote ourselves, under a type that never comes from outside."""
    dispense = load(request, reference)
    row = get_object_or_404(Photograph.objects.filter(dispense=dispense, removed_at=None), pk=pk)
    answer = HttpResponse(contents.read(PHOTOGRAPHS, row), content_type=CONTENT_TYPE)
    answer["Content-Disposition"] = f'inline; filename="{dispense.reference}-{row.pk}.jpg"'
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Content-Security-Policy"] = (
        "default-src 'none'; object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'none'; sandbox"
    )
    answer["Cross-Origin-Resource-Policy"] = "same-origin"
    return _private(answer)


@require_POST
def remove(request: HttpRequest, reference: str, pk: int) -> HttpResponse:
    dispense = load(request, reference)
    row = _row(dispense, pk)
    try:
        photographs.remove_photograph(
            actor=request.user,  # type: ignore[arg-type]
            photograph=row,
            reason=str(request.POST.get("reason") or ""),
        )
    except Invalid as wrong:
        typed = _on_record(row)
        typed.errors |= wrong.errors
        typed.text["reason"] = str(request.POST.get("reason") or "")[:400]
        return _page(request, dispense, row, typed)
    except UseCaseError as no:
        return _page(request, dispense, row, _on_record(row), trouble=no.message, status=_status(no))
    messages.success(request, "The picture is removed. That it was there stays on record.")
    return HttpResponseRedirect(reverse("dispensing:photographs", args=[reference]))


def _row(dispense: Dispense, pk: int) -> Photograph:
    if pk >= 2**63:
        raise Http404
    rows = Photograph.objects.defer("image").select_related("added_by", "placed_by", "removed_by")
    return get_object_or_404(rows.filter(dispense=dispense), pk=pk)


def _status(no: UseCaseError) -> int:
    if isinstance(no, contents.Away):
        return 503
    return 403 if isinstance(no, NotAllowed) else 409 if isinstance(no, Conflict) else 200


def _private(answer: HttpResponse) -> HttpResponse:
    answer["Cache-Control"] = "private, no-store"
    return answer


# --- what the page shows ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PointRow:
    """One point as two fields; `id` is that of the first, for the summary of errors."""

    name: str
    label: str
    x: str
    y: str
    error: str
    group: str

    @property
    def id(self) -> str:
        return "x-" + self.name.replace(".", "-")

    @property
    def y_id(self) -> str:
        return "y-" + self.name.replace(".", "-")


def _page(
    request: HttpRequest, dispense: Dispense, row: Photograph, typed: Typed, *, trouble: str = "", status: int = 200
) -> HttpResponse:
    why_not = why_not_change(request, dispense) or ""
    points = [
        PointRow(
            name,
            optics.point_words(name),
            typed.text.get(f"x.{name}", ""),
            typed.text.get(f"y.{name}", ""),
            typed.errors.get(f"points.{name}", ""),
            name.partition(".")[0],
        )
        for name in optics.POINTS
    ]
    first, more = _fields(typed)
    reason = Field(
        name="reason",
        label="Why it is removed",
        value=typed.text.get("reason", ""),
        error=typed.errors.get("reason", ""),
        required=True,
    )
    everything: list[Any] = [*points, *first, *more, reason]
    wrong = [f for f in everything if f.error]
    known = {*(f"points.{p.name}" for p in points), *(f.name for f in (*first, *more)), "reason"}
    left = " ".join(words for name, words in typed.errors.items() if name not in known)
    context = {
        **_results(dispense, row, typed),
        "dispense": dispense,
        "row": row,
        "points": points,
        "marks": _marks(typed, row),
        "fields": first,
        "more_fields": more,
        "reason": reason,
        "errors": wrong,
        "trouble": " ".join(words for words in (trouble, left) if words),
        "why_not": why_not,
        "version": request.POST.get("version", row.version),
        "zone": dispense.branch.time_zone,
    }
    return _private(render(request, "dispensing/photograph.html", context, status=status))


def _marks(typed: Typed, row: Photograph) -> list[dict[str, Any]]:
    """Small crosses where the points lie, for a page without a script."""
    arm = row.width / 90
    return [
        {"name": name, "d": f"M{x - arm:.1f} {y:.1f}h{2 * arm:.1f}M{x:.1f} {y - arm:.1f}v{2 * arm:.1f}"}
        for name, (x, y) in typed.points.items()
    ]


def _fields(typed: Typed) -> tuple[list[Field], list[Field]]:
    text, errors = typed.text, typed.errors

    def figure(name: str, label: str, help_: str = "", unit: str = "mm", **more: Any) -> Field:
        return Field(
            name=name,
            label=label,
            value=text.get(name, ""),
            kind="figure",
            unit=unit,
            error=errors.get(name, ""),
            help=help_,
            attrs={"autocomplete": "off"},
            **more,
        )

    def choice(name: str, label: str, choices: Any, help_: str = "") -> Field:
        return Field(
            name=name,
            label=label,
            value=text.get(name, ""),
            kind="select",
            choices=choices,
            error=errors.get(name, ""),
            help=help_,
        )

    first = [
        choice("reference_kind", "Reference", _KINDS),
        figure("reference_mm", "Its length", "Between the two ends that are marked."),
        figure("camera_mm", "Camera to the bridge", "Measured, to the lens of the camera.", required=True),
        choice("looking", "The client looks", _LOOKING),
    ]
    more = [
        choice("mark", "Marked on the eyes", _MARKS),
        figure("reference_ahead_mm", "Reference before the lens plane", "Behind it: a minus. On the forehead about −5."),
        figure("camera_above_mm", "Camera above the client’s eyes", "Below: a minus. Level is best."),
        figure("turn_deg", "Face turned to the client’s left", "To the right: a minus.", unit="°"),
    ]
    return first, more


@dataclass(frozen=True)
class Shown:
    """One result beside what else is on record."""

    label: str
    value: str
    doubt: str  # twice the standard uncertainty
    need: str
    met: bool | None
    others: str
    differs: str
    agrees: bool | None


def _results(dispense: Dispense, row: Photograph, typed: Typed) -> dict[str, Any]:
    """What the points say, or why they say nothing yet."""
    out: dict[str, Any] = {"dispense": dispense, "row": row, "found": None, "waits": "", "missing": []}
    if row.removed_at is not None and not row.points:
        return out | {"waits": "No points were placed before the picture was removed."}
    loaded = whole(dispense)
    case = loaded.recorded
    errors = dict(typed.errors) or photographs.faults(row, typed.points, typed.stated)
    if errors:
        return out | {"waits": "Some of what is typed needs another look."}
    needed = [*optics.PUPIL_POINTS, *optics.RIM_POINTS]
    if typed.stated.reference_kind != Photograph.Kind.FRAME:
        needed += optics.REFERENCE_POINTS
    missing = [name for name in needed if name not in typed.points]
    if missing:
        return out | {"missing": [optics.point_words(name) for name in missing], "needed": len(needed)}
    try:
        found = photographs.result(row, typed.points, typed.stated, case)
    except NotStated as wrong:
        label = {"camera_mm": "Camera to the bridge", "reference_mm": "Reference"}.get(wrong.argument, wrong.argument)
        return out | {"waits": f"{label}: {wrong.why}"}
    except OpticsError as wrong:
        words = optics.point_words(wrong.argument) if wrong.argument in optics.POINTS else wrong.argument.replace("_", " ")
        return out | {"waits": f"{words[:1].upper()}{words[1:]}: {wrong.why}"}
    frame = case.frame
    return out | {
        "found": found,
        "rows": [_shown(loaded, found, *line) for line in _ROWS],
        "notes": found.notes,
        "box": {
            "a": f"{0.5 * (found.a_right.value + found.a_left.value):.1f}",
            "b": f"{0.5 * (found.b_right.value + found.b_left.value):.1f}",
            "dbl": f"{found.dbl.value:.1f}",
        },
        "frame": frame,
        "parts": [
            ("Far PD, R", _part_words(found.far_pd_right)),
            ("Height, R", _part_words(found.height_right)),
        ],
        "no_readings": photographs.why_no_readings(row, dispense),
    }


def _part_words(measured: optics.Measured) -> str:
    largest = [f"{name} {size:.2f}" for name, size in measured.parts if size >= 0.05]
    return ", ".join(largest) + " mm" if largest else "nothing above 0.05 mm"


def _shown(loaded: Loaded, found: optics.Result, name: str, quantity: str, eye: str, label: str) -> Shown:
    measured: optics.Measured = getattr(found, name)
    need = None
    if eye != "both":
        need = getattr(loaded.sheet.found.figures.of("left" if eye == "left" else "right"), _NEEDS[quantity])
    others = []
    read_as = photographs.height_quantity(loaded.recorded) if quantity == "height" else quantity
    for reading in loaded.rows.readings:
        if (reading.quantity, reading.eye) != (read_as, eye) or reading.struck_out_at or reading.in_doubt:
            continue
        if reading.method == "photograph":
            continue
        value: float | None = float(reading.value)
        if quantity == "height":
            value = loaded.desk.box_height(float(reading.value), reading.reference, eye)
        if value is not None:
            others.append(value)
    others.sort()
    middle = None if not others else 0.5 * (others[(len(others) - 1) // 2] + others[len(others) // 2])
    differs = None if middle is None else measured.value - middle
    return Shown(
        label=label,
        value=f"{photographs.tenth(measured.value)}",
        doubt=f"{photographs.tenth(measured.expanded)}",
        need="" if need is None else f"{need:.1f}",
        met=None if need is None else measured.expanded <= need,
        others=", ".join(f"{v:.1f}" for v in others),
        differs="" if differs is None else f"{photographs.tenth(differs):+}".replace("-", "−"),
        agrees=None if differs is None else abs(differs) <= 2.0 * math.hypot(measured.u, BY_HAND_MM),
    )


_AT = "dispenses/<str:reference>/photographs/"
urlpatterns = [
    path(_AT, pictures, name="photographs"),
    path(_AT + "<int:pk>/", photograph, name="photograph"),
    path(_AT + "<int:pk>/preview/", preview, name="photograph_preview"),
    path(_AT + "<int:pk>/picture.jpg", picture, name="photograph_picture"),
    path(_AT + "<int:pk>/remove/", remove, name="remove_photograph"),
]
