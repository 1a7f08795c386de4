"""A page of the feed: what was asked, the rows, the answer. Shared by the view and by its short way (`quick`)."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse, QueryDict

from orders.api.problems import Problem
from orders.models import Lab, Order
from orders.renderers import json_text

PAGE, LARGEST_PAGE = 100, 500
PARAMETERS = ("after", "limit", "waiting", "state", "format")  # the last only repeats what Accept says
COLUMNS = (*json_text.COLUMNS, "id", "fetched_at")  # a row of a page
KEY, FETCHED = len(json_text.COLUMNS), len(json_text.COLUMNS) + 1
SQUEEZED, VARY = '.gz"', "Accept, Accept-Encoding"
POSITION, VERSION = json_text.COLUMNS.index("feed_position"), json_text.COLUMNS.index("version")


@dataclass(frozen=True, slots=True)
class Asked:
    after: int
    limit: int
    waiting: str  # true, false, any
    states: tuple[str, ...]


def asked(query: QueryDict) -> Asked:
    """The parameters of a page. Raises Problem."""
    unknown = [name for name in query if name not in PARAMETERS]
    if unknown:  # a slip would be answered with the first page, again and again
        raise Problem("bad-request", f"There is no parameter {unknown[0]}: {', '.join(PARAMETERS[:-1])}.")
    twice = [name for name in query if name != "state" and len(query.getlist(name)) > 1]
    if twice:
        raise Problem("bad-request", f"{twice[0]}: once only.")
    waiting, states = query.get("waiting", "true"), query.getlist("state")
    after, limit = _whole(query, "after", 0, 0, 2**63 - 1), _whole(query, "limit", PAGE, 1, LARGEST_PAGE)
    if waiting not in ("true", "false", "any"):
        raise Problem("bad-request", "waiting: true, false or any.")
    if any(s not in Order.State.values for s in states):
        raise Problem("bad-request", f"state: one of {', '.join(Order.State.values)}; for several, give it several times.")
    return Asked(after, limit, waiting, tuple(states))


def _whole(query: QueryDict, name: str, default: int, least: int, most: int) -> int:
    given = query.get(name)
    if given is None:
        return default
    if not given.isascii() or not given.isdecimal() or len(given) > 19 or not least <= int(given) <= most:
        raise Problem("bad-request", f"{name}: a whole number from {least} to {most}.")
    return int(given)


@dataclass(frozen=True, slots=True)
class Page:
    """What a page holds, each order as the bytes that are sent, whoever put them together."""

    lines: list[bytes]
    marks: list[str]  # of each order: its number and version, which is all that the page's tag hangs on
    last: int  # place of the last one
    more: bool
    fresh: list[int]  # keys of those that the lab was never handed


def page_of(lab: Lab, page: Asked) -> Page:
    found = Order.objects.filter(lab=lab, feed_position__gt=page.after)
    if page.waiting != "any":
        found = found.filter(waiting=page.waiting == "true")
    if page.states:
        found = found.filter(state__in=page.states)
    rows = list(found.order_by("feed_position").values_list(*COLUMNS)[: page.limit + 1])  # one more, where there is one
    more, rows = len(rows) > page.limit, rows[: page.limit]
    return Page(
        lines=[json_text.line(*r[:KEY]).encode("utf-8") for r in rows],
        marks=[f"{r[0]} {r[VERSION]}" for r in rows],
        last=rows[-1][POSITION] if rows else page.after,
        more=more,
        fresh=[r[KEY] for r in rows if r[FETCHED] is None],
    )


def answer(
    request: HttpRequest, asked: Asked, page: Page, handed_out: Callable[[list[int]], None], query: QueryDict
) -> HttpResponse:
    """The page as JSON, or 304. `handed_out` is told the keys of orders that the lab gets for the first time."""
    seen = hashlib.sha256(f"{asked.after}|{page.more}|{','.join(page.marks)}".encode()).hexdigest()[:32]
    tag = f'"{seen}"'
    headers = {}
    if page.more:
        query = query.copy()
        query["after"] = str(page.last)
        headers["Link"] = f'<{request.path}?{query.urlencode()}>; rel="next"'
    unchanged = not_modified(request, tag)
    if unchanged is not None:
        return unchanged
    handed_out(page.fresh)
    end = f'], "last": {page.last}, "more": {"true" if page.more else "false"}' + "}"
    body = b"".join((b'{"orders": [', b",\n".join(page.lines), end.encode("ascii")))
    return send(request, body, "application/json", tag, headers)


def not_modified(request: HttpRequest, tag: str) -> HttpResponse | None:
    """304 when If-None-Match holds (weak comparison, RFC 9110), squeezed or not."""
    given = request.headers.get("If-None-Match", "")
    for seen in (t.strip().removeprefix("W/") for t in given.split(",")):
        if seen == "*" or tag in (seen, seen.replace(SQUEEZED, '"')):
            kept = {"ETag": tag if seen == "*" else seen, "Cache-Control": "no-cache", "Vary": VARY}
            response = HttpResponse(status=304, headers=kept)
            del response["Content-Type"]  # there is no content
            return response
    return None


def send(
    request: HttpRequest, body: bytes, content_type: str, tag: str, headers: Mapping[str, str] | None = None
) -> HttpResponse:
    """With its tag; squeezed at the quickest level where the lab takes gzip and it pays."""
    response = HttpResponse(body, content_type=content_type)
    if len(body) > 1400 and "gzip" in request.headers.get("Accept-Encoding", "") and not content_type.endswith("pdf"):
        response.content = gzip.compress(body, 1, mtime=0)
        response["Content-Encoding"] = "gzip"
        tag = tag[:-1] + SQUEEZED  # other bytes, another tag (RFC 9110, 8.8.3.3)
    response["ETag"] = tag
    response["Cache-Control"] = "no-cache"
    response["Vary"] = VARY
    for name, value in (headers or {}).items():
        response[name] = value
    return response
