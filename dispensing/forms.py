"""What people type at the fitting desk, field by field: parsed, echoed in full notation, refused beside the field.

No widgets: a page draws its own inputs. A field's name in a form is its path in the Case (`prescription.right.sphere`), which is
also where a finding or a refused value points. A prism and its base are typed together ("2 in"), at the path of the amount.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any, Literal, Protocol

from dispensing import measure
from dispensing.case import EYES, HEIGHTS
from dispensing.optics import notation
from dispensing.optics.errors import NotationError
from dispensing.record import FIT_ADJUSTMENTS
from dispensing.record.frame import FIT_BOUNDS, FRAME_BOUNDS
from dispensing.record.prescription import BOUNDS as EYE_BOUNDS
from dispensing.record.start import USES

Kind = Literal[
    "power", "cylinder", "axis", "add", "prism_h", "prism_v", "prism_in", "prism_up", "mm", "degrees", "far", "date",
    "line", "text", "tick", "choice", "many", "row", "readings",
]  # fmt: skip
FIGURE_KINDS = frozenset(
    {"power", "cylinder", "axis", "add", "prism_h", "prism_v", "prism_in", "prism_up", "mm", "degrees", "far", "readings"}
)
# what Up and Down change a figure by
STEPS = {
    "power": "0.25", "cylinder": "0.25", "add": "0.25", "axis": "1", "prism_h": "0.25", "prism_v": "0.25", "prism_in": "0.25",
    "prism_up": "0.25", "mm": "0.5", "degrees": "1", "far": "10", "readings": "0.5",
}  # fmt: skip
MOST_READINGS_AT_ONCE = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """One field: where it belongs, how it is read, what it is called."""

    path: str
    kind: Kind
    label: str
    unit: str = ""
    low: Decimal | int = 0
    high: Decimal | int = 200
    longest: int = 40
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def part(self) -> str:
        return self.path.partition(".")[0]

    @property
    def id(self) -> str:
        return "f-" + self.path.replace(".", "-")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One field as it stands on a page: what is in it, what that means, what is wrong with it."""

    spec: Spec
    typed: str = ""
    value: Any = None
    echo: str = ""
    error: str = ""
    chosen: tuple[str, ...] = ()  # of a field that takes several choices
    theirs: str | None = None  # what somebody else saved here meanwhile
    remark: str = ""  # what whoever returned the dispense said of this field


class Posted(Protocol):
    """A Django QueryDict, or anything that can be asked the same two questions."""

    def get(self, key: str) -> Any: ...
    def getlist(self, key: str) -> list[Any]: ...


# --- the fields -------------------------------------------------------------------------------------------------------

USE_WORDS = {
    "all_round": "all-round",
    "distance": "distance",
    "intermediate": "intermediate",
    "near": "near",
    "screens": "screens",
    "driving_day": "driving by day",
    "driving_night": "driving at night",
    "safety": "safety",
    "sport": "sport",
    "sun": "sun",
}
MOUNT_CHOICES = (("full_rim", "full rim"), ("grooved", "grooved"), ("drilled", "drilled"))
COMPENSATION_CHOICES = (
    ("none", "order as prescribed"),
    ("practice", "compensated here"),
    ("maker", "compensated by the maker"),
)
METHOD_WORDS = {
    "pupillometer": "corneal-reflex pupillometer",
    "rule": "millimetre rule",
    "marked_lens": "marked demonstration lens",
    "clip_scale": "clip-on height scale",
    "levelled_gauge": "levelled gauge",
    "target_gauge": "target gauge with mirror",
    "photograph": "photograph with scale",
    "earlier_record": "earlier record",
    "other": "other",
}
REFERENCE_WORDS = {
    "box": "lower box tangent",
    "rim_below_pupil": "rim below pupil, to bevel",
    "visible_rim": "visible rim below pupil",
    "datum": "datum line, below is −",
}
QUANTITY_WORDS = {"far_pd": "PD far", "near_pd": "PD near", "height": "height", "pupil": "pupil height"}
READING_FIELDS: tuple[tuple[str, str], ...] = (
    ("far_pd", "right"),
    ("far_pd", "left"),
    ("far_pd", "both"),
    ("near_pd", "right"),
    ("near_pd", "left"),
    ("near_pd", "both"),
    ("height", "right"),
    ("height", "left"),
    ("pupil", "right"),
    ("pupil", "left"),
)
_EYE_WORD = {"right": "right", "left": "left", "both": "both eyes"}


