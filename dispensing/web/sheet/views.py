"""The addresses of the sheet. Each deed calls one use case; nothing is decided here."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal, InvalidOperation
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from dispensing import forms, measure, measuring, record
from dispensing.assess import give_reason
from dispensing.forms import Parsed
from dispensing.models import CatalogueFrame, Dispense, Prescription, Reading
from dispensing.record import PartConflict, Saved
from dispensing.web.sheet import catalogue
from dispensing.web.sheet.answer import context_of, done, fragments, page, refused, wants_fragments
from dispensing.web.sheet.entries import (
    LensRows,
    eye_values,
    fit_values,
    frame_values,
    lens_values,
    needs_values,
    overlay,
    prescription_values,
)
from dispensing.web.sheet.load import again, load, whole, why_not_change
from dispensing.web.sheet.presence import presence
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused, UseCaseError
from practice.models import Client, Staff
from practice.web.seen import readings_shown

Answer = HttpResponse


def _actor(request: HttpRequest) -> Staff:
    assert isinstance(request.user, Staff)
    return request.user


def _version(request: HttpRequest) -> int:
    """The version of the part as it was read; what is no number matches nothing, so nothing is overwritten."""
    text = str(request.POST.get("version") or "")
    return int(text) if re.fullmatch(r"[0-9]{1,9}", text, re.ASCII) else -1


@require_GET
def sheet(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    readings_shown(request, reference)
    return page(request, whole(dispense, why_not=why_not_change(request, dispense)))


# --- saving a part -----------------------------------------------------------------------------------------------------


def _save_needs(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    return record.save_needs(actor=actor, dispense=dispense, version=version, **needs_values(p))


def _save_prescription(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    return record.save_prescription(actor=actor, dispense=dispense, version=version, **prescription_values(p))


def _save_frame(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    return record.choose_frame(actor=actor, dispense=dispense, version=version, **frame_values(p, dispense))


def _save_fit(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    use_case = record.confirm_fit if request.POST.get("confirm") else record.save_fit
    return use_case(actor=actor, dispense=dispense, version=version, **fit_values(p))


def _save_lens(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    rows = LensRows(p, dispense)
    if rows.errors:
        raise Invalid(rows.errors)
    return record.choose_lens(actor=actor, dispense=dispense, version=version, **lens_values(p, rows))


def _save_readings(actor: Staff, dispense: Dispense, version: int, p: Parsed, request: HttpRequest) -> Saved:
    return _add_readings(actor, dispense, p, request)


def _add_readings(actor: Staff, dispense: Dispense, p: Parsed, request: HttpRequest) -> Saved:
    entry = str(request.POST.get("entry") or "")
    typed = forms.typed_readings(p, entry if re.fullmatch(r"[A-Za-z0-9-]{1,36}", entry) else "")
    try:
        return measure.add_readings(actor=actor, dispense=dispense, readings=typed.readings)
    except Invalid as wrong:
        raise Invalid(typed.errors_by_field(wrong.errors)) from wrong


_SAVERS: dict[str, Callable[[Staff, Dispense, int, Parsed, HttpRequest], Saved]] = {
    "needs": _save_needs,
    "prescription": _save_prescription,
    "frame": _save_frame,
    "fit": _save_fit,
    "readings": _save_readings,
    "lens": _save_lens,
}


@require_POST
def save(request: HttpRequest, reference: str, part: str) -> Answer:
    """Save one part. A plain form gets the whole page back; a script gets fragments."""
    if part not in _SAVERS:
        raise Http404
    dispense = load(request, reference)
    parsed = _parse(part, request, dispense)
    if parsed.errors:
        return refused(request, dispense, parsed=parsed)
    try:
        saved = _SAVERS[part](_actor(request), dispense, _version(request), parsed, request)
    except Invalid as wrong:
        return _invalid(request, dispense, parsed, wrong)
    except PartConflict as clash:
        if _same_already(clash.theirs, parsed):
            # sent again because the answer to the first time was lost: what is on record is what was meant
            # (that the fit is final may not be: it is said now)
            if part == "fit" and request.POST.get("confirm"):
                theirs, at = clash.theirs, record.part_version(clash.theirs, part)
                return _deed(request, theirs, part, lambda: _save_fit(_actor(request), theirs, at, parsed, request))
            return done(request, Saved(dispense=clash.theirs, changed=False), part, parsed)
        return refused(request, dispense, parsed=parsed, clash=clash_words(clash), error=clash)
    except UseCaseError as no:
        return refused(request, dispense, parsed=parsed, error=no)
    return done(request, saved, part, parsed)


def _same_already(dispense: Dispense, parsed: Parsed) -> bool:
    theirs = whole(again(dispense)).sheet.entries
    return not any(e.theirs is not None for e in parsed.against(theirs).entries.values())


def _parse(part: str, request: HttpRequest, dispense: Dispense) -> Parsed:
    """The fields of a part; name, material and child of a catalogue frame are not on the page, so they are not read."""
    parsed = forms.parse(part, request.POST)
    if part == "frame" and dispense.frame_item_id is not None:
        own = ("frame.name", "frame.material", "frame.child")
        return Parsed(part, {p: e for p, e in parsed.entries.items() if p not in own})
    return parsed


def _invalid(request: HttpRequest, dispense: Dispense, parsed: Parsed, wrong: Invalid) -> Answer:
    with_errors = parsed.with_errors(wrong.errors)
    beside = with_errors.errors
    left = [m for p, m in wrong.errors.items() if forms.field_path(p) not in beside and p not in beside]
    return refused(request, dispense, parsed=with_errors, trouble=" ".join(left))


def clash_words(clash: PartConflict) -> str:
    who = clash.by.initials if clash.by else "somebody"
    minutes = int((timezone.now() - clash.at).total_seconds() // 60)
    when = "just now" if minutes < 1 else "a minute ago" if minutes < 2 else f"{minutes} minutes ago"
    return f"Changed by {who} {when}."


@require_POST
def preview(request: HttpRequest, reference: str) -> Answer:
    """What the checks would say of everything as it is typed. Saves nothing."""
    dispense = load(request, reference)
    sent = set(str(request.POST.get("parts") or "").split()) or set(forms.PART_NAMES)
    parsed = {part: _parse(part, request, dispense) for part in forms.PART_NAMES if part in sent}
    if "readings" in parsed:
        parsed["readings"] = _with_reading_faults(parsed["readings"], dispense)
    loaded = whole(dispense, parsed=parsed, over=lambda case: overlay(case, dispense, parsed))
    if not wants_fragments(request):
        return page(request, loaded)
    return fragments(request, loaded, parsed=parsed.values(), state="typing", only=("picture", "figures", "findings"))


def _with_reading_faults(parsed: Parsed, dispense: Dispense) -> Parsed:
    typed = forms.typed_readings(parsed)
    errors = measure.faults(typed.readings, dispense)
    return parsed.with_errors(typed.errors_by_field(errors))


# --- prescription ------------------------------------------------------------------------------------------------------


@require_POST
def use_prescription(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    key = str(request.POST.get("prescription") or "")
    rows = Prescription.objects.filter(client=dispense.client_id)
    row = rows.filter(pk=int(key)).first() if re.fullmatch(r"[0-9]{1,18}", key, re.ASCII) else None
    if row is None:
        return refused(request, dispense, trouble="That prescription is not on this client's record.")
    return _deed(
        request,
        dispense,
        "prescription",
        lambda: record.use_prescription(
            actor=_actor(request), dispense=dispense, version=_version(request), prescription=row
        ),
    )


@require_POST
def import_prescription(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    upload = request.FILES.get("document")
    text = str(request.POST.get("text") or "")
    if upload is not None:
        text = upload.read(300_000).decode("utf-8", "replace")
    try:
        saved = record.import_prescription(actor=_actor(request), dispense=dispense, version=_version(request), text=text)
    except Invalid as wrong:
        return refused(request, dispense, trouble=" ".join(wrong.errors.values()))
    except UseCaseError as no:
        return refused(request, dispense, error=no)
    return done(request, saved, "prescription")


def read_back(request: HttpRequest, reference: str) -> Answer:
    """The powers typed again without seeing them. The page shows none of what is on record."""
    dispense = load(request, reference)
    specs = {p: s for p, s in forms.specs("prescription").items() if p.rpartition(".")[2] in _READ_BACK}
    differences: tuple[record.Difference, ...] = ()
    trouble = ""
    status = 200
    entries = {p: forms.filled(s, None) for p, s in specs.items()}
    if request.method == "POST":
        parsed = Parsed("prescription", {p: forms.read(s, request.POST) for p, s in specs.items()})
        entries = dict(parsed.entries)
        if not parsed.errors:
            try:
                result = record.read_back_prescription(
                    actor=_actor(request),
                    dispense=dispense,
                    version=_version(request),
                    right=eye_values(parsed, "right"),
                    left=eye_values(parsed, "left"),
                )
            except Invalid as wrong:
                entries = dict(parsed.with_errors(wrong.errors).entries)
            except UseCaseError as no:
                trouble, status = no.message, 403 if isinstance(no, NotAllowed) else 200
            else:
                if result.matched:
                    messages.success(request, "Read back: both agree.")
                    return HttpResponseRedirect(_sheet_url(dispense, "prescription"))
                differences = result.differences
    dispense.refresh_from_db(fields=["part_versions"])
    return render(
        request,
        "dispensing/sheet_read_back.html",
        {
            "dispense": dispense,
            "entries": entries,
            "version": record.part_version(dispense, "prescription"),
            "differences": [(forms.all_specs()[forms.field_path(d.path)].label, d) for d in differences],
            "trouble": trouble,
            "errors": [{"id": e.spec.id, "label": e.spec.label, "error": e.error} for e in entries.values() if e.error],
        },
        status=status,
    )


_READ_BACK = frozenset({"sphere", "cylinder", "axis", "add", "prism_h", "prism_v"})


# --- frame -------------------------------------------------------------------------------------------------------------


@require_GET
def frames(request: HttpRequest, reference: str) -> Answer:
    """Frames found, for the list under the search field."""
    dispense = load(request, reference)
    query = str(request.GET.get("frame") or "")
    return render(
        request,
        "dispensing/sheet/frames.html",
        {
            "dispense": dispense,
            "frames": catalogue.find_frames(dispense, query),
            "frame_query": query,
            "frame_version": record.part_version(dispense, "frame"),
        },
    )


@require_POST
def choose_frame(request: HttpRequest, reference: str) -> Answer:
    """Take a catalogue frame with its own figures, or begin the client's own frame with none."""
    dispense = load(request, reference)
    key = str(request.POST.get("item") or "")
    if key == "own":
        return _deed(
            request,
            dispense,
            "frame",
            lambda: record.choose_frame(
                actor=_actor(request),
                dispense=dispense,
                version=_version(request),
                measured={"name": "client’s own frame"},
            ),
        )
    rows = CatalogueFrame.objects.filter(group=dispense.group_id, retired_on=None)
    row = rows.filter(pk=int(key)).first() if re.fullmatch(r"[0-9]{1,18}", key, re.ASCII) else None
    if row is None:
        return refused(request, dispense, trouble="That frame is not in the catalogue.")
    return _deed(
        request,
        dispense,
        "frame",
        lambda: record.choose_frame(actor=_actor(request), dispense=dispense, version=_version(request), item=row),
    )


