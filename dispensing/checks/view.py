"""What a rule is given: the Case and its Figures, with what several rules would otherwise each look up."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from dispensing.case import EYES, Case, EarlierPair, Eye, Frame, LensDesign, PrescribedLens, Prescription, Reading
from dispensing.checks.thresholds import limits
from dispensing.figures import Figures, LensFigures
from dispensing.optics.boxing import Box, box
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power

_NONE: list[Reading] = []
OTHER: dict[Eye, Eye] = {"right": "left", "left": "right"}


class View:
    """One dispense as the rules see it. Filled once, before the first rule runs; rules only read it."""

    __slots__ = (
        "adult", "age", "box", "case", "changed_by", "design", "earlier_rx", "earlier_rx_pair", "explained", "family", "figures", "frame",
        "fresh", "limit", "powers", "powers_before", "read", "rx", "rx_explained", "single_eye", "strongest", "swap", "uses", "years_since",
    )  # fmt: skip

    def __init__(self, case: Case, figures: Figures) -> None:
        self.case = case
        self.figures = figures
        self.limit = limits(case.rules.limits)
        self.rx: Prescription | None = case.prescription
        self.frame: Frame | None = case.frame
        self.design: LensDesign | None = case.lens.design
        self.family: str = case.lens.design.family if case.lens.design else ""
        self.age: float | None = case.person.age_years
        self.adult: bool = case.person.age_years is None or case.person.age_years >= 16
        self.uses = case.needs.uses
        self.single_eye: Eye | None = case.person.useful_eye
        rx = case.prescription
        # a reason somebody recorded beforehand; it turns a question into a note, never a stop into anything
        self.rx_explained = rx is not None and bool(rx.remark or case.person.notes)
        self.explained = bool(case.measurements.reason or case.person.notes)
        # the powers were typed again blind, or never typed: a typing slip is out of the question
        self.fresh = rx is not None and rx.source == "typed" and rx.read_back is None
        pair = earlier_with_powers(case)
        self.earlier_rx_pair: EarlierPair | None = pair
        self.earlier_rx: Prescription | None = pair.prescription if pair else None
        before = (pair.on or (pair.prescription.written_on if pair.prescription else None)) if pair else None
        self.years_since: float | None = None if before is None else max((case.today - before).days / 365.25, 0.0)
        self.powers = {eye: power_of(rx.of(eye)) if rx else None for eye in EYES}
        self.powers_before = {eye: power_of(self.earlier_rx.of(eye)) if self.earlier_rx else None for eye in EYES}
        self.strongest = max([abs(p.strongest.power) for p in self.powers.values() if p is not None], default=0.0)
        # blur distance of each eye's power from the earlier one, D
        self.changed_by = {eye: _apart(self.powers[eye], self.powers_before[eye]) for eye in EYES}
        self.swap = self._swap_evidence() if pair else 0.0
        self.read: dict[tuple[str, str], list[Reading]] = {}
        for reading in case.measurements.readings:
            self.read.setdefault((reading.quantity, reading.eye), []).append(reading)
        self.box = box_of(case.frame.outline) if case.frame is not None and case.frame.outline else None

    def lenses(self) -> Iterator[tuple[Eye, PrescribedLens, LensFigures]]:
        """Each prescribed eye with its figures; nothing before there is a prescription."""
        rx = self.rx
        if rx is not None:
            yield "right", rx.right, self.figures.right
            yield "left", rx.left, self.figures.left

    def readings(self, quantity: str, eye: str) -> list[Reading]:
        return self.read.get((quantity, eye), _NONE)

    def _swap_evidence(self) -> float:
        """How much better the powers fit the earlier ones with the eyes exchanged: log likelihood ratio, 0.35 D of change an eye."""
        straight = (self.changed_by["right"], self.changed_by["left"])
        crossed = [_apart(self.powers[eye], self.powers_before[OTHER[eye]]) for eye in EYES]
        if None in straight or None in crossed:
            return 0.0
        # beyond 1.5 D a misfit is a misfit: how large it is says nothing about which eye it belongs to
        return sum(min(a or 0.0, 1.5) ** 2 - min(b or 0.0, 1.5) ** 2 for a, b in zip(straight, crossed, strict=True)) / (
            2 * 0.35**2
        )

    def in_box(self, eye: Eye) -> float | None:
        """Height of the fitting point (segment top, where there is a segment) above the lower box tangent, as computed; where the
        figures have none, the value as read if it was read in the box."""
        height = self.figures.of(eye).height_box
        if height is None:
            adopted = self.case.measurements.of(eye)
            if adopted.height_reference == "box":
                return adopted.height
        return height

    def earlier_pair_with(self, name: str) -> EarlierPair | None:
        """The newest earlier pair that has this quantity (far_pd, near_pd, height) for both eyes."""
        for pair in self.case.earlier:
            both = getattr(pair, name)
            if both.right is not None and both.left is not None:
                return pair
        return None


def _apart(a: Power | None, b: Power | None) -> float | None:
    return None if a is None or b is None else a.distance_from(b)


@lru_cache(maxsize=512)
def box_of(outline: tuple[float, ...]) -> Box | None:
    """The box of an outline, kept: the same frame comes again and again. None when it is no lens shape."""
    try:
        return box(outline)
    except OpticsError:
        return None


def power_of(lens: PrescribedLens) -> Power | None:
    """The distance power as the optics take it; None while it is incomplete or no lens could have it."""
    if lens.sphere is None or (lens.cylinder and lens.axis is None):
        return None
    try:
        return Power(lens.sphere, lens.cylinder or 0.0, lens.axis if lens.cylinder and lens.axis is not None else 180.0)
    except OpticsError:
        return None


def earlier_with_powers(case: Case) -> EarlierPair | None:
    """The newest earlier pair whose powers are known. What is written after the prescription in hand is no earlier one."""
    day = case.prescription.written_on if case.prescription else None
    for pair in case.earlier:
        rx = pair.prescription
        if rx is not None and _has_powers(rx) and not (day and rx.written_on and rx.written_on > day):
            return pair
    return None


def _has_powers(rx: Prescription) -> bool:
    return rx.right.sphere is not None or rx.left.sphere is not None