def _needs() -> Iterator[Spec]:
    yield Spec(path="needs.uses", kind="many", label="Used for", choices=tuple((u, USE_WORDS[u]) for u in USES))
    yield Spec(path="needs.working_distance_mm", kind="far", label="Working distance", unit="mm", low=50, high=6000)
    yield Spec(path="needs.first_progressive", kind="tick", label="First progressive lenses")
    yield Spec(path="needs.wish", kind="text", label="What the client wants", longest=2000)


def _prescription() -> Iterator[Spec]:
    for eye in EYES:
        at = f"prescription.{eye}."

        def power(name: str, kind: Kind, label: str, unit: str = "D", at: str = at, eye: str = eye) -> Spec:
            low, high = EYE_BOUNDS[name]
            return Spec(path=at + name, kind=kind, label=f"{label}, {eye}", unit=unit, low=low, high=high)

        yield power("sphere", "power", "Sphere")
        yield power("cylinder", "cylinder", "Cylinder")
        yield power("axis", "axis", "Axis", "")
        yield power("add", "add", "Addition")
        yield power("prism_h", "prism_h", "Horizontal prism", "Δ")
        yield power("prism_v", "prism_v", "Vertical prism", "Δ")
        yield power("intermediate_add", "add", "Intermediate addition")
        yield power("near_sphere", "power", "Near sphere, written out")
        yield power("near_prism_h", "prism_h", "Near horizontal prism", "Δ")
        yield power("near_prism_v", "prism_v", "Near vertical prism", "Δ")
        yield Spec(path=at + "acuity", kind="line", label=f"Acuity, {eye}", longest=12)
        yield Spec(path=at + "near_acuity", kind="line", label=f"Near acuity, {eye}", longest=12)
        yield Spec(path=at + "balance", kind="tick", label=f"Balance lens, {eye}")
    yield Spec(path="prescription.vertex_mm", kind="mm", label="Vertex distance, tested", unit="mm", low=1, high=40)
    yield Spec(path="prescription.written_on", kind="date", label="Written on")
    yield Spec(path="prescription.expires_on", kind="date", label="Expires on")
    yield Spec(path="prescription.prescriber", kind="line", label="Prescriber", longest=120)
    yield Spec(path="prescription.remark", kind="text", label="Prescriber's remark", longest=2000)


_FRAME_LABELS: dict[str, tuple[str, str, Kind]] = {
    "a": ("Lens size a", "mm", "mm"),
    "b": ("Lens height b", "mm", "mm"),
    "dbl": ("Between lenses", "mm", "mm"),
    "ed": ("Effective diameter", "mm", "mm"),
    "side": ("Side length", "mm", "mm"),
    "front_curve": ("Front curve", "D", "power"),
    "face_form_deg": ("Face form of the frame", "°", "degrees"),
    "groove_mm": ("Visible rim to bevel", "mm", "mm"),
}
_FIT_LABELS: dict[str, tuple[str, str, Kind]] = {
    "vertex_mm": ("Vertex distance, as worn", "mm", "mm"),
    "pantoscopic_deg": ("Pantoscopic angle, as worn", "°", "degrees"),
    "face_form_deg": ("Face form angle, as worn", "°", "degrees"),
}


def _frame() -> Iterator[Spec]:
    for name, (label, unit, kind) in _FRAME_LABELS.items():
        low, high = FRAME_BOUNDS[name]
        yield Spec(path=f"frame.{name}", kind=kind, label=label, unit=unit, low=low, high=high)
    yield Spec(path="frame.mount", kind="choice", label="Mount", choices=MOUNT_CHOICES)
    yield Spec(path="frame.name", kind="line", label="Name of the frame", longest=80)
    yield Spec(path="frame.material", kind="line", label="Material of the frame", longest=40)
    yield Spec(path="frame.child", kind="tick", label="Sold as a child's frame")


def _fit() -> Iterator[Spec]:
    yield Spec(path="fit.adjusted", kind="many", label="Adjusted", choices=FIT_ADJUSTMENTS)
    for name, (label, unit, kind) in _FIT_LABELS.items():
        low, high = FIT_BOUNDS[name]
        yield Spec(path=f"fit.{name}", kind=kind, label=label, unit=unit, low=low, high=high)


