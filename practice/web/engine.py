"""The engine of signing in, django-allauth, with our adapters: our stages, our pages, what happens when somebody is in.

    name and password → `begin` → [SecondFactor, when the person has one] → `Accounts.login` → `Accounts.post_login`

Whoever is between the two steps is kept by allauth in the session, for a quarter of an hour; nobody is signed in until then.
"""

from __future__ import annotations

import base64
import hashlib
from typing import Any

from allauth.account.adapter import DefaultAccountAdapter
from allauth.account.internal import flows
from allauth.account.models import Login
from allauth.account.stages import LoginStage, LoginStageController
from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from cryptography.fernet import Fernet, MultiFernet
from django.conf import settings
from django.contrib.auth import login as sign_in_to_session
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, resolve_url
from django.utils.encoding import force_bytes
from django.utils.http import url_has_allowed_host_and_scheme

from practice import devices, factors, sessions, sign_in
from practice.addresses import counted_as
from practice.models import Staff
from practice.web import known
from practice.web.shell import branch_of

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
HOW = "how"  # in the state of a sign-in under way: by what besides the password


def begin(request: HttpRequest, person: Staff, to: str = "") -> HttpResponse:
    """The password was right: on to the second factor, or in."""
    login = Login(user=person, redirect_url=to or None)
    answer: HttpResponse = flows.login.perform_password_login(request, {"username": person.username}, login)
    return answer


def under_way(request: HttpRequest) -> SecondFactor | None:
    """Whoever has given the password and not yet the second factor."""
    stage = LoginStageController.enter(request, SecondFactor.key)
    return stage if isinstance(stage, SecondFactor) and stage.person.is_active else None


def sign_in_as(request: HttpRequest, person: Staff, *, how: str, full: bool) -> None:
    """The session is this person's from now on. `full`: not by PIN."""
    request.session.flush()  # nothing of whoever was here before
    sign_in_to_session(request, person, backend=BACKEND)  # type: ignore[arg-type]
    if hasattr(request, "_desks"):
        del request._desks
    sessions.begin(
        person=person,
        session=request.session,
        branch=branch_of(request),
        agent=request.headers.get("User-Agent", "")[:400],
        full=full,
        must_set_up=factors.must_set_up(person),
    )
    device = devices.device_of(request.COOKIES.get(devices.COOKIE, ""))
    if not full and device is not None:
        request.session[sessions.DEVICE] = device.pk
    if full:
        sign_in.succeeded(person=person, known=known.mark_of(request, person.username), how=how)
        if device is not None:
            devices.note_full_sign_in(device=device, person=person, with_factor=how != "password")


class SecondFactor(LoginStage):
    """Asked of everybody who has a second factor."""

    key = "second_factor"
    urlname = "practice:second_factor"

    @property
    def person(self) -> Staff:
        return self.login.user  # type: ignore[return-value]

    def handle(self) -> tuple[HttpResponse | None, bool]:
        if factors.has_factor(self.person):
            return redirect(self.urlname), True
        return None, True

    def done(self, how: str) -> HttpResponse:
        self.login.state[HOW] = how
        answer: HttpResponse = self.exit()
        return answer


class Accounts(DefaultAccountAdapter):
    """allauth's account adapter: no sign-up, our stages, our trail."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False

    def get_login_stages(self) -> list[str]:
        return ["practice.web.engine.SecondFactor"]

    def get_client_ip(self, request: HttpRequest) -> str:
        return counted_as(request)

    def login(self, request: HttpRequest, user: Any) -> None:
        how = "password"
        for record in flows.login.get_authentication_records(request, user):
            if record.get("method") == "mfa":
                how = f"password and {record.get('type')}"
        sign_in_as(request, user, how=how, full=True)

    def post_login(self, request: HttpRequest, user: Any, *, redirect_url: str | None = None, **_: Any) -> HttpResponse:
        answer = HttpResponseRedirect(_ours(request, redirect_url))
        known.remember(request, answer, user.username)
        return answer

    def respond_user_inactive(self, request: HttpRequest, user: Any) -> HttpResponse:
        return redirect("practice:sign_in")


def _ours(request: HttpRequest, to: str | None) -> str:
    safe = url_has_allowed_host_and_scheme(to or "", allowed_hosts={request.get_host()}, require_https=request.is_secure())
    return to if to and safe else resolve_url(settings.LOGIN_REDIRECT_URL)


class Factors(DefaultMFAAdapter):
    """allauth's adapter of second factors: secrets are kept encrypted, under a key made from the site's."""

    def get_totp_issuer(self) -> str:
        return "Datumline"

    def _get_site_name(self) -> str:
        return "Datumline"

    def _get_user_identifier(self, user: Any) -> str:
        return str(user.get_username())

    def get_public_key_credential_rp_entity(self) -> dict[str, str]:
        host = context.request.get_host()
        return {"id": host if host.startswith("[") else host.partition(":")[0], "name": "Datumline"}

    def get_public_key_credential_user_entity(self, user: Any) -> dict[str, Any]:
        return super().get_public_key_credential_user_entity(user) | {"display_name": user.display_name}

    def send_notification_mail(self, *args: Any, **kwargs: Any) -> None:
        """Nothing is mailed: the trail tells."""

    def encrypt(self, text: str) -> str:
        return _cipher().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return _cipher().decrypt(encrypted_text.encode()).decode()


def _cipher() -> MultiFernet:
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return MultiFernet([Fernet(_key(k)) for k in keys])


def _key(secret: str | bytes) -> bytes:
    """The site's key is long and random, so that one keyed digest makes a key of its own for this one use."""
    made = hashlib.blake2b(b"second factors", key=hashlib.sha512(force_bytes(secret)).digest(), digest_size=32)
    return base64.urlsafe_b64encode(made.digest())
