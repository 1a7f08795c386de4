"""What the client had before, and who answers for this pair."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.db.models import F

from dispensing import case as c
from dispensing.gather.measured import current_adoptions, value_of
from dispensing.gather.parts import frame_of, prescription_of
from dispensing.models import Adoption, Dispense, Prescription, PrescriptionEye, Signature
from dispensing.prepared import Prepared

_DONE = (Dispense.State.SIGNED, Dispense.State.ORDERED, Dispense.State.COLLECTED)


_EYES = Prepared(
    lambda client: (
        PrescriptionEye.objects.filter(prescription__client_id=client)
        .select_related("prescription")
        .defer("prescription__imported_document", "prescription__as_written")
        .order_by(F("prescription__written_on").asc(nulls_first=True), "prescription_id")
    ),
    "client",
)


def prescriptions_of(client_id: int) -> dict[int, c.Prescription]:
    """Every prescription of a client by key, newest last, in one query."""
    rows: dict[int, tuple[Prescription, list[PrescriptionEye]]] = {}
    for eye in _EYES.rows(client=client_id):
        rows.setdefault(eye.prescription_id, (eye.prescription, []))[1].append(eye)
    return {key: prescription_of(p, eyes) for key, (p, eyes) in rows.items()}


def earlier_of(
    dispense: Dispense,
    prescriptions: Mapping[int, c.Prescription],
    others: Iterable[Dispense],
    adoptions: Iterable[Adoption],
) -> tuple[c.EarlierPair, ...]:
    """Pairs that were signed for, and prescriptions that led to none, before this dispense; and any prescription that is newer than its
    own, wherever it is used, so that the checks can ask why the older one is taken. Newest first."""
    zone = ZoneInfo(dispense.branch.time_zone)
    pairs: list[c.EarlierPair] = []
    used = {dispense.prescription_id}
    said = {dispense.prescription_id}  # by one of the pairs below, or by this dispense
    by_dispense: dict[int, list[Adoption]] = {}
    for adoption in adoptions:
        by_dispense.setdefault(adoption.dispense_id, []).append(adoption)
    for other in others:
        used.add(other.prescription_id)
        finished = other.state in _DONE or other.pk == dispense.earlier_id
        if not finished or other.created_at > dispense.created_at:
            continue
        current = current_adoptions(by_dispense.get(other.pk, ()))
        prescription = prescriptions.get(other.prescription_id) if other.prescription_id else None
        said.add(other.prescription_id)
        pairs.append(
            c.EarlierPair(
                on=other.created_at.astimezone(zone).date(),
                prescription=prescription,
                far_pd=_pair(current, "far_pd"),
                near_pd=_pair(current, "near_pd"),
                height=c.Pair(_box_height(current, "right"), _box_height(current, "left")),
                frame=frame_of(other.frame),
                family=cast("c.Family", other.lens_option.lens.family) if other.lens_option else None,
            )
        )
    own = prescriptions.get(dispense.prescription_id) if dispense.prescription_id else None
    going = {o.prescription_id for o in others if o.state != Dispense.State.CANCELLED}
    for key, prescription in prescriptions.items():
        if key in said:
            continue
        if key in used:  # by a dispense that is open, later or cancelled
            newer = own and own.written_on and prescription.written_on and prescription.written_on > own.written_on
            if not newer or key not in going:
                continue
        pairs.append(c.EarlierPair(on=prescription.written_on, prescription=prescription))
    return tuple(sorted(pairs, key=lambda p: p.on or date.min, reverse=True))


def _pair(current: Mapping[tuple[str, str], Adoption], quantity: str) -> c.Pair[float | None]:
    return c.Pair(value_of(current.get((quantity, "right"))), value_of(current.get((quantity, "left"))))


def _box_height(current: Mapping[tuple[str, str], Adoption], eye: str) -> float | None:
    """Only a height already in the box: another reference would need that pair's outline."""
    adoption = current.get(("height", eye))
    return value_of(adoption) if adoption is not None and adoption.reference in ("", "box") else None


def hands_of(dispense: Dispense, others: Iterable[Dispense]) -> c.Hands:
    row = cast("Any", dispense)
    signed = row.hands_decision == Signature.Decision.SIGNED
    name = f"{row.hands_signer_first or ''} {row.hands_signer_last or ''}".strip() or row.hands_signer_username
    identity = (dispense.frame or {}).get("identity", "")
    return c.Hands(
        dispenser=dispense.dispenser.display_name,
        dispenser_role=row.hands_role,
        dispenser_registered=dispense.dispenser.registered,
        signed_by=name if signed else None,
        signer_registered=bool(signed and row.hands_signer_registration),
        changed_after_signature=row.hands_decision == Signature.Decision.LIFTED,
        open_order_for_same_pair=any(
            o.state == Dispense.State.ORDERED
            and o.prescription_id == dispense.prescription_id
            and o.prescription_id is not None
            and bool(identity)
            and (o.frame or {}).get("identity") == identity
            for o in others
        ),
    )
