"""Forgetting a client once nothing demands to keep them: who they were goes for good, what was made stays as nobody's.

Gone: name, date of birth (a year rounded down to five remains, so that figures by age still mean something), sex, contact,
occupation, needs, notes, consent notes, every free text, photographs, imported documents, what a supervisor saw when signing,
names and words in order documents, and what the audit trail holds beside its chain (`practice.audit`). Kept: measurements,
powers, lenses, findings and dates, which no longer lead to anybody, because rates and agreement are worked out from them; the
chain of the audit trail; and the digests of what was signed and ordered.

Nothing here reaches copies that were handed out (exports, orders at a lab) or backups: those go when they are overwritten.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import timezone

from practice import access, audit
from practice.errors import Invalid, Refused
from practice.hold import hold
from practice.models import AuditDetail, AuditEvent, Branch, Client, Staff
from practice.privacy.registry import parts
from practice.privacy.retention import kept
from practice.words import long_date

SHORTEST_REASON, LONGEST_REASON = 10, 400
MOST_AT_ONCE = 200
_TEXTS = ("sex", "phone", "email", "address", "occupation", "visual_needs", "useful_eye", "notes")
NAME = ("Erased", "client")


def why_not_erase(client: Client) -> str | None:
    """Why a client cannot be forgotten today; None when they can. Who may do it is another question."""
    if client.erased_at is not None:
        on = client.erased_at.astimezone(ZoneInfo(client.branch.time_zone)).date()
        return f"This client was erased on {long_date(on)}."
    now = kept(client)
    if not now.due(client.branch.today()):
        return f"It may be erased from {long_date(now.until)}: {now.why} ({now.branch.name})."
    for part in parts():
        if words := part.unfinished([client.pk]).get(client.pk):
            return words
    return None


def erase_client(*, actor: Staff, client: Client, reason: str) -> Client:
    """Forget one client. NotAllowed, Invalid ("reason"), or Refused with the day from which it may be done."""
    words = _reason(reason)
    with transaction.atomic():
        return _erase(actor, client.pk, words)


def erase_due(*, actor: Staff, branch: Branch, references: Sequence[str], reason: str) -> int:
    """Forget several clients of one branch at once, all or none. As `erase_client`; how many it were."""
    words = _reason(reason)
    if not references:
        raise Invalid({"clients": "Choose at least one client."})
    if len(references) > MOST_AT_ONCE:
        raise Invalid({"clients": f"At most {MOST_AT_ONCE} at once."})
    with transaction.atomic():
        access.require(actor, "client.erase", branch=branch)
        found = list(Client.objects.filter(branch=branch, reference__in=references).values_list("pk", flat=True))
        if len(found) != len(set(references)):
            raise Refused("Somebody on this list is no longer of this branch. Nothing was erased.")
        for pk in found:
            _erase(actor, pk, words)
        return len(found)


def what_goes(clients: Iterable[Client]) -> list[str]:
    """How many rows lose their words or go altogether: "1 client", "2 dispenses", ...; what there is none of is left out."""
    keys = [c.pk for c in clients]
    found = {"clients": len(keys)}
    for part in parts():
        found |= part.counts(keys)
    return [f"{n} {name if n != 1 else name.removesuffix('s')}" for name, n in found.items() if n]


def _reason(text: str) -> str:
    text = " ".join(text.split())
    if not SHORTEST_REASON <= len(text) <= LONGEST_REASON or "\x00" in text:
        raise Invalid(
            {"reason": f"Say why, in {SHORTEST_REASON} to {LONGEST_REASON} characters, without the client's name."}
        )
    return text


def _erase(actor: Staff, pk: int, reason: str) -> Client:
    client = hold(Client.objects.select_related("group", "branch"), pk=pk)
    access.require(actor, "client.erase", branch=client.branch)
    no = why_not_erase(client)
    if no is not None:
        raise Refused(f"{client.reference}: {no}")
    client.erased_at = timezone.now()
    client.given_name, client.family_name = NAME
    client.date_of_birth = date(client.date_of_birth.year // 5 * 5, 1, 1)
    client.sight_impaired = False
    for name in _TEXTS:
        setattr(client, name, "")
    client.version += 1
    client.save()
    client.consents.all().delete()
    left: dict[str, object] = {}
    for part in parts():  # after the mark: the database lets nothing go before it
        left |= part.forget(client, actor)
    events = AuditEvent.objects.filter(client=client)
    gone, _ = AuditDetail.objects.filter(event__in=events).delete()
    audit.record(
        actor=actor,
        action="client.erased",
        subject=f"client {client.reference}",
        group=client.group,
        branch=client.branch,
        client=client,
        after={"reason": reason, "removed": {"audit details": gone}, **left},
    )
    return client
