"""Labs and their keys to the API. A token is shown once and kept as its SHA-256; it has scopes, an end, and can be revoked at once.

A token is 256 random bits, so a plain digest is enough: there is nothing to guess, and a password hash would cost each request
a tenth of a second.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_network
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from orders.models import Lab, LabToken
from practice import access, audit
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import Branch, Staff
from practice.unique import taken

READ = "orders:read"
WRITE = "orders:write"
SCOPES = (READ, WRITE)
MARK = "dl_"  # makes a leaked token findable by secret scanners
SHOWN = 10  # characters of a token that may be seen afterwards
USED_EVERY = timedelta(minutes=1)
MOST_NETWORKS = 50
MOST_DAYS = 120
MOST_VALID = 2  # the one in use, and the one that is changed over to
CODE_TAKEN = "Another lab has this code."
NETWORK_EXAMPLE = "One a line, such as 192.0.2.17 or 192.0.2.0/24."


@dataclass(frozen=True, slots=True)
class NewToken:
    text: str  # the only time it is seen
    row: LabToken


def token_digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def may_change(actor: Staff | None, branch: Branch | None, lab: Lab | None) -> None:
    """A manager of `branch` for the labs of its group; `actor` None: the operator at the command line. Raises NotAllowed."""
    if actor is None:
        return
    if branch is None or (lab is not None and lab.group_id != branch.group_id):
        raise NotAllowed("This lab belongs to another group.")
    access.require(actor, "lab.change", branch=branch)


FIELDS = ("name", "address", "email", "active", "allowed_addresses", "record_text", "usual_days")


def _networks(values: Iterable[str]) -> list[str]:
    """Addresses and networks in their usual spelling, each once. Raises Invalid naming the first that is none."""
    found: list[str] = []
    for text in values:
        try:
            network = ip_network(text.strip())
        except ValueError as error:
            raise Invalid(
                {"allowed_addresses": f"{text.strip()[:60]} is not an address or a network. {NETWORK_EXAMPLE}"}
            ) from error
        plain = str(network.network_address) if network.num_addresses == 1 else str(network)
        if plain not in found:
            found.append(plain)
    if len(found) > MOST_NETWORKS:
        raise Invalid({"allowed_addresses": f"At most {MOST_NETWORKS} addresses or networks."})
    return found


def _accepted(values: Mapping[str, Any]) -> dict[str, Any]:
    accepted = {name: values[name] for name in FIELDS if name in values}
    if not str(accepted.get("name", "")).strip():
        raise Invalid({"name": "Type the name of the lab."})
    days = accepted.get("usual_days")
    if days is not None and not 1 <= days <= MOST_DAYS:
        raise Invalid({"usual_days": f"From 1 to {MOST_DAYS} days."})
    if "allowed_addresses" in accepted:
        accepted["allowed_addresses"] = _networks(accepted["allowed_addresses"])
    return accepted


@transaction.atomic
def add_lab(*, actor: Staff, branch: Branch, code: str, values: Mapping[str, Any]) -> Lab:
    """A lab that branches of this group can order from. Raises NotAllowed or Invalid."""
    may_change(actor, branch, None)
    code = code.strip().upper()
    if not re.fullmatch(r"[A-Z0-9][A-Z0-9-]{0,19}", code):
        raise Invalid({"code": "1 to 20 letters A to Z, digits and hyphens."})
    accepted = _accepted(values)
    if Lab.objects.filter(group=branch.group_id, code=code).exists():
        raise Invalid({"code": CODE_TAKEN})
    row = Lab(group_id=branch.group_id, code=code, **accepted)
    with taken("code", CODE_TAKEN):
        row.save()
    _told(actor, "lab.added", row, {}, audit.snapshot(row, ("code", *FIELDS)))
    return row


@transaction.atomic
def change_lab(*, actor: Staff, branch: Branch, lab: Lab, seen: str, values: Mapping[str, Any]) -> Lab:
    """What is known of a lab, whether it is ordered from, from where its tokens are taken, and whether it gets record text.

    `seen`: what the page showed (`audit.token`). Raises NotAllowed, Invalid or Conflict.
    """
    row = Lab.objects.select_for_update(no_key=True).select_related("group").get(pk=lab.pk)
    may_change(actor, branch, row)
    before = audit.snapshot(row, FIELDS)
    if seen != audit.token(before):
        raise Conflict("Somebody has changed this lab since you looked. Nothing was saved.")
    for name, value in _accepted(values).items():
        setattr(row, name, value)
    old, new = audit.changed(before, audit.snapshot(row, FIELDS))
    if new:
        row.save(update_fields=FIELDS)
        _told(actor, "lab.changed", row, old, new)
    return row


def _told(actor: Staff | None, action: str, lab: Lab, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    audit.record(actor=actor, action=action, subject=f"lab {lab.code}", group=lab.group, before=before, after=after)


# --- tokens ---------------------------------------------------------------------------------------------------------------


@transaction.atomic
def create_token(
    *,
    lab: Lab,
    label: str = "",
    scopes: Iterable[str] = SCOPES,
    expires_at: datetime | None = None,
    actor: Staff | None = None,
    branch: Branch | None = None,
    instead_of: int | None = None,
) -> NewToken:
    """A new token for a lab; the earlier one stays valid, so that a lab can change over without a gap. `actor` None: the operator.

    MOST_VALID are valid at a time: where there are as many, `instead_of` (its key) says which one is revoked with it. Of two who make
    one at the same moment, the second meets what the first has made. Raises NotAllowed or Invalid.
    """
    may_change(actor, branch, lab)
    Lab.objects.select_for_update(no_key=True).get(pk=lab.pk)
    wanted = sorted(set(scopes))
    unknown = [s for s in wanted if s not in SCOPES]
    if unknown or not wanted:
        raise Invalid({"scopes": f"Known scopes: {', '.join(SCOPES)}."})
    if expires_at is not None and expires_at <= timezone.now():
        raise Invalid({"expires_at": "The end must lie in the future."})
    _make_room(lab, instead_of, actor, branch)
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


def valid_tokens(lab: Lab) -> list[LabToken]:
    """Not revoked and not past their end, oldest first."""
    still = Q(expires_at=None) | Q(expires_at__gt=timezone.now())
    return list(lab.tokens.filter(still, revoked_at=None).order_by("created_at", "pk"))


def _make_room(lab: Lab, instead_of: int | None, actor: Staff | None, branch: Branch | None) -> None:
    valid = valid_tokens(lab)
    if len(valid) < MOST_VALID:
        return
    if len(valid) > MOST_VALID:
        raise Invalid(
            {"instead_of": f"{len(valid)} tokens are valid. Revoke those that are not used until one or two are left."}
        )
    ends = next((t for t in valid if t.pk == instead_of), None)
    if ends is None:
        raise Invalid(
            {"instead_of": f"{MOST_VALID} tokens are valid already. Choose the one that ends when this one is made."}
        )
    revoke_token(token=ends, actor=actor, branch=branch)


@transaction.atomic
def revoke_token(*, token: LabToken, actor: Staff | None = None, branch: Branch | None = None) -> LabToken:
    """Counts from the next request on. Revoking twice is the same as once."""
    may_change(actor, branch, token.lab)
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


# what a request needs to know of a token and its lab
_ASKED = (
    "digest",
    "scopes",
    "expires_at",
    "revoked_at",
    "last_used_at",
    *(f"lab__{name}" for name in ("group", "code", "name", "active", "allowed_addresses", "record_text")),
)


def find_token(text: str) -> LabToken | None:
    """The token if it is known, not revoked, not past its end, and its lab is active. One query; notes the use once a minute."""
    row = LabToken.objects.select_related("lab").only(*_ASKED).filter(digest=token_digest(text)).first()
    now = timezone.now()
    if row is None or row.revoked_at is not None or not row.lab.active:
        return None
    if row.expires_at is not None and row.expires_at <= now:
        return None
    if row.last_used_at is None or now - row.last_used_at >= USED_EVERY:
        note_use(row.pk, now)
    return row


def note_use(token_id: int, now: datetime) -> None:
    """Conditional, so that of many requests at once one writes."""
    LabToken.objects.filter(pk=token_id).filter(
        Q(last_used_at__isnull=True) | Q(last_used_at__lte=now - USED_EVERY)
    ).update(last_used_at=now)
