"""Dispenses at every stage, made through the use cases that people use: what a page can do, this has done.

fixtures/demo/scenario.json lists them. `stage` says how far each goes; `wrong` says what is wrong with it on purpose, and
`expect` names the checks that have to say so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import Any

from django.utils import timezone

from dispensing import record, sign_off
from dispensing.assess import assess_dispense, give_reason, keep_counts
from dispensing.case import EYES, PrescribedLens, Prescription
from dispensing.fhir import write_vision_prescription
from dispensing.measure import NewReading, add_readings, adopt_value, save_measurement_reason, suggestion
from dispensing.models import CatalogueFrame, Dispense, LensOption, Treatment
from orders import issue, lab_progress
from orders.demo import after
from orders.demo.clock import Clock, moments
from orders.demo.files import tree
from orders.models import Lab, Order
from practice.models import Branch, Client, Group, Staff

Entry = Mapping[str, Any]
_TYPED = frozenset({"sphere", "cylinder", "axis", "add", "near_sphere"})


@dataclass(frozen=True)
class Stage:
    """What the scenario is played with."""

    group: Group
    branches: Mapping[str, Branch]
    staff: Mapping[str, Staff]
    labs: Mapping[str, Lab]
    clients: Mapping[str, Client]
    password: str


class Unplayable(Exception):
    """An entry of the scenario does not go as it says: a fault of the fixture."""


def entries() -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = tree("scenario")
    return rows


def play(stage: Stage, clock: Clock | None = None) -> dict[str, Dispense]:
    """All entries in order; the dispenses by the entries' keys. `clock`: put to when each of them was done. Raises Unplayable naming
    the entry."""
    frames = {f.code: f for f in CatalogueFrame.objects.filter(group=stage.group)}
    options = {
        (o.lens.code, o.material.code): o
        for o in LensOption.objects.filter(lens__group=stage.group).select_related("lens", "material")
    }
    treatments = {t.code: t for t in Treatment.objects.filter(group=stage.group)}
    made = {}
    played = entries()
    at = moments([stage.branches[e["branch"]].time_zone for e in played], timezone.now()) if clock else []
    for number, entry in enumerate(played):
        if clock is not None:
            clock.put(at[number])
        try:
            dispense = _recorded(entry, stage, frames, options, treatments)
            made[entry["key"]] = _taken_on(entry, dispense, stage)
        except Exception as problem:
            details = getattr(problem, "errors", "")
            raise Unplayable(f"{entry['key']}: {type(problem).__name__}: {problem} {details}".strip()) from problem
    return made


# --- what is recorded -------------------------------------------------------------------------------------------------


def _recorded(
    entry: Entry,
    stage: Stage,
    frames: Mapping[str, CatalogueFrame],
    options: Mapping[tuple[str, str], LensOption],
    treatments: Mapping[str, Treatment],
) -> Dispense:
    desk = _Desk(stage.staff[entry["by"]], _started(entry, stage))
    if needs := entry.get("needs"):
        desk.do(record.save_needs, "needs", **needs)
    if rx := entry.get("rx"):
        _prescription(rx, desk)
    if code := entry.get("frame"):
        desk.do(record.choose_frame, "frame", item=frames[code])
    elif own := entry.get("own_frame"):
        desk.do(record.choose_frame, "frame", measured=own)
    if fit := entry.get("fit"):
        deed = record.confirm_fit if fit.get("confirm", True) else record.save_fit
        desk.do(deed, "fit", **{k: v for k, v in fit.items() if k != "confirm"})
    if readings := entry.get("readings"):
        desk.do(add_readings, "", readings=[_reading(r) for r in readings])
        _adopt(entry, desk)
    if reason := entry.get("measurement_reason"):
        desk.do(save_measurement_reason, "readings", reason=reason)
    if code := entry.get("then_frame"):  # the frame is changed after everything was measured
        desk.do(record.choose_frame, "frame", item=frames[code])
    if lens := entry.get("lens"):
        desk.do(
            record.choose_lens,
            "lens",
            option=options[lens["design"], lens["material"]],
            coating=treatments.get(lens.get("coating", "")),
            tint=treatments.get(lens.get("tint", "")),
            **{k: v for k, v in lens.items() if k not in ("design", "material", "coating", "tint")},
        )
    return desk.dispense


def _started(entry: Entry, stage: Stage) -> Dispense:
    client = stage.clients[str(entry["client"])]
    return record.start_dispense(
        actor=stage.staff[entry["by"]],
        client=client,
        branch=stage.branches[entry["branch"]],
        earlier=client.dispenses.order_by("-created_at").first() if entry.get("follows_earlier") else None,
    )


@dataclass(slots=True)
class _Desk:
    """One person at one dispense, who does one thing after the other, each on what the last one left."""

    actor: Staff
    dispense: Dispense

    def do(self, deed: Callable[..., Any], part: str, **values: Any) -> None:
        if part:
            values["version"] = record.part_version(self.dispense, part)
        done = deed(actor=self.actor, dispense=self.dispense, **values)
        self.dispense = getattr(done, "dispense", self.dispense)


def _prescription(rx: Entry, desk: _Desk) -> None:
    written_on = timezone.localdate() - timedelta(days=int(rx.get("days_ago", 9)))
    if rx.get("imported"):
        text = write_vision_prescription(
            prescription=Prescription(
                right=_lens(rx["right"]), left=_lens(rx["left"]), written_on=written_on, prescriber=rx.get("prescriber", "")
            ),
            identifier=f"VP-{desk.dispense.reference[2:]}",
            identifier_system="https://eyehospital.example/prescriptions",
            patient=desk.dispense.client.reference,
            created=written_on,
        )
        desk.do(record.import_prescription, "prescription", text=text)
        return
    as_written = {
        f"prescription.{eye}.{name}": str(value) for eye in EYES for name, value in rx[eye].items() if name in _TYPED
    }
    desk.do(
        record.save_prescription,
        "prescription",
        right=rx["right"],
        left=rx["left"],
        vertex_mm=rx.get("vertex_mm"),
        written_on=written_on,
        prescriber=rx.get("prescriber", "Dr Ida Vane"),
        remark=rx.get("remark", ""),
        as_written=as_written,
    )
    if rx.get("read_back"):
        desk.do(record.read_back_prescription, "prescription", right=rx["right"], left=rx["left"])
        desk.dispense.refresh_from_db()


def _lens(values: Entry) -> PrescribedLens:
    plain: dict[str, Any] = {k: float(v) if isinstance(v, Decimal | int) else v for k, v in values.items()}
    return PrescribedLens(**plain)


def _reading(row: list[Any]) -> NewReading:
    quantity, eye, value, method, *reference = row
    return NewReading(
        quantity=quantity,
        eye=eye,
        value=Decimal(value),
        method=method,
        reference=reference[0] if reference else "",
        as_typed=str(value),
        observer_level=True if quantity == "height" else None,
    )


def _adopt(entry: Entry, desk: _Desk) -> None:
    """What `adopt` lists; without it the suggested value of everything that was read, when the fit is confirmed."""
    if "adopt" in entry:
        chosen = [(quantity, eye, Decimal(v), reference, "chosen") for quantity, eye, v, reference in entry["adopt"]]
    elif entry.get("fit", {}).get("confirm", True):
        rows = list(desk.dispense.readings.all())
        suggested = {key: suggestion(rows, *key) for key in dict.fromkeys((r.quantity, r.eye) for r in rows)}
        chosen = [(*key, s.value, s.reference, s.how) for key, s in suggested.items() if s is not None]
    else:
        return
    for quantity, eye, value, reference, how in chosen:
        desk.do(adopt_value, "readings", quantity=quantity, eye=eye, value=value, reference=reference, how=how)


# --- what becomes of it -----------------------------------------------------------------------------------------------


def _taken_on(entry: Entry, dispense: Dispense, stage: Stage) -> Dispense:
    step = entry["stage"]
    actor = stage.staff[entry["by"]]
    if step == "open":
        keep_counts(dispense, assess_dispense(dispense))
        return dispense
    if step == "cancelled":
        record.cancel_dispense(actor=actor, dispense=dispense, version=dispense.version, reason=entry["reason"])
        return _fresh(dispense)
    _give_reasons(entry, dispense, actor)
    if "signer" in entry:
        dispense = _fresh(dispense)
        sign_off.put_forward(
            actor=actor, dispense=dispense, version=dispense.version, comment=entry.get("put_forward_comment", "")
        )
        if step == "waiting":
            return _fresh(dispense)
        signer = stage.staff[entry["signer"]]
        dispense = _fresh(dispense)
        if step == "returned":
            sign_off.return_to_dispenser(
                actor=signer, dispense=dispense, version=dispense.version, comment=entry["comment"]
            )
            return _fresh(dispense)
        sign_off.sign(
            actor=signer,
            dispense=dispense,
            version=dispense.version,
            password=stage.password,
            comment=entry.get("comment", ""),
        )
        actor = signer
        if step == "signed":
            return _fresh(dispense)
    order = issue.issue_order(actor=actor, dispense=_fresh(dispense), lab=stage.labs[entry["lab"]])
    _at_the_lab(entry, step, order, actor, stage)
    return _fresh(dispense)


def _fresh(dispense: Dispense) -> Dispense:
    return Dispense.objects.get(pk=dispense.pk)


def _give_reasons(entry: Entry, dispense: Dispense, actor: Staff) -> None:
    found = assess_dispense(dispense)
    given: Mapping[str, str] = entry.get("reasons", {})
    for finding in found.open_confirms:
        text = given.get(finding.check)
        if text is None:
            raise Unplayable(f"no reason for {finding.check}: {finding.message}")
        give_reason(actor=actor, dispense=dispense, finding_key=finding.key, text=text)


def _at_the_lab(entry: Entry, step: str, order: Order, actor: Staff, stage: Stage) -> None:
    lab, number = order.lab, order.number
    if step == "issued":
        return
    if step == "order_cancelled":
        issue.cancel_order(actor=actor, order=order, reason=entry["reason"])
        return
    lab_progress.acknowledge(lab=lab, number=number)
    if step == "replaced":
        issue.replace_order(
            actor=actor, order=Order.objects.get(pk=order.pk), lab=stage.labs[entry["new_lab"]], reason=entry["reason"]
        )
    elif step == "asked":
        lab_progress.ask(lab=lab, number=number, text=entry["question"])
    elif step == "cannot_make":
        lab_progress.cannot_make(lab=lab, number=number, reason=entry["reason"])
    elif step in ("in_work", "dispatched", *after.STEPS):
        lab_progress.promise(lab=lab, number=number, on=timezone.localdate() + timedelta(days=4))
        lab_progress.report_progress(lab=lab, number=number, state="in_work")
        if step != "in_work":
            lab_progress.report_progress(lab=lab, number=number, state="dispatched", tracking=entry.get("tracking", ""))
        if step in after.STEPS:
            after.play(entry, Order.objects.get(pk=order.pk), actor)
    elif step != "acknowledged":
        raise Unplayable(f"no such stage: {step}")
