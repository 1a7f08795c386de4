"""What a page about a client does when it is opened."""

from __future__ import annotations

import time

from django.http import HttpRequest

from practice.models import Client, Staff
from practice.seen import ONCE_IN, note_seen
from practice.web.shell import branch_of

_CLIENTS, _READINGS = "clients_seen", "readings_seen"
_MOST = 200


def opened(request: HttpRequest, client: Client, page: str) -> None:
    """Somebody opened a page about this client; only reading counts, what they do is on record by itself.

    The session remembers, so that opening it again costs no query.
    """
    if request.method not in ("GET", "HEAD") or not isinstance(request.user, Staff):
        return
    seen: dict[str, int] = request.session.get(_CLIENTS, {})
    now, key = int(time.time()), str(client.pk)
    if now - seen.get(key, 0) < ONCE_IN.total_seconds():
        return
    if note_seen(actor=request.user, client=client, branch=branch_of(request), page=page) is None:
        return  # not remembered either, so that the next look is tried again
    seen = {k: at for k, at in seen.items() if now - at < ONCE_IN.total_seconds()} | {key: now}
    request.session[_CLIENTS] = dict(list(seen.items())[-_MOST:])


def readings_shown(request: HttpRequest, reference: str) -> None:
    """This page showed the readings of a dispense: what is measured after that is not independent of them."""
    seen = request.session.get(_READINGS, [])
    if reference not in seen:
        request.session[_READINGS] = [*seen, reference][-_MOST:]


def were_readings_shown(request: HttpRequest, reference: str) -> bool:
    return reference in request.session.get(_READINGS, [])
