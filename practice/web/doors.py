"""How somebody gets in at all: invitations, links for a new password, help from the manager, and the group's rules."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.validators import validate_email
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.cache import never_cache

from practice import access, audit, factors, links, sessions, sign_in, sign_in_rules
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import Branch, Post, SignInLink, Staff
from practice.web import engine, known, proving
from practice.web.fields import Field, field_of, with_errors
from practice.web.forms import Read, fields_of, show_errors
from practice.web.places import PersonForm, _managed, _username
from practice.web.shared_devices import _number
from practice.web.shell import branch_of
from practice.words import line

SHOWN, TOKEN = "link_to_show", "link_token"  # in the session: shown once; being used


def _email(text: str) -> str:
    text = line(text, longest=254)
    if text:
        try:
            validate_email(text)
        except forms.ValidationError as problem:
            raise ValueError("An address such as wren@practice.example.") from problem
    return text


class InvitationForm(PersonForm):
    email = Read(_email, label="E-mail")

    def shown(self) -> list[Field]:
        mailed = (
            "The link is mailed there." if settings.MAIL_WORKS else "This site mails nothing: give them the link yourself."
        )
        return fields_of(
            self,
            registration_number={"help": "With the body that registers opticians; empty when not registered."},
            supervisor={"help": "For a trainee."},
            email={"kind": "email", "help": mailed},
        )


def _show_once(request: HttpRequest, row: SignInLink, token: str, whom: str) -> None:
    url = request.build_absolute_uri(reverse("practice:open_link", args=[token]))
    desk = branch_of(request)
    until = row.expires_at.astimezone(ZoneInfo(desk.time_zone if desk else settings.TIME_ZONE))
    words = f"{until.day} {until:%B %Y}, {until:%H:%M}"
    request.session[SHOWN] = {"url": url, "whom": whom, "mailed": links.mail(row, url), "until": words}


@never_cache
def invitations(request: HttpRequest) -> HttpResponse:
    """Invite somebody, and see which links still count. A link is on the page once, right after it was made."""
    branch = _managed(request)
    person: Staff = request.user  # type: ignore[assignment]
    asking = request.method == "POST" and "take_back" not in request.POST
    form = InvitationForm(request.POST if asking else None, branch=branch)
    trouble, error = "", ""
    if request.method == "POST":
        try:
            if not asking:
                links.take_back(actor=person, branch=branch, pk=_number(request.POST["take_back"]))
                messages.success(request, "That link counts no more.")
                return redirect("practice:invitations")
            if form.is_valid():
                proving.ask(request)
                row, token = links.invite(actor=person, branch=branch, values=form.cleaned_data)
                _show_once(request, row, token, f"{row.first_name} {row.last_name}")
                return redirect("practice:invitations")
        except Invalid as problem:
            error = problem.errors.pop("password", "")
            trouble = show_errors(form, problem)
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
    prove = proving.field(request, error)
    fields = [*form.shown(), *([prove] if prove else [])]
    context = {
        "branch": branch,
        "zone": branch.time_zone,
        "shown": request.session.pop(SHOWN, None),
        "rows": links.open_at(branch),
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
    }
    return render(request, "practice/invitations.html", context)


@never_cache
def help_in(request: HttpRequest, pk: int) -> HttpResponse:
    """For somebody who cannot sign in: a link for a new password, their second factor taken away, everything signed out."""
    branch = _managed(request)
    person = get_object_or_404(access.visible_staff(request.user).filter(posts__branch=branch), pk=pk)
    actor: Staff = request.user  # type: ignore[assignment]
    trouble, error = "", ""
    if request.method == "POST":
        try:
            proving.ask(request)
            _help(request, request.POST.get("deed", ""), actor, person, branch)
            return redirect("practice:help_in", person.pk)
        except Invalid as problem:
            error = problem.errors.get("password", "")
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
    prove = proving.field(request, error)
    context = {
        "branch": branch,
        "person": person,
        "shown": request.session.pop(SHOWN, None),
        "kinds": [factors.KINDS[factors.Type(r.type)] for r in factors.factors_of(person)],
        "demanded": factors.demanded(person),
        "pin": getattr(person, "pin", None),
        "open": len(sessions.open_of(person)),
        "prove": prove,
        "errors": with_errors([prove] if prove else []),
        "trouble": trouble,
        "mails": settings.MAIL_WORKS and bool(person.email),
    }
    return render(request, "practice/help_in.html", context)


def _help(request: HttpRequest, deed: str, actor: Staff, person: Staff, branch: Branch) -> None:
    if deed == "link":
        row, token = links.way_to_password(actor=actor, person=person, branch=branch)
        _show_once(request, row, token, person.display_name)
    elif deed == "factors":
        count = factors.remove_all(actor=actor, person=person, branch=branch)
        messages.success(request, f"{count} second factor{'s' * (count != 1)} removed. They can set up a new one.")
    elif deed == "sessions":
        count = sessions.end_by_manager(actor=actor, person=person, branch=branch)
        messages.success(request, f"Signed out everywhere ({count}).")
    else:
        raise Refused("Nothing was done: choose one of the buttons.")


# --- using a link -----------------------------------------------------------------------------------------------------


@never_cache
@login_not_required
def open_link(request: HttpRequest, token: str) -> HttpResponse:
    """The secret leaves the address at once, so that neither history nor the next page's log has it."""
    if links.find(token) is not None:  # no session for those who try what comes to mind
        request.session[TOKEN] = token
    else:
        request.session.pop(TOKEN, None)
    return redirect("practice:use_link")


