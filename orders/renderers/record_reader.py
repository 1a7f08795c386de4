"""Reads record text back, strictly: what is doubtful is refused, never guessed.

A lone value where both eyes are made is not "both eyes alike"; an empty place is not nought; "?" is "not known" and stays so; a label
that comes twice is neither the first nor the last value. Labels that are not in the table are passed over (a receiver has to), but
counted. Time and memory are bounded by the size of what is read: each character is looked at a few times.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from dispensing.optics.trace_files import Traces
from orders.renderers.record_labels import LONGEST_RECORD, NOT_KNOWN, WRITTEN, Label

LARGEST = 200_000  # bytes

_RECORD = re.compile(r"(_?[A-Z][A-Z0-9]{0,7})=([ -<>-~]*)")  # printable ASCII, no second "="
_NUMBER = re.compile(r"[+-]?[0-9]{1,5}(?:\.[0-9]{1,4})?")
_JOB = re.compile(r"[A-Za-z0-9-]{1,24}")

Value = Decimal | str | None


class RecordError(ValueError):
    """Not an order in this profile. `line` counts from 1; 0: the text as a whole."""

    def __init__(self, words: str, line: int = 0) -> None:
        super().__init__(f"Line {line}: {words}" if line else words)
        self.line = line


@dataclass(frozen=True, slots=True)
class Records:
    """What was read. `right` and `left` hold the labels that stand for one eye; None is "not known" ("?")."""

    job: str
    eyes: str  # R, L or B
    common: dict[str, Value]
    right: dict[str, Value]
    left: dict[str, Value]
    traces: dict[str, tuple[int, ...]]  # R, L: radii in 0.01 mm
    repeated: dict[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)
    passed_over: int = 0

    def of(self, eye: str) -> dict[str, Value]:
        return self.right if eye in ("right", "R") else self.left

    def words(self, label: str) -> str:
        """The words of a label that comes in numbered pieces."""
        return "".join(fields[1] for fields in self.repeated.get(label, ()))


def read(data: bytes) -> Records:
    """The records of one order. Raises RecordError and nothing else."""
    if len(data) > LARGEST:
        raise RecordError(f"More than {LARGEST} bytes.")
    once: dict[str, tuple[int, str]] = {}
    repeated: dict[str, list[tuple[str, ...]]] = {}
    traces = Traces(RecordError)
    passed_over: set[str] = set()
    for number, name, value in _lines(data):
        label = WRITTEN.get(name)
        if name != "R":
            traces.between(number)
        if number == 1 and name != "JOB":
            raise RecordError("The first record is JOB.", number)
        if label is not None and label.repeats:
            if name == "TRCFMT":
                traces.begin(value, number)
            elif name == "R":
                traces.more(value, number)
            else:
                repeated.setdefault(name, []).append(_pieces(name, value, len(repeated.get(name, ())) + 1, number))
            continue
        if name in once or name in passed_over:
            raise RecordError(f"{name} comes twice.", number)
        if label is None:
            passed_over.add(name)
        else:
            once[name] = (number, value)
    traces.between(0)
    return _checked(once, repeated, traces.done, len(passed_over))


def _lines(data: bytes) -> Iterator[tuple[int, str, str]]:
    try:
        text = data.decode("ascii")
    except UnicodeDecodeError as error:
        raise RecordError("Something is not ASCII.") from error
    if not text.endswith("\r\n"):
        raise RecordError("The last record has no CR LF: the text may be cut short.")
    for number, line in enumerate(text[:-2].split("\r\n"), 1):
        if len(line) + 2 > LONGEST_RECORD:
            raise RecordError(f"Longer than {LONGEST_RECORD} characters.", number)
        found = _RECORD.fullmatch(line)
        if found is None:
            raise RecordError("Not LABEL=value in printable ASCII.", number)
        yield number, found[1], found[2]


def _pieces(name: str, value: str, number: int, line: int) -> tuple[str, ...]:
    """The fields of a private record that may come several times: a drill point, or the next piece of some words."""
    fields = value.split(";")
    if name == "_DLHOLE":
        if len(fields) != 3 or not all(_NUMBER.fullmatch(f) for f in fields):
            raise RecordError("A drill point is x;y;diameter.", line)
        return tuple(fields)
    if len(fields) != 2 or fields[0] != str(number):
        raise RecordError(f"Piece {number} of {name} is not where it should be.", line)
    return tuple(fields)


def _checked(
    once: dict[str, tuple[int, str]],
    repeated: dict[str, list[tuple[str, ...]]],
    traces: dict[str, tuple[int, ...]],
    passed_over: int,
) -> Records:
    line, job = once.pop("JOB")
    if not _JOB.fullmatch(job):
        raise RecordError("JOB is letters, digits and hyphens.", line)
    if "DO" not in once:
        raise RecordError("DO is missing: which eyes are made is not known.")
    line, eyes = once.pop("DO")
    if eyes not in ("R", "L", "B"):
        raise RecordError("DO is R, L or B.", line)
    common: dict[str, Value] = {}
    sides: dict[str, dict[str, Value]] = {"R": {}, "L": {}}
    for name, (line, value) in once.items():
        label = WRITTEN[name]
        if not label.both:
            common[name] = _value(label, value, line)
            continue
        for eye, text in zip("RL", _two(name, value, eyes, line), strict=True):
            if text:
                sides[eye][name] = _value(label, text, line)
    for eye in "RL" if eyes == "B" else eyes:
        _one_eye(eye, sides[eye])
    cylinders = [c for side in sides.values() if isinstance(c := side.get("CYL"), Decimal)]
    if any(c > 0 for c in cylinders) and any(c < 0 for c in cylinders):
        raise RecordError("The cylinders of the two eyes are not in one form.")
    if any(eyes not in ("B", eye) for eye in traces):
        raise RecordError("A trace of an eye that is not made.")
    kept = {name: tuple(pieces) for name, pieces in repeated.items()}
    return Records(job, eyes, common, sides["R"], sides["L"], traces, kept, passed_over)


def _two(name: str, value: str, eyes: str, line: int) -> tuple[str, str]:
    """Right and left of a record for both eyes; "" where there is no value."""
    fields = value.split(";")
    if len(fields) > 2:
        raise RecordError(f"{name} has more than two sides.", line)
    if len(fields) == 1:
        if eyes != "R":
            raise RecordError(f"{name} has one side only, and the eyes made are {eyes}.", line)
        return fields[0], ""
    right, left = fields
    if (eyes == "R" and left not in ("", NOT_KNOWN)) or (eyes == "L" and right not in ("", NOT_KNOWN)):
        raise RecordError(f"{name} has a value for an eye that is not made.", line)
    return ("" if eyes == "L" else right), ("" if eyes == "R" else left)


def _value(label: Label, text: str, line: int) -> Value:
    if text == NOT_KNOWN:
        return None
    if label.kind == "number":
        if not _NUMBER.fullmatch(text):
            raise RecordError(f"{label.name} is a number with a decimal point.", line)
        number = Decimal(text)
        if not label.least <= number <= label.most:
            raise RecordError(f"{label.name} is outside {label.least} to {label.most}.", line)
        return abs(number) if number == 0 else number  # there is no minus nought
    if label.codes and text not in label.codes:
        raise RecordError(f"{label.name} is one of {', '.join(label.codes)}.", line)
    return text


def _one_eye(eye: str, side: dict[str, Value]) -> None:
    """What one lens cannot do without, and what must stand together."""
    for label in WRITTEN.values():
        if label.needed and label.name not in side:
            raise RecordError(f"{label.name} is missing for the eye {eye}.")
    if "IPD" not in side and "NPD" not in side:
        raise RecordError(f"Neither IPD nor NPD is there for the eye {eye}.")
    for amount, direction, words in (("CYL", "AX", "cylinder"), ("PRVM", "PRVA", "prism")):
        value = side.get(amount)
        if value and direction not in side:
            raise RecordError(f"The {words} of the eye {eye} has no {direction}.")
        if not value and direction in side:
            raise RecordError(f"{direction} of the eye {eye} stands without a {words}.")
