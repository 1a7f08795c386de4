"""Small calculations over HTTP: the catalogue, and one at a time. Nothing is stored, nobody's record is touched.

Open to whoever is signed in, and to the token holders that `API_TOKEN_AUTHENTICATION` in the settings names (labs): this app knows
neither orders nor labs. Errors are problem documents (RFC 9457); `errors` names each input by JSON Pointer (RFC 6901).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, TypeVar

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.module_loading import import_string
from drf_spectacular.utils import extend_schema
from rest_framework import authentication, exceptions, parsers, permissions
from rest_framework.request import Request
from rest_framework.views import APIView

from dispensing.calculations import BadInputs, all_calculations, find, result

F = TypeVar("F", bound=Callable[..., Any])
LARGEST_BODY = 200_000
_ANY = {"type": "object"}
_PROBLEM = {
    "type": "object",
    "required": ["type", "title", "status"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "instance": {"type": "string"},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["pointer", "detail"],
                "properties": {"pointer": {"type": "string"}, "detail": {"type": "string"}},
            },
        },
    },
}


def documented(
    summary: str,
    *problems: int,
    tag: str = "calculations",
    answer: str = "application/json",
    body: str = "",
    tagged: bool = False,
    name: str = "",
) -> Callable[[F], F]:
    """What an operation is in the OpenAPI document. `body`: what to say of what is sent, where something is; `tagged`: it has an
    entity tag, and may answer that nothing is new; `name`: its operationId, where the made one would be another's too."""
    said: dict[Any, Any] = {(200, answer): _ANY} | {
        (status, "application/problem+json"): _PROBLEM for status in (401, 405, 406, *problems)
    }
    if tagged:
        said[304] = None
    request = {"application/json": {**_ANY, "description": body}} if body else None
    return extend_schema(  # type: ignore[return-value]
        operation_id=name or None, summary=summary, tags=[tag], request=request, responses=said
    )


_TITLES = {
    400: "The request cannot be read",
    401: "Sign in, or send a token",
    403: "This is not allowed",
    404: "There is no such calculation",
    405: "This method is not for this address",
    406: "No such form",
    413: "The body is too large",
    415: "JSON is needed",
    422: "Some inputs cannot be accepted",
}


class TooLarge(exceptions.APIException):
    status_code = 413


class StrictJSON(parsers.BaseParser):
    """JSON without NaN and infinity, of limited size."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        raw = stream.read(LARGEST_BODY + 1)
        if len(raw) > LARGEST_BODY:
            raise TooLarge(f"At most {LARGEST_BODY} bytes.")
        return strict_json(raw)


def strict_json(raw: bytes) -> Any:
    try:
        return json.loads(raw.decode("utf-8"), parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise exceptions.ParseError("The body is not JSON.") from error


def _refuse(name: str) -> None:
    raise ValueError(name)


def problem(status: int, request: HttpRequest, detail: str = "", errors: Mapping[str, str] | None = None) -> HttpResponse:
    """A problem document. `errors`: dotted path of an input -> sentence; "" is the request as a whole."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": _TITLES.get(status, "Error"),
        "status": status,
        "instance": request.path,
    }
    if detail:
        body["detail"] = detail
    if errors:
        body["errors"] = [{"pointer": pointer(path), "detail": words} for path, words in errors.items()]
    response = HttpResponse(_text(body), status=status, content_type="application/problem+json")
    response["Cache-Control"] = "no-store"
    return response


def _text(data: Any) -> bytes:
    """JSON; what somebody sent is said back in it, and may hold half a character."""
    return json.dumps(data, ensure_ascii=False).encode("utf-8", "replace")


def pointer(path: str) -> str:
    return "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path.split(".") if part)


def handler(error: Exception, context: Mapping[str, Any]) -> HttpResponse | None:
    """What DRF raises before or in the view; what is not an API exception goes on up, as the fault that it is."""
    if not isinstance(error, exceptions.APIException):
        return None
    request = context["request"]._request
    detail = str(error.detail) if isinstance(error.detail, str) else ""
    response = problem(error.status_code, request, detail)
    if error.status_code == 401 and (header := getattr(error, "auth_header", None)):
        response["WWW-Authenticate"] = header
    if isinstance(error, exceptions.MethodNotAllowed):
        response["Allow"] = ", ".join(context["view"].allowed_methods)
    return response


class SignedIn(permissions.BasePermission):
    """Somebody, or some token, that is known."""

    def has_permission(self, request: Request, view: Any) -> bool:
        return bool(request.auth) or bool(getattr(request.user, "is_authenticated", False))


class CalculationView(APIView):
    parser_classes = [StrictJSON]
    permission_classes = [SignedIn]

    def get_authenticators(self) -> list[authentication.BaseAuthentication]:
        """Tokens first: the first class decides that a request without either is answered 401, with how to authenticate."""
        tokens = [import_string(name)() for name in getattr(settings, "API_TOKEN_AUTHENTICATION", ())]
        return [*tokens, authentication.SessionAuthentication()]

    def get_exception_handler(self) -> Any:
        return handler


@cache
def catalogue() -> tuple[bytes, str]:
    """The catalogue as it is sent, and its entity tag. Made once a process."""
    text = json.dumps({"calculations": [c.describe() for c in all_calculations()]}, ensure_ascii=False).encode()
    return text, '"' + hashlib.sha256(text).hexdigest()[:24] + '"'


class Calculations(CalculationView):
    """Names, inputs and units of every calculation, as JSON Schema."""

    @documented("Every calculation: its name, inputs and units as JSON Schema.", tagged=True, name="calculations_list")
    def get(self, request: Request) -> HttpResponse:
        text, tag = catalogue()
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if tag in request.headers.get("If-None-Match", ""):
            return HttpResponse(status=304, headers=headers)
        return HttpResponse(text, content_type="application/json", headers=headers)


class OneCalculation(CalculationView):
    """One calculation: its description, and its answer for the inputs in the body."""

    @documented("One calculation: its inputs and units.", 404)
    def get(self, request: Request, name: str) -> HttpResponse:
        found = find(name)
        if found is None:
            return problem(404, request._request)
        return _json(found.describe())

    @documented("Calculate.", 400, 403, 404, 413, 415, 422, body="The inputs, as the calculation describes them.")
    def post(self, request: Request, name: str) -> HttpResponse:
        found = find(name)
        if found is None:
            return problem(404, request._request)
        try:
            return _json(result(found, request.data))
        except BadInputs as bad:
            return problem(422, request._request, errors=bad.errors)


def _json(data: Any) -> HttpResponse:
    response = HttpResponse(_text(data), content_type="application/json")
    response["Cache-Control"] = "no-store"
    return response
