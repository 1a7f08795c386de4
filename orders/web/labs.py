"""The labs a manager keeps: what is known of each, its tokens, from where they are taken, its webhook, and record text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.validators import validate_email
from django.db.models import Count, Max, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from orders import labs
from orders.models import Lab, LabToken, Webhook
from orders.webhooks import deliver, outbox, send
from practice import access, audit
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import Branch
from practice.web import proving
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, fields_of, show_errors, whole_number
from practice.web.shell import branch_of
from practice.words import line, number_in, prose

SCOPES = {"both": ("fetch orders and report on them", labs.SCOPES), "read": ("fetch orders only", (labs.READ,))}
ENDS = {"365": "in a year", "90": "in 90 days", "30": "in 30 days", "": "no end"}
TOKENS_SHOWN = 30


def _email(text: str) -> str:
    text = line(text, longest=254)
    if text:
        try:
            validate_email(text)
        except forms.ValidationError as error:
            raise ValueError("An e-mail address looks like orders@lab.example.") from error
    return text


def _networks(text: str) -> list[str]:
    return [each for each in prose(text, longest=3000).replace(",", "\n").split("\n") if each.strip()]


class LabForm(forms.Form):
    name = Read(partial(line, longest=120), needed="Type the name of the lab.", label="Name")
    email = Read(_email, label="E-mail")
    address = Read(partial(prose, longest=500), label="Address", widget=forms.Textarea)
    usual_days = Read(whole_number(1, labs.MOST_DAYS, optional=True), label="Days it usually takes")
    allowed_addresses = Read(_networks, label="Tokens are taken from", widget=forms.Textarea)
    active = forms.BooleanField(required=False, label="Orders can be sent to this lab", initial=True)
    record_text = forms.BooleanField(required=False, label="Record text (unverified profile)")

    def shown(self) -> list[Field]:
        return fields_of(
            self,
            email={"kind": "email"},
            usual_days={
                "kind": "figure",
                "unit": "days",
                "inputmode": "numeric",
                "help": "From issue to dispatch; an order without a promised day is late after that. Empty: as the branch says.",
            },
            allowed_addresses={"help": f"IP addresses or networks. {labs.NETWORK_EXAMPLE} Empty: from anywhere."},
            active={"wide": True, "help": "Off: its tokens are not taken either."},
            record_text={
                "wide": True,
                "help": "Lets the lab fetch orders as records with trace. The labels are not checked against the standard's text: "
                "have the lab try it with orders that are not made.",
            },
        )


class NewLabForm(LabForm):
    code = Read(partial(line, longest=20), needed="Type a code.", label="Code")
    field_order = ("code",)

    def shown(self) -> list[Field]:
        shown = super().shown()
        return [f for f in shown if f.name not in ("active", "record_text", "allowed_addresses", "usual_days")]


def _managed(request: HttpRequest) -> Branch:
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "lab.change", branch=branch):
        raise PermissionDenied
    return branch


def _labs(request: HttpRequest) -> Any:
    return access.scoped(Lab.objects.select_related("group"), request.user)


def _standing(lab: Lab) -> Webhook | None:
    return getattr(lab, "webhook", None)


@require_safe
def lab_list(request: HttpRequest) -> HttpResponse:
    branch = _managed(request)
    now = timezone.now()
    valid = Q(tokens__revoked_at=None) & (Q(tokens__expires_at=None) | Q(tokens__expires_at__gt=now))
    rows = (
        _labs(request)
        .select_related("webhook")
        .annotate(valid_tokens=Count("tokens", filter=valid), last_used=Max("tokens__last_used_at"))
        .order_by("-active", "name")
    )
    troubled = [lab for lab in rows if (hook := _standing(lab)) and (hook.disabled_at or hook.failing_since)]
    context = {"branch": branch, "labs": rows, "troubled": troubled, "zone": branch.time_zone}
    return render(request, "orders/labs.html", context)


def new_lab(request: HttpRequest) -> HttpResponse:
    branch = _managed(request)
    form = NewLabForm(request.POST or None)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        values = {n: form.cleaned_data[n] for n in ("name", "email", "address")}
        try:
            lab = labs.add_lab(actor=request.user, branch=branch, code=form.cleaned_data["code"], values=values)  # type: ignore[arg-type]
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except NotAllowed as problem:
            trouble = problem.message
        else:
            messages.success(request, f"{lab.name} is added. Give it a token, so that it can fetch its orders.")
            return redirect("orders:lab", lab.pk)
    fields = form.shown()
    return render(request, "orders/lab_new.html", {"fields": fields, "errors": with_errors(fields), "trouble": trouble})


def lab_page(request: HttpRequest, pk: int) -> HttpResponse:
    branch = _managed(request)
    lab = get_object_or_404(_labs(request), pk=pk)
    if request.method != "POST":
        return _page(request, branch, lab)
    form = LabForm(request.POST)
    trouble = ""
    if form.is_valid():
        try:
            labs.change_lab(
                actor=request.user,  # type: ignore[arg-type]
                branch=branch,
                lab=lab,
                seen=request.POST.get("seen", ""),
                values=form.cleaned_data,
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("orders:lab", lab.pk)
    return _page(request, branch, lab, form=form, trouble=trouble)


def _page(
    request: HttpRequest,
    branch: Branch,
    lab: Lab,
    *,
    form: LabForm | None = None,
    deed: str = "",
    errors: dict[str, str] | None = None,
    trouble: str = "",
    token: str = "",
    secret: str = "",
) -> HttpResponse:
    """A lab's page; `deed` is the form that went wrong. `token` and `secret` are shown here and never again."""
    errors = errors or {}
    shown = audit.snapshot(lab, labs.FIELDS)
    form = form or LabForm(initial=shown | {"allowed_addresses": "\n".join(lab.allowed_addresses)})
    hook = Webhook.objects.filter(lab=lab).first()
    zone = ZoneInfo(branch.time_zone)
    valid = labs.valid_tokens(lab)

    def typed(of: str, name: str, otherwise: str = "") -> str:
        return request.POST.get(name, "") if deed == of else otherwise

    def wrong(of: str, name: str) -> str:
        return errors.get(name, "") if deed == of else ""

    since = (hook and (hook.failing_since or hook.last_delivered_at)) or timezone.now() - timedelta(days=1)
    fields = {
        "label": Field(
            name="label",
            label="What it is for",
            value=typed("token", "label"),
            error=wrong("token", "label"),
            autocomplete="off",
        ),
        "scopes": Field(
            name="scopes",
            label="It may",
            kind="select",
            value=typed("token", "scopes", "both"),
            choices=[(key, words) for key, (words, _) in SCOPES.items()],
        ),
        "ends": Field(
            name="ends", label="It ends", kind="select", value=typed("token", "ends", "365"), choices=list(ENDS.items())
        ),
        "instead_of": Field(
            name="instead_of",
            label="Ends at once",
            kind="select",
            value=typed("token", "instead_of"),
            error=wrong("token", "instead_of"),
            choices=[("", "choose the one that ends"), *((t.pk, _named(t, zone)) for t in valid)],
            help=f"{len(valid)} are valid already. The one that ends opens nothing from the next request on: choose the one that the lab does not "
            "use any more.",
        ),
        "url": Field(
            name="url",
            label="Address that messages go to",
            value=typed("webhook", "url", hook.url if hook else ""),
            error=wrong("webhook", "url"),
            wide=True,
            autocomplete="off",
            help="Begins with https:// and is reached from the Internet.",
        ),
        "since": Field(
            name="since",
            label="Tell again of everything since",
            value=typed("replay", "since", f"{since.astimezone(zone):%Y-%m-%d %H:%M}"),
            error=wrong("replay", "since"),
            autocomplete="off",
            help=f"Day and time in {branch.time_zone}, like 2026-11-25 09:00.",
        ),
    }
    # a key to all orders of a lab, and where messages go: not by a PIN, nor at a page somebody left open
    prove = {
        of: replace(field, ident=f"{of}-password", error=wrong(of, "password"))
        for of in ("token", "webhook")
        if (field := proving.field(request)) is not None
    }
    now = timezone.now()
    own = form.shown()
    context = {
        "branch": branch,
        "lab": lab,
        "own": own,
        "seen": request.POST.get("seen") or audit.token(shown),
        "full": len(valid) >= labs.MOST_VALID or bool(wrong("token", "instead_of")),
        "tokens": [(t, _state(t, now)) for t in lab.tokens.order_by("-created_at", "-pk")[:TOKENS_SHOWN]],
        "hook": hook,
        "waiting": deliver.waiting(hook) if hook else 0,
        "last_try": deliver.last_try(hook) if hook else None,
        "disabled_why": send.plainly(hook.disabled_why) if hook else "",
        "fields": fields,
        "prove": prove,
        "errors": [*with_errors(own), *(f for f in (*fields.values(), *prove.values()) if f.error)],
        "trouble": trouble,
        "token": token,
        "secret": secret,
        "zone": branch.time_zone,
        "feed": request.build_absolute_uri(reverse("orders_api:orders")),
    }
    response = render(request, "orders/lab.html", context)
    if token or secret:
        response["Cache-Control"] = "no-store"
    return response


