"""The second factor: asked for while signing in, and set up, listed and removed by its owner."""

from __future__ import annotations

import json
from typing import Any

from allauth.account.internal import flows
from allauth.mfa.webauthn.internal import auth as webauthn
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.cache import never_cache

from practice import factors, sessions, sign_in
from practice.errors import Invalid, Refused
from practice.models import Staff
from practice.web import engine, known, proving
from practice.web.fields import Field, with_errors

SECRET, CODES = "new_app_secret", "new_recovery_codes"  # in the session until the page has shown them
REFUSED_KEY = "That passkey was not accepted. Try again, or use a code."


def _options(given: dict[str, Any]) -> str:
    return json.dumps(given)


def _credential(request: HttpRequest) -> dict[str, Any] | None:
    try:
        given = json.loads(request.POST.get("credential", "")[:20_000])
    except ValueError:
        return None
    return given if isinstance(given, dict) else None


@never_cache
@login_not_required
def second_factor(request: HttpRequest) -> HttpResponse:
    """The step after the password. One field takes the app's code and recovery codes; a passkey has its button."""
    stage = None if request.user.is_authenticated else engine.under_way(request)
    if stage is None:
        return redirect("practice:sign_in")
    person, error, trouble = stage.person, "", ""
    tried = known.tried(request, person.username)
    has = {f.type for f in factors.factors_of(person)}
    if request.method == "POST":
        wait = sign_in.seconds_to_wait(**tried)
        how = "" if wait else _given(request, person)
        if wait:
            error = sign_in.wait_words(wait)
        elif how:
            flows.login.record_authentication(request, person, "mfa", type=how)
            return stage.done(how)
        else:
            sign_in.failed(**tried)
            error = factors.WRONG
            if "credential" in request.POST:
                error, trouble = "", REFUSED_KEY
    field = Field(
        name="code",
        label="Code from your app" if factors.Type.TOTP in has else "Recovery code",
        inputmode="numeric",
        autocomplete="one-time-code",
        error=error,
        help="Six digits; or one of your recovery codes, eight digits." if factors.Type.TOTP in has else "Eight digits.",
    )
    options = _options(webauthn.begin_authentication(person)) if factors.Type.WEBAUTHN in has else ""
    context = {
        "person": person,
        "field": field,
        "errors": with_errors([field]),
        "trouble": trouble,
        "options": options,
        "apps": factors.Type.TOTP in has,
    }
    return render(request, "practice/second_factor.html", context)


def _given(request: HttpRequest, person: Staff) -> str:
    """By what the second step was done; empty when it was not."""
    if "credential" in request.POST:
        credential = _credential(request)
        try:
            webauthn.parse_authentication_response(credential)
            webauthn.complete_authentication(person, credential or {}).record_usage()
        except (ValidationError, ValueError, KeyError, TypeError, AttributeError):
            return ""
        return "passkey"
    code = request.POST.get("code", "")[:40]
    if factors.code_right(person, code):
        return "code"
    return "recovery code" if factors.recovery_code_right(person, code) else ""


@never_cache
def own_factors(request: HttpRequest) -> HttpResponse:
    """What one signs in with besides the password. New recovery codes are shown once, right after they were made."""
    person: Staff = request.user  # type: ignore[assignment]
    trouble, error = "", ""
    if request.method == "POST":
        try:
            proving.ask(request)
            if request.POST.get("deed") == "codes":
                request.session[CODES] = factors.new_codes(actor=person)
                messages.success(request, "New recovery codes. The old ones count no more.")
            else:
                pk = request.POST.get("remove", "")
                factors.remove_factor(actor=person, pk=int(pk) if pk.isascii() and pk.isdigit() and len(pk) < 12 else 0)
                messages.success(request, "Removed.")
            return redirect("practice:factors")
        except Invalid as problem:
            error = problem.errors.get("password", "")
        except Refused as problem:
            trouble = problem.message
    rows = factors.factors_of(person)
    prove = proving.field(request, error)
    context = {
        "rows": [(r, factors.KINDS[factors.Type(r.type)], r.data.get("name", "")) for r in rows],
        "has_app": any(r.type == factors.Type.TOTP for r in rows),
        "codes": request.session.pop(CODES, None),
        "left": factors.codes_left(person),
        "demanded": factors.demanded(person),
        "first": bool(request.session.get(sessions.SET_UP)),
        "prove": prove,
        "errors": with_errors([prove] if prove else []),
        "trouble": trouble,
    }
    return render(request, "practice/factors.html", context)


def _set_up(request: HttpRequest, codes: list[str], words: str) -> HttpResponse:
    request.session[sessions.SET_UP] = False
    if codes:
        request.session[CODES] = codes
    messages.success(request, words)
    return redirect("practice:factors")


@never_cache
def add_totp(request: HttpRequest) -> HttpResponse:
    person: Staff = request.user  # type: ignore[assignment]
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            proving.ask(request)
            codes = factors.add_totp(
                actor=person, secret=request.session.get(SECRET) or "", code=request.POST.get("code", "")[:40]
            )
        except Invalid as problem:
            errors = problem.errors
        except Refused as problem:
            trouble = problem.message
        else:
            del request.session[SECRET]
            return _set_up(request, codes, "The app is set up. You are asked for its code when you sign in.")
    secret = request.session.get(SECRET) or factors.new_secret()
    request.session[SECRET] = secret
    code = Field(
        name="code",
        label="The code the app shows now",
        inputmode="numeric",
        autocomplete="one-time-code",
        error=errors.get("code", ""),
        help="Six digits.",
    )
    fields = [code, *([p] if (p := proving.field(request, errors.get("password", ""))) else [])]
    context = {
        "picture": _picture(engine.Factors().build_totp_url(person, secret)),
        "secret": " ".join(secret[i : i + 4] for i in range(0, len(secret), 4)),
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
    }
    return render(request, "practice/add_totp.html", context)


def _picture(url: str) -> SafeString:
    import qrcode
    from qrcode.image.svg import SvgPathImage

    made = qrcode.make(url, image_factory=SvgPathImage, border=4)
    return mark_safe(made.to_string(encoding="unicode"))  # noqa: S308 - made here, from a picture of squares


@never_cache
def add_passkey(request: HttpRequest) -> HttpResponse:
    person: Staff = request.user  # type: ignore[assignment]
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            proving.ask(request)
            credential = _credential(request)
            webauthn.parse_registration_response(credential)
            webauthn.complete_registration(credential or {})
            codes = factors.add_passkey(actor=person, name=request.POST.get("name", "")[:200], credential=credential or {})
        except Invalid as problem:
            errors = problem.errors
        except (ValidationError, ValueError, KeyError, TypeError, AttributeError):
            trouble = "The passkey was not accepted. Try again."
        else:
            return _set_up(request, codes, "The passkey is set up. You are asked for it when you sign in.")
    name = Field(name="name", label="Name for it", value=request.POST.get("name", "")[:60], help="Such as my phone.")
    fields = [name, *([p] if (p := proving.field(request, errors.get("password", ""))) else [])]
    context = {
        "options": _options(webauthn.begin_registration(person, False)),
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
    }
    return render(request, "practice/add_passkey.html", context)


urlpatterns = [
    path("sign-in/second/", second_factor, name="second_factor"),
    path("factors/", own_factors, name="factors"),
    path("factors/app/", add_totp, name="add_totp"),
    path("factors/passkey/", add_passkey, name="add_passkey"),
]
