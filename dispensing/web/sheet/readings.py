"""The readings on a scale: every value as a dot, how exact this prescription needs it shaded, what could be adopted and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from dispensing import forms, measure
from dispensing.assess import Assessment
from dispensing.case import EYES, HEIGHTS
from dispensing.figures.usual import POSITION_MM
from dispensing.forms import Entry
from dispensing.gather import Rows, current_adoptions, in_box
from dispensing.models import Adoption, Dispense, Reading
from dispensing.optics.errors import OpticsError
from dispensing.optics.heights import height_parallax
from dispensing.optics.notation import format_mm

WIDE, HIGH = 240, 30  # of the scale, in its own units
APART_MM = 1.5  # readings of one thing that lie so far apart are worth a word, whatever the lens can bear (common practice)
_LEVELLED = ("levelled_gauge", "target_gauge")  # a sight that is level by itself
_USUAL_VERTEX_MM = 13.0
_FROM = {
    "box": "lower box tangent", "rim_below_pupil": "rim below the pupil", "visible_rim": "visible rim", "datum": "datum line",
}  # fmt: skip
_NEED = {"far_pd": "pd_need_mm", "near_pd": "pd_need_mm", "height": "height_need_mm", "pupil": "height_need_mm"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    x: str
    y: str
    kind: str  # "", "doubt"
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    dots: tuple[Dot, ...]
    ticks: tuple[tuple[str, str], ...]  # position, label ("" for a small one)
    need_from: str = ""
    need_width: str = ""
    adopted: str = ""
    boxed: bool = False  # heights of several references, each where it is in the box


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingView:
    pk: int
    value: str
    box: str  # a height as it is in the box, when it was read from something else
    method: str
    reference: str
    by: str
    doubt: bool
    struck_out: str
    raw: str
    reference_code: str
    added: str = ""  # what was added to a height from the rim to bring it into the box
    off_level: str = ""  # what the observer's eye off level makes of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One quantity of one eye."""

    quantity: str
    eye: str
    entry: Entry
    readings: tuple[ReadingView, ...]
    scale: Scale | None
    adopted: str = ""
    adopted_box: str = ""
    adopted_doubt: bool = False
    adopted_how: str = ""
    read_since: bool = False  # a reading is newer than the adopted value
    suggestion: measure.Suggestion | None = None
    suggested: str = ""
    suggested_box: str = ""
    suggested_doubt: str = ""  # what speaks against it at first sight
    same_place: bool = False  # the suggestion is what is adopted, by the same reference or another
    need: str = ""
    met: bool | None = None  # None: not known
    apart: str = ""  # how far the readings lie from each other, where that is worth a word

    @property
    def standing(self) -> list[ReadingView]:
        return [r for r in self.readings if not r.struck_out]

    @property
    def label(self) -> str:
        return self.entry.spec.label

    @property
    def to_adopt(self) -> bool:
        """Whether to put the suggestion forward: not where somebody chose otherwise, until there is a newer reading."""
        if self.suggestion is None:
            return False
        if not self.adopted or self.adopted_doubt:
            return True
        return not self.same_place and (self.adopted_how != "chosen" or self.read_since)