# --- readings ----------------------------------------------------------------------------------------------------------


@require_POST
def adopt(request: HttpRequest, reference: str) -> Answer:
    """Adopt a value, or every suggestion ("all"); readings typed and not yet saved are saved first."""
    dispense = load(request, reference)
    parsed = forms.parse("readings", request.POST)
    typed = forms.typed_readings(parsed)
    if parsed.errors:
        return refused(request, dispense, parsed=parsed)
    said: list[str] = []
    try:
        with transaction.atomic():  # the readings and every value adopted, or nothing
            version = _version(request)
            if typed.readings:
                added = _add_readings(_actor(request), dispense, parsed, request)
                said += added.said
                if version == record.part_version(dispense, "readings"):
                    version = record.part_version(added.dispense, "readings")
            for choice in _choices(request, dispense):
                saved = measure.adopt_value(actor=_actor(request), dispense=dispense, version=version, **choice)
                version = record.part_version(saved.dispense, "readings")
                said += saved.said
    except Invalid as wrong:
        return _invalid(request, dispense, parsed, wrong)
    except PartConflict as clash:
        return refused(request, dispense, parsed=parsed if typed.readings else None, clash=clash_words(clash), error=clash)
    except UseCaseError as no:
        return refused(request, dispense, parsed=parsed if typed.readings else None, error=no)
    return done(request, Saved(dispense=dispense, said=tuple(said)), "readings")


