"""Start and cancel a dispense, and what the spectacles are for."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import get_args

from django.db import transaction

from dispensing.case import Use
from dispensing.models import Dispense, Prescription
from dispensing.record.base import PartConflict, Saved, changing
from practice import access, audit
from practice.errors import Invalid, Refused
from practice.models import Branch, Client, Staff

USES: tuple[str, ...] = get_args(Use)


def start_dispense(
    *,
    actor: Staff,
    client: Client,
    branch: Branch,
    earlier: Dispense | None = None,
    prescription: Prescription | None = None,
) -> Dispense:
    """Open a dispense for a client at a branch. `earlier` is the pair this one follows or replaces; its uses are taken over."""
    with transaction.atomic():
        access.require(actor, "dispense.start", branch=branch)
        errors = {}
        if client.group_id != branch.group_id:
            errors["client"] = "This client belongs to another group."
        if prescription is not None and prescription.client_id != client.pk:
            errors["prescription"] = "That prescription is another client's."
        if earlier is not None and earlier.client_id != client.pk:
            errors["earlier"] = "That pair is another client's."
        if errors:
            raise Invalid(errors)
        if Client.objects.select_for_update(of=("self",)).get(pk=client.pk).erased_at is not None:
            raise Refused("This client has been erased. Put them on record anew.")
        dispense = Dispense.objects.create(
            group=branch.group,
            branch=branch,
            client=client,
            dispenser=actor,
            updated_by=actor,
            content_by=actor,
            earlier=earlier,
            prescription=prescription,
            uses=list(earlier.uses) if earlier else [],
            working_distance_mm=earlier.working_distance_mm if earlier else None,
        )
        audit.record(
            actor=actor,
            action="dispense.started",
            subject=f"dispense {dispense.reference}",
            group=dispense.group,
            branch=branch,
            client=client,
            before={},
            after={
                "client": client.reference,
                "earlier": earlier.reference if earlier else None,
                "prescription": prescription.pk if prescription else None,
            },
        )
    return dispense


def save_needs(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    uses: Sequence[str],
    working_distance_mm: Decimal | None = None,
    first_progressive: bool = False,
    wish: str = "",
) -> Saved:
    """What the spectacles are for. `uses` are values of case.Use; the working distance is spectacle plane to task, mm."""
    unknown = [u for u in uses if u not in USES]
    errors = {}
    if unknown:
        errors["needs.uses"] = f"Not a use that is known here: {unknown[0][:40]}."
    if working_distance_mm is not None and not 50 <= working_distance_mm <= 6000:
        errors["needs.working_distance_mm"] = "A working distance lies between 50 and 6000 mm."
    if errors:
        raise Invalid(errors)
    with changing(actor=actor, dispense=dispense, part="needs", version=version, action="dispense.needs") as change:
        change.put(
            uses=[u for u in USES if u in uses],
            working_distance_mm=working_distance_mm,
            first_progressive=first_progressive,
            wish=wish,
        )
    return change.saved()


def cancel_dispense(*, actor: Staff, dispense: Dispense, version: int, reason: str) -> Saved:
    """End a dispense that leads to no order. `version` is that of the whole dispense. An ordered one is cancelled by its order."""
    reason = reason.strip()
    if not reason:
        raise Invalid({"reason": "Say why it is cancelled: the record stays."})
    with changing(
        actor=actor,
        dispense=dispense,
        part="state",
        version=None,
        action="dispense.cancelled",
        permission="dispense.cancel",
    ) as change:
        if version != change.dispense.version:
            raise PartConflict("dispense", change.dispense)
        change.put(state=Dispense.State.CANCELLED)
        change.after["reason"] = reason[:400]
    return change.saved()
