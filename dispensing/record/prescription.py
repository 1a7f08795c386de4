"""The prescription: typed, taken from the record, imported, and read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from dispensing.case import EYES
from dispensing.fhir import FhirProblem, ImportedPrescription, read_vision_prescription
from dispensing.gather import EYE_BASES, EYE_NUMBERS
from dispensing.models import Dispense, Prescription, PrescriptionEye
from dispensing.record.base import Change, Saved, changing
from practice import access, contents
from practice.errors import Invalid, Refused
from practice.models import Staff

EyeValues = Mapping[str, Decimal | str | bool | None]
EYE_TEXTS = ("acuity", "near_acuity")
EYE_FIELDS = (*EYE_NUMBERS, *EYE_BASES, "balance", *EYE_TEXTS)
READ_BACK_FIELDS = ("sphere", "cylinder", "axis", "add", "prism_h", "base_h", "prism_v", "base_v")
# beyond any spectacle lens: a slip of the keyboard that need not wait for a check
BOUNDS: dict[str, tuple[Decimal, Decimal]] = {
    "sphere": (Decimal(-60), Decimal(60)),
    "cylinder": (Decimal(-20), Decimal(20)),
    "axis": (Decimal(1), Decimal(180)),
    "add": (Decimal(0), Decimal(20)),
    "intermediate_add": (Decimal(0), Decimal(20)),
    "near_sphere": (Decimal(-60), Decimal(60)),
    "prism_h": (Decimal(0), Decimal(50)),
    "prism_v": (Decimal(0), Decimal(50)),
    "near_prism_h": (Decimal(0), Decimal(50)),
    "near_prism_v": (Decimal(0), Decimal(50)),
}
_BASES = {"base_h": ("in", "out"), "near_base_h": ("in", "out"), "base_v": ("up", "down"), "near_base_v": ("up", "down")}


def save_prescription(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    right: EyeValues,
    left: EyeValues,
    vertex_mm: Decimal | None = None,
    written_on: date | None = None,
    expires_on: date | None = None,
    prescriber: str = "",
    remark: str = "",
    as_written: Mapping[str, str] | None = None,
) -> Saved:
    """A prescription as somebody typed it. `as_written` keeps the text of every field as it was typed, by path.

    Corrects the record in place while this dispense alone uses it and it was typed; otherwise a new record is made and the
    old one stays. A change of power or prism undoes a read-back.
    """
    eyes = {"right": right, "left": left}
    _refuse(eyes, vertex_mm, written_on, expires_on)
    header = {
        "vertex_mm": vertex_mm,
        "written_on": written_on,
        "expires_on": expires_on,
        "prescriber": prescriber[:120],
        "remark": remark,
    }
    with changing(
        actor=actor, dispense=dispense, part="prescription", version=version, action="dispense.prescription"
    ) as change:
        _write(change, eyes, header, dict(as_written or {}))
    return change.saved()


def use_prescription(*, actor: Staff, dispense: Dispense, version: int, prescription: Prescription) -> Saved:
    """Take one that is on the client's record already."""
    if prescription.client_id != dispense.client_id:
        raise Invalid({"prescription": "That prescription is another client's."})
    with changing(
        actor=actor, dispense=dispense, part="prescription", version=version, action="dispense.prescription_chosen"
    ) as change:
        change.put(prescription=prescription)
    return change.saved()


def import_prescription(*, actor: Staff, dispense: Dispense, version: int, text: str) -> Saved:
    """Take over a FHIR VisionPrescription (JSON text), kept with its digest as it came.

    What the document leaves open, and what was read in another form than written, is in the answer. Raises Invalid with the
    element named when it cannot be used; contents.Away when there is a store of documents and it is.
    """
    try:
        imported = read_vision_prescription(text)
    except FhirProblem as problem:
        raise Invalid({"prescription.import": str(problem)}) from problem
    access.require(
        actor, "dispense.change", branch=dispense.branch, subject=dispense
    )  # nothing is written for the wrong person
    kept = contents.keep(imported.document.encode(), "application/fhir+json")
    with changing(
        actor=actor, dispense=dispense, part="prescription", version=version, action="dispense.prescription_imported"
    ) as change:
        row = Prescription.objects.create(
            client=change.dispense.client,
            created_by=actor,
            source=Prescription.Source.IMPORTED,
            prescriber=imported.prescriber[:120],
            written_on=imported.written_on,
            remark=imported.remark,
            as_written={},
            imported_document="" if kept.data is None else imported.document,
            imported_key=kept.key,
            imported_sha256=imported.sha256,
        )
        PrescriptionEye.objects.bulk_create(
            PrescriptionEye(prescription=row, eye=eye, **_imported_eye(imported, eye)) for eye in EYES
        )
        contents.hold(kept)
        change.put(prescription=row)
        change.after["imported_sha256"] = imported.sha256
        if imported.patient:
            change.said.append(f"The document is for {imported.patient}: is that this client?")
        change.said += [q.message for q in imported.questions]
        change.said += [a.message for a in imported.adjusted]
    return change.saved()


def _imported_eye(imported: ImportedPrescription, eye: str) -> dict[str, Any]:
    lens = imported.right if eye == "right" else imported.left
    return {
        "sphere": lens.sphere,
        "cylinder": lens.cylinder,
        "axis": lens.axis,
        "add": lens.add,
        "prism_h": lens.prism_h,
        "base_h": lens.base_h or "",
        "prism_v": lens.prism_v,
        "base_v": lens.base_v or "",
    }


@dataclass(frozen=True, slots=True)
class Difference:
    path: str
    recorded: str
    read_back: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadBack:
    saved: Saved
    differences: tuple[Difference, ...]

    @property
    def matched(self) -> bool:
        return not self.differences


