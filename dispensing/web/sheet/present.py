"""What the sheet shows, made ready for its templates: parts with what is missing, figures, findings, readings on a scale."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

from dispensing import case as c
from dispensing import forms
from dispensing.assess import Assessment, blocks
from dispensing.checks.findings import ORDER, Finding
from dispensing.checks.words import power_word
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import PairGeometry, geometry_of, geometry_of_earlier
from dispensing.drawings.pair import pair_picture
from dispensing.drawings.shapes import Picture
from dispensing.figures import Figures, compute
from dispensing.forms import Entry
from dispensing.models import Dispense, Reason, Remark, Signature
from dispensing.optics.notation import format_axis, format_mm, format_power, format_prism
from dispensing.record import ORDER_OF_PARTS, part_version
from dispensing.web.sheet.cautions import Caution, cautions

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
        if finding.severity == "stop":
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
    names = {"a": "lens size a", "b": "height b", "dbl": "between lenses"}
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


# --- one line a part --------------------------------------------------------------------------------------------------


def needs_words(needs: c.Needs) -> str:
    words = [forms.USE_WORDS.get(u, u) for u in needs.uses]
    if needs.working_distance_mm:
        words.append(f"task at {needs.working_distance_mm:g} mm")
    if needs.first_progressive:
        words.append("first progressives")
    return ", ".join(words)


def eye_words(lens: c.PrescribedLens) -> str:
    if lens.balance:
        return "balance lens"
    words = [power_word(lens)]
    if lens.add:
        words.append(f"add {format_power(lens.add)}")
    for amount, base in ((lens.prism_h, lens.base_h), (lens.prism_v, lens.base_v)):
        if amount:
            words.append(f"{format_prism(amount)} Δ {base or 'base ?'}")
    return " ".join(words)


def prescription_words(p: c.Prescription | None) -> str:
    if p is None:
        return ""
    words = f"R {eye_words(p.right)} · L {eye_words(p.left)}"
    if p.read_back == "matched":
        words += " · read back"
    return words


def frame_words(f: c.Frame | None) -> str:
    if f is None:
        return ""
    mount = dict(forms.MOUNT_CHOICES).get(f.mount or "", "")
    name = f.name or ("client’s own" if f.own else "")
    return ", ".join(w for w in (name, frame_size(f), mount) if w)


def frame_size(f: c.Frame) -> str:
    """52□18–145, the way it is marked on a frame (ISO 8624)."""

    def n(value: float | None) -> str:
        return "?" if value is None else format_mm(value).removesuffix(".0")

    if f.a is None and f.dbl is None:
        return ""
    return f"{n(f.a)}□{n(f.dbl)}" + (f"–{n(f.side)}" if f.side else "")


def fit_words(dispense: Dispense, case: c.Case) -> str:
    words = []
    if case.fit.confirmed and dispense.fit_confirmed_by:
        words.append(f"confirmed by {dispense.fit_confirmed_by.initials}")
    for value, word, unit in (
        (case.fit.vertex_mm, "vertex", " mm"),
        (case.fit.pantoscopic_deg, "pantoscopic", "°"),
        (case.fit.face_form_deg, "face form", "°"),
    ):
        if value is not None:
            words.append(f"{word} {value:g}{unit}")
    return ", ".join(words)


def readings_words(case: c.Case) -> str:
    m = case.measurements
    words = []
    for name, word in (("far_pd", "PD"), ("near_pd", "near PD"), ("height", "height"), ("pupil_height", "pupil")):
        values = [getattr(m.of(eye), name) for eye in c.EYES]
        if any(v is not None for v in values):
            words.append(f"{word} {' / '.join('?' if v is None else format_mm(v) for v in values)}")
    if not words and m.readings:
        words.append(f"{len(m.readings)} read, none adopted yet")
    return ", ".join(words)


def lens_words(dispense: Dispense) -> str:
    option = dispense.lens_option
    if option is None:
        return ""
    words = [option.lens.name, option.material.name]
    words += [t.name for t in (dispense.coating, dispense.tint) if t]
    if dispense.blank_diameter_mm:
        words.append(f"blank {dispense.blank_diameter_mm:g}")
    return ", ".join(words)


# --- figures ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One line of the table: either a value for each eye, or one for the pair. Paths lead to the working."""

    label: str
    unit: str
    right: str = ""
    left: str = ""
    pair: str = ""
    right_path: str = ""
    left_path: str = ""
    pair_path: str = ""
    strong: bool = False


