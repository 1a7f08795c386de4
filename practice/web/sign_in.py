"""Signing in and out, the password, the colours and the branch one works at now."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.contrib.auth import views as auth_views
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.utils.decorators import method_decorator
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from practice import access, devices, sessions, sign_in
from practice.models import SignedIn, Staff
from practice.web import engine, known
from practice.web.fields import Field, field_of, with_errors
from practice.web.shell import BRANCH_KEY, branch_of

LOOKS = {"light", "dark"}
YEAR = 365 * 24 * 3600


def back_to(request: HttpRequest) -> str:
    """Where a small form was posted from, when that is a page of ours."""
    to = request.POST.get("next", "")
    ours = url_has_allowed_host_and_scheme(to, allowed_hosts={request.get_host()}, require_https=request.is_secure())
    return to if ours else resolve_url(settings.LOGIN_REDIRECT_URL)


class SignInForm(AuthenticationForm):
    error_messages = {
        "invalid_login": "Name and password do not belong together.",
        "inactive": "Name and password do not belong together.",
    }

    def clean(self) -> dict[str, Any]:
        name = self.cleaned_data.get("username", "")
        assert self.request is not None
        tried = known.tried(self.request, name)
        wait = sign_in.seconds_to_wait(**tried)
        if wait:
            raise forms.ValidationError(sign_in.wait_words(wait))
        try:
            cleaned: dict[str, Any] = super().clean()
        except forms.ValidationError:
            sign_in.failed(**tried)
            raise
        return cleaned


@method_decorator(login_not_required, name="dispatch")
class SignIn(auth_views.LoginView):
    template_name = "practice/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.headers.get("HX-Request"):
            # a fragment must not be replaced by the sign-in page: what was typed stays where it is
            return HttpResponse("You are signed out.", status=403, content_type="text/plain; charset=utf-8")
        return super().dispatch(request, *args, **kwargs)  # type: ignore[return-value]

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        person = form.get_user()
        assert isinstance(person, Staff)
        return engine.begin(self.request, person, to=self.get_redirect_url())

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        context = super().get_context_data(**kwargs)
        if (minutes := self.request.session.pop(sessions.WHY, None)) is not None:
            messages.info(self.request, sessions.why_words(minutes))
        form = context["form"]
        fields = [
            field_of(
                form,
                "username",
                label="Name to sign in",
                required=False,
                autocomplete="username",
                attrs={"autocapitalize": "none"},
            ),
            field_of(form, "password", label="Password", required=False, autocomplete="current-password"),
        ]
        return context | {
            "fields": fields,
            "errors": with_errors(fields),
            "trouble": form.non_field_errors()[0] if form.non_field_errors() else "",
            "device": devices.device_of(self.request.COOKIES.get(devices.COOKIE, "")),
        }


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    if request.user.is_authenticated:
        sign_in.note(person=request.user, action="staff.signed_out")
        sessions.closed(session_key=request.session.session_key)
    return auth_views.LogoutView.as_view()(request)


class OwnPasswordForm(PasswordChangeForm):
    """Guessing the password one has now is slowed as at the door: whoever is here by PIN, or finds a page open, does not know it."""

    def __init__(self, *args: Any, tried: known.Tried, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.tried = tried

    def clean_old_password(self) -> str:
        wait = sign_in.seconds_to_wait(**self.tried)
        if wait:
            raise forms.ValidationError(sign_in.wait_words(wait))
        try:
            return str(super().clean_old_password())
        except forms.ValidationError:
            sign_in.failed(**self.tried)
            raise


def password(request: HttpRequest) -> HttpResponse:
    """Change one's own password; other sessions end."""
    person: Staff = request.user  # type: ignore[assignment]
    form = OwnPasswordForm(person, request.POST or None, tried=known.tried(request, person.username))
    if request.method == "POST" and form.is_valid():
        before = request.session.session_key or ""
        with transaction.atomic():
            form.save()
            update_session_auth_hash(request, form.user)
            sessions.moved(session_key=before, session=request.session)
            sessions.end_all(person=form.user, keep=request.session.session_key)
            devices.forget_person(form.user)
            sign_in.links_end(person=form.user)
            sign_in.note(person=person, action="staff.password_changed")
        messages.success(request, "Password changed. Other devices are signed out.")
        return redirect(settings.LOGIN_REDIRECT_URL)
    fields: list[Field] = [
        field_of(form, "old_password", label="Password now", autocomplete="current-password"),
        field_of(
            form,
            "new_password1",
            label="New password",
            autocomplete="new-password",
            help="At least 12 characters; four unrelated words are good and easy to type.",
        ),
        field_of(form, "new_password2", label="New password again", autocomplete="new-password", help=""),
    ]
    return render(request, "practice/password.html", {"fields": fields, "errors": with_errors(fields)})


def own_sessions(request: HttpRequest) -> HttpResponse:
    """Where one is signed in; each can be ended from here."""
    person: Any = request.user
    rows = sessions.open_of(person)
    here = request.session.session_key
    if request.method == "POST":
        asked = request.POST.get("end", "")
        to_end: list[SignedIn] = [r for r in rows if (asked == "others" and r.session_key != here) or str(r.pk) == asked]
        count = sessions.end(person=person, rows=to_end)
        messages.success(
            request, f"{count} session{'s' * (count != 1)} ended." if count else "That session had ended already."
        )
        return redirect("practice:sessions")
    desk = branch_of(request)
    context = {
        "rows": [(r, r.session_key == here) for r in rows],
        "others": sum(r.session_key != here for r in rows),
        "zone": desk.time_zone if desk else settings.TIME_ZONE,
        "idle": desk.idle_minutes if desk else None,
    }
    return render(request, "practice/sessions.html", context)


@login_not_required
@require_POST
def look(request: HttpRequest) -> HttpResponse:
    """Light, dark, or as the device says (the cookie goes)."""
    answer = redirect(back_to(request))
    chosen = request.POST.get("look", "")
    if chosen in LOOKS:
        answer.set_cookie(
            "look", chosen, max_age=YEAR, samesite="Lax", httponly=True, secure=settings.SESSION_COOKIE_SECURE
        )
    else:
        answer.delete_cookie("look")
    return answer


@require_POST
def choose_branch(request: HttpRequest) -> HttpResponse:
    """Work at another of one's branches."""
    for post in access.posts_of(request.user):
        if str(post.branch_id) == request.POST.get("branch", ""):
            request.session[BRANCH_KEY] = post.branch_id
    return redirect(back_to(request))


urlpatterns = [
    path("sign-in/", SignIn.as_view(), name="sign_in"),
    path("sign-out/", sign_out, name="sign_out"),
    path("password/", password, name="password"),
    path("sessions/", own_sessions, name="sessions"),
    path("look/", look, name="look"),
    path("branch/choose/", choose_branch, name="choose_branch"),
]
