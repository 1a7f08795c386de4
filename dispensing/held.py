"""What this floor holds on a client, for `practice.privacy`: prescriptions, dispenses with their readings, pictures, signatures."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django.db.models import Max
from django.utils import timezone

from dispensing.kept import DOCUMENTS, PHOTOGRAPHS
from dispensing.models import (
    Adoption,
    Comparison,
    Dispense,
    Photograph,
    Prescription,
    PrescriptionEye,
    Presence,
    Reading,
    Reason,
    Remark,
    Remeasure,
    Signature,
    SupervisorReading,
)
from practice import contents
from practice.models import Client, Staff
from practice.privacy.registry import Contact, Files, Part, contributes, row, rows

State = Dispense.State
ERASED = "the client was erased"


def held(client: Client, files: Files) -> dict[str, Any]:
    prescriptions = client.prescriptions.select_related("created_by").prefetch_related("eyes").order_by("created_at", "pk")
    dispenses = (
        client.dispenses.select_related(
            "branch", "dispenser", "updated_by", "fit_confirmed_by", "frame_item", "lens_option__lens",
            "lens_option__material", "coating", "tint", "earlier",
        )
        .prefetch_related(
            "readings__by", "adoptions__by", "photographs", "reasons__by", "signatures__by", "signatures__covering_for",
            "signatures__remarks", "remeasures__by", "remeasures__readings", "remeasures__comparisons__of",
        )
        .order_by("created_at", "pk")
    )  # fmt: skip
    return {
        "prescriptions": [_prescription(p) for p in prescriptions],
        "dispenses": [_dispense(d, files) for d in dispenses],
    }


def _dispense(d: Dispense, files: Files) -> dict[str, Any]:
    return row(d, "client", "group", "part_versions", "prescription") | {
        "prescription_written_on": d.prescription.written_on.isoformat()
        if d.prescription and d.prescription.written_on
        else None,
        "readings": rows(d.readings.all(), "dispense", "entry"),
        "adopted": rows(d.adoptions.all(), "dispense"),
        "reasons": rows(d.reasons.all(), "dispense"),
        "photographs": [_photograph(p, d, files) for p in d.photographs.all()],
        "signatures": [
            row(s, "dispense", "snapshot")
            | {
                "remarks": rows(s.remarks.all(), "signature"),
                "seen": json.loads(s.snapshot) if s.snapshot else None,
            }
            for s in d.signatures.all()
        ],
        "remeasures": [
            row(m, "dispense")
            | {"readings": rows(m.readings.all(), "remeasure"), "compared": rows(m.comparisons.all(), "remeasure")}
            for m in d.remeasures.all()
        ],
    }


def _prescription(p: Prescription) -> dict[str, Any]:
    document = (contents.read(DOCUMENTS, p) or b"").decode()
    return row(p, "client", "imported_key") | {
        "imported_document": document,
        "eyes": rows(p.eyes.all(), "prescription"),
    }


def _photograph(p: Photograph, d: Dispense, files: Files) -> dict[str, Any]:
    data = contents.read(PHOTOGRAPHS, p)
    name = files.add(f"photographs/{d.reference}-{p.pk}.jpg", data) if data else None
    return row(p, "dispense", "image_key") | {"file": name}


def contacts(clients: Sequence[int] | None) -> Iterable[Contact]:
    found = Dispense.objects.all() if clients is None else Dispense.objects.filter(client__in=clients)
    for client, branch, at in found.values_list("client", "branch").annotate(Max("updated_at")).order_by():
        yield Contact(client=client, branch=branch, at=at)


def unfinished(clients: Sequence[int]) -> dict[int, str]:
    going = Dispense.objects.filter(client__in=clients).exclude(state__in=[State.COLLECTED, State.CANCELLED])
    return {d.client_id: f"{d.reference} is {d.get_state_display()}: finish or cancel it first." for d in going}


def counts(clients: Sequence[int]) -> dict[str, int]:
    dispenses = Dispense.objects.filter(client__in=clients)
    return {
        "prescriptions": Prescription.objects.filter(client__in=clients).count(),
        "dispenses": dispenses.count(),
        "photographs": Photograph.objects.filter(dispense__in=dispenses, removed_at=None).count(),
        "signatures": Signature.objects.filter(dispense__in=dispenses).count(),
    }


def forget(client: Client, actor: Staff) -> Mapping[str, Any]:
    """Words and pictures go; figures stay. Moments are left as they are, so that nothing looks like a visit."""
    of = {"dispense__client": client}
    photographs, documents = Photograph.objects.filter(**of), Prescription.objects.filter(client=client)
    contents.drop(photographs.exclude(image_key="").values_list("image_key", flat=True))
    contents.drop(documents.exclude(imported_key="").values_list("imported_key", flat=True))
    documents.update(prescriber="", as_written={}, imported_document="", imported_key="", imported_sha256="", remark="")
    Dispense.objects.filter(client=client).update(wish="", measurement_reason="", lens_remark="", fit_adjusted=[])
    Reading.objects.filter(**of).update(as_typed="", struck_out_reason="")
    photographs.filter(removed_at=None).update(
        image=None, image_key="", points={}, removed_at=timezone.now(), removed_by=actor, removed_reason=ERASED
    )
    Photograph.objects.filter(**of).update(removed_reason=ERASED, points={}, sha256="")
    Reason.objects.filter(**of).update(text="")
    Signature.objects.filter(**of).update(comment="", snapshot="")
    Remark.objects.filter(signature__dispense__client=client).update(text="")
    SupervisorReading.objects.filter(remeasure__dispense__client=client).update(as_typed="")
    Presence.objects.filter(**of).delete()
    return {}


PART = Part(
    name="dispensing",
    models=(
        Prescription,
        PrescriptionEye,
        Dispense,
        Reading,
        Adoption,
        Photograph,
        Reason,
        Signature,
        Remark,
        Remeasure,
        SupervisorReading,
        Comparison,
        Presence,
    ),
    held=held,
    contacts=contacts,
    unfinished=unfinished,
    counts=counts,
    forget=forget,
)


def contribute() -> None:
    contributes(PART)
