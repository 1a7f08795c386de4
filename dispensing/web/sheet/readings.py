"""The readings on a scale: every value as a dot, how exact this prescription needs it shaded, what could be adopted and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property

from dispensing import forms, measure
from dispensing.assess import Assessment
from dispensing.forms import Entry
from dispensing.gather import Rows, current_adoptions, in_box
from dispensing.models import Adoption, Dispense, Reading
from dispensing.optics.notation import format_mm

WIDE, HIGH = 240, 30  # of the scale, in its own units
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
    need: str = ""
    met: bool | None = None  # None: not known

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
        return self.adopted != self.suggested and (self.adopted_how != "chosen" or self.read_since)


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
        need = getattr(self.found.figures.of("left" if eye == "left" else "right"), _NEED[quantity])
        standing = [r for r in rows if r.struck_out_at is None]
        return Cell(
            quantity=quantity,
            eye=eye,
            entry=self.entries[f"readings.{quantity}.{eye}"],
            readings=tuple(self._view(r) for r in rows),
            scale=_scale(standing, adoption, need, suggestion),
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
            need="" if need is None else f"{need:.1f}",
            met=_met(standing, need),
        )

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
        )


def _met(rows: Iterable[Reading], need: float | None) -> bool | None:
    """Whether the readings agree as closely as this prescription needs: two at least, where a millimetre matters."""
    values = [float(r.value) for r in rows if not r.in_doubt]
    if need is None or not values:
        return None
    if len(values) == 1:
        return need >= 2.0  # one reading is right to about ±1 mm (common practice); only where that is ample
    return (max(values) - min(values)) / 2 <= need


def _scale(
    rows: list[Reading], adoption: Adoption | None, need: float | None, suggestion: measure.Suggestion | None
) -> Scale | None:
    if not rows:
        return None
    values = [float(r.value) for r in rows]
    middle = float(suggestion.value) if suggestion else sorted(values)[len(values) // 2]
    marks = [*values, *([float(adoption.value)] if adoption and adoption.value is not None else [])]
    half = max(3.0, *(abs(v - middle) + 0.8 for v in marks))
    if need is not None:
        half = max(half, min(need, 6.0) + 0.5)

    def x(value: float) -> float:
        return WIDE / 2 + (value - middle) / half * (WIDE / 2 - 6)

    seen: dict[float, int] = {}
    dots = []
    for r, value in zip(rows, values, strict=True):
        n = seen[value] = seen.get(value, 0) + 1
        dots.append(
            Dot(
                x=f"{x(value):.1f}",
                y=f"{HIGH / 2 - 4 - (n - 1) * 5:.1f}",
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
        adopted="" if adoption is None or adoption.value is None else f"{x(float(adoption.value)):.1f}",
    )
