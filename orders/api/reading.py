"""What a lab sends, read strictly: JSON of limited size as UTF-8 in which no name stands twice, and `Accept` with its weights."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from django.http import Http404
from django.utils.http import parse_header_parameters
from rest_framework import exceptions, negotiation, parsers
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request

from orders.api.problems import Problem

LARGEST_BODY = 200_000


class Twice(ValueError):
    """A name that stands twice in one object: whichever value is taken, the other is lost in silence (RFC 8259, 4)."""


def once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """The object of these pairs; for `object_pairs_hook`. Raises Twice."""
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        name = next(name for name, _ in pairs if name in seen or seen.add(name))  # type: ignore[func-returns-value]
        raise Twice(f"The name {name[:40]} stands twice in one object.")
    return made


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON number.")


def read(raw: bytes) -> Any:
    """The value of a body. Raises ParseError with what is wrong and where: what JSON can choke on is the sender's mistake."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise exceptions.ParseError(f"The body is not UTF-8: look at byte {error.start + 1}.") from error
    if text.startswith("\ufeff"):
        raise exceptions.ParseError("The body begins with a byte order mark: leave it out.")
    try:
        return json.loads(text, parse_constant=_no_constant, object_pairs_hook=once_each)
    except json.JSONDecodeError as error:
        raise exceptions.ParseError(f"The body is not JSON: look at line {error.lineno}, column {error.colno}.") from error
    except Twice as error:
        raise exceptions.ParseError(str(error)) from error
    except RecursionError as error:
        raise exceptions.ParseError("The body is nested too deeply.") from error
    except ValueError as error:
        raise exceptions.ParseError("The body is not JSON: there is a number in it that JSON does not have.") from error


class SmallJSON(parsers.BaseParser):
    """JSON of limited size, plain and in UTF-8."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        charset = parse_header_parameters(str(media_type or ""))[1].get("charset", "utf-8")
        if charset.lower() not in ("utf-8", "utf8", "us-ascii"):
            raise Problem("media-type", "JSON is UTF-8: send it so, and leave the charset out.")
        raw = stream.read(LARGEST_BODY + 1)
        if len(raw) > LARGEST_BODY:
            raise Problem("too-large", f"At most {LARGEST_BODY} bytes.")
        return read(raw)


def refuse_encoded(request: Request) -> None:
    """A body that is squeezed or otherwise encoded is not taken (RFC 9110, 15.5.16)."""
    encoding = request.headers.get("Content-Encoding", "").strip().lower()
    if encoding not in ("", "identity"):
        raise Problem(
            "media-type",
            "A body with Content-Encoding is not taken: send it plain.",
            headers={"Accept-Encoding": "identity"},
        )


class ByWeight(negotiation.DefaultContentNegotiation):
    """`Accept` by RFC 9110, 12.5.1: the heaviest form wins, and what has the weight 0 is not wanted. An empty one asks for nothing."""

    def select_renderer(
        self, request: Request, renderers: Iterable[BaseRenderer], format_suffix: str | None = None
    ) -> tuple[BaseRenderer, str]:
        wanted = _weights(request.headers.get("Accept", "") or "*/*")
        forms = list(renderers)
        asked = format_suffix or request.query_params.get("format")
        if asked:
            forms = [each for each in forms if each.format == asked]
            if not forms:
                raise Http404
        found = [
            (weight, -place, form, accepted)
            for place, form in enumerate(forms)
            for weight, accepted in [_weight_of(form, wanted)]
            if weight > 0
        ]
        if not found:
            raise exceptions.NotAcceptable(available_renderers=forms)
        _, _, form, accepted = max(found, key=lambda each: each[:2])
        return form, accepted


def _weights(header: str) -> list[tuple[str, float]]:
    """Media ranges with their weights, the parameters of the range kept with it."""
    found = []
    for part in header.split(","):
        given, _, rest = part.strip().partition(";")
        parameters = [p.strip() for p in rest.split(";") if p.strip()]
        weight = 1.0
        for p in parameters:
            name, _, value = p.partition("=")
            if name.strip().lower() == "q":
                try:
                    weight = min(1.0, max(0.0, float(value)))
                except ValueError:
                    weight = 0.0
        kept = [p for p in parameters if p.partition("=")[0].strip().lower() != "q"]
        if given.strip():
            found.append(("; ".join([given.strip().lower(), *kept]), weight))
    return found


def _weight_of(form: BaseRenderer, wanted: Sequence[tuple[str, float]]) -> tuple[float, str]:
    """The weight of a form by the most precise range that names it, and the media type it is accepted as; 0 where none does."""
    kind = form.media_type.partition("/")[0]
    for name in (form.media_type, f"{kind}/*", "*/*"):
        named = [(weight, given) for given, weight in wanted if given.partition(";")[0] == name]
        if named:  # the same form with several parameters, as two versions: the heaviest, and of equals the first
            weight, given = max(named, key=lambda each: each[0])
            return weight, given if name == form.media_type else form.media_type
    return 0.0, ""
