"""The outermost middleware: gives each request an id, measures it, and writes one line about it. Names the route, never the path.

A proxy that is trusted may send the id (X-Request-ID); anybody else's is replaced. It goes back in the response's header. Behind
trusted proxies the address of the connection becomes that of whoever asked, here, once, for everything that comes after.
"""

from __future__ import annotations

import logging
import re
import secrets
import time
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.urls import Resolver404, resolve
from django.utils.functional import SimpleLazyObject, empty

from deploy import headers, health, metrics
from deploy.logs import request_id
from orders.api import addresses, quick
from orders.models import Lab

log = logging.getLogger("deploy.request")
HEADER = "X-Request-ID"
_WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{7,63}")
_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}


def observe(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """The middleware."""

    def middleware(request: HttpRequest) -> HttpResponse:
        given = request.known_as = id_of(request)  # type: ignore[attr-defined]  # pages of errors say it
        _who_asked(request)
        kept, started = request_id.set(given), time.perf_counter()
        try:
            headers.take_cookies(request)
            response = headers.refused(request) or health.answer(request) or get_response(request)
            headers.put(request, response)
            seconds = time.perf_counter() - started
            response[HEADER] = given
            _note(request, response, seconds)
        finally:
            request_id.reset(kept)
        return response

    return middleware


def id_of(request: HttpRequest) -> str:
    """The id a trusted proxy has given, if it is well-formed; else one of ours."""
    given = request.META.get("HTTP_X_REQUEST_ID", "")
    if given and _WELL_FORMED.fullmatch(given) and _from_proxy(request):
        return str(given)
    return secrets.token_hex(8)


def _from_proxy(request: HttpRequest) -> bool:
    came = addresses.address(request.META.get("REMOTE_ADDR", ""))
    return came is not None and addresses.within(came, settings.TRUSTED_PROXIES)


def _who_asked(request: HttpRequest) -> None:
    if settings.TRUSTED_PROXIES and "HTTP_X_FORWARDED_FOR" in request.META:
        asked = addresses.client_address(request)
        if asked is not None:
            request.META["REMOTE_ADDR"] = str(asked)


@lru_cache(maxsize=8)
def _name_of(path: str) -> str:
    try:
        return resolve(path).view_name
    except Resolver404:
        return "none"


def route_of(request: HttpRequest) -> str:
    """The name of the address that answered; without one its pattern. `none`: nothing answered, or a middleware did."""
    match = request.resolver_match
    if match is not None:
        return match.view_name or match.route or "none"
    path = request.path_info
    if path == quick.PATH:
        return _name_of(path)
    if path in health.PATHS:
        return path.strip("/")
    return "static" if path.startswith(settings.STATIC_URL) else "none"


def who(request: HttpRequest) -> dict[str, Any]:
    """Staff by number, a lab by its code; nothing is asked of the database for it."""
    user = request.__dict__.get("user")
    if isinstance(user, Lab):
        return {"lab": user.code}
    if isinstance(user, SimpleLazyObject):
        user = None if user._wrapped is empty else user  # type: ignore[attr-defined]
    number = getattr(user, "pk", None) or getattr(request.__dict__.get("_cached_user"), "pk", None)
    return {"staff": number} if number else {}


def _note(request: HttpRequest, response: HttpResponse, seconds: float) -> None:
    route = route_of(request)
    method = request.method if request.method in _METHODS else "other"
    metrics.request_done(route, method or "other", response.status_code, seconds)
    level = logging.DEBUG if route == "static" or request.path_info in health.PATHS else logging.INFO
    if log.isEnabledFor(level):
        log.log(
            level,
            "request",
            extra={
                "method": method,
                "route": route,
                "status": response.status_code,
                "ms": round(seconds * 1000, 1),
                **who(request),
            },
        )
