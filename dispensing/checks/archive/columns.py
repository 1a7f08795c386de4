"""Figures of many dispenses as columns. NaN is what is not on record; figures of an eye are two rows, right first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from dispensing.case import EYES, SEGMENTED, Case, EarlierPair, Eye, LensDesign
from dispensing.checks.view import box_of, earlier_with_powers
from dispensing.figures.place import cross_above
from dispensing.figures.powers import near_only
from dispensing.figures.usual import SEGMENT_BELOW_BLANK_CENTRE_MM

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
HAIR = 1e-6  # sums of hundredths are not exact in binary: a flag leans towards being raised
FAMILIES = ("single_vision", "round_bifocal", "flat_top_bifocal", "trifocal", "progressive", "degressive")
REFERENCES = ("box", "datum", "rim_below_pupil", "visible_rim")
_BASES = {"in": 1.0, "up": 1.0, "out": -1.0, "down": -1.0}

# two rows each
_EYE_NAMES = (
    "sphere", "cylinder", "add", "axis", "intermediate_add", "near_sphere", "prism_h", "prism_v", "near_prism_h", "near_prism_v",
    "base_h", "base_v", "near_base_h", "near_base_v", "balance", "far_pd", "near_pd", "height", "reference", "pupil_height",
    "earlier_sphere", "earlier_cylinder", "earlier_axis", "earlier_add", "earlier_far_pd", "earlier_height",
    "far_pd_least", "far_pd_most", "near_pd_least", "near_pd_most", "height_least", "height_most", "far_pd_second", "near_pd_second",
    "changed_by",
)  # fmt: skip
_ONE_NAMES = (
    "age", "male", "female", "one_eye", "sight_impaired", "rx", "rx_explained", "explained", "fresh", "rx_vertex", "written_days", "expires_days",
    "valid_months", "vertex", "pantoscopic", "face_form", "a", "b", "dbl", "ed", "side", "groove", "groove_in_force", "front_curve",
    "frame_face_form", "drilled", "frame", "child_frame", "box_a", "box_b", "box_ed", "both_far", "both_near", "both_far_least", "both_far_most",
    "both_near_least", "both_near_most", "working", "family", "min_height", "min_above", "corridor", "blank_shift", "near_pair", "blank",
    "earlier_years", "earlier_pd_years",
)  # fmt: skip
_AT = {name: 2 * i for i, name in enumerate(_EYE_NAMES)} | {
    name: 2 * len(_EYE_NAMES) + i for i, name in enumerate(_ONE_NAMES)
}
_WIDTH = 2 * len(_EYE_NAMES) + len(_ONE_NAMES)


@dataclass(frozen=True)
class Columns:
    """Figures of many dispenses: one row a figure (two for figures of an eye), one column a dispense."""

    data: Floats

    def __len__(self) -> int:
        return int(self.data.shape[1])

    def one(self, name: str) -> Floats:
        return cast("Floats", self.data[_AT[name]])

    def both(self, name: str) -> Floats:
        """Right and left, shape (2, n)."""
        at = _AT[name]
        return cast("Floats", self.data[at : at + 2])

    def rows(self, first: str, last: str) -> Floats:
        """All rows of an eye's figures from one name to another, in the order of the names."""
        return cast("Floats", self.data[_AT[first] : _AT[last] + 2])

    def part(self, start: int, stop: int) -> Columns:
        return Columns(self.data[:, start:stop])

    # worked out once for all the flags of a part

    @cached_property
    def in_box(self) -> tuple[Floats, Floats]:
        """Least and greatest that each eye's height above the lower box tangent can be, mm. Read against the box it stands as it is,
        against the datum line half a depth lower; above the rim it is anything up to the depth of the lens more."""
        height, reference = self.both("height"), self.both("reference")
        b = self.either("b", "box_b")
        groove = np.nan_to_num(self.one("groove_in_force"))
        datum, rim = reference == 1, reference >= 2
        high = low = np.where(datum, height + b / 2, height)
        if rim.any():
            low = np.where(rim, height + np.minimum(groove, 0), low)
            high = np.where(rim, height + b + np.maximum(groove, 0), high)
        return low - HAIR, high + HAIR

    @cached_property
    def decentration(self) -> tuple[Floats, Floats]:
        """Decentration inwards of each eye, mm: least and greatest it can be."""
        half = (self.either("a", "box_a") + self.one("dbl")) / 2
        far, near = self.both("far_pd"), self.both("near_pd")
        for_near = self.truth("near_pair")
        if not for_near.any():
            return half - far, half - far
        # a near pair without a near PD is centred on the computed one, which is less than the far PD by a few millimetres
        most = np.where(for_near, np.where(np.isnan(near), far, near), far)
        least = np.where(for_near & np.isnan(near), far - 15.0, most)
        return half - most, half - least

    @cached_property
    def far_pd(self) -> Floats:
        """Of both eyes: the parts together, or the binocular value where a part is not known."""
        return self._whole("far_pd", "both_far")

    @cached_property
    def near_pd(self) -> Floats:
        return self._whole("near_pd", "both_near")

    @cached_property
    def adult(self) -> Bools:
        child: Bools = self.one("age") < 16
        return ~child

    @cached_property
    def plain_rx(self) -> Bools:
        """No remark or note that may explain something unusual in the prescription."""
        return ~self.truth("rx_explained")

    @cached_property
    def plain(self) -> Bools:
        """The same for the measurements."""
        return ~self.truth("explained")

    def truth(self, name: str) -> Bools:
        held: Bools = self.one(name) > 0
        return held

    def either(self, first: str, second: str) -> Floats:
        """A figure, or another where it is not on record."""
        value = self.one(first)
        return np.where(np.isnan(value), self.one(second), value)

    def _whole(self, parts: str, whole: str) -> Floats:
        right, left = self.both(parts)
        total = right + left
        return np.where(np.isnan(total), self.one(whole), total)

    def family(self, *families: str) -> Bools:
        family = self.one("family")
        chosen = family == FAMILIES.index(families[0])
        for name in families[1:]:
            chosen |= family == FAMILIES.index(name)
        return cast("Bools", chosen)


