"""The clients' earlier pairs: collected, and there to be compared with. A mass of rows, so written in bulk."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from decimal import Decimal

from dispensing.models import Adoption, CatalogueFrame, Dispense, LensOption, Prescription, PrescriptionEye
from dispensing.record import frame_to_store
from orders.demo.files import figure, table
from orders.demo.hours import BRANCH
from practice.models import Branch, Client, Group, Staff


def load_earlier_pairs(
    group: Group,
    branches: Mapping[str, Branch],
    staff: Mapping[str, Staff],
    clients: Mapping[str, Client],
    now: datetime,
) -> int:
    rows = table("earlier-pairs")
    frames = {f.code: f for f in CatalogueFrame.objects.filter(group=group)}
    options = {
        (o.lens.code, o.material.code): o
        for o in LensOption.objects.filter(lens__group=group).select_related("lens", "material")
    }
    moments = [
        BRANCH.within(now - timedelta(days=int(row["days_ago"])), branches[row["branch"]].time_zone, after=30)
        for row in rows
    ]
    prescriptions = Prescription.objects.bulk_create(
        Prescription(
            client=clients[row["client"]],
            prescriber="Dr Ida Vane",
            written_on=(at - timedelta(days=6)).date(),
            vertex_mm=figure(row["vertex_mm"]),
            created_by=staff[row["dispenser"]],
        )
        for row, at in zip(rows, moments, strict=True)
    )
    PrescriptionEye.objects.bulk_create(
        PrescriptionEye(
            prescription=prescription,
            eye=eye,
            sphere=figure(row[f"{eye[0]}_sphere"]),
            cylinder=figure(row[f"{eye[0]}_cylinder"]),
            axis=figure(row[f"{eye[0]}_axis"]),
            add=figure(row["add"]),
        )
        for row, prescription in zip(rows, prescriptions, strict=True)
        for eye in ("right", "left")
    )
    dispenses = Dispense.objects.bulk_create(
        _dispense(row, group, branches, staff, clients, prescription, frames, options, at)
        for row, prescription, at in zip(rows, prescriptions, moments, strict=True)
    )
    Adoption.objects.bulk_create(
        Adoption(
            dispense=dispense,
            quantity=quantity,
            eye=eye,
            value=Decimal(row[f"{quantity}_{eye}"]),
            reference="box" if quantity == "height" else "",
            how="only reading",
            by=dispense.dispenser,
            at=at,
            frame_identity=dispense.fit_frame_identity,
        )
        for row, dispense, at in zip(rows, dispenses, moments, strict=True)
        for quantity in ("far_pd", "height")
        for eye in ("right", "left")
        if row[f"{quantity}_{eye}"]
    )
    # both moments are set by the database layer on creation; these pairs are old
    for dispense, prescription, at in zip(dispenses, prescriptions, moments, strict=True):
        Dispense.objects.filter(pk=dispense.pk).update(created_at=at, updated_at=at)
        Prescription.objects.filter(pk=prescription.pk).update(created_at=at)
    return len(rows)


def _dispense(
    row: Mapping[str, str],
    group: Group,
    branches: Mapping[str, Branch],
    staff: Mapping[str, Staff],
    clients: Mapping[str, Client],
    prescription: Prescription,
    frames: Mapping[str, CatalogueFrame],
    options: Mapping[tuple[str, str], LensOption],
    at: datetime,
) -> Dispense:
    frame = frames[row["frame"]]
    stored = frame_to_store(frame, {})
    return Dispense(
        group=group,
        branch=branches[row["branch"]],
        client=clients[row["client"]],
        dispenser=staff[row["dispenser"]],
        updated_by=staff[row["dispenser"]],
        state=Dispense.State.COLLECTED,
        uses=["all_round"],
        prescription=prescription,
        frame_item=frame,
        frame=stored,
        fit_confirmed_at=at,
        fit_confirmed_by=staff[row["dispenser"]],
        fit_frame_identity=str(stored["identity"]),
        vertex_mm=Decimal(13),
        pantoscopic_deg=Decimal(8),
        face_form_deg=Decimal(5),
        lens_option=options[row["lens"], row["material"]],
    )
