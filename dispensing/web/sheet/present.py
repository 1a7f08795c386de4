"""What the sheet shows, made ready for its templates: parts with what is missing, figures, findings, readings on a scale."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

from dispensing import case as c
from dispensing import forms
from dispensing.assess import Assessment, blocks, figures_shown
from dispensing.checks.findings import ORDER, Finding
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import PairGeometry, geometry_of, geometry_of_earlier
from dispensing.drawings.pair import pair_picture
from dispensing.drawings.shapes import Picture
from dispensing.figures import compute
from dispensing.forms import Entry
from dispensing.models import Dispense, Reason, Remark, Signature
from dispensing.record import ORDER_OF_PARTS, part_version
from dispensing.web.sheet.cautions import Caution, cautions
from dispensing.web.sheet.computed import ComputedOrder, computed_order
from dispensing.web.sheet.figure_rows import FigureRow, figure_rows, front_curve_words, number_words
from dispensing.web.sheet.part_words import (
    eye_words,
    fit_words,
    frame_words,
    lens_words,
    needs_words,
    prescription_words,
    readings_words,
)

__all__ = [
    "TITLES",
    "Deed",
    "FigureRow",
    "FindingView",
    "Part",
    "Sheet",
    "eye_words",
    "figure_rows",
    "finding_views",
    "fit_words",
    "frame_words",
    "front_curve_words",
    "lens_words",
    "needs_heights",
    "needs_words",
    "part_of",
    "prescription_words",
    "readings_words",
    "with_typed_readings",
]

TITLES = {
    "needs": "Needs",
    "prescription": "Prescription",
    "frame": "Frame",
    "fit": "Final fit",
    "readings": "Readings",
    "lens": "Lens",
}
_PART_OF = {"measurements": "readings", "person": "needs"}


def part_of(path: str) -> str:
    head = path.partition(".")[0]
    return _PART_OF.get(head, head)


# --- parts ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    name: str
    title: str
    version: int
    missing: tuple[str, ...]
    summary: str
    stops: int = 0
    confirms: int = 0

    @property
    def complete(self) -> bool:
        return not self.missing

    @property
    def open(self) -> bool:
        return bool(self.missing or self.stops)


TO_ENTER = frozenset({"unknown.needed", "unknown.useful"})  # a field to be filled in, and nothing more to say of it


def parts_of(dispense: Dispense, found: Assessment) -> dict[str, Part]:
    case = found.case
    missing = {
        "needs": _missing_needs(case),
        "prescription": _missing_prescription(case),
        "frame": _missing_frame(case),
        "fit": [] if case.fit.confirmed else ["not confirmed"],
        "readings": _missing_readings(case),
        "lens": [] if case.lens.design else ["design and material"],
    }
    summaries = {
        "needs": needs_words(case.needs),
        "prescription": prescription_words(case.prescription),
        "frame": frame_words(case.frame),
        "fit": fit_words(dispense, case),
        "readings": readings_words(case),
        "lens": lens_words(dispense),
    }
    counts = {name: [0, 0] for name in ORDER_OF_PARTS}
    for finding in found.findings:
        name = part_of(finding.subjects[0]) if finding.subjects else ""
        if name not in counts:
            continue
        if finding.severity == "unknown" and finding.check not in TO_ENTER and blocks(finding):
            missing[name].append(finding.message.removeprefix("Not yet known: ").rstrip("."))
        elif finding.severity == "stop":
            counts[name][0] += 1
        elif finding.severity == "confirm" and finding.key not in found.reasons:
            counts[name][1] += 1
    return {
        name: Part(
            name=name,
            title=TITLES[name],
            version=part_version(dispense, name),
            missing=tuple(missing[name]),
            summary=summaries[name],
            stops=counts[name][0],
            confirms=counts[name][1],
        )
        for name in ORDER_OF_PARTS
    }


def _missing_needs(case: c.Case) -> list[str]:
    return [] if case.needs.uses else ["what they are for"]


def _missing_prescription(case: c.Case) -> list[str]:
    p = case.prescription
    if p is None:
        return ["everything"]
    out = []
    for eye in c.EYES:
        lens, letter = p.of(eye), eye[0].upper()
        if lens.sphere is None and not lens.balance:
            out.append(f"{letter} sphere")
        if lens.cylinder and lens.axis is None:
            out.append(f"{letter} axis")
        if lens.prism_h and lens.base_h is None:
            out.append(f"{letter} base of the horizontal prism")
        if lens.prism_v and lens.base_v is None:
            out.append(f"{letter} base of the vertical prism")
    if p.written_on is None:
        out.append("written on")
    return out


def _missing_frame(case: c.Case) -> list[str]:
    f = case.frame
    if f is None:
        return ["everything"]
    names = {"a": "lens size a", "b": "lens depth b", "dbl": "between lenses"}
    return [word for name, word in names.items() if getattr(f, name) is None] + ([] if f.mount else ["mount"])


def needs_heights(case: c.Case) -> bool:
    design = case.lens.design
    return design is None or design.family in c.MULTIFOCAL


def _missing_readings(case: c.Case) -> list[str]:
    m = case.measurements
    out = []
    for eye in c.EYES:
        if m.of(eye).far_pd is None and m.binocular_far_pd is None and m.of(eye).near_pd is None:
            out.append(f"{eye[0].upper()} PD")
    if needs_heights(case):
        out += [f"{eye[0].upper()} height" for eye in c.EYES if m.of(eye).height is None]
    if m.in_doubt and not out:
        out.append("another look: in doubt")
    return out


# --- findings ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    finding: Finding
    seen: str
    where: tuple[tuple[str, str], ...]  # (field id, its label)
    reason: Reason | None = None
    void: bool = False  # a reason was given for other figures
    blocks: bool = False
    typed: str = ""  # a reason that was refused
    error: str = ""

    @property
    def shape(self) -> str:
        return "ok" if self.reason else self.finding.severity

    @property
    def mark(self) -> str:
        """Goes with the form: a reason counts for these figures only."""
        return figures_shown(self.finding)

    @property
    def word(self) -> str:
        if self.reason:
            return "Confirmed"
        word = {"stop": "Stop", "confirm": "To confirm", "note": "Note", "unknown": "Not yet known"}[self.finding.severity]
        return "" if self.finding.message.startswith(word) else word


def finding_views(found: Assessment, allowed: bool) -> list[FindingView]:
    void = {r.finding_key for r in found.void_reasons}
    views = [
        FindingView(
            finding=f,
            seen=seen_words(f),
            where=tuple(_where(f.missing if f.severity == "unknown" and f.missing else f.subjects)),
            reason=found.reasons.get(f.key),
            void=f.key in void,
            blocks=blocks(f),
        )
        for f in found.findings
    ]
    return sorted(views, key=lambda v: (ORDER[v.finding.severity], v.reason is not None))


def seen_words(finding: Finding) -> str:
    words = []
    for s in finding.seen:
        if isinstance(s.value, str):
            value = s.value
        elif s.unit == "D":
            value = number_words("prism_in", s.value, 2)
        elif s.unit == "Δ":  # an amount: its base is in the words, or it has none
            value = number_words("", s.value, 2)
        elif s.unit in ("years", "months", "days") or (s.unit == "" and s.value == round(s.value)):
            value = f"{s.value:.0f}".replace("-", "−")
        else:
            value = f"{s.value:.1f}".replace("-", "−")
        glue = "" if s.unit in ("°", "%", "") else " "
        words.append(f"{s.label} {value}{glue}{s.unit}")
    return ", ".join(words)


def _where(paths: Iterable[str]) -> list[tuple[str, str]]:
    out: list[tuple[str, str]] = []
    for path in paths:
        at = forms.field_path(path)
        if at:
            spec = forms.all_specs()[at]
            if (spec.id, spec.label) not in out:
                out.append((spec.id, spec.label))
        elif part_of(path) in TITLES and (f"part-{part_of(path)}", TITLES[part_of(path)]) not in out:
            out.append((f"part-{part_of(path)}", TITLES[part_of(path)]))
    return out[:3]


def tally_words(found: Assessment) -> str:
    """One line, for the eye and for a screen reader: "2 stop, 1 to confirm"."""
    stops = found.tally["stop"]
    unknown = found.tally["unknown"]
    confirms = len(found.open_confirms)
    notes = found.tally["note"]
    words = []
    if stops:
        words.append(f"{stops} stop")
    if confirms:
        words.append(f"{confirms} to confirm")
    if unknown:
        words.append(f"{unknown} not yet known")
    if notes:
        words.append(f"{notes} note{'s' if notes != 1 else ''}")
    return ", ".join(words) or "no findings"


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that can be done with the whole dispense now; `kind` is "main" or "plain"."""

    label: str
    url: str
    kind: str = "plain"