def _state(token: LabToken, now: datetime) -> str:
    if token.revoked_at is not None:
        return "revoked"
    return "ended" if token.expires_at is not None and token.expires_at <= now else "valid"


def _named(token: LabToken, zone: ZoneInfo) -> str:
    used = f"last used {token.last_used_at.astimezone(zone):%-d %b %Y, %H:%M}" if token.last_used_at else "never used"
    return ", ".join(filter(None, (f"{token.prefix}…", token.label, used)))


def _deed(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    @require_POST
    def guarded(request: HttpRequest, pk: int, **more: Any) -> HttpResponse:
        branch = _managed(request)
        return view(request, branch, get_object_or_404(_labs(request), pk=pk), **more)

    return guarded


@_deed
def make_token(request: HttpRequest, branch: Branch, lab: Lab) -> HttpResponse:
    """Shows the token in the answer itself: nothing that could show it again is kept anywhere."""
    _, scopes = SCOPES.get(request.POST.get("scopes", ""), SCOPES["both"])
    days, asked = request.POST.get("ends", "365"), request.POST.get("instead_of", "")
    ends = timezone.now() + timedelta(days=int(days)) if days in ENDS and days else None
    try:
        label = line(request.POST.get("label", ""), longest=80)
    except ValueError as problem:
        return _page(request, branch, lab, deed="token", errors={"label": str(problem)})
    try:
        proving.ask(request)
        new = labs.create_token(
            lab=lab,
            label=label,
            scopes=scopes,
            expires_at=ends,
            actor=request.user,  # type: ignore[arg-type]
            branch=branch,
            instead_of=number_in(asked, digits=18),
        )
    except Invalid as problem:
        return _page(request, branch, lab, deed="token", errors=problem.errors)
    except NotAllowed as problem:
        return _page(request, branch, lab, deed="token", trouble=problem.message)
    return _page(request, branch, lab, token=new.text)


@_deed
def revoke_token(request: HttpRequest, branch: Branch, lab: Lab, token: int) -> HttpResponse:
    row = get_object_or_404(lab.tokens, pk=token)
    try:
        labs.revoke_token(token=row, actor=request.user, branch=branch)  # type: ignore[arg-type]
    except NotAllowed as problem:
        return _page(request, branch, lab, trouble=problem.message)
    messages.success(request, f"The token {row.prefix}… is revoked. It opens nothing from now on.")
    return redirect(reverse("orders:lab", args=[lab.pk]) + "#tokens")


@_deed
def webhook(request: HttpRequest, branch: Branch, lab: Lab) -> HttpResponse:
    """Four deeds by the button that was pressed: save, secret, off, replay."""
    asked = request.POST.get("deed", "save")
    deed = "replay" if asked == "replay" else "webhook"
    who: dict[str, Any] = {"actor": request.user, "branch": branch, "lab": lab}
    secret = ""
    try:
        if asked == "replay":
            told = outbox.replay(**who, since=_moment(request.POST.get("since", ""), branch))
            messages.success(request, f"{told} message{'s' * (told != 1)} put in the outbox.")
        elif asked == "secret":
            proving.ask(request)
            secret = outbox.new_secret(**who).secret
        elif asked == "off":
            outbox.switch_off(**who)
            messages.success(request, "The webhook is off. The lab still finds everything in its feed.")
        else:
            proving.ask(request)
            secret = outbox.save_webhook(**who, url=request.POST.get("url", "").strip()).secret
            if not secret:
                messages.success(request, "Saved. The lab is told at this address.")
    except Invalid as problem:
        return _page(request, branch, lab, deed=deed, errors=problem.errors)
    except (NotAllowed, Refused) as problem:
        return _page(request, branch, lab, deed=deed, trouble=problem.message)
    if secret:
        return _page(request, branch, lab, secret=secret)
    return redirect(reverse("orders:lab", args=[lab.pk]) + "#webhook")


def _moment(text: str, branch: Branch) -> datetime:
    try:
        return datetime.strptime(text.strip()[:20], "%Y-%m-%d %H:%M").replace(tzinfo=ZoneInfo(branch.time_zone))
    except ValueError as error:
        raise Invalid({"since": "Day and time like 2026-11-25 09:00."}) from error


urlpatterns = [
    path("labs/", lab_list, name="labs"),
    path("labs/new/", new_lab, name="new_lab"),
    path("labs/<int:pk>/", lab_page, name="lab"),
    path("labs/<int:pk>/tokens/", make_token, name="make_token"),
    path("labs/<int:pk>/tokens/<int:token>/revoke/", revoke_token, name="revoke_token"),
    path("labs/<int:pk>/webhook/", webhook, name="webhook"),
]