def _choices(request: HttpRequest, dispense: Dispense) -> list[dict[str, Any]]:
    text = str(request.POST.get("adopt") or "")
    if text == "all":
        rows = list(dispense.readings.all())
        desk = whole(dispense).desk
        return [
            {
                "quantity": cell.quantity,
                "eye": cell.eye,
                "value": found.value,
                "reference": found.reference,
                "how": found.how,
            }
            for cell in desk.waiting
            if (found := measure.suggestion(rows, cell.quantity, cell.eye)) is not None
        ]
    words = text.split("|")
    if len(words) != 5:
        raise Refused("Choose a value to adopt.")
    quantity, eye, value, reference, how = words
    try:
        number = None if value == "none" else Decimal(value)
    except InvalidOperation:
        raise Invalid({f"measurements.{eye}.{quantity}": "That is not a figure."}) from None
    return [{"quantity": quantity, "eye": eye, "value": number, "reference": reference, "how": how}]


@require_POST
def strike_out(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    key = str(request.POST.get("strike") or "")
    row = (
        Reading.objects.filter(dispense=dispense, pk=int(key)).first()
        if re.fullmatch(r"[0-9]{1,18}", key, re.ASCII)
        else None
    )
    if row is None:
        return refused(request, dispense, trouble="That reading is not on this dispense.")
    names = (f"strike_reason_{row.pk}", f"strike_reason_{row.quantity}_{row.eye}", "strike_reason")
    reason = next((text for name in names if (text := str(request.POST.get(name) or ""))), "")
    return _deed(
        request,
        dispense,
        "readings",
        lambda: measure.strike_out_reading(actor=_actor(request), dispense=dispense, reading=row, reason=reason),
    )


@require_POST
def measurement_reason(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    text = str(request.POST.get("reason") or "").strip()
    if len(text) > 400 or "\x00" in text:
        return refused(request, dispense, trouble="A reason has at most 400 characters.")
    return _deed(
        request,
        dispense,
        "readings",
        lambda: measure.save_measurement_reason(
            actor=_actor(request), dispense=dispense, version=_version(request), reason=text
        ),
    )


# --- findings, cancel, start -------------------------------------------------------------------------------------------


@require_POST
def reason(request: HttpRequest, reference: str) -> Answer:
    """Why a finding is right this time."""
    dispense = load(request, reference)
    key, text = str(request.POST.get("finding") or ""), str(request.POST.get("reason") or "")
    try:
        seen = request.POST.get("seen")
        give_reason(actor=_actor(request), dispense=dispense, finding_key=key, text=text, seen=seen)
    except Invalid as wrong:
        return _reason_refused(request, dispense, key, text, " ".join(wrong.errors.values()))
    except UseCaseError as no:
        return refused(request, dispense, error=no)
    return done(request, Saved(dispense=dispense), "review")


def _reason_refused(request: HttpRequest, dispense: Dispense, key: str, text: str, message: str) -> Answer:
    loaded = whole(dispense, why_not=why_not_change(request, dispense))
    loaded.sheet.findings = [
        replace(v, typed=text, error=message) if v.finding.key == key else v for v in loaded.sheet.findings
    ]
    if wants_fragments(request):
        return fragments(request, loaded, state="refused", trouble=message)
    return page(request, loaded, trouble=message)


@require_POST
def cancel(request: HttpRequest, reference: str) -> Answer:
    dispense = load(request, reference)
    text = str(request.POST.get("reason") or "")
    try:
        record.cancel_dispense(actor=_actor(request), dispense=dispense, version=_version(request), reason=text)
    except Invalid as wrong:
        return refused(request, dispense, trouble=" ".join(wrong.errors.values()))
    except Conflict as clash:
        return refused(request, dispense, clash=clash.message, error=clash)
    except UseCaseError as no:
        return refused(request, dispense, error=no)
    messages.success(request, "The dispense is cancelled; its record stays.")
    return HttpResponseRedirect(_sheet_url(dispense))


@require_POST
def start(request: HttpRequest, reference: str) -> Answer:
    """Open a dispense for a client, at the branch one works from now."""
    from practice.web.shell import branch_of

    client = get_object_or_404(access.visible_clients(request.user), reference=reference)
    branch = branch_of(request)
    if branch is None:
        raise Http404
    earlier = None
    if given := str(request.POST.get("earlier") or ""):
        earlier = get_object_or_404(access.scoped(Dispense.objects.filter(client=client), request.user), reference=given)
    try:
        dispense = record.start_dispense(actor=_actor(request), client=client, branch=branch, earlier=earlier)
    except UseCaseError as no:
        messages.error(request, no.message)
        return HttpResponseRedirect(_client_url(client))
    return HttpResponseRedirect(_sheet_url(dispense))


def _client_url(client: Client) -> str:
    return reverse("dispensing:client", args=[client.reference])


# --- the common part ---------------------------------------------------------------------------------------------------


def _deed(request: HttpRequest, dispense: Dispense, part: str, use_case: Callable[[], Saved]) -> Answer:
    try:
        saved = use_case()
    except PartConflict as clash:
        return refused(request, dispense, clash=clash_words(clash), error=clash)
    except Invalid as wrong:
        return refused(request, dispense, trouble=" ".join(wrong.errors.values()))
    except UseCaseError as no:
        return refused(request, dispense, error=no)
    return done(request, saved, part)


def _sheet_url(dispense: Dispense, part: str = "") -> str:
    return reverse("dispensing:sheet", args=[dispense.reference]) + (f"#part-{part}" if part else "")


@require_GET
def working(request: HttpRequest, reference: str, figure: str) -> Answer:
    """How a figure comes about: formula, what was put in, steps, source."""
    from dispensing.working import working as working_of

    dispense = load(request, reference)
    loaded = whole(dispense)
    shown = working_of(figure, loaded.recorded, loaded.sheet.found.figures)
    if shown is None:
        raise Http404
    template = "dispensing/sheet/working.html" if request.headers.get("HX-Request") else "dispensing/sheet_working.html"
    return render(request, template, {**context_of(loaded), "working": shown})


@require_GET
def how_to_measure(request: HttpRequest) -> Answer:
    """Every method on one page."""
    return render(request, "dispensing/sheet_measuring.html", {"guides": measuring.GUIDES, "set_up": measuring.SET_UP})


@require_GET
def guide(request: HttpRequest, method: str) -> Answer:
    """One method, to be shown where it is used."""
    found = measuring.BY_METHOD.get(method)
    if found is None:
        raise Http404
    return render(request, "dispensing/sheet_guide.html", {"g": found})


_AT = "dispenses/<str:reference>/"
urlpatterns = [
    path(_AT, sheet, name="sheet"),
    path(_AT + "save/<str:part>/", save, name="save_part"),
    path(_AT + "preview/", preview, name="preview"),
    path(_AT + "prescription/use/", use_prescription, name="use_prescription"),
    path(_AT + "prescription/import/", import_prescription, name="import_prescription"),
    path(_AT + "prescription/read-back/", read_back, name="read_back"),
    path(_AT + "frames/", frames, name="sheet_frames"),
    path(_AT + "frame/choose/", choose_frame, name="choose_frame"),
    path(_AT + "readings/adopt/", adopt, name="adopt"),
    path(_AT + "readings/strike-out/", strike_out, name="strike_out"),
    path(_AT + "readings/reason/", measurement_reason, name="measurement_reason"),
    path(_AT + "reason/", reason, name="reason"),
    path(_AT + "presence/", presence, name="presence"),
    path(_AT + "cancel/", cancel, name="cancel"),
    path(_AT + "working/<str:figure>/", working, name="working"),
    path("clients/<str:reference>/dispenses/", start, name="start"),
    path("measuring/", how_to_measure, name="measuring"),
    path("measuring/<str:method>/", guide, name="guide"),
]
