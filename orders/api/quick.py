"""The short way of the one request that comes thousands of times an hour: a lab asks for a page of its feed, and all is in order.

A middleware that stands before the session, the forms' tokens and the messages, none of which a lab has. It answers only what it is
sure of; for everything else (no token or a bad one, another method or form, a wrong parameter, an address that is not allowed, a
lab that asks too often) it steps aside, and the view of the same address gives the one answer there is. On PostgreSQL the token, its
lab and the page come with one statement, so that nothing about a token is remembered between requests: one that is revoked counts
as revoked with the next request, in every server process.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from orders import lab_progress, labs
from orders.api import feed, limits
from orders.api.addresses import may_come_from
from orders.api.problems import Problem
from orders.models import Lab

PATH = "/api/v1/orders"
_KNOWN = 4  # columns of the token and its lab, before those of the order


def _column(name: str) -> str:
    """Moments come as the text they are sent as: hundreds of them read into Python and written out again cost more than the rest."""
    if name in ("issued_at", "cancelled_at", "rejected_at"):
        return f"""to_char({name} AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"') AS {name}"""
    return "NULLIF(fetched_at IS NOT NULL, false) AS fetched_at" if name == "fetched_at" else name


# names and forms of ours only; every value is a parameter
_SQL = (
    "SELECT t.id, l.id, l.allowed_addresses, coalesce(t.last_used_at <= %s, true), o.* "  # noqa: S608
    "FROM orders_labtoken t JOIN orders_lab l ON l.id = t.lab_id LEFT JOIN LATERAL "
    f"(SELECT {', '.join(_column(name) for name in feed.COLUMNS)} FROM orders_order "
    "WHERE lab_id = l.id AND feed_position > %s{more} ORDER BY feed_position LIMIT %s) o ON true "
    "WHERE t.digest = %s AND t.revoked_at IS NULL AND coalesce(t.expires_at > %s, true) AND t.scopes @> %s::jsonb AND l.active "
    "ORDER BY o.feed_position"
)
_WAITING = {"true": " AND waiting", "false": " AND NOT waiting", "any": ""}


def feed_first(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """The middleware."""

    def middleware(request: HttpRequest) -> HttpResponse:
        if request.path_info == PATH and request.method == "GET":
            quick = page(request)
            if quick is not None:
                if quick.status_code == 200:
                    quick["Content-Length"] = str(len(quick.content))
                return quick
        return get_response(request)

    return middleware


def page(request: HttpRequest) -> HttpResponse | None:
    """The page, or None where the view has to look."""
    token = _bearer(request)
    if (
        token is None
        or request.META.get("HTTP_ACCEPT", "*/*") not in ("*/*", "application/json")
        or "format" in request.GET
    ):
        return None
    try:
        wanted = feed.asked(request.GET)
    except Problem:
        return None
    now = timezone.now()
    found = _read(token, wanted, now)
    if found is None:
        return None
    (key, lab_id, allowed, unused), rows = found
    if not may_come_from(request, json.loads(allowed) if isinstance(allowed, str) else allowed):
        return None
    allowance = limits.count(key)
    if allowance.used_up:
        return None
    if unused:
        labs.note_use(key, now)

    def handed_out(fresh: list[int]) -> None:
        if fresh:
            lab_progress.note_fetched(lab=Lab.objects.select_related("group").get(pk=lab_id), keys=fresh)

    response = feed.answer(request, wanted, rows, handed_out)
    response["Allow"] = "GET, HEAD"
    for name, value in allowance.headers().items():
        response[name] = value
    return response


def _bearer(request: HttpRequest) -> str | None:
    scheme, _, token = request.META.get("HTTP_AUTHORIZATION", "").partition(" ")
    token = token.strip()
    return token if scheme.lower() == "bearer" and token and token.isascii() else None


def _read(token: str, wanted: feed.Asked, now: datetime) -> tuple[tuple[Any, ...], list[feed.Row]] | None:
    """Token, lab, its addresses and whether the use is to be noted; the rows of the page. None for a token that opens nothing here."""
    if connection.vendor != "postgresql":
        row = labs.find_token(token)
        if row is None or labs.READ not in row.scopes:
            return None
        return (row.pk, row.lab_id, row.lab.allowed_addresses, False), feed.rows_of(row.lab, wanted)
    more = _WAITING[wanted.waiting] + (" AND state = ANY(%s)" if wanted.states else "")
    values: list[Any] = [now - labs.USED_EVERY, wanted.after, *([list(wanted.states)] if wanted.states else [])]
    values += [wanted.limit + 1, labs.token_digest(token), now, json.dumps([labs.READ])]
    with connection.cursor() as cursor:
        cursor.execute(_SQL.replace("{more}", more), values)
        found = cursor.fetchall()
    if not found:
        return None
    first = found[0]
    if first[_KNOWN] is None:  # a lab with nothing on this page
        return first[:_KNOWN], []
    return first[:_KNOWN], [each[_KNOWN:] for each in found]
