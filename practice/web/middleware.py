"""What is refused before any page sees it."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string

from practice import sessions
from practice.web.shell import branch_of


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
    """A session that was unused for as long as the branch allows ends; what is typed and not saved stays on its page.

    The sheet tells every quarter of a minute that it is open: that is a page left lying, not somebody at work, and does not count.
    """

    def middleware(request: HttpRequest) -> HttpResponse:
        if sessions.USED in request.session and request.user.is_authenticated:
            minutes = sessions.unused_for(request.session)
            if minutes is not None:
                sessions.closed(session_key=request.session.session_key)
                logout(request)
                request.session[sessions.WHY] = minutes
            elif sessions.due(request.session) and not request.path_info.endswith("/presence/"):
                sessions.used(session=request.session, branch=branch_of(request))
        return get_response(request)

    return middleware
