"""A VisionPrescription read: what can make no lens is refused, what is missing and can be asked for comes back as a question."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from dispensing.case import EYES, Eye
from dispensing.fhir import received
from dispensing.fhir.values import FhirProblem, ImportedLens, ImportedPrescription, Problem, Question

# Beyond these a figure is a fault of transmission, not an eye: generous, the checks judge what is merely unusual.
MAX_SPHERE, MAX_CYLINDER, MAX_ADD, MAX_PRISM = Decimal(40), Decimal(20), Decimal(20), Decimal(40)
_CONTACT_ELEMENTS = ("power", "backCurve", "diameter", "duration")
_EIGHTHS = {Decimal("0.125"), Decimal("0.375"), Decimal("0.625"), Decimal("0.875")}


def read_vision_prescription(given: str | bytes) -> ImportedPrescription:
    """Read one VisionPrescription (JSON, FHIR R4, R4B or R5) for spectacles.

    Raises FhirProblem, and nothing else, for whatever cannot be used: not JSON, too large or too deep, another resource or
    release, a contact lens prescription, a status other than active, or a value that can make no lens. What is missing but
    can be asked for (a sphere, an eye, the day) comes back as a question.
    """
    text, digest = received.text_of(given)
    data = received.parse(text)
    received.refuse_other_shapes(data)
    received.validate_shape(data)
    return _Reader(data, text, digest).read()


@dataclass(slots=True)
class _Reader:
    """One reading of a document whose shape is sound. Collects everything that is wrong before it gives up."""

    data: dict[str, Any]
    text: str
    digest: str
    problems: list[Problem] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    adjusted: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def wrong(self, element: str, message: str) -> None:
        self.problems.append(Problem(element, message))

    def read(self) -> ImportedPrescription:
        lenses = [lens for lens in self.data["lensSpecification"] if isinstance(lens, dict)]
        self._refuse_contact_lenses(lenses)
        self._status()
        written_on = self._written_on()
        prescriber = self._who("prescriber", ("Practitioner", "PractitionerRole"))
        patient = self._who("patient", ("Patient",))
        by_eye: dict[str, ImportedLens] = {}
        for i, lens in enumerate(lenses):
            at = f"lensSpecification[{i}]"
            eye = lens.get("eye")
            if eye not in EYES:
                self.wrong(f"{at}.eye", "The eye is given as “right” or “left”, nothing else.")
                continue
            if eye in by_eye:
                self.wrong(f"{at}.eye", f"There are two {eye} lenses: it cannot be told which is meant.")
                continue
            by_eye[eye] = self._lens(lens, at, eye)
        if self.problems:
            raise FhirProblem(*self.problems)
        for eye in EYES:
            if eye not in by_eye:
                self.questions.append(
                    Question(f"prescription.{eye}", f"The document has no {eye} lens: ask what that eye is to have.")
                )
        return ImportedPrescription(
            right=by_eye.get("right", ImportedLens()),
            left=by_eye.get("left", ImportedLens()),
            written_on=written_on,
            prescriber=prescriber,
            patient=patient,
            source_id=self._source_id(),
            sha256=self.digest,
            document=self.text,
            remark="\n".join(self.remarks),
            questions=tuple(self.questions),
            adjusted=tuple(self.adjusted),
        )

    def _refuse_contact_lenses(self, lenses: list[dict[str, Any]]) -> None:
        for i, lens in enumerate(lenses):
            at = f"lensSpecification[{i}]"
            product = lens.get("product") or {}
            codings = product.get("coding") or []
            words = [str(product.get("text") or "")]
            words += [str(c.get(k) or "") for c in codings for k in ("code", "display") if isinstance(c, dict)]
            if any("contact" in w.lower() for w in words):
                raise FhirProblem(
                    Problem(
                        f"{at}.product",
                        "This is a prescription for contact lenses. Their powers hold at the eye and for a lens form of "
                        "their own: spectacles cannot be ordered from it. Ask the prescriber for the spectacle prescription.",
                    )
                )
            for name in _CONTACT_ELEMENTS:
                if lens.get(name) is not None:
                    raise FhirProblem(
                        Problem(
                            f"{at}.{name}", "Only contact lenses have this element; spectacles cannot be ordered from it."
                        )
                    )

    def _status(self) -> None:
        status = self.data.get("status")
        if status is None:
            self.wrong("status", "The status is not stated; only an active prescription can be used.")
        elif status != "active":
            self.wrong("status", f"The prescription is marked “{str(status)[:40]}”; only an active one can be used.")

    def _written_on(self) -> date | None:
        """The day as the prescriber wrote it: a time with an offset is not moved to another day."""
        written = self.data.get("dateWritten")
        if written is None:
            self.questions.append(Question("prescription.written_on", "The document does not say when it was written."))
            return None
        try:
            if len(written) == 10:
                return date.fromisoformat(written)
            return datetime.fromisoformat(written).date()
        except (TypeError, ValueError):
            pass
        if isinstance(written, str) and re.fullmatch(r"\d{4}(-\d{2})?", written):
            self.questions.append(
                Question("prescription.written_on", f"The document gives only “{written}”: ask for the day it was written.")
            )
        else:
            self.wrong("dateWritten", "The date cannot be read.")
        return None

    def _who(self, name: str, kinds: tuple[str, ...]) -> str:
        reference = self.data.get(name)
        if not isinstance(reference, dict):
            self.wrong(name, "The reference is not stated.")
            return ""
        target = reference.get("reference") or ""
        kind = reference.get("type") or ""
        inside: dict[str, Any] = {}
        if target.startswith("#"):
            contained = [r for r in self.data.get("contained") or [] if isinstance(r, dict)]
            inside = next((r for r in contained if r.get("id") == target[1:]), {})
            if not inside:
                self.wrong(f"{name}.reference", "It points to a part of this document that is not there.")
            kind = inside.get("resourceType", kind)
        elif match := re.search(r"(?:^|/)([A-Z][A-Za-z]+)/[A-Za-z0-9.-]{1,64}(?:/_history/[A-Za-z0-9.-]{1,64})?$", target):
            kind = match[1]
        if kind and kind not in kinds:
            self.wrong(f"{name}.reference", f"It points to {kind[:40]}, not to {' or '.join(kinds)}.")
        identifier = reference.get("identifier") or {}
        said = reference.get("display") or _name(inside) or identifier.get("value") or target
        if not said:
            self.questions.append(
                Question(
                    "prescription.prescriber" if name == "prescriber" else "prescription",
                    f"The document does not say who the {name} is.",
                )
            )
        return str(said)[:120]

    def _source_id(self) -> str:
        for identifier in self.data.get("identifier") or []:
            if isinstance(identifier, dict) and identifier.get("value"):
                return str(identifier["value"])[:120]
        return str(self.data.get("id") or "")[:120]

    def _lens(self, lens: dict[str, Any], at: str, eye: Eye) -> ImportedLens:
        before = len(self.problems)
        sphere = self._power(lens, at, "sphere", MAX_SPHERE)
        cylinder = self._power(lens, at, "cylinder", MAX_CYLINDER)
        axis = self._axis(lens, at, cylinder)
        add = self._power(lens, at, "add", MAX_ADD)
        if add is not None and add < 0:
            self.wrong(f"{at}.add", "An addition is never negative.")
        if add == 0:
            self.adjusted.append(Problem(f"{at}.add", "An addition of 0.00 was read as none."))
            add = None
        horizontal, base_h = self._prism(lens, at, ("in", "out"))
        vertical, base_v = self._prism(lens, at, ("up", "down"))
        if sphere is None and len(self.problems) == before:
            self.questions.append(
                Question(f"prescription.{eye}.sphere", f"The {eye} sphere is not stated. Ask: it need not be plano.")
            )
        self._remarks(lens, at, eye)
        return ImportedLens(
            sphere=sphere,
            cylinder=cylinder,
            axis=axis,
            add=add,
            prism_h=horizontal,
            base_h=base_h,  # type: ignore[arg-type]
            prism_v=vertical,
            base_v=base_v,  # type: ignore[arg-type]
        )

    def _power(self, lens: dict[str, Any], at: str, name: str, limit: Decimal) -> Decimal | None:
        value = lens.get(name)
        if value is None:
            return None
        element = f"{at}.{name}"
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            self.wrong(element, "A JSON number is needed here, not text.")
            return None
        number = Decimal(value)
        if not number.is_finite() or abs(number) > limit:
            self.wrong(element, f"The value is beyond ±{limit}.00, which no spectacle lens has.")
            return None
        return self._two_decimals(number, element)

    def _two_decimals(self, number: Decimal, element: str) -> Decimal | None:
        cents = number.quantize(Decimal("0.01"))
        if cents == number:
            return cents + Decimal("0.00")  # plus zero turns -0.00 into 0.00
        if abs(number) % 1 in _EIGHTHS:
            # The trade writes the eighth without its third decimal: 0.12, 0.37, 0.62, 0.87 (common practice).
            short = number.quantize(Decimal("0.01"), rounding="ROUND_DOWN")
            self.adjusted.append(Problem(element, f"{number} was read as {short}, the way an eighth is written."))
            return short
        self.wrong(
            element, f"{str(number)[:24]} has more decimals than a power is written with: computing noise, ask the sender."
        )
        return None

    def _axis(self, lens: dict[str, Any], at: str, cylinder: Decimal | None) -> Decimal | None:
        value = lens.get("axis")
        element = f"{at}.axis"
        if value is None:
            if cylinder:
                self.wrong(element, "There is a cylinder, but no axis.")
            return None
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)) or Decimal(value) % 1:
            self.wrong(element, "The axis is a whole number of degrees.")
            return None
        axis = Decimal(int(value))
        if abs(axis) > 180:
            self.wrong(element, f"The axis {axis} is outside −180 to 180.")
            return None
        if cylinder is None:
            if lens.get("cylinder") is None:
                self.wrong(element, "There is an axis, but no cylinder: one may have been lost.")
            return None
        if cylinder == 0:
            self.adjusted.append(Problem(element, "The axis of a cylinder of 0.00 means nothing and was left out."))
            return None
        if axis <= 0:
            self.adjusted.append(Problem(element, f"The axis {axis} was read as {axis + 180}, the same direction."))
            axis += 180
        return Decimal(180) if axis == 0 else axis

    def _prism(self, lens: dict[str, Any], at: str, bases: tuple[str, str]) -> tuple[Decimal | None, str | None]:
        """Same direction entries are summed; opposite ones in one eye contradict each other."""
        total: dict[str, Decimal] = {}
        count = 0
        for i, prism in enumerate(lens.get("prism") or []):
            element = f"{at}.prism[{i}]"
            base = prism.get("base")
            if base not in ("up", "down", "in", "out"):
                if bases[0] == "in":  # once is enough
                    self.wrong(f"{element}.base", "The base is given as “up”, “down”, “in” or “out”.")
                continue
            if base not in bases:
                continue
            amount = self._power(prism, element, "amount", MAX_PRISM)
            if prism.get("amount") is None:
                self.wrong(f"{element}.amount", "The amount of prism is not stated.")
            if amount is None:
                continue
            if amount < 0:
                self.wrong(f"{element}.amount", "An amount of prism is never negative; the base says the direction.")
                continue
            total[base] = total.get(base, Decimal(0)) + amount
            count += 1
        total = {base: amount for base, amount in total.items() if amount}
        if len(total) > 1:
            self.wrong(f"{at}.prism", f"Base {bases[0]} and base {bases[1]} for the same eye contradict each other.")
            return None, None
        if not total:
            return None, None
        ((base, amount),) = total.items()
        if amount > MAX_PRISM:
            self.wrong(f"{at}.prism", f"{count} entries base {base} add up to {amount}, which no spectacle lens has.")
            return None, None
        if count > 1:
            self.adjusted.append(Problem(f"{at}.prism", f"{count} entries base {base} were added up to {amount}."))
        return amount, base

    def _remarks(self, lens: dict[str, Any], at: str, eye: Eye) -> None:
        for note in lens.get("note") or []:
            if isinstance(note, dict) and note.get("text"):
                self.remarks.append(f"{eye}: {str(note['text'])[:400]}")
        for name in ("color", "brand"):
            if lens.get(name):
                self.remarks.append(f"{eye}: {name} {str(lens[name])[:120]}")


def _name(resource: dict[str, Any]) -> str:
    for name in resource.get("name") or []:
        if isinstance(name, dict):
            if name.get("text"):
                return str(name["text"])
            return " ".join([*(str(g) for g in name.get("given") or []), str(name.get("family") or "")]).strip()
    return ""