def read_back_prescription(
    *, actor: Staff, dispense: Dispense, version: int, right: EyeValues, left: EyeValues
) -> ReadBack:
    """The powers typed again without looking at what is on record, and compared. Both outcomes are recorded.

    An empty cylinder, addition or prism equals 0.00; the axis of no cylinder is not compared.
    """
    eyes = {"right": right, "left": left}
    _refuse(eyes, None, None, None)
    with changing(
        actor=actor, dispense=dispense, part="prescription", version=version, action="dispense.prescription_read_back"
    ) as change:
        change.content = False
        row = change.dispense.prescription
        if row is None:
            raise Refused("There is no prescription to read back yet.")
        stored = {e.eye: e for e in row.eyes.all()}
        differences = []
        for eye in EYES:
            for name in READ_BACK_FIELDS:
                recorded = getattr(stored[eye], name) if eye in stored else None
                again = eyes[eye].get(name)
                if _same(name, recorded, again, stored.get(eye), eyes[eye]):
                    continue
                differences.append(Difference(f"prescription.{eye}.{name}", _shown(recorded), _shown(again)))
        result = "differs" if differences else "matched"
        change.note("read_back", row.read_back, result)
        change.after["typed"] = {e: {n: v for n, v in eyes[e].items() if v not in (None, "")} for e in EYES}
        row.read_back = result
        row.save(update_fields=["read_back"])
    return ReadBack(saved=change.saved(), differences=tuple(differences))


def _same(name: str, recorded: Any, again: Any, row: PrescriptionEye | None, typed: EyeValues) -> bool:
    if name == "axis":
        if not (row and row.cylinder) and not typed.get("cylinder"):
            return True
        return bool(recorded == again)
    if name in _BASES:
        amount = "prism_" + name[-1]
        if not (row and getattr(row, amount)) and not typed.get(amount):
            return True
        return (recorded or "") == (again or "")
    if name == "sphere":
        return bool(recorded == again)
    return (recorded or Decimal(0)) == (again or Decimal(0))


def _shown(value: Any) -> str:
    return "nothing" if value in (None, "") else str(value)


def _refuse(
    eyes: Mapping[str, EyeValues], vertex_mm: Decimal | None, written_on: date | None, expires_on: date | None
) -> None:
    errors = {}
    for eye, values in eyes.items():
        for name, value in values.items():
            path = f"prescription.{eye}.{name}"
            if name not in EYE_FIELDS:
                raise TypeError(f"{name} is no field of a prescription")
            if name in BOUNDS and isinstance(value, Decimal):
                low, high = BOUNDS[name]
                if not low <= value <= high:
                    errors[path] = f"That cannot be: {low} to {high}."
            elif name in _BASES and value and value not in _BASES[name]:
                errors[path] = f"The base is {' or '.join(_BASES[name])}."
            elif name in EYE_TEXTS and len(str(value or "")) > 12:
                errors[path] = "At most 12 characters."
    if vertex_mm is not None and not 1 <= vertex_mm <= 40:
        errors["prescription.vertex_mm"] = "A vertex distance lies between 1 and 40 mm."
    for name, day in (("written_on", written_on), ("expires_on", expires_on)):
        if day is not None and not 1900 <= day.year <= 2200:
            errors[f"prescription.{name}"] = "That year cannot be."
    if errors:
        raise Invalid(errors)


def _write(change: Change, eyes: Mapping[str, EyeValues], header: dict[str, Any], as_written: dict[str, str]) -> None:
    row = change.dispense.prescription
    stored = {e.eye: e for e in row.eyes.all()} if row else {}
    wanted = {eye: {n: _normal(n, eyes[eye].get(n)) for n in EYE_FIELDS} for eye in EYES}
    old_header = {n: getattr(row, n) for n in header} if row else {n: _normal(n, None) for n in header}
    old_eyes = {
        eye: {n: getattr(stored[eye], n) if eye in stored else _normal(n, None) for n in EYE_FIELDS} for eye in EYES
    }
    for name in header:
        if old_header[name] != header[name] and (old_header[name] or header[name]):
            change.note(f"prescription.{name}", old_header[name], header[name])
    powers_changed = False
    for eye in EYES:
        for name in EYE_FIELDS:
            if old_eyes[eye][name] != wanted[eye][name]:
                change.note(f"prescription.{eye}.{name}", old_eyes[eye][name], wanted[eye][name])
                powers_changed = powers_changed or name not in EYE_TEXTS
    if not change.changed:
        return
    if row is not None and _ours_alone(row, change.dispense):
        for name, value in header.items():
            setattr(row, name, value)
        row.as_written = _first_typed(row.as_written, as_written, set(change.after))
        if powers_changed and row.read_back:
            row.read_back = ""
            change.said.append("The powers changed after they were read back: read them back again.")
        row.save()
    else:
        row = Prescription.objects.create(
            client=change.dispense.client, created_by=change.actor, as_written=as_written, **header
        )
        stored = {}
        change.put(prescription=row)
    for eye in EYES:
        PrescriptionEye.objects.update_or_create(prescription=row, eye=eye, defaults=wanted[eye])


def _first_typed(before: dict[str, str], now: dict[str, str], changed: set[str]) -> dict[str, str]:
    """A field whose value is the same keeps the text it was first typed in: a page sends back what it showed."""
    return {path: text if path in changed else before.get(path, text) for path, text in now.items()}


def _ours_alone(row: Prescription, dispense: Dispense) -> bool:
    return row.source == Prescription.Source.TYPED and not row.dispenses.exclude(pk=dispense.pk).exists()


def _normal(name: str, value: Any) -> Any:
    if name == "balance":
        return bool(value)
    if name in EYE_BASES or name in EYE_TEXTS or name in ("prescriber", "remark"):
        return value or ""
    return value