# --- readings that are typed and not saved yet ----------------------------------------------------------------------------


def with_typed_readings(case: c.Case, typed: Mapping[tuple[str, str], tuple[float, str]]) -> c.Case:
    """The Case as if each typed reading were adopted: for the picture only, never for figures or findings."""
    if not typed:
        return case
    m = case.measurements
    for eye in c.EYES:
        changes: dict[str, Any] = {}
        for quantity in ("far_pd", "near_pd"):
            if found := typed.get((quantity, eye)):
                changes[quantity] = found[0]
        if found := typed.get(("height", eye)):
            changes["height"], changes["height_reference"] = found
        if (found := typed.get(("pupil", eye))) and found[1] == "box":
            changes["pupil_height"] = found[0]
        if changes:
            adopted = replace(m.of(eye), **changes)
            m = replace(m, right=adopted) if eye == "right" else replace(m, left=adopted)
    return replace(case, measurements=m)


# --- the whole --------------------------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Sheet:
    """Everything the page and its fragments draw from. Pictures and lists are made when a template asks for them."""

    dispense: Dispense
    found: Assessment
    entries: Mapping[str, Entry]
    allowed: bool
    why_not: str = ""
    deeds: Sequence[Deed] = ()
    next_step: str = ""
    last_comment: Signature | None = None
    remarks: Sequence[Remark] = ()  # what the last return said of single fields
    recorded: c.Case | None = None  # while somebody types: what is on record
    typed: Mapping[tuple[str, str], tuple[float, str]] = field(default_factory=dict)  # quantity, eye: value, reference

    @property
    def case(self) -> c.Case:
        return self.found.case

    @cached_property
    def parts(self) -> dict[str, Part]:
        return parts_of(self.dispense, self.found)

    @cached_property
    def figures(self) -> list[FigureRow]:
        return figure_rows(self.found.figures)

    @property
    def first_figures(self) -> list[FigureRow]:
        return [f for f in self.figures if f.strong]

    @property
    def more_figures(self) -> list[FigureRow]:
        return [f for f in self.figures if not f.strong]

    @cached_property
    def findings(self) -> list[FindingView]:
        return finding_views(self.found, self.allowed)

    @property
    def tally(self) -> str:
        return tally_words(self.found)

    @cached_property
    def gravest(self) -> str:
        if self.found.tally["stop"]:
            return "stop"
        if self.found.open_confirms:
            return "confirm"
        return "unknown" if self.found.tally["unknown"] else "ok"

    @cached_property
    def _pictured(self) -> c.Case:
        """As it would be with what is typed: a reading stands where it would be adopted, though it is not adopted yet."""
        return with_typed_readings(self.case, self.typed)

    @cached_property
    def _geometry(self) -> PairGeometry:
        case = self._pictured
        return geometry_of(case, self.found.figures if case is self.case else compute(case))

    @cached_property
    def picture(self) -> Picture:
        old, now = self.recorded, self._pictured
        moves = old is not None and (old.frame, old.measurements, old.lens) != (now.frame, now.measurements, now.lens)
        before = geometry_of(old, compute(old)) if old is not None and moves else None
        return pair_picture(self._geometry, earlier=self.ghost, before=before)

    @cached_property
    def ghost(self) -> PairGeometry | None:
        """The newest earlier pair of which enough is on record to be drawn."""
        return next((g for pair in self.case.earlier if (g := geometry_of_earlier(pair)) is not None), None)

    @cached_property
    def edge(self) -> Picture | None:
        return edge_picture(self._geometry)

    @property
    def grip(self) -> dict[str, str] | None:
        """What a script needs to turn a place in the picture into a PD and a height; None while a point has no place."""
        g = self._geometry
        if not self.allowed or g.b is None or g.centre_distance is None:
            return None
        return {
            "b": f"{g.b:.2f}",
            "c": f"{g.centre_distance:.2f}",
            "pd": "near_pd" if "near" in (g.right.centred_for, g.left.centred_for) else "far_pd",
        }

    @property
    def cautions(self) -> tuple[Caution, ...]:
        return cautions(self.case)

    @property
    def front_curve(self) -> str:
        return front_curve_words(self.found.figures)

    @property
    def computed_order(self) -> ComputedOrder | None:
        return computed_order(self.case, self.found.figures)

    @property
    def listed_curves(self) -> list[str]:
        """Front curves that the maker of the lens lists, D, flattest first."""
        design = self.case.lens.design
        return [f"{curve:.2f}" for curve in sorted({s.curve for s in design.front_curves})] if design is not None else []

    @property
    def segmented(self) -> bool:
        """Whether the pupil's height is asked for beside that of the segment top."""
        design = self.case.lens.design
        return design is not None and design.family in c.SEGMENTED

    @property
    def remarked(self) -> frozenset[str]:
        """Parts in which somebody who returned the dispense said something."""
        return frozenset(part_of(r.path) for r in self.remarks)

    @property
    def next_thing(self) -> tuple[str, str, str]:
        """The one thing to do next, in the order of the work: where, what, an address; three times "" when there is none."""
        if self.allowed:
            for part in self.parts.values():
                if part.stops:
                    return part.title, f"{part.stops} stop", "#say"
                if part.missing:
                    return part.title, ", ".join(part.missing), f"#part-{part.name}"
            if stops := self.found.tally["stop"]:
                return "Findings", f"{stops} stop", "#say"
            if confirms := len(self.found.open_confirms):
                return "Findings", f"{confirms} to confirm", "#say"
        if self.allowed and self.last_comment is not None:
            return "Mend what was returned", "then put it forward again", "#part-review"
        return next(((d.label, "", d.url) for d in self.deeds if d.kind == "main"), ("", "", ""))

    @property
    def missing(self) -> list[Part]:
        return [p for p in self.parts.values() if p.missing]

    @property
    def age(self) -> int | None:
        years = self.case.person.age_years
        return None if years is None else int(years)


def day_words(day: date | None) -> str:
    return "" if day is None else f"{day.day} {day:%b} {day.year}"