class Desk:
    """All cells of a dispense, with the way from a height as read to the box."""

    def __init__(self, dispense: Dispense, found: Assessment, entries: dict[str, Entry], rows: Rows) -> None:
        self.dispense = dispense
        self.found = found
        self.entries = entries
        self.rows = rows
        self.current = current_adoptions(a for a in rows.adoptions if a.dispense_id == dispense.pk)

    @cached_property
    def cells(self) -> dict[str, dict[str, Cell]]:
        out: dict[str, dict[str, Cell]] = {}
        for quantity, eye in forms.READING_FIELDS:
            out.setdefault(quantity, {})[eye] = self._cell(quantity, eye)
        return out

    @property
    def waiting(self) -> list[Cell]:
        """Cells with a suggestion that is not adopted."""
        return [cell for row in self.cells.values() for cell in row.values() if cell.to_adopt]

    @property
    def may_adopt(self) -> bool:
        return self.dispense.fit_confirmed_at is not None

    def box_height(self, value: float, reference: str, eye: str) -> float | None:
        """A height above the lower box tangent, mm; None where outline or PD is missing for the conversion."""
        case = self.found.case
        pd = self.found.figures.of("right" if eye == "right" else "left").far_pd
        return in_box(case.frame, case.rules.groove_mm, value, reference, pd)

    def _box_words(self, value: Decimal, reference: str, eye: str) -> str:
        if reference in ("box", ""):
            return ""
        height = self.box_height(float(value), reference, eye)
        return "" if height is None else format_mm(Decimal(f"{height:.1f}"))

    def _cell(self, quantity: str, eye: str) -> Cell:
        rows = [r for r in self.rows.readings if r.quantity == quantity and r.eye == eye]
        adoption = self.current.get((quantity, eye))
        suggestion = measure.suggestion(rows, quantity, eye)
        need = self._need(quantity, eye)
        standing = [r for r in rows if r.struck_out_at is None]
        marks: list[Adoption | Reading | measure.Suggestion] = [r for r in (adoption, suggestion) if r is not None]
        places = self._places([*standing, *marks], quantity, eye)
        dots = [(r, places[id(r)]) for r in standing if id(r) in places]
        adopted_at = places.get(id(adoption)) if adoption else None
        suggested_at = places.get(id(suggestion)) if suggestion else None
        return Cell(
            quantity=quantity,
            eye=eye,
            entry=self.entries[f"readings.{quantity}.{eye}"],
            readings=tuple(self._view(r) for r in rows),
            scale=_scale(dots, adopted_at, suggested_at, need, boxed=len({r.reference for r, _ in dots}) > 1),
            adopted=format_mm(adoption.value) if adoption else "",
            adopted_box=self._box_words(adoption.value, adoption.reference, eye)
            if adoption and adoption.value is not None
            else "",
            adopted_doubt=bool(adoption and adoption.in_doubt),
            adopted_how=adoption.how if adoption else "",
            read_since=bool(adoption and standing and standing[-1].at > adoption.at),
            suggestion=suggestion,
            suggested=format_mm(suggestion.value) if suggestion else "",
            suggested_box=self._box_words(suggestion.value, suggestion.reference, eye) if suggestion else "",
            suggested_doubt=self._outside(suggestion, quantity, eye) if suggestion else "",
            same_place=bool(
                adoption
                and suggestion
                and (
                    (adoption.value, adoption.reference) == (suggestion.value, suggestion.reference)
                    if adopted_at is None or suggested_at is None
                    else abs(adopted_at - suggested_at) < 0.05
                )
            ),
            need="" if need is None else f"{need:.1f}",
            met=_met(dots, need),
            apart=_apart(dots),
        )

    def _need(self, quantity: str, eye: str) -> float | None:
        """How exact it has to be, mm either way. While no lens is chosen an addition may become a fitting cross or a segment."""
        need: float | None = getattr(self.found.figures.of("left" if eye == "left" else "right"), _NEED[quantity])
        rx = self.found.case.prescription
        undecided = self.found.case.lens.design is None and rx is not None and any(rx.of(side).add for side in EYES)
        return min(need, POSITION_MM) if need is not None and undecided else need

    def _places(self, rows: Iterable[Adoption | Reading | measure.Suggestion], quantity: str, eye: str) -> dict[int, float]:
        """Where each stands on one scale, by its `id`: as read; in the box where heights were read from several references.
        What cannot be brought there has no place."""
        rows = [r for r in rows if r.value is not None]
        if quantity not in HEIGHTS or len({r.reference or "box" for r in rows}) < 2:
            return {id(r): float(r.value) for r in rows if r.value is not None}
        boxed = ((r, self.box_height(float(r.value), r.reference, eye)) for r in rows if r.value is not None)
        return {id(r): height for r, height in boxed if height is not None}

    def _outside(self, s: measure.Suggestion, quantity: str, eye: str) -> str:
        frame = self.found.case.frame
        if quantity not in HEIGHTS or frame is None or frame.b is None:
            return ""
        height = self.box_height(float(s.value), s.reference, eye)
        if height is None or 0 <= height <= frame.b:
            return ""
        side = "above" if height > 0 else "below"
        return f"{side} the lens, which is {frame.b:g} mm deep: was it read from the {_FROM.get(s.reference, 'box')}?"

    def _view(self, r: Reading) -> ReadingView:
        return ReadingView(
            pk=r.pk,
            value=format_mm(r.value),
            box=self._box_words(r.value, r.reference, r.eye),
            method=forms.METHOD_WORDS.get(r.method, r.method),
            reference=forms.REFERENCE_WORDS.get(r.reference, ""),
            by=r.by.initials,
            doubt=r.in_doubt,
            struck_out=r.struck_out_reason if r.struck_out_at else "",
            raw=str(r.value),
            reference_code=r.reference,
            added=self._added(r),
            off_level=self._off_level(r),
        )

    def _added(self, r: Reading) -> str:
        frame, height = self.found.case.frame, self.box_height(float(r.value), r.reference, r.eye)
        if r.reference not in ("visible_rim", "rim_below_pupil") or frame is None or height is None:
            return ""
        groove = frame.groove(self.found.case.rules.groove_mm) if r.reference == "visible_rim" else 0.0
        rim = round(height - float(r.value) - groove, 1) + 0.0
        words = "no groove" if r.reference == "visible_rim" and not groove else f"groove {groove:g}" if groove else ""
        return ", ".join(w for w in (words, f"rise of the rim {rim:.1f}") if w)

    def _off_level(self, r: Reading) -> str:
        """What an eye off level makes of a height, so that nobody has to reckon it."""
        above, distance = r.observer_above_mm, r.observer_distance_mm
        if r.quantity not in HEIGHTS or r.method in _LEVELLED or not above:
            return ""
        words = f"your eye {abs(above):.0f} mm {'above' if above > 0 else 'below'} theirs"
        if not distance:
            return words
        fit = self.found.case.fit
        try:
            off = height_parallax(
                float(above), float(distance), fit.vertex_mm or _USUAL_VERTEX_MM, pantoscopic_deg=fit.pantoscopic_deg or 0.0
            )
        except OpticsError:
            return words
        return f"{words}: about {abs(off):.1f} mm too {'high' if off > 0 else 'low'}"