def _readings() -> Iterator[Spec]:
    for quantity, eye in READING_FIELDS:
        low, high = measure.BOUNDS[(quantity, eye == "both")]
        yield Spec(
            path=f"readings.{quantity}.{eye}",
            kind="readings",
            label=f"{QUANTITY_WORDS[quantity]}, {_EYE_WORD[eye]}",
            unit="mm",
            low=low,
            high=high,
        )
    yield Spec(
        path="readings.pd_method",
        kind="choice",
        label="PDs measured with",
        choices=tuple((m, METHOD_WORDS[m]) for m in measure.PD_METHODS),
    )
    yield Spec(
        path="readings.height_method",
        kind="choice",
        label="Heights measured with",
        choices=tuple((m, METHOD_WORDS[m]) for m in measure.HEIGHT_METHODS),
    )
    yield Spec(
        path="readings.reference",
        kind="choice",
        label="Heights measured from",
        choices=tuple((r, REFERENCE_WORDS[r]) for r in measure.REFERENCES),
    )
    yield Spec(path="readings.observer_above_mm", kind="mm", label="Your eye above theirs", unit="mm", low=-600, high=600)
    yield Spec(path="readings.pd_instrument", kind="line", label="Instrument for PDs", longest=60)
    yield Spec(path="readings.height_instrument", kind="line", label="Instrument for heights", longest=60)
    yield Spec(path="readings.observer_distance_mm", kind="mm", label="Your eye to the lens", unit="mm", low=100, high=6000)


def _lens() -> Iterator[Spec]:
    yield Spec(path="lens.design", kind="row", label="Design")
    yield Spec(path="lens.material", kind="row", label="Material")
    yield Spec(path="lens.blank_diameter_mm", kind="mm", label="Blank diameter", unit="mm", low=20, high=120)
    yield Spec(path="lens.front_curve", kind="power", label="Front curve", unit="D", low=-5, high=20)
    yield Spec(path="lens.coating", kind="row", label="Coating")
    yield Spec(path="lens.tint", kind="row", label="Tint")
    yield Spec(path="lens.compensation", kind="choice", label="Ordered powers", choices=COMPENSATION_CHOICES)
    for eye in EYES:
        at = f"lens.ordered_{eye}."
        yield Spec(path=at + "sphere", kind="power", label=f"Ordered sphere, {eye}", unit="D", low=-60, high=60)
        yield Spec(path=at + "cylinder", kind="cylinder", label=f"Ordered cylinder, {eye}", unit="D", low=-20, high=20)
        yield Spec(path=at + "axis", kind="axis", label=f"Ordered axis, {eye}", low=1, high=180)
        yield Spec(path=at + "add", kind="add", label=f"Ordered addition, {eye}", unit="D", low=0, high=20)
        yield Spec(path=at + "prism_in", kind="prism_in", label=f"Ordered horizontal prism, {eye}", unit="Δ", high=50)
        yield Spec(path=at + "prism_up", kind="prism_up", label=f"Ordered vertical prism, {eye}", unit="Δ", high=50)
    yield Spec(path="lens.prism_thinning_down", kind="mm", label="Prism thinning, base down", unit="Δ", low=0, high=6)
    yield Spec(path="lens.slab_off", kind="tick", label="Slab-off")
    yield Spec(path="lens.remark", kind="text", label="Instruction to the laboratory", longest=1000)


_PARTS: dict[str, Callable[[], Iterator[Spec]]] = {
    "needs": _needs,
    "prescription": _prescription,
    "frame": _frame,
    "fit": _fit,
    "readings": _readings,
    "lens": _lens,
}
PART_NAMES = tuple(_PARTS)


@cache
def specs(part: str) -> Mapping[str, Spec]:
    """The fields of one part by path, in the order in which they are filled in."""
    return {s.path: s for s in _PARTS[part]()}


@cache
def all_specs() -> Mapping[str, Spec]:
    return {path: spec for part in _PARTS for path, spec in specs(part).items()}


def field_path(path: str) -> str:
    """Where on the page a path of the Case is typed: a base with its prism, an adopted value with its readings."""
    known = all_specs()
    if path in known:
        return path
    with_amount = path.replace("base_h", "prism_h").replace("base_v", "prism_v")
    if with_amount in known:
        return with_amount
    parts = path.split(".")
    if parts[0] == "measurements":
        eye, name = (parts[1], parts[2]) if len(parts) > 2 else ("both", parts[-1].removeprefix("binocular_"))
        name = "pupil" if name == "pupil_height" else "height" if name.startswith("height") else name
        return next((p for p in (f"readings.{name}.{eye}", f"readings.{name}.right") if p in known), "")
    if path == "lens.option":
        return "lens.design"
    if parts[0] == "person":
        return ""
    return next((p for p in (path.rsplit(".", n)[0] for n in range(1, len(parts))) if p in known), "")


# --- reading ----------------------------------------------------------------------------------------------------------


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


_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]


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
        if found[2][:3] not in _MONTHS:
            raise NotationError(text, "Not a date: write it like 3 Nov 2026.")
        day, month, year = int(found[1]), _MONTHS.index(found[2][:3]) + 1, int(found[3])
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


# --- showing ----------------------------------------------------------------------------------------------------------

ECHOED = FIGURE_KINDS | {"date"}


