"""What every answer carries, whoever gave it: a page, the API, a static file, a health answer, an error. Called by the outermost middleware.

Why here: the middlewares that set such headers stand further in, and what is answered before them (health, the lab feed, a static
file, a way to the sign-in page) would go without.
"""

from __future__ import annotations

from functools import lru_cache

from csp.utils import build_policy
from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse

API = "/api/"
PAGE_METHODS = ("GET", "HEAD", "POST")
API_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
PREFIX = "__Host-"  # a browser takes such a cookie only with Secure, for this host alone, for all of it


def refused(request: HttpRequest) -> HttpResponse | None:
    """A method nothing here answers (TRACE among them): 405. The API without TLS where TLS is on: 403, and no way to https is
    shown, or a program that sends its token in the clear would never learn of it. None: go on."""
    programs = request.path_info.startswith(API)
    allowed = API_METHODS if programs else PAGE_METHODS
    if request.method not in allowed:
        return _problem(programs, 405, "This method is not for this address", {"Allow": ", ".join(allowed)})
    if programs and settings.SECURE_SSL_REDIRECT and not request.is_secure():
        return _problem(programs, 403, "The API is to be had over TLS only", {})
    return None


def _problem(programs: bool, status: int, title: str, more: dict[str, str]) -> HttpResponse:
    if not programs:
        return HttpResponse(f"{title}.", status=status, content_type="text/plain; charset=utf-8", headers=more)
    kind = "method-not-allowed" if status == 405 else "forbidden"
    body = {"type": f"/api/v1/docs#problem-{kind}", "title": title, "status": status}
    return JsonResponse(body, status=status, content_type="application/problem+json", headers=more)


def take_cookies(request: HttpRequest) -> None:
    """With TLS on: cookies of ours are known by their short names inside, and one that is set without the prefix is nobody's."""
    if not settings.SESSION_COOKIE_SECURE:
        return
    kept = {settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME}
    given = request.COOKIES
    request.COOKIES = {n if n in kept else n.removeprefix(PREFIX): v for n, v in given.items() if n.startswith(PREFIX)}


def put(request: HttpRequest, response: HttpResponse) -> None:
    """Headers that are missing; nothing of a person is to be kept by a browser or anything on the way."""
    for name, value in _fixed().items():
        response.headers.setdefault(name, value)
    if settings.SECURE_HSTS_SECONDS and request.is_secure():
        response.headers.setdefault(
            "Strict-Transport-Security", f"max-age={settings.SECURE_HSTS_SECONDS}; includeSubDomains; preload"
        )
    if not request.path_info.startswith(settings.STATIC_URL):
        told = response.headers.get("Cache-Control", "")
        # programs of labs keep what they fetch by its ETag; a browser keeps no page, sheet or list
        if not told or ("no-store" not in told and not request.path_info.startswith(API)):
            response.headers["Cache-Control"] = "private, no-store"
    if settings.SESSION_COOKIE_SECURE:
        _prefix(response)


def _prefix(response: HttpResponse) -> None:
    for name in [n for n in response.cookies if not n.startswith(PREFIX)]:
        morsel = response.cookies.pop(name)
        morsel.set(PREFIX + name, morsel.value, morsel.coded_value)
        morsel["secure"], morsel["path"], morsel["domain"] = True, "/", ""
        dict.__setitem__(response.cookies, PREFIX + name, morsel)


@lru_cache(maxsize=1)
def _fixed() -> dict[str, str]:
    return {
        "Content-Security-Policy": build_policy(),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": settings.SECURE_REFERRER_POLICY,
        "X-Frame-Options": "DENY",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    }
