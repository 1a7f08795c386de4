"""Lenses side by side. A row is the Case with another lens put in, its Figures, and what the checks say of that lens."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

from dispensing.case import EYES, Case, LensChoice
from dispensing.checks import Finding, assess, registry
from dispensing.checks.thresholds import limits
from dispensing.figures import Figures, compute_many

Verdict = Literal["fits", "ask", "unsuitable", "not_made"]
VERDICTS: tuple[Verdict, ...] = ("fits", "ask", "unsuitable", "not_made")
# the lens does not exist like that, whoever it is for
NOT_MADE = frozenset(
    {"lens.power-range", "lens.add-range", "lens.prism-range", "lens.blank-too-small", "lens.treatment-not-made"}
)


@dataclass(frozen=True, kw_only=True)
class Option:
    """A lens that can be had: `key` finds it again, `choice` is complete (design, material, minima for this mount)."""

    key: str
    choice: LensChoice
    maker: str = ""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One option in this Case. Lengths mm, masses g, prism Δ."""

    option: Option
    case: Case
    figures: Figures
    findings: tuple[Finding, ...] = field(default=())  # of the lens alone: whether it can be made, for whom it is not

    @cached_property
    def stops(self) -> tuple[Finding, ...]:
        return tuple(f for f in self.findings if f.severity == "stop")

    @cached_property
    def confirms(self) -> tuple[Finding, ...]:
        """What has to be asked, what is not yet known included: not known is not fitting."""
        return tuple(f for f in self.findings if f.severity in ("confirm", "unknown"))

    @cached_property
    def notes(self) -> tuple[Finding, ...]:
        return tuple(f for f in self.findings if f.severity == "note")

    @cached_property
    def verdict(self) -> Verdict:
        if any(f.check in NOT_MADE for f in self.stops):
            return "not_made"
        if self.stops:
            return "unsuitable"
        return "ask" if self.confirms else "fits"

    @property
    def thickest(self) -> float | None:
        """The thickest edge of the two lenses."""
        return _worst(max, self.figures, "edge_thickest")

    @property
    def thinnest(self) -> float | None:
        return _worst(min, self.figures, "edge_thinnest")

    @property
    def centre(self) -> float | None:
        return _worst(max, self.figures, "centre_thickness")

    @property
    def thickest_anywhere(self) -> float | None:
        """Edge or centre, whichever is more: what the client means by "how thick"."""
        found = [v for v in (self.thickest, self.centre) if v is not None]
        return max(found) if found else None

    @property
    def blur(self) -> float | None:
        return _worst(max, self.figures, "chromatic_blur")

    @property
    def blank_needed(self) -> float | None:
        """What the greater lens needs, exact from the outline."""
        return _worst(max, self.figures, "blank_needed")

    @cached_property
    def blank(self) -> float | None:
        """The least blank made that covers both lenses; None when none does, or it is not known."""
        design, needed = self.option.choice.design, must_cover(self.case, self.figures)
        if design is None or needed is None:
            return None
        return min((d for d in design.blank_diameters if d + 0.05 >= needed), default=None)

    @cached_property
    def height_margin(self) -> float | None:
        """Fitting height of the lower eye less the least height of the design; None where the design asks for none."""
        design = self.option.choice.design
        heights = [h for eye in EYES if (h := self.figures.of(eye).height_box) is not None]
        if design is None or design.min_height_mm is None or not heights:
            return None
        return min(heights) - design.min_height_mm


def _worst(pick: Callable[[list[float]], float], figures: Figures, name: str) -> float | None:
    found = [v for eye in EYES if (v := getattr(figures.of(eye), name)) is not None]
    return pick(found) if found else None


def must_cover(case: Case, figures: Figures) -> float | None:
    """What a blank has to reach for the two lenses, mm, as the check of the blank asks it: with the group's margin, and by the rule of
    thumb where the outline is only supposed."""
    exact = case.frame is not None and bool(case.frame.outline)
    worst = 0.0
    for eye in EYES:
        lens = figures.of(eye)
        worst = max(worst, lens.blank_needed or 0.0, 0.0 if exact else lens.blank_rule or 0.0)
    return worst + limits(case.rules.limits)["blank.margin"] if worst else None


def lens_findings(case: Case, figures: Figures) -> tuple[Finding, ...]:
    """What the checks of the lens say, gravest first. How powers are ordered is no property of a lens and is left to the sheet."""
    known = registry()
    found = assess(case, figures, but="record.explained")
    return tuple(f for f in found if known[f.check].family == "lens" and not f.check.startswith("ordered."))


def compare(case: Case, options: Sequence[Option]) -> tuple[Row, ...]:
    """Each option in this Case, in the order given."""
    cases = [replace(case, lens=option.choice) for option in options]
    return tuple(
        Row(option=option, case=one, figures=figures, findings=lens_findings(one, figures))
        for option, one, figures in zip(options, cases, compute_many(cases), strict=True)
    )


SORTS: Mapping[str, Callable[[Row], float | None]] = {
    "thickest": lambda r: r.thickest,
    "thinnest": lambda r: r.thinnest,
    "centre": lambda r: r.centre,
    "mass": lambda r: r.figures.mass_g,
    "margin": lambda r: r.height_margin,
    "needed": lambda r: r.blank_needed,
    "blank": lambda r: r.blank,
    "blur": lambda r: r.blur,
    "size": lambda r: (
        None if r.figures.magnification_difference_percent is None else abs(r.figures.magnification_difference_percent)
    ),
    "index": lambda r: r.option.choice.material.nd if r.option.choice.material else None,
}
FIRST_DOWN = frozenset({"margin"})  # more is better: the first click shows the most


def sort(rows: Iterable[Row], by: str, down: bool = False) -> list[Row]:
    """By a column ("lens", "verdict" or one of SORTS); what is not known comes last either way. Stable."""
    if by == "lens":
        return sorted(rows, key=_name, reverse=down)
    if by == "verdict":
        return sorted(sorted(rows, key=_thin_first), key=lambda r: VERDICTS.index(r.verdict), reverse=down)
    value = SORTS[by]
    known = [(v, r) for r in rows if (v := value(r)) is not None]
    unknown = [r for r in rows if value(r) is None]
    known.sort(key=lambda pair: pair[0], reverse=down)
    return [r for _, r in known] + unknown


def _name(row: Row) -> tuple[str, float]:
    choice = row.option.choice
    return (choice.design.name if choice.design else "", choice.material.nd if choice.material else 0.0)


def _thin_first(row: Row) -> float:
    return math.inf if row.thickest_anywhere is None else row.thickest_anywhere