def _met(dots: Sequence[tuple[Reading, float]], need: float | None) -> bool | None:
    """Whether the readings agree as closely as this prescription needs: two at least, where a millimetre matters."""
    values = [value for r, value in dots if not r.in_doubt]
    if need is None or not values:
        return None
    if len(values) == 1:
        return need >= 2.0  # one reading is right to about ±1 mm (common practice); only where that is ample
    return (max(values) - min(values)) / 2 <= need


def _apart(dots: Sequence[tuple[Reading, float]]) -> str:
    values = [value for r, value in dots if not r.in_doubt]
    apart = max(values) - min(values) if values else 0.0
    return f"{apart:.1f}" if apart >= APART_MM else ""


def _scale(
    placed: Sequence[tuple[Reading, float]],
    adopted: float | None,
    suggested: float | None,
    need: float | None,
    *,
    boxed: bool = False,
) -> Scale | None:
    if not placed:
        return None
    values = [value for _, value in placed]
    middle = suggested if suggested is not None else sorted(values)[len(values) // 2]
    marks = values if adopted is None else [*values, adopted]
    half = max(3.0, *(abs(v - middle) + 0.8 for v in marks))
    if need is not None:
        half = max(half, min(need, 6.0) + 0.5)

    def x(value: float) -> float:
        return WIDE / 2 + (value - middle) / half * (WIDE / 2 - 6)

    seen: dict[float, int] = {}
    highest = max(values.count(v) for v in values)
    apart = min(5.0, (HIGH / 2 - 1) / max(highest - 1, 1))  # of dots that stand on one another: none above the scale
    dots = []
    for r, value in placed:
        n = seen[value] = seen.get(value, 0) + 1
        dots.append(
            Dot(
                x=f"{x(value):.1f}",
                y=f"{HIGH / 2 - (n - 1) * apart:.1f}",
                kind="doubt" if r.in_doubt else "",
                words=format_mm(r.value),
            )
        )
    first, last = int(middle - half) + 1, int(middle + half)
    ticks = tuple(
        (f"{x(t):.1f}", str(t).replace("-", "−") if t % (5 if half > 8 else 2) == 0 else "") for t in range(first, last + 1)
    )
    shaded = None if need is None else (max(x(middle - need), 0.0), min(x(middle + need), float(WIDE)))
    return Scale(
        dots=tuple(dots),
        ticks=ticks,
        need_from="" if shaded is None else f"{shaded[0]:.1f}",
        need_width="" if shaded is None else f"{shaded[1] - shaded[0]:.1f}",
        adopted="" if adopted is None else f"{x(adopted):.1f}",
        boxed=boxed,
    )
