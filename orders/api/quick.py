"""The short way of the two requests that come thousands of times an hour, where all is in order: a lab asks for a page of its feed, and
says that it has one order.

A middleware that stands before the session, the forms' tokens and the messages, none of which a lab has. It answers only what it is
sure of; for everything else (no token or a bad one, another method or form, a wrong parameter, an address that is not allowed, a
lab that asks too often) it steps aside, and the view of the same address gives the one answer there is. On PostgreSQL the token, its
lab and the page come with one statement, so that nothing about a token is remembered between requests: one that is revoked counts
as revoked with the next request, in every server process.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import InterfaceError, OperationalError, connection
from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.utils import timezone

from orders import at_once, lab_progress, labs
from orders.api import feed, limits, once, shapes
from orders.api.addresses import client_address, may_come_from
from orders.api.problems import Problem, answer, problem_of
from orders.api.reading import once_each
from orders.converters import NUMBER
from orders.lab_progress import Acknowledged
from orders.models import Lab, LabToken
from orders.renderers.json_text import LINE_SQL

PATH = "/api/v1/orders"
_ACKNOWLEDGED = re.compile(rf"{PATH}/({NUMBER})/acknowledgement")
LARGEST_SAID = 200  # bytes

# names and forms of ours only; every value is a parameter
_SQL = (
    "SELECT t.id, l.id, CASE WHEN l.allowed_addresses = '[]' THEN NULL ELSE l.allowed_addresses::text END, "  # noqa: S608
    "coalesce(t.last_used_at <= %s, true), o.* "
    "FROM orders_labtoken t JOIN orders_lab l ON l.id = t.lab_id LEFT JOIN LATERAL "
    f"(SELECT feed_position, number || ' ' || version, CASE WHEN fetched_at IS NULL THEN id END, {LINE_SQL} FROM orders_order "
    "WHERE lab_id = l.id AND feed_position > %s{more} ORDER BY feed_position LIMIT %s) o ON true "
    "WHERE t.digest = %s AND t.revoked_at IS NULL AND coalesce(t.expires_at > %s, true) AND t.scopes @> %s::jsonb AND l.active "
    "ORDER BY o.feed_position"
)
_KEY, _LAB, _ALLOWED, _UNUSED, _POSITION, _MARK, _FRESH, _LINE = range(8)  # its columns
_WAITING = {"true": " AND waiting", "false": " AND NOT waiting", "any": ""}


def feed_first(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[HttpRequest], HttpResponse]:
    """The middleware."""

    def middleware(request: HttpRequest) -> HttpResponse:
        path = request.path_info
        if not path.startswith(PATH):
            return get_response(request)
        quick = None
        if path == PATH and request.method == "GET":
            quick = page(request)
        elif request.method == "POST" and (number := _ACKNOWLEDGED.fullmatch(path)):
            quick = acknowledgement(request, number[1])
        if quick is not None:
            if quick.status_code != 304:
                quick["Content-Length"] = str(len(quick.content))
            return quick
        return get_response(request)

    return middleware


def page(request: HttpRequest) -> HttpResponse | None:
    """The page, or None where the view has to look."""
    token = _bearer(request)
    if token is None or not _takes_json(request):
        return None
    try:
        wanted = feed.asked(request.GET)
    except Problem:
        return None
    now = timezone.now()
    found = _read(token, wanted, now)
    if found is None:
        return None
    who, rows = found
    if not may_come_from(request, who.allowed):
        return None
    allowance = limits.count(who.token, labs.token_digest(token))
    if allowance.used_up:
        return None
    if who.unused:
        labs.note_use(who.token, now)

    def handed_out(fresh: list[int]) -> None:
        if fresh:
            lab_progress.note_fetched(lab=Lab.objects.select_related("group").get(pk=who.lab), keys=fresh)

    response = feed.answer(request, wanted, rows, handed_out, request.GET)
    response["Allow"] = "GET, HEAD"
    for name, value in allowance.headers().items():
        response[name] = value
    return response


def acknowledgement(request: HttpRequest, number: str) -> HttpResponse | None:
    """The answer to "I have this order", or None where the view has to look."""
    token, what = _bearer(request), _what(request)
    if token is None or what is None or not _takes_json(request) or "HTTP_IF_MATCH" in request.META:
        return None
    allowance = limits.spend(labs.token_digest(token))
    row = None
    if allowance is None:
        row = _who_may_write(request, token)
        if row is None:
            return None
        allowance = limits.count(row.pk, row.digest)
    if allowance.used_up:
        return None
    response = _at_once(request, token, number, what) if at_once.works() else None
    if response is None:
        row = row or _who_may_write(request, token)
        if row is None:
            return None
        response = _in_order(request, row.lab, number, what)
    response["Allow"] = "POST"
    for name, value in allowance.headers().items():
        response[name] = value
    return response


def _who_may_write(request: HttpRequest, token: str) -> LabToken | None:
    row = _token(token)
    if row is None or labs.WRITE not in row.scopes or not may_come_from(request, row.lab.allowed_addresses):
        return None
    return row


def _at_once(request: HttpRequest, token: str, number: str, what: Acknowledged) -> HttpResponse | None:
    """All of it in one exchange with the database; None where it steps aside, and where the database has to be asked anew.

    Asking anew does no harm: said twice, it is acknowledged once, with a key or without.
    """
    try:
        key = once.key_of(request)
    except Problem:
        return None
    now = timezone.now()
    _unasked()
    try:
        done = at_once.acknowledge(
            token_digest=labs.token_digest(token),
            scope=labs.WRITE,
            came_from=client_address(request),
            now=now,
            used_before=now - labs.USED_EVERY,
            number=number,
            what=what,
            key=key,
            fingerprint="" if key is None else once.fingerprint_of(request, {"what": what}),
        )
    except (OperationalError, InterfaceError):
        if connection.in_atomic_block or (connection.connection is not None and not connection.connection.closed):
            raise  # it is there and says no: it has waited too long for a lock, say
        connection.close()
        return None
    if done is None:
        return None
    if done.unused:
        labs.note_use(done.token, now)
    return once.as_json(200, done.answer)


def _in_order(request: HttpRequest, lab: Lab, number: str, what: Acknowledged) -> HttpResponse:
    """The ordinary way, with every answer there is."""

    def run() -> dict[str, Any]:
        return shapes.summary(lab_progress.acknowledge(lab=lab, number=number, what=what))

    try:
        return once.once(request, lab, {"what": what}, run)
    except Exception as error:
        problem = problem_of(error)
        if problem is None:
            raise
        return answer(problem, request)


def _unasked() -> None:
    """The first statement itself shows whether the connection holds: no question beforehand, in this request."""
    connection.health_check_done = True  # type: ignore[attr-defined]


def _token(text: str) -> LabToken | None:
    """As `labs.find_token`; None too where the connection does not hold, which is found by the question itself."""
    _unasked()
    try:
        return labs.find_token(text)
    except (OperationalError, InterfaceError):
        if connection.in_atomic_block:
            raise
        connection.close()
        return None


def _what(request: HttpRequest) -> Acknowledged | None:
    """What is acknowledged, of a body that is plainly in order."""
    length = request.META.get("CONTENT_LENGTH", "")
    if request.META.get("CONTENT_TYPE") != "application/json" or not length.isdecimal() or int(length) > LARGEST_SAID:
        return None
    if "HTTP_CONTENT_ENCODING" in request.META:
        return None
    try:
        said = json.loads(request.body.decode("utf-8"), object_pairs_hook=once_each)
    except (ValueError, UnreadablePostError):
        return None
    if said == {} or said == {"what": "order"}:
        return "order"
    return "cancellation" if said == {"what": "cancellation"} else None


def _takes_json(request: HttpRequest) -> bool:
    return request.META.get("HTTP_ACCEPT", "*/*") in ("*/*", "application/json") and "format" not in request.GET


def _bearer(request: HttpRequest) -> str | None:
    scheme, _, token = request.META.get("HTTP_AUTHORIZATION", "").partition(" ")
    token = token.strip()
    return token if scheme.lower() == "bearer" and token and token.isascii() else None


@dataclass(frozen=True, slots=True)
class Who:
    token: int
    lab: int
    allowed: list[str]
    unused: bool  # not noted as used for a while


def _read(token: str, wanted: feed.Asked, now: datetime) -> tuple[Who, feed.Page] | None:
    """Whose token it is, and the page. None for a token that opens nothing here, and where the database has to be asked anew."""
    if connection.vendor != "postgresql":
        row = labs.find_token(token)
        if row is None or labs.READ not in row.scopes:
            return None
        return Who(row.pk, row.lab_id, row.lab.allowed_addresses, False), feed.page_of(row.lab, wanted)
    more = _WAITING[wanted.waiting] + (" AND state = ANY(%s)" if wanted.states else "")
    values: list[Any] = [now - labs.USED_EVERY, wanted.after, *([list(wanted.states)] if wanted.states else [])]
    values += [wanted.limit + 1, labs.token_digest(token), now, json.dumps([labs.READ])]
    _unasked()
    try:
        with connection.cursor() as cursor:
            cursor.execute(_SQL.replace("{more}", more), values)
            found = cursor.cursor.pgresult  # as the server sent it: the bytes of a line go out unread
    except (OperationalError, InterfaceError):
        if connection.in_atomic_block:
            raise
        connection.close()
        return None
    if not found.ntuples:
        return None
    at = found.get_value
    who = Who(int(at(0, _KEY)), int(at(0, _LAB)), json.loads(at(0, _ALLOWED) or "[]"), at(0, _UNUSED) == b"t")
    count = found.ntuples if at(0, _POSITION) is not None else 0  # none: a lab with nothing on this page
    more_come, count = count > wanted.limit, min(count, wanted.limit)
    fresh = [int(key) for i in range(count) if (key := at(i, _FRESH)) is not None]
    page = feed.Page(
        lines=[at(i, _LINE) for i in range(count)],
        marks=[at(i, _MARK).decode("ascii") for i in range(count)],
        last=int(at(count - 1, _POSITION)) if count else wanted.after,
        more=more_come,
        fresh=fresh,
    )
    return who, page