def echo_of(spec: Spec, value: Any) -> str:
    """How a typed value was understood, in full notation; empty for a blank."""
    if value in (None, "", ()):
        return ""
    if spec.kind in ("power", "cylinder"):
        if value == 0 and spec.part == "prescription":
            return "plano" if spec.kind == "power" else "no cylinder"
        return f"{notation.format_power(value)} {spec.unit}".strip()
    return f"{shown(spec, value)} {spec.unit}".strip() if spec.kind not in ("date", "readings") else shown(spec, value)


def shown(spec: Spec, value: Any) -> str:
    """A value as its field shows it, in the notation that reads back as the same value."""
    if value in (None, "", ()):
        return ""
    kind = spec.kind
    if kind in ("power", "cylinder", "add"):
        return notation.format_power(value)
    if kind == "axis":
        return notation.format_axis(value)
    if kind in ("prism_h", "prism_v"):
        return notation.format_prism(value.amount, value.base)
    if kind in ("prism_in", "prism_up"):
        bases = ("in", "out") if kind == "prism_in" else ("up", "down")
        return notation.format_prism(abs(value), bases[0] if value > 0 else bases[1])
    if kind == "far":
        return notation.format_mm(value).removesuffix(".0")
    if kind == "mm":
        return notation.format_mm(value)
    if kind == "degrees":
        return notation.format_degrees(value)
    if kind == "date":
        return f"{value.day} {_MONTHS[value.month - 1].capitalize()} {value.year}"
    if kind == "readings":
        return "  ".join(notation.format_mm(v) for v in value)
    return str(value)


def words_of(entry: Entry) -> str:
    """What a field holds, in words that can be compared and read."""
    if entry.spec.kind == "many":
        known = dict(entry.spec.choices)
        return ", ".join(known.get(v, v) for v in entry.chosen)
    if entry.spec.kind == "tick":
        return "ticked" if entry.typed else ""
    if entry.spec.kind == "choice":
        return dict(entry.spec.choices).get(entry.typed, entry.typed)
    return entry.typed if entry.error else shown(entry.spec, entry.value)


def filled(spec: Spec, value: Any) -> Entry:
    """The Entry of a value on record."""
    if spec.kind == "many":
        return Entry(spec=spec, chosen=tuple(value or ()), value=tuple(value or ()))
    if spec.kind == "tick":
        return Entry(spec=spec, typed="1" if value else "", value=bool(value))
    return Entry(spec=spec, typed=shown(spec, value), value=value)


# --- readings ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TypedReadings:
    """Readings as typed, and the field each came from, so that a refusal finds its way back."""

    readings: tuple[measure.NewReading, ...] = ()
    fields: tuple[str, ...] = field(default=())

    def errors_by_field(self, errors: Mapping[str, str]) -> dict[str, str]:
        """`readings.<n>.<name>` of a use case as paths of the page."""
        out: dict[str, str] = {}
        for path, message in errors.items():
            parts = path.split(".")
            if len(parts) != 3 or not parts[1].isdigit():
                out[path] = message
                continue
            at = self.fields[int(parts[1])]
            quantity = at.split(".")[1]
            if parts[2] == "method":
                at = "readings.height_method" if quantity in HEIGHTS else "readings.pd_method"
            elif parts[2] != "value" and f"readings.{parts[2]}" in specs("readings"):
                at = f"readings.{parts[2]}"
            out.setdefault(at, message)
        return out


def typed_readings(parsed: Parsed, entry: str = "") -> TypedReadings:
    """What was typed into the reading fields as new readings; `entry` is the page's token for this typing."""
    readings: list[measure.NewReading] = []
    fields: list[str] = []
    above, distance = parsed.value("readings.observer_above_mm"), parsed.value("readings.observer_distance_mm")
    for quantity, eye in READING_FIELDS:
        path = f"readings.{quantity}.{eye}"
        height = quantity in HEIGHTS
        for value in parsed.value(path) or ():
            readings.append(
                measure.NewReading(
                    quantity=quantity,
                    eye=eye,
                    value=value,
                    as_typed=parsed.entries[path].typed,
                    method=parsed.text("readings.height_method" if height else "readings.pd_method"),
                    reference=parsed.text("readings.reference") if height else "",
                    observer_level=None if above is None else above == 0,
                    observer_above_mm=above,
                    observer_distance_mm=distance,
                    instrument=parsed.text("readings.height_instrument" if height else "readings.pd_instrument"),
                    entry=f"{entry}-{len(readings)}" if entry else "",
                )
            )
            fields.append(path)
    return TypedReadings(tuple(readings), tuple(fields))


def errors_of(entries: Iterable[Entry]) -> list[Entry]:
    return [e for e in entries if e.error]
