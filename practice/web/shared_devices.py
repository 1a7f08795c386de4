"""Shared devices: enrolled and revoked by those in charge, the PIN, and changing places."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.views.decorators.cache import never_cache

from practice import access, devices, sessions
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Device, Staff
from practice.web import engine, proving
from practice.web.fields import Field, with_errors
from practice.web.shell import branch_of
from practice.words import line

KEPT_FOR = 400 * 24 * 3600  # seconds; browsers keep a cookie no longer


def here(request: HttpRequest) -> Device | None:
    return devices.device_of(request.COOKIES.get(devices.COOKIE, ""))


def _number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 12 else 0


def device_list(request: HttpRequest) -> HttpResponse:
    """Shared devices of the branch; this one is enrolled here, any is revoked here."""
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "device.change", branch=branch):
        raise PermissionDenied
    person: Staff = request.user  # type: ignore[assignment]
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            proving.ask(request)
            if "revoke" in request.POST:
                row = Device.objects.filter(branch=branch, pk=_number(request.POST["revoke"])).first()
                if row is None:
                    raise Refused("That device is not one of this branch.")
                devices.revoke(actor=person, device=row)
                messages.success(request, f"{row.name} is shared no more.")
                return redirect("practice:devices")
            name = line(request.POST.get("name", ""), longest=60)
            words = sessions.device_words(request.headers.get("User-Agent", "")[:400])
            row, token = devices.enrol(actor=person, branch=branch, name=name, words=words)
        except Invalid as problem:
            errors = problem.errors
        except ValueError as problem:
            errors = {"name": str(problem)}
        except (Refused, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(
                request, f"This is {row.name} now. Whoever signs in here with their password can come back by PIN."
            )
            answer = redirect("practice:devices")
            answer.set_cookie(
                devices.COOKIE,
                token,
                max_age=KEPT_FOR,
                httponly=True,
                samesite="Lax",
                secure=settings.SESSION_COOKIE_SECURE,
            )
            return answer
    this = here(request)
    name_field = Field(
        name="name",
        label="Name of this device",
        value=request.POST.get("name", "")[:200],
        error=errors.get("name", ""),
        help="Such as front desk tablet.",
        autocomplete="off",
    )
    prove = proving.field(request, errors.get("password", ""))
    enrolling = "revoke" not in request.POST
    if prove is not None:
        again = replace(prove, ident="enrol-password", error=prove.error if enrolling else "")
        prove = replace(prove, error="" if enrolling else prove.error)
    context = {
        "branch": branch,
        "prove_enrol": again if prove is not None else None,
        "rows": Device.objects.filter(branch=branch).select_related("enrolled_by", "revoked_by"),
        "this": this,
        "hours": branch.group.pin_hours,
        "zone": branch.time_zone,
        "name_field": name_field,
        "prove": prove,
        "errors": with_errors([name_field, *([prove, again] if prove else [])]),
        "trouble": trouble,
    }
    return render(request, "practice/devices.html", context)


@never_cache
def own_pin(request: HttpRequest) -> HttpResponse:
    """Set one's PIN, or do without. The password is always asked for: whoever finds a tablet open sets no PIN."""
    person: Staff = request.user  # type: ignore[assignment]
    errors: dict[str, str] = {}
    if request.method == "POST":
        try:
            proving.prove(request, "to change your PIN")
            if "remove" in request.POST:
                devices.remove_pin(actor=person)
                messages.success(request, "You have no PIN any more.")
            else:
                devices.set_pin(
                    actor=person, pin=request.POST.get("pin", "")[:20], again=request.POST.get("again", "")[:20]
                )
                messages.success(request, "PIN set. It counts on shared devices, for some hours after you sign in there.")
            return redirect("practice:pin")
        except Invalid as problem:
            errors = problem.errors
    pin = partial(Field, kind="password", inputmode="numeric", autocomplete="off")
    fields = [
        pin(name="pin", label="New PIN", error=errors.get("pin", ""), help="Six digits you use nowhere else."),
        pin(name="again", label="New PIN again", error=errors.get("again", "")),
        Field(
            name="password",
            label=proving.label(person),
            kind="password",
            autocomplete="current-password",
            error=errors.get("password", ""),
        ),
    ]
    held = getattr(person, "pin", None)
    context = {
        "fields": fields,
        "errors": with_errors(fields),
        "pin": held,
        "hours": person.group.pin_hours if person.group else None,
    }
    return render(request, "practice/pin.html", context)


@never_cache
@login_not_required
def change_place(request: HttpRequest) -> HttpResponse:
    """Another person takes over the device, by PIN. The page of whoever was here before goes with their session."""
    device = here(request)
    if device is None:
        return render(request, "practice/change_place.html", {"device": None})
    places = devices.places(device)
    chosen, error, trouble = _number(request.POST.get("person", "")), "", ""
    if request.method == "POST":
        try:
            place = devices.change_place(device=device, person_pk=chosen, pin=request.POST.get("pin", "")[:20])
        except Invalid as problem:
            error = problem.errors["pin"]
        except Refused as problem:
            trouble = problem.message
        else:
            if request.user.is_authenticated:
                sessions.closed(session_key=request.session.session_key)
            engine.sign_in_as(request, place.person, how="PIN", full=False)
            request.session.set_expiry(place.until)  # a moment, so that use does not put it off
            return redirect(resolve_url(settings.LOGIN_REDIRECT_URL))
    pin = Field(
        name="pin",
        label="PIN",
        kind="password",
        inputmode="numeric",
        autocomplete="off",
        error=error,
        attrs={"maxlength": "6"},
    )
    current = request.user.pk if request.user.is_authenticated else None
    context = {
        "device": device,
        "places": [p for p in places if p.person.pk != current],
        "chosen": chosen,
        "pin": pin,
        "errors": with_errors([pin]),
        "trouble": trouble,
        "zone": device.branch.time_zone,
    }
    return render(request, "practice/change_place.html", context)


urlpatterns = [
    path("devices/", device_list, name="devices"),
    path("pin/", own_pin, name="pin"),
    path("change-place/", change_place, name="change_place"),
]
