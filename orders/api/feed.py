"""A page of the feed: what was asked, the rows, the answer. Shared by the view and by its short way (`quick`)."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse, QueryDict

from orders.api.problems import Problem
from orders.models import Lab, Order
from orders.renderers import json_text

PAGE, LARGEST_PAGE = 100, 500
COLUMNS = (*json_text.COLUMNS, "id", "fetched_at")  # a row of a page
KEY, FETCHED = len(json_text.COLUMNS), len(json_text.COLUMNS) + 1
POSITION, VERSION = json_text.COLUMNS.index("feed_position"), json_text.COLUMNS.index("version")

Row = Sequence[Any]


@dataclass(frozen=True, slots=True)
class Asked:
    after: int
    limit: int
    waiting: str  # true, false, any
    states: tuple[str, ...]


def asked(query: QueryDict) -> Asked:
    """The parameters of a page. Raises Problem."""
    waiting, states = query.get("waiting", "true"), query.getlist("state")
    after, limit = _whole(query, "after", 0, 0, 2**63 - 1), _whole(query, "limit", PAGE, 1, LARGEST_PAGE)
    if waiting not in ("true", "false", "any"):
        raise Problem("bad-request", "waiting: true, false or any.")
    if any(s not in Order.State.values for s in states):
        raise Problem("bad-request", f"state: one of {', '.join(Order.State.values)}.")
    return Asked(after, limit, waiting, tuple(states))


def _whole(query: QueryDict, name: str, default: int, least: int, most: int) -> int:
    given = query.get(name)
    if given is None:
        return default
    if not given.isascii() or not given.isdecimal() or len(given) > 19 or not least <= int(given) <= most:
        raise Problem("bad-request", f"{name}: a whole number from {least} to {most}.")
    return int(given)


def rows_of(lab: Lab, page: Asked) -> list[Row]:
    """One row more than the page holds, where there is one."""
    found = Order.objects.filter(lab=lab, feed_position__gt=page.after)
    if page.waiting != "any":
        found = found.filter(waiting=page.waiting == "true")
    if page.states:
        found = found.filter(state__in=page.states)
    return list(found.order_by("feed_position").values_list(*COLUMNS)[: page.limit + 1])


def answer(request: HttpRequest, page: Asked, rows: list[Row], handed_out: Callable[[list[int]], None]) -> HttpResponse:
    """The page as JSON, or 304. `handed_out` is told the keys of orders that the lab gets for the first time."""
    more, rows = len(rows) > page.limit, rows[: page.limit]
    last = rows[-1][POSITION] if rows else page.after
    seen = hashlib.sha256(f"{page.after}|{more}|{[(r[0], r[VERSION]) for r in rows]}".encode()).hexdigest()[:32]
    tag = f'"{seen}"'
    headers = {}
    if more:
        query = request.GET.copy()
        query["after"] = str(last)
        headers["Link"] = f'<{request.path}?{query.urlencode()}>; rel="next"'
    unchanged = not_modified(request, tag)
    if unchanged is not None:
        return unchanged
    handed_out([r[KEY] for r in rows if r[FETCHED] is None])
    body = '{"orders": [' + ",\n".join([json_text.line(*r[:KEY]) for r in rows])
    body += f'], "last": {last}, "more": {"true" if more else "false"}' + "}"
    return send(request, body.encode("utf-8"), "application/json", tag, headers)


def not_modified(request: HttpRequest, tag: str) -> HttpResponse | None:
    """304 when If-None-Match holds (weak comparison, RFC 9110)."""
    given = request.headers.get("If-None-Match", "")
    tags = {t.strip().removeprefix("W/") for t in given.split(",")}
    if tag in tags or given.strip() == "*":
        return HttpResponse(status=304, headers={"ETag": tag, "Cache-Control": "no-cache", "Vary": "Accept"})
    return None


def send(
    request: HttpRequest, body: bytes, content_type: str, tag: str, headers: Mapping[str, str] | None = None
) -> HttpResponse:
    """With its tag; squeezed at the quickest level where the lab takes gzip and it pays."""
    response = HttpResponse(body, content_type=content_type)
    if len(body) > 1400 and "gzip" in request.headers.get("Accept-Encoding", "") and not content_type.endswith("pdf"):
        response.content = gzip.compress(body, 1, mtime=0)
        response["Content-Encoding"] = "gzip"
    response["ETag"] = tag
    response["Cache-Control"] = "no-cache"
    response["Vary"] = "Accept, Accept-Encoding"
    for name, value in (headers or {}).items():
        response[name] = value
    return response
