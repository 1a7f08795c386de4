"""A lab's keys to the API. A token is shown once and kept as its SHA-256; it has scopes, an end, and can be revoked at once.

A token is 256 random bits, so a plain digest is enough: there is nothing to guess, and a password hash would cost each request
a tenth of a second.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from orders.models import Lab, LabToken
from practice import audit
from practice.errors import Invalid
from practice.models import Staff

READ = "orders:read"
WRITE = "orders:write"
SCOPES = (READ, WRITE)
MARK = "dl_"  # makes a leaked token findable by secret scanners
SHOWN = 10  # characters of a token that may be seen afterwards
USED_EVERY = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class NewToken:
    text: str  # the only time it is seen
    row: LabToken


def token_digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


@transaction.atomic
def create_token(
    *,
    lab: Lab,
    label: str = "",
    scopes: Iterable[str] = SCOPES,
    expires_at: datetime | None = None,
    actor: Staff | None = None,
) -> NewToken:
    """A new token for a lab; earlier ones stay valid, so that a lab can change over without a gap. `actor` None: the operator."""
    wanted = sorted(set(scopes))
    unknown = [s for s in wanted if s not in SCOPES]
    if unknown or not wanted:
        raise Invalid({"scopes": f"Known scopes: {', '.join(SCOPES)}."})
    if expires_at is not None and expires_at <= timezone.now():
        raise Invalid({"expires_at": "The end must lie in the future."})
    text = MARK + secrets.token_urlsafe(32)
    row = LabToken.objects.create(
        lab=lab, label=label[:80], prefix=text[:SHOWN], digest=token_digest(text), scopes=wanted, expires_at=expires_at
    )
    audit.record(
        actor=actor,
        action="lab.token_created",
        subject=f"lab {lab.code}",
        group=lab.group,
        after={"token": row.prefix, "label": row.label, "scopes": wanted, "expires_at": str(expires_at or "")},
    )
    return NewToken(text, row)


@transaction.atomic
def revoke_token(*, token: LabToken, actor: Staff | None = None) -> LabToken:
    """Counts from the next request on. Revoking twice is the same as once."""
    row = LabToken.objects.select_for_update().select_related("lab").get(pk=token.pk)
    if row.revoked_at is None:
        row.revoked_at = timezone.now()
        row.save(update_fields=["revoked_at"])
        audit.record(
            actor=actor,
            action="lab.token_revoked",
            subject=f"lab {row.lab.code}",
            group=row.lab.group,
            after={"token": row.prefix, "label": row.label},
        )
    return row


def find_token(text: str) -> LabToken | None:
    """The token if it is known, not revoked, not past its end, and its lab is active. One query; notes the use once a minute."""
    row = LabToken.objects.select_related("lab").filter(digest=token_digest(text)).first()
    now = timezone.now()
    if row is None or row.revoked_at is not None or not row.lab.active:
        return None
    if row.expires_at is not None and row.expires_at <= now:
        return None
    if row.last_used_at is None or now - row.last_used_at >= USED_EVERY:
        # conditional, so that of many requests at once one writes
        LabToken.objects.filter(pk=row.pk).filter(
            Q(last_used_at__isnull=True) | Q(last_used_at__lte=now - USED_EVERY)
        ).update(last_used_at=now)
    return row
