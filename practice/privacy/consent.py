"""What a client has agreed to and taken back: one row each time they say so."""

from __future__ import annotations

from datetime import date

from django.db import transaction
from django.utils import timezone

from practice import access, audit
from practice.errors import Invalid, Refused
from practice.hold import hold
from practice.models import Client, ConsentNote, Staff
from practice.words import line


def note_consent(
    *, actor: Staff, client: Client, purpose: str, given: bool, on: date | None = None, how: str = ""
) -> ConsentNote:
    """Write down that a client agreed to something, or took it back. NotAllowed, Refused, or Invalid ("purpose", "how", "on")."""
    errors: dict[str, str] = {}
    try:
        purpose = line(purpose, longest=200)
    except ValueError as problem:
        errors["purpose"] = str(problem)
    try:
        how = line(how)
    except ValueError as problem:
        errors["how"] = str(problem)
    if "purpose" not in errors and len(purpose) < 3:
        errors["purpose"] = "Say what it is for."
    with transaction.atomic():
        row = hold(Client.objects.select_related("group", "branch"), pk=client.pk)
        access.require(actor, "consent.note", branch=row.branch)
        if row.erased_at:
            raise Refused("This client has been erased.")
        today = row.branch.today()
        if on is not None and on > today:
            errors["on"] = "A day that has been."
        if errors:
            raise Invalid(errors)
        last = row.consents.filter(purpose__iexact=purpose).last()
        if not given and (last is None or not last.given):
            raise Invalid({"purpose": "Nothing of that name is agreed to, so there is nothing to take back."})
        made = ConsentNote.objects.create(
            client=row,
            purpose=last.purpose if last else purpose,
            given=given,
            on=on or today,
            how=how,
            by=actor,
            at=timezone.now(),
        )
        audit.record(
            actor=actor,
            action="consent.given" if given else "consent.withdrawn",
            subject=f"client {row.reference}",
            group=row.group,
            branch=row.branch,
            client=row,
            after=audit.snapshot(made, ("purpose", "given", "on", "how")),
        )
        return made


def standing(client: Client) -> list[ConsentNote]:
    """The last word on each purpose, in the order in which they first came up."""
    found: dict[str, ConsentNote] = {}
    for note in client.consents.select_related("by"):
        found[note.purpose.casefold()] = note
    return list(found.values())