def columns_of(cases: Iterable[Case]) -> Columns:
    """The figures of these dispenses that the covered checks read. One pass; nothing of a Case is kept."""
    rows = [_row(case) for case in cases]
    table = np.array(rows, dtype=np.float64) if rows else np.empty((0, _WIDTH))
    columns = Columns(np.ascontiguousarray(table.T))
    columns.both("changed_by")[:] = _apart(columns)
    return columns


def _apart(c: Columns) -> Floats:
    """Blur distance of each eye's power from the earlier one, D (power vectors, Thibos 1997); NaN where either is not known."""
    total = np.zeros((2, len(c)))
    for a, b in zip(_vector(c, ""), _vector(c, "earlier_"), strict=True):
        total += (a - b) ** 2
    return cast("Floats", np.sqrt(total))


def _vector(c: Columns, which: str) -> tuple[Floats, Floats, Floats]:
    sphere, cylinder, axis = c.both(which + "sphere"), np.nan_to_num(c.both(which + "cylinder")), c.both(which + "axis")
    turned = np.where(cylinder == 0, 0.0, np.radians(2 * axis))
    return sphere + cylinder / 2, -cylinder / 2 * np.cos(turned), -cylinder / 2 * np.sin(turned)


def _row(case: Case) -> list[Any]:
    rx, frame, m, design = case.prescription, case.frame, case.measurements, case.lens.design
    ranges = _ranges(case)
    earlier = earlier_with_powers(case)
    before = earlier.prescription if earlier else None
    pd_pair, height_pair = _pair_with(case, "far_pd"), _pair_with(case, "height")
    eyes: list[list[Any]] = []
    for eye in EYES:
        lens, adopted = rx.of(eye) if rx else None, m.of(eye)
        old = before.of(eye) if before else None
        values: list[Any] = [None] * 15
        if lens is not None:
            values = [
                lens.sphere, lens.cylinder, lens.add, lens.axis, lens.intermediate_add, lens.near_sphere, lens.prism_h, lens.prism_v,
                lens.near_prism_h, lens.near_prism_v, _base(lens.base_h), _base(lens.base_v), _base(lens.near_base_h),
                _base(lens.near_base_v), lens.balance,
            ]  # fmt: skip
        values += [
            adopted.far_pd,
            adopted.near_pd,
            adopted.height,
            REFERENCES.index(adopted.height_reference),
            adopted.pupil_height,
        ]
        values += [old.sphere, old.cylinder, old.axis, old.add] if old is not None else [None] * 4
        values += [pd_pair.far_pd.of(eye) if pd_pair else None, height_pair.height.of(eye) if height_pair else None]
        for quantity in ("far_pd", "near_pd", "height"):
            values += ranges.get((quantity, eye), (None, None))
        values += [_second(case, eye, "far_pd", adopted.far_pd), _second(case, eye, "near_pd", adopted.near_pd)]
        values += [None]  # changed_by: worked out for all of them together
        eyes.append(values)
    person, fit = case.person, case.fit
    box = box_of(frame.outline) if frame is not None and frame.outline else None
    on = (earlier.on or (before.written_on if before else None)) if earlier else None
    one: list[Any] = [
        person.age_years, person.sex == "male", person.sex == "female", person.useful_eye is not None, person.sight_impaired, rx is not None,
        rx is not None and bool(rx.remark or person.notes), bool(m.reason or person.notes),
        rx is not None and rx.source == "typed" and rx.read_back is None, rx.vertex_mm if rx else None,
        (case.today - rx.written_on).days if rx and rx.written_on else None, (rx.expires_on - case.today).days if rx and rx.expires_on else None,
        case.rules.prescription_valid_months, fit.vertex_mm, fit.pantoscopic_deg, fit.face_form_deg,
    ]  # fmt: skip
    if frame is not None:
        one += [
            frame.a, frame.b, frame.dbl, frame.ed, frame.side, frame.groove_mm, frame.groove(case.rules.groove_mm),
            frame.front_curve, frame.face_form_deg, frame.mount == "drilled", True, frame.child,
        ]  # fmt: skip
    else:
        one += [None] * 9 + [False, False, False]
    one += [box.a, box.b, box.ed] if box is not None else [None] * 3
    one += [m.binocular_far_pd, m.binocular_near_pd]
    one += [*ranges.get(("far_pd", "both"), (None, None)), *ranges.get(("near_pd", "both"), (None, None))]
    one += [case.needs.working_distance_mm]
    if design is not None:
        have = case.lens.blank_diameter_mm or max(design.blank_diameters, default=None)
        one += [
            FAMILIES.index(design.family), design.min_height_mm, design.min_above_mm, design.corridor_mm, _blank_shift(design),
            near_only(case.needs, case.lens), have,
        ]  # fmt: skip
    else:
        one += [None] * 4 + [0.0, False, case.lens.blank_diameter_mm]
    one += [
        max((case.today - on).days / 365.25, 0.0) if on else None,
        None if pd_pair is None else max((case.today - pd_pair.on).days / 365.25, 0.0) if pd_pair.on else 2.0,
    ]
    return [value for pair in zip(*eyes, strict=True) for value in pair] + one


