"""Text from somewhere as the members of a FHIR resource: bounded in size, depth and numbers, of the right kind and shape."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from dispensing.fhir.values import FhirProblem, Problem

MAX_BYTES = 256 * 1024
MAX_DEPTH = 32
MAX_ITEMS = 200  # in any one list
MAX_NUMBER_CHARACTERS = 40


def text_of(received: str | bytes) -> tuple[str, str]:
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
    """Deepest nesting of brackets outside strings. Measured before parsing, which would recurse. A string that is never ended counts to
    the end of the text: looking for its end from every quote in it would cost the square of its length."""
    deepest = level = 0
    for mark in re.findall(r'"(?:[^"\\]|\\.)*+"?|[\[{]|[\]}]', text, re.DOTALL):
        if mark in "[{":
            level += 1
            deepest = max(deepest, level)
        elif mark in "]}":
            level -= 1
    return deepest


def parse(text: str) -> dict[str, Any]:
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


def refuse_other_shapes(data: dict[str, Any]) -> None:
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


def validate_shape(data: dict[str, Any]) -> None:
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
