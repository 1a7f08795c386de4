"""Who looked at which client: one row of the audit trail for a person and a client within an hour, and never an obstacle."""

from __future__ import annotations

import logging
from datetime import timedelta

from django.db import DatabaseError, transaction
from django.utils import timezone

from practice import audit
from practice.models import AuditEvent, Branch, Client, Staff

ACTION = "client.seen"
ONCE_IN = timedelta(hours=1)
log = logging.getLogger(__name__)


def note_seen(*, actor: Staff, client: Client, branch: Branch | None, page: str) -> bool | None:
    """Record that somebody opened a page about a client (`page`: "client C-7F3K9QX", "dispense D-4QK7MWE", ...).

    True when a row was added, False when there is one of this hour. A trouble of the database is logged and swallowed, since looking
    after the client comes first; None then: it is not on record yet.
    """
    try:
        since = timezone.now() - ONCE_IN
        if AuditEvent.objects.filter(client=client, actor=actor, action=ACTION, at__gt=since).exists():
            return False
        with transaction.atomic():
            audit.record(
                actor=actor, action=ACTION, subject=page, group=client.group, branch=branch or client.branch, client=client
            )
    except DatabaseError:
        log.exception("could not record who looked")
        return None
    return True
