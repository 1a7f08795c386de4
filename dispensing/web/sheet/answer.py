"""Two ways to answer the same deed: the whole page for a plain form, named fragments for a page that saves as one goes."""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Mapping
from typing import Any, cast

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.template.loader import render_to_string
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.cache import patch_vary_headers

from dispensing import measuring, sign_off
from dispensing.assess import keep_counts
from dispensing.forms import Entry, Parsed, errors_of, shown
from dispensing.models import Dispense
from dispensing.record import ORDER_OF_PARTS, Saved
from dispensing.web.sheet import catalogue, markup, markup_readings
from dispensing.web.sheet.load import Loaded, again, whole, why_not_change
from dispensing.web.sheet.present import Deed
from practice import access
from practice.errors import NotAllowed, UseCaseError
from practice.models import Staff

TEXTS = ("figures", "findings", "readings-now")  # drawn without a template
FRAGMENTS = {
    "picture": "dispensing/sheet/picture.html",
    "review": "dispensing/sheet/review.html",
    "fit-actions": "dispensing/sheet/fit_actions.html",
    "rx-actions": "dispensing/sheet/rx_actions.html",
    "blanks": "dispensing/sheet/blanks.html",
}


def wants_fragments(request: HttpRequest) -> bool:
    """Whether a script asked: the one predicate for "fragments or page"."""
    return "application/json" in request.headers.get("Accept", "")


def done(request: HttpRequest, saved: Saved, part: str, parsed: Parsed | None = None) -> HttpResponse:
    """A deed that went through."""
    dispense = again(saved.dispense)
    if wants_fragments(request):
        loaded = whole(dispense, why_not=why_not_change(request, dispense))
        keep_counts(dispense, loaded.to_answer)
        return fragments(request, loaded, parsed=(parsed,) if parsed else (), said=saved.said, state="saved")
    for words in saved.said:
        messages.warning(request, words)
    keep_counts(dispense, whole(dispense).to_answer)
    return HttpResponseRedirect(reverse("dispensing:sheet", args=[dispense.reference]) + f"#part-{part}")


def refused(
    request: HttpRequest,
    dispense: Dispense,
    *,
    parsed: Parsed | None = None,
    trouble: str = "",
    clash: str = "",
    error: UseCaseError | None = None,
) -> HttpResponse:
    """Nothing was saved: the page as it is, with what was typed kept and every message beside its field."""
    dispense = again(dispense)
    status = 403 if isinstance(error, NotAllowed) else 409 if clash else 200
    parts = {parsed.part: parsed} if parsed else {}
    loaded = whole(dispense, parsed=parts, why_not=why_not_change(request, dispense))
    if parsed and clash:
        theirs = whole(dispense).sheet.entries
        parsed = parsed.against(theirs)
        loaded = whole(dispense, parsed={parsed.part: parsed}, why_not=why_not_change(request, dispense))
    if wants_fragments(request):
        return fragments(
            request,
            loaded,
            parsed=(parsed,) if parsed else (),
            trouble=trouble or (error.message if error else ""),
            clash=clash,
            state="refused",
            status=status if status != 200 else 200,
        )
    return page(
        request,
        loaded,
        status=status,
        trouble=trouble or (error.message if error else ""),
        clash=clash,
        clash_part=parsed.part if parsed and clash else "",
        wrong=errors_of(parsed.entries.values()) if parsed else [],
        open_part=parsed.part if parsed else "",
    )


def page(request: HttpRequest, loaded: Loaded, *, status: int = 200, **more: Any) -> HttpResponse:
    """The whole sheet."""
    sheet = loaded.sheet
    _review(request, loaded)
    query = request.GET.get("frame", "")
    wrong: Iterable[Entry] = more.get("wrong", ())
    context = {
        **context_of(loaded),
        "lens_choices": catalogue.lens_choices(sheet.dispense),
        "treatments": catalogue.treatments(sheet.dispense),
        "set_up": measuring.SET_UP,
        "guides_shown": measuring.GUIDES,
        "frame_query": query,
        "frames": catalogue.find_frames(sheet.dispense, query),
        "prescriptions": [
            (key, p) for key, p in reversed(loaded.rows.prescriptions.items()) if key != sheet.dispense.prescription_id
        ],
        **more,
        "errors": [{"id": e.spec.id, "label": e.spec.label, "error": e.error} for e in wrong],
    }
    return render(request, "dispensing/sheet.html", context, status=status)


