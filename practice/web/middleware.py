"""What is refused before any page sees it."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import Resolver404, resolve

from practice import access, devices, factors, sessions
from practice.web.shell import branch_of

WITHOUT_FACTOR = {"practice:factors", "practice:add_totp", "practice:add_passkey", "practice:sign_out", "practice:look"}


def refuse_nul(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """An address with a NUL in it: nobody types one, and PostgreSQL cannot even be asked for it. 400."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if "\x00" in request.path_info or "%00" in request.META.get("QUERY_STRING", ""):
            if request.path_info.startswith("/api/"):  # programs get the problem documents they know (RFC 9457)
                problem = {"type": "/api/v1/docs#problem-bad-request", "title": "The request cannot be read", "status": 400}
                return JsonResponse(problem, status=400, content_type="application/problem+json")
            return HttpResponse(render_to_string("400.html"), status=400)
        return get_response(request)

    return middleware


def end_when_unused(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """A session that was unused for as long as the branch allows ends, and any after half a day; what is typed and not saved stays on its page.
    One that a PIN opened ends too when its device was revoked: a tablet that was stolen is open for a minute, not for the day.

    The sheet tells every quarter of a minute that it is open: that is a page left lying, not somebody at work, and does not count.
    """

    def middleware(request: HttpRequest) -> HttpResponse:
        if sessions.USED in request.session and request.user.is_authenticated:
            came = request.COOKIES.get(settings.SESSION_COOKIE_NAME, "")
            if request.session.session_key != came:  # Django gives a session that was signed under an old key another name
                sessions.moved(session_key=came, session=request.session)
            minutes = sessions.unused_for(request.session)
            if minutes is None and sessions.too_old(request.session):
                minutes = 0
            device = request.session.get(sessions.DEVICE)
            if minutes is None and device is not None and sessions.due(request.session) and not devices.still(device):
                minutes = sessions.REVOKED
            if minutes is not None:
                sessions.closed(session_key=request.session.session_key)
                logout(request)
                request.session[sessions.WHY] = minutes
            elif sessions.due(request.session) and not request.path_info.endswith("/presence/"):
                sessions.used(session=request.session, branch=branch_of(request))
                request.session[sessions.SET_UP] = factors.must_set_up(request.user)  # the group's rule may be new
        return get_response(request)

    return middleware


def roles_once(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """A page that only reads asks for each role once."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if request.method not in ("GET", "HEAD"):
            return get_response(request)
        with access.looked_up_once():
            return get_response(request)

    return middleware


def second_factor_first(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """Whose role demands a second factor sets one up before anything else."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if not request.session.get(sessions.SET_UP) or not request.user.is_authenticated:
            return get_response(request)
        try:
            name = resolve(request.path_info).view_name
        except Resolver404:
            return get_response(request)
        if name in WITHOUT_FACTOR:
            return get_response(request)
        if request.path_info.startswith("/api/"):
            problem = {
                "type": "/api/v1/docs#problem-forbidden",
                "title": "A second factor has to be set up first",
                "status": 403,
            }
            return JsonResponse(problem, status=403, content_type="application/problem+json")
        if request.headers.get("HX-Request"):
            return HttpResponse("Set up your second factor first.", status=403, content_type="text/plain; charset=utf-8")
        return redirect("practice:factors")

    return middleware
