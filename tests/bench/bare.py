"""What the load benchmark compares with: the least a WSGI handler can do, and the least a Django view can do.

granian --interface wsgi tests.bench.bare:wsgi       no framework, a fixed body
granian --interface wsgi tests.bench.bare:django_app one view, no middleware, no database, the same body
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

BODY = b"x" * 20_000  # about a page of ours


def wsgi(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    start_response("200 OK", [("Content-Type", "text/html; charset=utf-8"), ("Content-Length", str(len(BODY)))])
    return [BODY]


def _django() -> Callable[..., Any]:
    import django
    from django.conf import settings
    from django.core.handlers.wsgi import WSGIHandler
    from django.http import HttpRequest, HttpResponse
    from django.urls import path

    def view(request: HttpRequest) -> HttpResponse:
        return HttpResponse(BODY)

    settings.configure(
        ROOT_URLCONF=(path("", view),), ALLOWED_HOSTS=["*"], MIDDLEWARE=[], SECRET_KEY="nothing is signed here"
    )
    django.setup()
    return WSGIHandler()


def __getattr__(name: str) -> Any:
    if name == "django_app":
        return _django()
    raise AttributeError(name)
