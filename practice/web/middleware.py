"""What is refused before any page sees it."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string


def refuse_nul(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """An address with a NUL in it: nobody types one, and PostgreSQL cannot even be asked for it. 400."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if "\x00" in request.path_info or "%00" in request.META.get("QUERY_STRING", ""):
            return HttpResponse(render_to_string("400.html"), status=400)
        return get_response(request)

    return middleware
