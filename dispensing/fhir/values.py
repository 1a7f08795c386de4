"""What a VisionPrescription says as plain values, and what can be wrong with one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from dispensing.case import BaseH, BaseV, Eye, PrescribedLens, Prescription

PRODUCT_SYSTEM = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. `element` is a FHIR path such as ``lensSpecification[1].axis``; "" means the whole text."""

    element: str
    message: str

    def __str__(self) -> str:
        return f"{self.element}: {self.message}" if self.element else self.message


class FhirProblem(ValueError):
    """The document cannot be used. `problems` holds all that was found, in the order of the document."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__("; ".join(str(p) for p in problems))
        self.problems = problems

    @property
    def element(self) -> str:
        return self.problems[0].element


@dataclass(frozen=True, slots=True)
class Question:
    """What the document leaves open and a person must answer. `path` is ours, e.g. ``prescription.right.sphere``."""

    path: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedLens:
    """One eye, exactly as many decimals as the document had. None: not stated, which never means zero."""

    sphere: Decimal | None = None
    cylinder: Decimal | None = None
    axis: Decimal | None = None
    add: Decimal | None = None
    prism_h: Decimal | None = None
    base_h: BaseH | None = None
    prism_v: Decimal | None = None
    base_v: BaseV | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedPrescription:
    right: ImportedLens
    left: ImportedLens
    written_on: date | None
    prescriber: str  # as the document names them: a name, else an identifier, else the reference
    patient: str  # the same for the person; to be compared by eye with the client it is imported for
    source_id: str  # business identifier, else the resource's id
    sha256: str  # of the bytes received
    document: str  # the text received
    remark: str = ""  # notes in the document
    questions: tuple[Question, ...] = ()
    adjusted: tuple[Problem, ...] = ()  # what was read in another form than written: axis 0 as 180, two prisms summed

    def of(self, eye: Eye) -> ImportedLens:
        return self.right if eye == "right" else self.left

    @property
    def prescription(self) -> Prescription:
        """The same as the value that figures and checks work on."""
        return Prescription(
            right=_prescribed(self.right),
            left=_prescribed(self.left),
            written_on=self.written_on,
            prescriber=self.prescriber,
            source="imported",
            remark=self.remark,
        )


def _prescribed(lens: ImportedLens) -> PrescribedLens:
    return PrescribedLens(
        sphere=_float(lens.sphere),
        cylinder=_float(lens.cylinder),
        axis=_float(lens.axis),
        add=_float(lens.add),
        prism_h=_float(lens.prism_h),
        base_h=lens.base_h,
        prism_v=_float(lens.prism_v),
        base_v=lens.base_v,
    )


def _float(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