def _blank_shift(design: LensDesign) -> float:
    """What the blank is centred on, above the fitting point, mm (`figures.place.reference_point`)."""
    if design.family in SEGMENTED:
        return SEGMENT_BELOW_BLANK_CENTRE_MM
    return -cross_above(design) if design.family in ("progressive", "degressive") else 0.0


def _base(word: str | None) -> float | None:
    return None if word is None else _BASES[word]


def _ranges(case: Case) -> dict[tuple[str, str], tuple[float, float]]:
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for r in case.measurements.readings:
        if (
            r.quantity == "height"
            and r.eye != "both"
            and r.reference not in (None, case.measurements.of(r.eye).height_reference)
        ):
            continue  # read against another reference than it is used by: not comparable
        least, most = found.get((r.quantity, r.eye), (r.value, r.value))
        found[r.quantity, r.eye] = (min(least, r.value), max(most, r.value))
    return found


def _second(case: Case, eye: Eye, quantity: str, used: float | None) -> float | None:
    """How far the second nearest of three or more readings is from the value that is used, mm."""
    if used is None or len(case.measurements.readings) < 3:
        return None
    away = sorted(abs(r.value - used) for r in case.measurements.readings if r.quantity == quantity and r.eye == eye)
    return away[1] if len(away) >= 3 else None


def _pair_with(case: Case, name: str) -> EarlierPair | None:
    for pair in case.earlier:
        both = getattr(pair, name)
        if both.right is not None and both.left is not None:
            return pair
    return None
