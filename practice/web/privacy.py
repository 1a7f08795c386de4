"""What is held on one client: what they agreed to, handing it over, until when it is kept, and forgetting them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods, require_POST

from practice import access
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Client
from practice.privacy import consent
from practice.privacy.erase import erase_client, what_goes, why_not_erase
from practice.privacy.export import Export, export_client
from practice.privacy.retention import kept
from practice.web import proving
from practice.web.fields import Field, with_errors
from practice.web.seen import opened
from practice.words import dates_meant

FORMATS = {
    "zip": ("application/zip", "everything with pictures"),
    "json": ("application/json", "JSON"),
    "pdf": ("application/pdf", "PDF"),
}


def _client(request: HttpRequest, reference: str) -> Client:
    client = get_object_or_404(access.visible_clients(request.user).select_related("branch", "group"), reference=reference)
    opened(request, client, f"client {reference}")
    return client


@require_http_methods(["GET", "HEAD", "POST"])
def held_page(request: HttpRequest, reference: str) -> HttpResponse:
    client = _client(request, reference)
    deed, errors, trouble = request.POST.get("deed", ""), dict[str, str](), ""
    if request.method == "POST":
        try:
            words = _do(request, client, deed)
        except Invalid as problem:
            errors = problem.errors
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, words)
            return redirect("practice:held", reference)
    return _page(request, client, deed, errors, trouble)


def _do(request: HttpRequest, client: Client, deed: str) -> str:
    post = request.POST
    if deed in ("given", "withdrawn"):
        typed, on = post.get("on", "")[:40].strip(), None
        if typed:
            meant = dates_meant(typed, client.branch.today())
            if not meant:
                raise Invalid({"on": "Day, month, year, such as 12/3/2026."})
            on = meant[0]
        note = consent.note_consent(
            actor=request.user,  # type: ignore[arg-type]
            client=client,
            purpose=post.get("purpose", "")[:1000],
            given=deed == "given",
            on=on,
            how=post.get("how", "")[:1000],
        )
        return f"Noted: {note.purpose} is {'agreed to' if note.given else 'taken back'}."
    if deed == "erase":
        access.require(request.user, "client.erase", branch=client.branch)  # before anything is asked of them
        proving.ask(request)
        erase_client(actor=request.user, client=client, reason=post.get("reason", "")[:2000])  # type: ignore[arg-type]
        return f"{client.reference} is erased. What was made remains, and is nobody's."
    raise Refused("Nothing was done: choose one of the buttons.")


def _page(
    request: HttpRequest, client: Client, deed: str = "", errors: dict[str, str] | None = None, trouble: str = ""
) -> HttpResponse:
    errors = errors or {}
    client.refresh_from_db()
    post, mine = request.POST, deed in ("given", "withdrawn")

    def typed(name: str, of: bool) -> str:
        return post.get(name, "")[:2000] if of else ""

    def wrong(name: str, of: bool) -> str:
        return errors.get(name, "") if of else ""

    notes = [
        Field(
            name="purpose",
            label="What it is for",
            value=typed("purpose", mine),
            error=wrong("purpose", mine),
            autocomplete="off",
            help="Such as reminders by email, or photographs for measuring.",
        ),
        Field(
            name="on",
            label="Said on",
            value=typed("on", mine),
            error=wrong("on", mine),
            autocomplete="off",
            help="Empty: today.",
        ),
        Field(
            name="how", label="How", value=typed("how", mine), error=wrong("how", mine), autocomplete="off",
            help="In words, on paper, by email.",
        ),
    ]  # fmt: skip
    handing = Field(
        name="reason",
        ident="hand-over-reason",
        label="Who asked for it and why",
        value=typed("reason", deed == "export"),
        error=wrong("reason", deed == "export"),
        autocomplete="off",
        wide=True,
    )
    erasing = Field(
        name="reason",
        ident="erase-reason",
        label="Why",
        value=typed("reason", deed == "erase"),
        error=wrong("reason", deed == "erase"),
        autocomplete="off",
        help="Without the client’s name: this sentence stays.",
        wide=True,
    )
    # neither leaves by a PIN, nor at a page somebody left open
    prove = {
        of: replace(field, ident=f"{of}-password", error=wrong("password", deed == of))
        for of in ("export", "erase")
        if (field := proving.field(request)) is not None
    }
    no_erase = why_not_erase(client)
    context: dict[str, Any] = {
        "client": client,
        "standing": consent.standing(client),
        "notes": client.consents.select_related("by").reverse(),
        "may_note": client.erased_at is None and access.may(request.user, "consent.note", branch=client.branch),
        "note_fields": notes,
        "may_export": access.may(request.user, "client.export", branch=client.branch),
        "export_field": handing,
        "formats": [(name, words) for name, (_, words) in FORMATS.items()],
        "may_erase": access.may(request.user, "client.erase", branch=client.branch),
        "may_read_audit": access.may(request.user, "audit.read", branch=client.branch),
        "no_erase": no_erase,
        "erase_field": erasing,
        "prove": prove,
        "kept": None if client.erased_at else kept(client),
        "goes": what_goes([client]),
        "trouble": trouble,
        "errors": with_errors([*notes, handing, erasing, *prove.values()]),
        "zone": client.branch.time_zone,
    }
    return render(request, "practice/held.html", context)


@require_POST
def hand_over(request: HttpRequest, reference: str) -> HttpResponse:
    """The file, after it was written down who asked for it."""
    client = _client(request, reference)
    form = request.POST.get("format", "")
    if form not in FORMATS:
        raise Http404
    try:
        access.require(request.user, "client.export", branch=client.branch)
        proving.ask(request)
        export = export_client(actor=request.user, client=client, reason=request.POST.get("reason", "")[:2000])  # type: ignore[arg-type]
    except Invalid as problem:
        return _page(request, client, "export", problem.errors)
    except NotAllowed as problem:
        return _page(request, client, "export", trouble=problem.message)
    answer = HttpResponse(_content(export, form), content_type=FORMATS[form][0])
    answer["Content-Disposition"] = f'attachment; filename="{client.reference}-held.{form}"'
    answer["Cache-Control"] = "private, no-store"
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


def _content(export: Export, form: str) -> bytes:
    return {"zip": lambda: export.archive, "json": lambda: export.json, "pdf": lambda: export.pdf}[form]()


urlpatterns = [
    path("clients/<str:reference>/held/", held_page, name="held"),
    path("clients/<str:reference>/held/file", hand_over, name="hand_over"),
]
