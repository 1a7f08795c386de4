"""Every error of the API as a problem document (RFC 9457), also those that never reach a view of ours.

`PROBLEMS` is the one list: the answers, the OpenAPI document and the documentation page are made from it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import Http404, HttpRequest, HttpResponse
from rest_framework import exceptions
from rest_framework.exceptions import APIException

from orders.errors import OrderRefused, Stale
from orders.models import Order
from practice.errors import Conflict, Invalid, NotAllowed, Refused

CONTENT_TYPE = "application/problem+json"
TYPE = "/api/v1/docs#problem-"


@dataclass(frozen=True, slots=True)
class Kind:
    status: int
    title: str
    meaning: str


PROBLEMS: dict[str, Kind] = {
    "bad-request": Kind(
        400,
        "The request cannot be read",
        "The body is not JSON (`detail` says where), or a parameter is not what it should be.",
    ),
    "not-authenticated": Kind(
        401,
        "A lab token is needed",
        "Send `Authorization: Bearer <token>`. The token is missing, unknown, ended or revoked.",
    ),
    "not-allowed": Kind(403, "This token may not do that", "The token lacks the scope that is named."),
    "address-not-allowed": Kind(
        403,
        "Not from this address",
        "The practice takes this lab's tokens from certain addresses only, and this request comes from another.",
    ),
    "not-found": Kind(404, "Not found", "There is no such address, or no such order at this lab."),
    "method-not-allowed": Kind(405, "This method is not for this address", "See the `Allow` header."),
    "not-acceptable": Kind(406, "No such form", "None of the media types asked for is made here."),
    "order-cancelled": Kind(409, "The order is cancelled", "Do not make it. Acknowledge the cancellation."),
    "order-not-cancelled": Kind(409, "The order is not cancelled", "A cancellation was acknowledged that there is not."),
    "order-further-on": Kind(409, "The order is further on", "An order moves forward only."),
    "order-cannot-be-made": Kind(409, "The lab gave the order back", "It was said that the order cannot be made."),
    "conflict": Kind(409, "The state of the order forbids it", "See `detail`."),
    "changed-since": Kind(412, "The order has changed", "`If-Match` does not hold any more. Fetch the order again."),
    "too-large": Kind(413, "The body is too large", "Send less at once."),
    "media-type": Kind(
        415, "JSON is needed", "Send the body as `application/json`, in UTF-8 and without `Content-Encoding`."
    ),
    "invalid": Kind(422, "Some values cannot be accepted", "`errors` names each with a JSON Pointer."),
    "key-reused": Kind(422, "The Idempotency-Key was used for something else", "Take a new key for a new request."),
    "too-many": Kind(429, "Too many requests", "Wait as long as `Retry-After` says."),
    "server-error": Kind(500, "The fault is ours", "It has been logged. Nothing was half saved."),
    "unavailable": Kind(
        503, "Not just now", "The database cannot serve. Nothing was saved: send it again after `Retry-After`."
    ),
}


class Problem(Exception):
    """An answer other than success, on purpose."""

    def __init__(
        self,
        code: str,
        detail: str = "",
        *,
        errors: Mapping[str, str] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail or code)
        self.code = code
        self.detail = detail
        self.errors = dict(errors or {})  # JSON Pointer -> sentence
        self.headers = dict(headers or {})


class AddressRefused(exceptions.PermissionDenied):
    """Raised by the authentication, which the calculations share: an exception that every API here can answer with."""

    default_detail = "This lab's tokens are not taken from the address this request comes from."


def answer(problem: Problem, request: HttpRequest | None = None) -> HttpResponse:
    kind = PROBLEMS[problem.code]
    body: dict[str, Any] = {"type": TYPE + problem.code, "title": kind.title, "status": kind.status}
    if problem.detail:
        body["detail"] = problem.detail
    if request is not None:
        body["instance"] = request.path
    if problem.errors:
        body["errors"] = [{"pointer": pointer, "detail": words} for pointer, words in problem.errors.items()]
    text = json.dumps(body, ensure_ascii=False).encode("utf-8", "replace")  # what is refused may hold half a character
    response = HttpResponse(text, status=kind.status, content_type=CONTENT_TYPE)
    if kind.status == 401:  # RFC 6750, 3: an error only where a token was shown
        response["WWW-Authenticate"] = 'Bearer realm="lab API"' + (', error="invalid_token"' if problem.detail else "")
    for name, value in problem.headers.items():
        response[name] = value
    response["Cache-Control"] = "no-store"
    return response


def _not_accepted(view: Any, forms: Any) -> str:
    """What is made at this address, for somebody who asked for something else."""
    return "Made here: " + ", ".join(dict.fromkeys(each.media_type for each in forms or view.renderer_classes)) + "."


_BY_STATUS = {
    400: "bad-request",
    401: "not-authenticated",
    403: "not-allowed",
    404: "not-found",
    405: "method-not-allowed",
    406: "not-acceptable",
    413: "too-large",
    415: "media-type",
    429: "too-many",
}


def problem_of(error: Exception) -> Problem | None:
    """The problem that stands for an exception; None for one that nobody raised on purpose."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, OrderRefused):
        return Problem(error.code, error.message)
    if isinstance(error, Stale):
        return Problem("changed-since", error.message)
    if isinstance(error, Invalid):
        return Problem("invalid", error.message, errors={_pointer(k): v for k, v in error.errors.items()})
    if isinstance(error, Refused | Conflict):
        return Problem("conflict", error.message)
    if isinstance(error, NotAllowed):
        return Problem("not-allowed", error.message)
    if isinstance(error, Http404 | Order.DoesNotExist):
        return Problem("not-found")
    if isinstance(error, PermissionDenied):
        return Problem("not-allowed")
    if isinstance(error, AddressRefused):
        return Problem("address-not-allowed")
    if isinstance(error, RequestDataTooBig):
        return Problem("too-large")
    if isinstance(error, exceptions.Throttled):
        wait = str(int(getattr(error, "wait", None) or 1) + 1)
        return Problem("too-many", headers={"Retry-After": wait})
    if isinstance(error, APIException) and error.status_code in _BY_STATUS:
        detail = error.detail if isinstance(error.detail, str) else ""
        return Problem(_BY_STATUS[error.status_code], str(detail))
    return None


def _pointer(path: str) -> str:
    """JSON Pointer (RFC 6901) of a dotted path."""
    return "/" + "/".join(p.replace("~", "~0").replace("/", "~1") for p in path.split(".") if p)


def handler(error: Exception, context: Mapping[str, Any]) -> HttpResponse | None:
    """DRF's exception handler for our views. What is not ours goes on up: it is a fault and is logged as one."""
    problem = problem_of(error)
    if problem is None:
        return None
    request = context["request"]
    if isinstance(error, exceptions.MethodNotAllowed):
        problem.headers.setdefault("Allow", ", ".join(context["view"].allowed_methods))
    if isinstance(error, exceptions.NotAcceptable):
        problem.detail = _not_accepted(context["view"], error.available_renderers)
    if isinstance(error, Http404) and (context.get("kwargs") or {}).get("format"):
        problem.detail = "Suffixes: " + ", ".join(f".{each.format}" for each in context["view"].renderer_classes) + "."
    elif isinstance(error, Http404) and "format" in request.query_params:
        problem.detail = "format: one of " + ", ".join(each.format for each in context["view"].renderer_classes) + "."
    return answer(problem, request._request)
