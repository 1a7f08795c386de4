"""The fields of the fitting desk: where each belongs in the Case, how it is read, what it is called."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, Literal

from dispensing import measure
from dispensing.case import EYES
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
    "b": ("Lens depth b", "mm", "mm"),
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
