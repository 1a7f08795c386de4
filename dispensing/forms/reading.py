"""What was sent of one part, read: nothing raises, what cannot be read is kept with a sentence beside it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Any, Protocol

from dispensing.optics import notation
from dispensing.optics.errors import NotationError

from .fields import Entry, Spec, field_path, specs
from .showing import ECHOED, MONTHS, echo_of, words_of

MOST_READINGS_AT_ONCE = 12


class Posted(Protocol):
    """A Django QueryDict, or anything that can be asked the same two questions."""

    def get(self, key: str) -> Any: ...
    def getlist(self, key: str) -> list[Any]: ...


@dataclass(frozen=True, slots=True)
class Parsed:
    """The fields of one part as they were sent."""

    part: str
    entries: Mapping[str, Entry]

    @property
    def errors(self) -> dict[str, str]:
        return {path: e.error for path, e in self.entries.items() if e.error}

    def value(self, path: str) -> Any:
        return self.entries[path].value

    def text(self, path: str) -> str:
        return str(self.entries[path].value or "")

    def with_errors(self, errors: Mapping[str, str]) -> Parsed:
        """The same with what a use case refused, each message beside the field it belongs to."""
        entries = dict(self.entries)
        for path, message in errors.items():
            at = field_path(path) or path
            if at in entries:
                entries[at] = Entry(
                    spec=entries[at].spec, typed=entries[at].typed, error=message, chosen=entries[at].chosen
                )
        return Parsed(self.part, entries)

    def against(self, theirs: Mapping[str, Entry]) -> Parsed:
        """The same, with what somebody else saved meanwhile beside every field in which it differs."""
        entries = {
            path: replace(e, theirs=words_of(theirs[path]) or "nothing") if words_of(e) != words_of(theirs[path]) else e
            for path, e in self.entries.items()
        }
        return Parsed(self.part, entries)

    @property
    def as_written(self) -> dict[str, str]:
        """Every field as it was typed, by path; those left blank are left out."""
        return {path: e.typed[:200] for path, e in self.entries.items() if e.typed}


def parse(part: str, data: Posted) -> Parsed:
    """Read one part. Never raises: what cannot be read is an Entry with the text kept and a sentence beside it."""
    return Parsed(part, {path: read(spec, data) for path, spec in specs(part).items()})


def read(spec: Spec, data: Posted) -> Entry:
    if spec.kind == "many":
        chosen = tuple(str(c) for c in data.getlist(spec.path))
        known = dict(spec.choices)
        unknown = [c for c in chosen if c not in known]
        if unknown:
            return Entry(spec=spec, chosen=chosen, error=f"Not one of the choices: {_excerpt(unknown[0])}.")
        return Entry(spec=spec, chosen=chosen, value=chosen)
    typed = str(data.get(spec.path) or "")
    if spec.kind == "tick":
        if typed not in ("", "1", "on", "true"):
            return Entry(spec=spec, typed=typed, error="Ticked or not: nothing else.")
        return Entry(spec=spec, typed=typed, value=bool(typed))
    try:
        value = _read_text(spec, typed)
    except NotationError as wrong:
        return Entry(spec=spec, typed=typed, error=wrong.message)
    return Entry(spec=spec, typed=typed, value=value, echo=echo_of(spec, value) if spec.kind in ECHOED else "")


def _read_text(spec: Spec, typed: str) -> Any:
    kind = spec.kind
    if kind in ("line", "text"):
        return _words(spec, typed)
    text = typed.strip()
    low, high = Decimal(spec.low), Decimal(spec.high)
    if (
        kind in ("power", "cylinder")
        and spec.part in ("prescription", "lens")
        and re.search(r"\d\s*[x×@/]\s*[-+−]?\d", text.lower())
    ):
        raise NotationError(text, "One figure a field: sphere, cylinder and axis have their own.")
    if kind == "add" and text.startswith(("-", "−")):
        raise NotationError(text, "An addition has no minus.")
    if kind == "power":
        return _no_thousandths(notation.parse_power(text, low=low, high=high), text)
    if kind == "cylinder":
        return _no_thousandths(notation.parse_cylinder(text, low=low, high=high), text)
    if kind == "add":
        return _no_thousandths(notation.parse_power(text, low=low, high=high), text)
    if kind == "axis":
        return notation.parse_axis(text)
    if kind in ("prism_h", "prism_v"):
        return _prism(text, ("in", "out") if kind == "prism_h" else ("up", "down"), high)
    if kind in ("prism_in", "prism_up"):
        return _signed_prism(text, ("in", "out") if kind == "prism_in" else ("up", "down"), high)
    if kind == "mm":
        try:
            return notation.parse_mm(re.sub(r"\s*Δ$", "", text), low=low, high=high)
        except NotationError as wrong:
            raise NotationError(text, wrong.message.replace(" mm.", f" {spec.unit}.")) from None
    if kind == "degrees":
        return notation.parse_degrees(text, low=low, high=high)
    if kind == "far":
        return _far(text, low, high)
    if kind == "date":
        return parse_date(text)
    if kind == "choice":
        if text and text not in dict(spec.choices):
            raise NotationError(text, "Not one of the choices.")
        return text
    if kind == "row":
        if not text:
            return None
        if not re.fullmatch(r"[0-9]{1,18}", text, re.ASCII):
            raise NotationError(text, "Not one of the choices.")
        return int(text)
    if kind == "readings":
        return _several(text, spec)
    raise AssertionError(kind)


def _words(spec: Spec, typed: str) -> str:
    text = typed.replace("\r\n", "\n").strip()
    if len(text) > spec.longest:
        raise NotationError(text, f"At most {spec.longest} characters; this is {len(text)}.")
    if any(ord(ch) < 32 and ch not in "\n\t" for ch in text) or (spec.kind == "line" and "\n" in text):
        raise NotationError(text, "That contains a character that cannot be kept.")
    return text


def _no_thousandths(value: Decimal | None, text: str) -> Decimal | None:
    """Powers are kept with two decimals; an eighth typed in full is cut the way the trade writes it."""
    if value is None or value == value.quantize(Decimal("0.01")):
        return value
    if (value * 8) % 1 == 0:
        sign = -1 if value < 0 else 1
        return sign * (abs(value) * 100 // 1) / 100
    raise NotationError(text, "No more than two decimals.")


def _prism(text: str, bases: tuple[str, str], high: Decimal) -> notation.PrismText | None:
    found = notation.parse_prism(text, high=high)
    if found is None or not found.amount:
        return None
    if found.base is not None and found.base not in bases:
        other = "vertical" if bases[0] == "in" else "horizontal"
        raise NotationError(text, f"Base {found.base} is a {other} prism: type it in that field.")
    return found


def _signed_prism(text: str, bases: tuple[str, str], high: Decimal) -> Decimal | None:
    found = _prism(text, bases, high)
    if found is None:
        return None
    if found.base is None:
        raise NotationError(text, f"Say the base: {bases[0]} or {bases[1]}.")
    return found.amount if found.base == bases[0] else -found.amount


def _far(text: str, low: Decimal, high: Decimal) -> Decimal | None:
    """A working distance in mm; "35 cm" and "0.35 m" are read too."""
    tidy = text.lower().strip()
    for unit, times in (("cm", 10), ("mm", 1), ("m", 1000)):
        if tidy.endswith(unit):
            value = notation.parse_mm(tidy.removesuffix(unit).strip(), low=Decimal(0), high=Decimal(9999))
            if value is None:
                raise NotationError(text, "Not understood: write it like 350 or 35 cm.")
            value = value * times
            break
    else:
        value = notation.parse_mm(text, low=Decimal(0), high=Decimal(9999))
    if value is None:
        return None
    if 10 <= value < low:
        raise NotationError(text, f"That looks like centimetres: write {value:f} cm, or millimetres.")
    if not low <= value <= high:
        raise NotationError(text, f"Out of range: {low:f} to {high:f} mm.")
    return value


def parse_date(text: str) -> date | None:
    """2026-11-03, 3/11/2026, 3.11.26, 3 Nov 2026: the day first, always; the echo spells the month. None for a blank."""
    tidy = text.strip().lower()
    if not tidy:
        return None
    if len(tidy) > 40 or not tidy.isascii():
        raise NotationError(text, "Not a date: write it like 3 Nov 2026.")
    if found := re.fullmatch(r"(\d{4})-(\d{1,2})-(\d{1,2})", tidy):
        year, month, day = (int(g) for g in found.groups())
    elif found := re.fullmatch(r"(\d{1,2})\s*[/. -]\s*(\d{1,2})\s*[/. -]\s*(\d{4}|\d{2})", tidy):
        day, month, year = (int(g) for g in found.groups())
    elif found := re.fullmatch(r"(\d{1,2})[\s.-]*([a-z]{3,9})[\s.,-]*(\d{4}|\d{2})", tidy):
        if found[2][:3] not in MONTHS:
            raise NotationError(text, "Not a date: write it like 3 Nov 2026.")
        day, month, year = int(found[1]), MONTHS.index(found[2][:3]) + 1, int(found[3])
    else:
        raise NotationError(text, "Not a date: write it like 3 Nov 2026.")
    if year < 100:
        year += 2000
    try:
        value = date(year, month, day)
    except ValueError:
        raise NotationError(text, "There is no such day.") from None
    if not 1900 <= year <= 2200:
        raise NotationError(text, "That year cannot be.")
    return value


def _several(text: str, spec: Spec) -> tuple[Decimal, ...]:
    """Readings typed one after the other, apart by spaces, semicolons or strokes."""
    if len(text) > 120:
        raise NotationError(text, "Too long: type a few readings at a time.")
    words = [w for w in re.split(r"[\s;/]+", text.replace("mm", " ")) if w]
    if len(words) > MOST_READINGS_AT_ONCE:
        raise NotationError(text, f"No more than {MOST_READINGS_AT_ONCE} at a time.")
    values = []
    for word in words:
        value = notation.parse_mm(word, low=Decimal(-9999), high=Decimal(9999))
        if value is not None:
            values.append(value)
    return tuple(values)


def _excerpt(text: str) -> str:
    return text if len(text) <= 24 else text[:23] + "…"


def errors_of(entries: Iterable[Entry]) -> list[Entry]:
    return [e for e in entries if e.error]