def _review(request: HttpRequest, loaded: Loaded) -> None:
    """What can be done with the whole now, and what comes next."""
    sheet = loaded.sheet
    dispense, found, state = sheet.dispense, loaded.to_answer, sheet.dispense.state
    State = Dispense.State
    sign_off_url = reverse("dispensing:sign_off", args=[dispense.reference])
    signature_needed = sign_off.needs_signature(dispense)
    deeds: list[Deed] = []
    if state in (State.OPEN, State.RETURNED) and signature_needed:
        sheet.next_step = signature_needed
        if stops := found.open_stops:
            must = "1 finding must be cleared" if len(stops) == 1 else f"{len(stops)} findings must be cleared"
            sheet.next_step += f" Before it can be put forward {must}: {stops[0].message}"
        elif sheet.allowed:
            deeds.append(Deed("Put forward for signature", sign_off_url, "main"))
    elif state == State.WAITING:
        sheet.next_step = "It waits for a signature."
        signs = access.signing_role(request.user, dispense.branch) is not None
        deeds.append(Deed("Sign or return", sign_off_url, "main") if signs else Deed("Signatures", sign_off_url))
    issue_url = _url("orders:issue", dispense.reference)
    if issue_url and state in (State.OPEN, State.RETURNED, State.SIGNED):
        no = sign_off.why_not_issue(actor=cast("Staff", request.user), dispense=dispense, found=found)
        if no is None:
            deeds.append(Deed("Issue the order", issue_url, "main"))
        elif not signature_needed or state == State.SIGNED:
            sheet.next_step = no
            if not found.open_stops and (asked := found.open_confirms):
                sheet.next_step += f" {asked[0].message}"
    if state in (State.SIGNED, State.ORDERED, State.COLLECTED):
        deeds.append(Deed("Signatures", sign_off_url))
    sheet.deeds = deeds
    if state == State.RETURNED:
        sheet.last_comment = dispense.signatures.filter(decision="returned").select_related("by").last()


def _url(name: str, reference: str) -> str:
    """An address of a floor above, where it is installed."""
    try:
        return reverse(name, args=[reference])
    except NoReverseMatch:
        return ""


def context_of(loaded: Loaded) -> dict[str, Any]:
    return {
        "sheet": loaded.sheet,
        "entries": loaded.sheet.entries,
        "desk": loaded.desk,
        "dispense": loaded.sheet.dispense,
        "case": loaded.recorded,
        "entry_token": secrets.token_hex(8),
    }


def fragments(
    request: HttpRequest,
    loaded: Loaded,
    *,
    parsed: Iterable[Parsed] = (),
    said: Iterable[str] = (),
    trouble: str = "",
    clash: str = "",
    state: str,
    status: int = 200,
    only: Iterable[str] = (*FRAGMENTS, *TEXTS),
) -> JsonResponse:
    """Named pieces of the page and, for every field that was sent, how it was understood or what is wrong with it."""
    sheet = loaded.sheet
    only = tuple(only)
    if "review" in only:
        _review(request, loaded)
    # without the request: what a whole page shows around its content would cost queries here for nothing
    token = get_token(request)
    context = {**context_of(loaded), "csrf_token": token}
    pieces: dict[str, str] = {name: render_to_string(FRAGMENTS[name], context) for name in only if name in FRAGMENTS}
    if "review" in only:
        pieces["next"] = markup.next_thing(sheet)
    if "figures" in only:
        pieces["figures"] = markup.figures(sheet)
    if "readings-now" in only:
        pieces["readings-now"] = markup_readings.readings_now(sheet, loaded.desk)
    if "findings" in only:
        pieces["findings"] = markup.findings(sheet, token=token, previewing=state == "typing")
    for part in sheet.parts.values():
        pieces[f"head-{part.name}"] = markup.head(part)
    answer = JsonResponse(
        {
            "state": state,
            "fragments": pieces,
            "fields": {path: field_answer(e) for p in parsed for path, e in p.entries.items()},
            "versions": {name: sheet.parts[name].version for name in ORDER_OF_PARTS},
            "version": sheet.dispense.version,
            "dispense_state": sheet.dispense.state,
            "live": sheet.tally,
            "said": list(said),
            "trouble": trouble,
            "clash": clash,
            "at": timezone.now().isoformat(),
        },
        status=status,
    )
    patch_vary_headers(answer, ["Accept"])
    return answer


def field_answer(e: Entry) -> Mapping[str, Any]:
    answer: dict[str, Any] = {}
    if e.error:
        answer["error"] = e.error
    elif e.typed:
        answer["shown"] = shown(e.spec, e.value)
        if e.echo:
            answer["echo"] = e.echo
    if e.theirs is not None:
        answer["theirs"] = e.theirs
    return answer