_EYE_ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("decentration_in", "decentration in", "mm", 1),
    ("decentration_up", "fitting point above datum line", "mm", 1),
    ("height_box", "height above the box tangent", "mm", 1),
    ("room_above", "room above the fitting point", "mm", 1),
    ("near_inset", "near inset", "mm", 1),
    ("corridor_end_height", "near point above the box tangent", "mm", 1),
    ("blank_needed", "blank needed", "mm", 1),
    ("centre_thickness", "centre thickness", "mm", 1),
    ("edge_thinnest", "edge, thinnest", "mm", 1),
    ("edge_thickest", "edge, thickest", "mm", 1),
    ("mass_g", "mass", "g", 1),
    ("prism_in", "prism at the fitting point, base in", "Δ", 2),
    ("prism_up", "prism at the fitting point, base up", "Δ", 2),
    ("vertical_power", "power in the vertical meridian", "D", 2),
    ("image_jump", "image jump", "Δ", 2),
    ("chromatic_blur", "chromatic blur at the usual gaze", "Δ", 2),
    ("magnification_percent", "spectacle magnification", "%", 1),
    ("pd_need_mm", "PD needed to within ±", "mm", 1),
    ("height_need_mm", "height needed to within ±", "mm", 1),
    ("vertex_need_mm", "vertex distance needed to within ±", "mm", 1),
)
_SIGNED = frozenset(
    {
        "decentration_in",
        "decentration_up",
        "prism_in",
        "prism_up",
        "vertical_power",
        "magnification_percent",
        "net_prism_h",
        "net_prism_v",
        "vertical_imbalance_near",
        "magnification_difference_percent",
    }
)
_PAIR_ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("binocular_far_pd", "PD far, both eyes", "mm", 1),
    ("binocular_near_pd", "PD near, both eyes", "mm", 1),
    ("box_centre_distance", "boxed centre distance a + d", "mm", 1),
    ("net_prism_h", "prism of the pair, base in", "Δ", 2),
    ("net_prism_v", "prism of the pair, R base up", "Δ", 2),
    ("vertical_imbalance_near", "vertical imbalance at near", "Δ", 2),
    ("magnification_difference_percent", "difference of magnification", "%", 1),
)
# shown before the table is opened
FIRST_FIGURES = ("ordered", "decentration_in", "decentration_up", "blank_needed", "edge_thickest", "mass_g")


def number_words(name: str, value: float | None, digits: int) -> str:
    if value is None:
        return ""
    text = f"{abs(value):.{digits}f}"
    zero = float(text) == 0
    if name in _SIGNED:
        return text if zero else ("−" if value < 0 else "+") + text
    return ("−" if value < 0 and not zero else "") + text


def ordered_words(power: c.OrderedPower | None) -> str:
    if power is None:
        return ""
    words = format_power(power.sphere, plano=True)
    if power.cylinder:
        words += f" / {format_power(power.cylinder)} × {format_axis(power.axis) or '?'}"
    if power.add:
        words += f" add {format_power(power.add)}"
    return words


def figure_rows(figures: Figures) -> list[FigureRow]:
    """Every figure that is known for at least one eye, in the order of the work."""
    rows = []
    for eye in c.EYES:
        words = ordered_words(figures.of(eye).ordered)
        if words:
            label = f"power ordered, {eye}"
            rows.append(FigureRow(label=label, unit="D", pair=words, pair_path=f"{eye}.ordered", strong=True))
    for name, label, unit, digits in _EYE_ROWS:
        right, left = (number_words(name, getattr(figures.of(eye), name), digits) for eye in c.EYES)
        if right or left:
            rows.append(
                FigureRow(
                    label=label,
                    unit=unit,
                    right=right,
                    left=left,
                    right_path=f"right.{name}" if right else "",
                    left_path=f"left.{name}" if left else "",
                    strong=name in FIRST_FIGURES,
                )
            )
    for name, label, unit, digits in _PAIR_ROWS:
        value = number_words(name, getattr(figures, name), digits)
        if value:
            rows.append(FigureRow(label=label, unit=unit, pair=value, pair_path=name))
    return rows


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
        elif s.unit in ("D", "Δ"):
            value = number_words("prism_in", s.value, 2)
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
    return ", ".join(words) or "nothing to say"


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
    def segmented(self) -> bool:
        """Whether the pupil's height is asked for beside that of the segment top."""
        design = self.case.lens.design
        return design is not None and design.family in c.SEGMENTED

    @property
    def remarked(self) -> frozenset[str]:
        """Parts in which somebody who returned the dispense said something."""
        return frozenset(part_of(r.path) for r in self.remarks)

    @property
    def missing(self) -> list[Part]:
        return [p for p in self.parts.values() if p.missing]

    @property
    def age(self) -> int | None:
        years = self.case.person.age_years
        return None if years is None else int(years)


def day_words(day: date | None) -> str:
    return "" if day is None else f"{day.day} {day:%b} {day.year}"