class NewAccountForm(forms.Form):
    username = Read(_username, needed="Type the name you want to sign in with.", label="Name to sign in")
    password = forms.CharField(label="Password", strip=False, widget=forms.PasswordInput, max_length=200)
    again = forms.CharField(label="Password again", strip=False, widget=forms.PasswordInput, max_length=200)

    def __init__(self, *args: Any, invited: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, words in (("password", "Type a password."), ("again", "Type it again.")):
            self.fields[name].error_messages["required"] = words
        if not invited:
            del self.fields["username"]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if data.get("password") and data.get("again") and data["password"] != data["again"]:
            self.add_error("again", "The two are not the same.")
        return data

    def shown(self) -> list[Field]:
        details: dict[str, dict[str, Any]] = {
            "username": {"autocomplete": "username", "attrs": {"autocapitalize": "none"}},
            "password": {
                "autocomplete": "new-password",
                "help": "At least 12 characters; four unrelated words are good and easy to type.",
            },
            "again": {"autocomplete": "new-password"},
        }
        return [field_of(self, name, **details[name]) for name in self.fields]


@never_cache
@login_not_required
def use_link(request: HttpRequest) -> HttpResponse:
    """Whoever opened a link sets their password here, and with an invitation their name."""
    token = request.session.get(TOKEN, "")
    row = links.find(token)
    if row is None:
        return render(request, "practice/use_link.html", {"row": None, "over": links.OVER})
    invited = row.kind == SignInLink.Kind.INVITATION
    form = NewAccountForm(request.POST or None, invited=invited)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            if invited:
                person = links.accept(
                    token=token, username=form.cleaned_data["username"], password=form.cleaned_data["password"]
                )
                if request.user.is_authenticated:
                    sessions.closed(session_key=request.session.session_key)
                    request.session.flush()
                return engine.begin(request, Staff.objects.get(pk=person.pk))
            links.set_password(token=token, password=form.cleaned_data["password"])
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            del request.session[TOKEN]
            messages.success(request, "Your new password is set. Sign in with it.")
            return redirect("practice:sign_in")
    fields = form.shown()
    context = {"row": row, "invited": invited, "fields": fields, "errors": with_errors(fields), "trouble": trouble}
    return render(request, "practice/use_link.html", context)


@never_cache
@login_not_required
def forgotten(request: HttpRequest) -> HttpResponse:
    """Mail a link where the site mails; the answer is the same whether there is such a name or not."""
    sent, error = False, ""
    if request.method == "POST" and settings.MAIL_WORKS:
        name = request.POST.get("username", "").strip()[:150]
        tried = known.tried(request, name, f"forgotten {name}")
        wait = sign_in.seconds_to_wait(**tried)
        if not name:
            error = "Type the name you sign in with."
        elif wait:
            error = sign_in.wait_words(wait)
        else:
            sign_in.failed(**tried)
            made = links.forgotten(name=name)
            if made is not None:
                row, token = made
                if not links.mail(row, request.build_absolute_uri(reverse("practice:open_link", args=[token]))):
                    links.not_mailed(row)
            sent = True
    field = Field(
        name="username",
        label="Name to sign in",
        value=request.POST.get("username", "")[:150],
        autocomplete="username",
        error=error,
        attrs={"autocapitalize": "none"},
    )
    context = {"mails": settings.MAIL_WORKS, "sent": sent, "field": field, "errors": with_errors([field])}
    return render(request, "practice/forgotten.html", context)


# --- the group's rules ------------------------------------------------------------------------------------------------


def rules(request: HttpRequest) -> HttpResponse:
    branch = _managed(request)
    person: Staff = request.user  # type: ignore[assignment]
    group = branch.group
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            text = request.POST.get("pin_hours", "").strip()
            if text and not (text.isascii() and text.isdigit() and len(text) < 4):
                raise Invalid({"pin_hours": f"From 1 to {sign_in_rules.LONGEST_PIN_HOURS} hours, or empty."})
            proving.ask(request)
            sign_in_rules.change_rules(
                actor=person,
                branch=branch,
                seen=request.POST.get("seen", ""),
                second_factor_roles=[r for r in Post.Role.values if request.POST.get(f"needs-{r}")],
                pin_hours=int(text) if text else None,
            )
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("practice:sign_in_rules")
    typed = request.POST if request.method == "POST" else None
    ticks = [
        Field(
            name=f"needs-{role}",
            label=f"{label}s"[:1].upper() + f"{label}s"[1:],
            kind="tick",
            value=bool(typed.get(f"needs-{role}")) if typed is not None else role in group.second_factor_roles,
        )
        for role, label in Post.Role.choices
    ]
    hours = Field(
        name="pin_hours",
        label="A PIN counts for",
        unit="hours",
        kind="figure",
        inputmode="numeric",
        value=typed.get("pin_hours", "") if typed is not None else group.pin_hours,
        error=errors.get("pin_hours", ""),
        help="After one’s own whole sign-in on that device. Empty: nobody changes places by PIN.",
    )
    prove = proving.field(request, errors.get("password", ""))
    context = {
        "branch": branch,
        "group": group,
        "seen": request.POST.get("seen") or audit.token(audit.snapshot(group, sign_in_rules.FIELDS)),
        "ticks": ticks,
        "hours": hours,
        "prove": prove,
        "without": _without(branch),
        "errors": with_errors([hours, *([prove] if prove else [])]),
        "trouble": trouble,
    }
    return render(request, "practice/sign_in_rules.html", context)


def _without(branch: Branch) -> list[Staff]:
    """Who of the branch has no second factor."""
    people = Staff.objects.filter(posts__branch=branch, is_active=True).order_by("last_name", "first_name")
    strong = [factors.Type.TOTP, factors.Type.WEBAUTHN]
    return list(people.exclude(pk__in=factors.Authenticator.objects.filter(type__in=strong).values("user")))


urlpatterns = [
    path("staff/invitations/", invitations, name="invitations"),
    path("staff/<int:pk>/sign-in/", help_in, name="help_in"),
    path("link/", use_link, name="use_link"),
    path("link/<str:token>/", open_link, name="open_link"),
    path("password/forgotten/", forgotten, name="forgotten"),
    path("sign-in/rules/", rules, name="sign_in_rules"),
]
