"""What if: the Case with a few figures moved, and what would follow. Nothing is kept.

A box that is moved takes its outline with it: the traced shape is stretched in width and depth. The fitting point keeps its distance
from the datum line, as it does when a deeper or shallower front is put at the same place on the nose.

The diameter decides the thickness only of a lens that is made as a full round (a finished lens of stock): it has to hold the least edge
all round its own rim, wherever the frame cuts it. A lens surfaced for its frame needs only the outline to hold; that is what every other
figure here and on the sheet supposes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from dispensing.case import EYES, Adopted, Case, Eye, Frame, LensChoice, Pair
from dispensing.checks import Finding, assess, registry
from dispensing.figures import Figures, compute, near_only, wanted_of
from dispensing.figures.place import read_front
from dispensing.figures.substance import cuts_of, holes_of
from dispensing.figures.usual import FAILED, Notes
from dispensing.optics import boxing, magnification, thickness
from dispensing.optics.boxing import unit_circle
from dispensing.optics.power import Power
from dispensing.optics.thickness import Lens
from dispensing.optics.vertex import curve_in_index

ROUND_POINTS = 180
AS_IT_IS: Pair[float | None] = Pair(None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """What is moved; None leaves it as it is recorded. mm, dioptres (n = 1.53)."""

    a: float | None = None
    b: float | None = None
    dbl: float | None = None
    pd: Pair[float | None] = AS_IT_IS  # by which the lens is centred: near for a near pair
    up: Pair[float | None] = AS_IT_IS  # fitting point above the datum line
    choice: LensChoice | None = None  # another material, with its minima
    blank_diameter_mm: float | None = None
    front_curve: float | None = None
    round_blank: bool = False  # made as a full round of the blank's diameter


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    case: Case
    figures: Figures
    findings: tuple[Finding, ...]
    round_diameter: float | None = None  # set where the lenses are worked out as full rounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    before: Outcome
    after: Outcome

    @property
    def new(self) -> tuple[Finding, ...]:
        """What the change would bring: stops and questions that are not there now."""
        had = {f.check for f in self.before.findings if f.severity in ("stop", "confirm")}
        return tuple(f for f in self.after.findings if f.severity in ("stop", "confirm") and f.check not in had)

    @property
    def gone(self) -> tuple[Finding, ...]:
        """What the change would settle."""
        has = {f.check for f in self.after.findings if f.severity in ("stop", "confirm")}
        return tuple(f for f in self.before.findings if f.severity in ("stop", "confirm") and f.check not in has)


def what_if(case: Case, moved: Moved) -> Compared:
    """The dispense as it is, and as it would be."""
    figures = compute(case)
    before = Outcome(case=case, figures=figures, findings=_of_what_moves(case, figures))
    other = moved_case(case, figures, moved)
    if other == case and not moved.round_blank:
        return Compared(before=before, after=before)
    then = compute(other)
    diameter = other.lens.blank_diameter_mm if moved.round_blank else None
    if diameter is not None:
        then = as_round(other, then, diameter)
    after = Outcome(case=other, figures=then, findings=_of_what_moves(other, then), round_diameter=diameter)
    return Compared(before=before, after=after)


def _of_what_moves(case: Case, figures: Figures) -> tuple[Finding, ...]:
    """What the checks of lens and frame say: a figure that was moved here was not measured, and need not have been."""
    known = registry()
    return tuple(
        f
        for f in assess(case, figures, but="record.explained")
        if known[f.check].family in ("lens", "frame")
        and not f.check.startswith("ordered.")
        and f.check not in _OF_THE_RECORD
    )


_OF_THE_RECORD = frozenset({"frame.old-figures-kept"})


def moved_case(case: Case, figures: Figures, moved: Moved) -> Case:
    """The Case with what is moved put in; the same object where nothing is."""
    frame = _moved_frame(case.frame, moved)
    lens = moved.choice or case.lens
    if moved.blank_diameter_mm is not None:
        lens = replace(lens, blank_diameter_mm=moved.blank_diameter_mm)
    if moved.front_curve is not None:
        lens = replace(lens, front_curve=moved.front_curve)
    m = case.measurements
    near = near_only(case.needs, lens)
    right = _moved_eye(m.right, "right", figures, case, frame, moved, near)
    left = _moved_eye(m.left, "left", figures, case, frame, moved, near)
    if frame is not case.frame or lens is not case.lens or right is not m.right or left is not m.left:
        return replace(case, frame=frame, lens=lens, measurements=replace(m, right=right, left=left))
    return case


def _moved_frame(frame: Frame | None, moved: Moved) -> Frame | None:
    changes: dict[str, Any] = {
        name: value
        for name in ("a", "b", "dbl")
        if (value := getattr(moved, name)) is not None and (frame is None or getattr(frame, name) != value)
    }
    if not changes:
        return frame
    frame = frame or Frame()
    if "a" in changes or "b" in changes:
        changes["ed"] = None  # it follows from the shape
        wide = changes.get("a", frame.a) / frame.a if frame.a and "a" in changes else 1.0
        deep = changes.get("b", frame.b) / frame.b if frame.b and "b" in changes else 1.0
        changes["outline"] = stretched(frame.outline, wide, deep)
        changes["drill_points"] = tuple(replace(p, x=p.x * wide, y=p.y * deep) for p in frame.drill_points)
        if not frame.outline and frame.ed is not None and frame.a and frame.b:
            changes["ed"] = frame.ed * math.hypot(frame.a * wide, frame.b * deep) / math.hypot(frame.a, frame.b)
    return replace(frame, **changes)


def stretched(outline: tuple[float, ...], wide: float, deep: float) -> tuple[float, ...]:
    """An outline stretched in width and depth, as radii in the same equal steps (mm)."""
    if not outline:
        return ()
    try:
        shape = boxing.box(outline)
        stretched_shape = boxing.box_of_points(shape.x * wide, shape.y * deep)
        return tuple(boxing.radii(stretched_shape, len(outline)).tolist())
    except FAILED:
        return ()


def _moved_eye(
    adopted: Adopted, eye: Eye, figures: Figures, case: Case, frame: Frame | None, moved: Moved, near: bool
) -> Adopted:
    pd, up = moved.pd.of(eye), moved.up.of(eye)
    name = "near_pd" if near else "far_pd"
    if pd is not None and pd != getattr(adopted, name):
        adopted = replace(adopted, near_pd=pd) if near else replace(adopted, far_pd=pd)
    had = figures.of(eye).height_datum
    if up is None and frame is not case.frame:
        up = had
    if up is not None and frame is not None and frame.b is not None:
        height = up + 0.5 * frame.b
        now = figures.of(eye).height_box
        if now is None or abs(height - now) > 1e-9:
            pupil = None if adopted.pupil_height is None or now is None else adopted.pupil_height + height - now
            adopted = replace(adopted, height=height, height_reference="box", pupil_height=pupil)
    return adopted


def as_round(case: Case, figures: Figures, diameter: float) -> Figures:
    """The figures of substance for lenses made as full rounds of `diameter` mm about their reference points, cut to the frame after."""
    shape = read_front(case, Notes()).shape
    wanted = wanted_of(case)
    if shape is None or case.frame is None or not wanted:
        return figures
    cos, sin = unit_circle(ROUND_POINTS)
    eyes: dict[Eye, Any] = {}
    seen: dict[Eye, float] = {}
    material = case.lens.material
    for eye, want in wanted.items():
        x, y = want.spec.at_x + 0.5 * diameter * cos, want.spec.at_y + 0.5 * diameter * sin
        try:
            lens = thickness.least_lens(want.spec, x, y, min_centre=want.min_centre, min_edge=want.min_edge)
            cut = cuts_of([lens], shape, holes_of(case.frame))[0]
        except FAILED:
            eyes[eye] = replace(
                figures.of(eye),
                centre_thickness=None,
                edge_thinnest=None,
                edge_thickest=None,
                volume_mm3=None,
                mass_g=None,
                edge_profile=(),
            )
            continue
        more: dict[str, Any] = dict(cut.figures)
        if material is not None:
            more["mass_g"] = thickness.mass_g(cut.figures["volume_mm3"], material.density)
        percent = _magnification(case, figures, eye, lens)
        if percent is not None:
            more["magnification_percent"] = percent
            seen[eye] = 1.0 + percent / 100.0
        eyes[eye] = replace(figures.of(eye), **more)
    right, left = (eyes.get(eye, figures.of(eye)) for eye in EYES)
    mass = None if right.mass_g is None or left.mass_g is None else right.mass_g + left.mass_g
    difference = figures.magnification_difference_percent
    if len(seen) == 2:
        difference = magnification.difference_percent(seen["right"], seen["left"])
    return replace(figures, right=right, left=left, mass_g=mass, magnification_difference_percent=difference)


def _magnification(case: Case, figures: Figures, eye: Eye, lens: Lens) -> float | None:
    ordered, vertex, curve = figures.of(eye).ordered, case.fit.vertex_mm, figures.of(eye).front_curve
    if ordered is None or vertex is None or curve is None or case.lens.material is None:
        return None
    try:
        return magnification.lens_magnification(
            Power(ordered.sphere, ordered.cylinder, ordered.axis if ordered.axis and ordered.cylinder else 180.0),
            front=curve_in_index(curve, case.lens.material.nd),
            thickness_mm=lens.centre,
            index=case.lens.material.nd,
            vertex_mm=vertex,
        ).mean_percent
    except FAILED:
        return None
