"""HL7 FHIR VisionPrescription, both ways: text in, plain values out; plain values in, text out.

Reads R4, R4B and R5, in which the elements of this resource are the same (hl7.org/fhir/R4/visionprescription.html and
R5). `fhir.resources` checks the shape; what it lets through although it can make no lens (an eye called "OD", axis 500,
a cylinder without axis, two right lenses, binary noise in a power) is refused here, each time naming the element.
No reference or extension address is ever followed: nothing in this module opens a connection.

Directions: FHIR's base "in" is towards the nose and "out" away from it, for either eye, as in our own records. A FHIR axis
may be written from -180 to +180; it is turned into 1-180 (ISO 8429). Powers in dioptres, prism in prism dioptres.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Literal

import orjson

from dispensing.case import EYES, BaseH, BaseV, Eye, PrescribedLens, Prescription

MAX_BYTES = 256 * 1024
MAX_DEPTH = 32
MAX_ITEMS = 200  # in any one list
MAX_NUMBER_CHARACTERS = 40
# Beyond these a figure is a fault of transmission, not an eye: generous, the checks judge what is merely unusual.
MAX_SPHERE, MAX_CYLINDER, MAX_ADD, MAX_PRISM = Decimal(40), Decimal(20), Decimal(20), Decimal(40)

PRODUCT_SYSTEM = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"
_CONTACT_ELEMENTS = ("power", "backCurve", "diameter", "duration")
_EIGHTHS = {Decimal("0.125"), Decimal("0.375"), Decimal("0.625"), Decimal("0.875")}


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


# --- reading ----------------------------------------------------------------------------------------------------------


def read_vision_prescription(received: str | bytes) -> ImportedPrescription:
    """Read one VisionPrescription (JSON, FHIR R4, R4B or R5) for spectacles.

    Raises FhirProblem, and nothing else, for whatever cannot be used: not JSON, too large or too deep, another resource or
    release, a contact lens prescription, a status other than active, or a value that can make no lens. What is missing but
    can be asked for (a sphere, an eye, the day) comes back as a question.
    """
    text, digest = _text(received)
    data = _parse(text)
    _refuse_other_shapes(data)
    _validate_shape(data)
    return _Reader(data, text, digest).read()


def _text(received: str | bytes) -> tuple[str, str]:
    if isinstance(received, str):
        try:
            raw = received.encode("utf-8")
        except UnicodeEncodeError:
            raise FhirProblem(Problem("", "The text holds half a character (a lone surrogate).")) from None
    else:
        raw = bytes(received)
    if len(raw) > MAX_BYTES:
        raise FhirProblem(Problem("", f"The document is larger than {MAX_BYTES // 1024} kB."))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FhirProblem(Problem("", "The document is not UTF-8 text.")) from None
    return text, hashlib.sha256(raw).hexdigest()


class _BadNumber(str):
    """A number as written that is too long or too large to mean a power."""

    __slots__ = ()


def _number(literal: str) -> Decimal | _BadNumber:
    """Keeps the decimals as written: -2.00 stays -2.00 (the precision is part of a FHIR decimal)."""
    exponent = re.search(r"[eE]([+-]?\d+)$", literal)
    if len(literal) > MAX_NUMBER_CHARACTERS or (exponent and abs(int(exponent[1])) > 20):
        return _BadNumber(literal[:MAX_NUMBER_CHARACTERS])
    return Decimal(literal)


def _whole(literal: str) -> int | _BadNumber:
    return _BadNumber(literal[:MAX_NUMBER_CHARACTERS]) if len(literal) > MAX_NUMBER_CHARACTERS else int(literal)


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    seen: dict[str, Any] = {}
    for key, value in pairs:
        if key in seen:
            raise FhirProblem(Problem(key[:80], "This element is written twice in the same place."))
        seen[key] = value
    return seen


def _not_a_number(literal: str) -> Any:
    raise FhirProblem(Problem("", f"{literal} is not a JSON number."))


def _depth(text: str) -> int:
    """Deepest nesting of brackets outside strings. Measured before parsing, which would recurse."""
    deepest = level = 0
    for mark in re.findall(r'"(?:[^"\\]|\\.)*"|[\[{]|[\]}]', text, re.DOTALL):
        if mark in "[{":
            level += 1
            deepest = max(deepest, level)
        elif mark in "]}":
            level -= 1
    return deepest


def _parse(text: str) -> dict[str, Any]:
    if text.lstrip().startswith("<"):
        raise FhirProblem(Problem("", "This is XML; the JSON form of the resource is needed."))
    if _depth(text) > MAX_DEPTH:
        raise FhirProblem(Problem("", f"The document is nested deeper than {MAX_DEPTH} levels."))
    try:
        data = json.loads(
            text,
            parse_float=_number,
            parse_int=_whole,
            parse_constant=_not_a_number,
            object_pairs_hook=_members,
        )
    except json.JSONDecodeError as wrong:
        raise FhirProblem(Problem("", f"Not JSON: {wrong.msg} (line {wrong.lineno}, column {wrong.colno}).")) from None
    except RecursionError:
        raise FhirProblem(Problem("", f"The document is nested deeper than {MAX_DEPTH} levels.")) from None
    if not isinstance(data, dict):
        raise FhirProblem(Problem("", "A VisionPrescription is one JSON object."))
    for path, value in _walk(data, ""):
        if isinstance(value, _BadNumber):
            raise FhirProblem(Problem(path, "The number is too long or too large."))
        if isinstance(value, list) and len(value) > MAX_ITEMS:
            raise FhirProblem(Problem(path, f"More than {MAX_ITEMS} entries."))
        if isinstance(value, str) and re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]", value):
            raise FhirProblem(Problem(path, "The text holds a control character or half a character."))
    return data


def _walk(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    if path:
        yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield f"{path}.{key}" if path else key, key  # names are text too
            yield from _walk(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _walk(inner, f"{path}[{i}]")


def _refuse_other_shapes(data: dict[str, Any]) -> None:
    """Say plainly what came instead, before the validator lists every element it does not know."""
    kind = data.get("resourceType")
    if kind == "Bundle":
        raise FhirProblem(Problem("resourceType", "This is a Bundle; give the VisionPrescription inside it alone."))
    if kind != "VisionPrescription":
        raise FhirProblem(Problem("resourceType", "This is not a VisionPrescription."))
    if "dispense" in data:
        raise FhirProblem(Problem("dispense", "This is the form of a FHIR release before R4; R4, R4B or R5 is needed."))
    for name in ("intent", "basedOn", "groupIdentifier", "priority"):
        if name in data:
            raise FhirProblem(Problem(name, "This element belongs to FHIR R6, a draft; R4, R4B or R5 is needed."))
    if data.get("implicitRules"):
        raise FhirProblem(Problem("implicitRules", "The document relies on rules of its own that are not known here."))
    for path, value in _walk(data, ""):
        if path.endswith("modifierExtension") and value and not isinstance(value, str):
            raise FhirProblem(Problem(path, "An extension here changes the meaning in a way that is not known here."))
    listed = data.get("lensSpecification")
    if isinstance(listed, list):
        if not listed:
            raise FhirProblem(Problem("lensSpecification", "The list of lenses is empty."))
        for i, lens in enumerate(listed):
            if isinstance(lens, dict) and ("base" in lens or isinstance(lens.get("prism"), (int, Decimal))):
                raise FhirProblem(
                    Problem(f"lensSpecification[{i}].prism", "Prism in the form of a FHIR release before R4.")
                )


def _validate_shape(data: dict[str, Any]) -> None:
    """By fhir.resources: R5, else R4B (whose common types differ a little; R4 documents validate as R4B)."""
    from fhir.resources.R4B.visionprescription import VisionPrescription as R4B
    from fhir.resources.visionprescription import VisionPrescription as R5
    from pydantic import ValidationError

    found: ValidationError | None = None
    for release in (R5, R4B):
        try:
            release.model_validate(data)
        except ValidationError as wrong:
            found = found or wrong
        except RecursionError:
            raise FhirProblem(Problem("", "The document is nested too deeply.")) from None
        except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, ImportError):
            # A contained resource that the library cannot place ends in one of these instead of a ValidationError.
            raise FhirProblem(Problem("", "The document is not valid FHIR: a part of it has an unknown type.")) from None
        else:
            return
    assert found is not None
    problems = []
    for error in found.errors(include_url=False, include_input=False, include_context=False):
        message = error["msg"].removeprefix("Value error, ").rstrip(".")
        if error["type"] == "extra_forbidden":
            message = "A FHIR VisionPrescription has no such element"
        elif message.startswith("Value for the field"):
            message = "This element is required"
        problems.append(Problem(_element(error["loc"]), message + "."))
    raise FhirProblem(*problems[:20])


def _element(location: tuple[str | int, ...]) -> str:
    path = ""
    for part in location:
        path += f"[{part}]" if isinstance(part, int) else f".{part}" if path else str(part)
    return path[:200]


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


# --- writing ----------------------------------------------------------------------------------------------------------


def write_vision_prescription(
    *,
    prescription: Prescription,
    identifier: str,
    identifier_system: str,
    patient: str,
    prescriber: str = "",
    created: date | datetime,
    status: Literal["active", "cancelled", "draft", "entered-in-error"] = "active",
) -> str:
    """The prescription as FHIR JSON (the same text is valid R4, R4B and R5), powers with their two decimals.

    `patient` is a reference of ours, never a name: the document may travel. What the resource has no element for (vertex
    distance, intermediate addition, near prism, a near row, a balance lens) is written as a note for people to read.
    Raises FhirProblem when the prescription lacks what FHIR requires or holds what it cannot carry (half degrees).
    """
    if prescription.written_on is None:
        raise FhirProblem(Problem("dateWritten", "The day the prescription was written is needed."))
    if isinstance(created, datetime) and created.tzinfo is None:
        raise FhirProblem(Problem("created", "A time needs its offset from UTC."))
    lenses = []
    for i, (eye, lens) in enumerate((("right", prescription.right), ("left", prescription.left))):
        if lens == PrescribedLens():
            continue
        lenses.append(_write_lens(eye, lens, prescription.vertex_mm, f"lensSpecification[{i}]"))
    document = {
        "resourceType": "VisionPrescription",
        "identifier": [{"system": identifier_system, "value": identifier}],
        "status": status,
        "created": created.isoformat(),
        "patient": {"reference": f"Patient/{patient}"},
        "dateWritten": prescription.written_on.isoformat(),
        "prescriber": {"type": "Practitioner", "display": prescription.prescriber or prescriber or "not stated"},
        "lensSpecification": lenses,
    }
    text = orjson.dumps(document, option=orjson.OPT_INDENT_2).decode()
    data = _parse(text)
    _refuse_other_shapes(data)
    _validate_shape(data)
    return text


def _write_lens(eye: str, lens: PrescribedLens, vertex_mm: float | None, at: str) -> dict[str, Any]:
    out: dict[str, Any] = {"product": {"coding": [{"system": PRODUCT_SYSTEM, "code": "lens"}]}, "eye": eye}
    if lens.sphere is not None:
        out["sphere"] = _written(lens.sphere)
    if lens.cylinder:
        if lens.axis is None:
            raise FhirProblem(Problem(f"{at}.axis", "There is a cylinder, but no axis."))
        if lens.axis % 1:
            raise FhirProblem(Problem(f"{at}.axis", "FHIR carries whole degrees only."))
        out["cylinder"], out["axis"] = _written(lens.cylinder), int(lens.axis)
    prisms = ((lens.prism_h, lens.base_h), (lens.prism_v, lens.base_v))
    for amount, base in prisms:
        if amount:
            if base is None:
                raise FhirProblem(Problem(f"{at}.prism", "There is a prism, but no base."))
            out.setdefault("prism", []).append({"amount": _written(amount), "base": base})
    if lens.add:
        out["add"] = _written(lens.add)
    if notes := _notes(lens, vertex_mm):
        out["note"] = [{"text": n} for n in notes]
    return out


def _notes(lens: PrescribedLens, vertex_mm: float | None) -> list[str]:
    notes = [
        ("Vertex distance {:g} mm", vertex_mm),
        ("Intermediate addition {:+.2f}", lens.intermediate_add),
        ("Near sphere {:+.2f}", lens.near_sphere),
        ("Near prism {:.2f} base " + (lens.near_base_h or "not stated"), lens.near_prism_h or None),
        ("Near prism {:.2f} base " + (lens.near_base_v or "not stated"), lens.near_prism_v or None),
    ]
    out = [form.format(value) for form, value in notes if value is not None]
    return [*out, "Balance lens"] if lens.balance else out


def _written(value: float) -> orjson.Fragment:
    """Two decimals, always, and no negative zero; a plain float would be written as -2.0."""
    return orjson.Fragment(f"{round(value, 2) + 0.0:.2f}")
