"""What is refused before any page sees it."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string


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
