"""PDs and heights with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from dispensing.optics.photograph.camera import solve, solve_near
from dispensing.optics.photograph.points import checked_points, checked_view
from dispensing.optics.photograph.values import (
    MIDLINE_POINT,
    PARTS,
    SIDES,
    Doubt,
    Measured,
    Point,
    Result,
    View,
    needed_points,
)


def measure(points: Mapping[str, Point], view: View, doubt: Doubt | None = None) -> Result:
    """PDs and heights with their uncertainty.

    points: px, by name (`POINTS`). The right eye is on the left of the picture. `midline` may be left out: then the middle between the
    two boxes is the mid-line; the reference points are not used where the front is the reference.
    Errors: NotFinite, OutOfRange (an argument of `view`), BadPoints (a point missing, outside the picture, or where it cannot be; no
    camera can have seen these points).
    """
    doubt = doubt or Doubt()
    checked = checked_view(view)
    names = needed_points(view, MIDLINE_POINT in points)
    at = checked_points(points, names, view)
    nominal, found = solve(at, names, checked, view)
    scale = nominal["px_per_mm"]
    steps = _steps(names, checked, view, doubt, scale)
    n = len(steps)
    if not n:
        exact = {name: Measured(nominal[name], 0.0) for name in _OUTPUTS}
        roll = math.degrees(nominal["roll"])
        return Result(**exact, roll_deg=roll, px_per_mm=scale, notes=_notes(exact, view, roll))
    many = np.repeat(at[None], 2 * n, axis=0)
    values = {k: np.full(2 * n, v) for k, v in checked.items()}
    for i, step in enumerate(steps):
        for j, sign in ((i, 1.0), (n + i, -1.0)):
            if step.argument:
                values[step.argument][j] += sign * step.size
            else:
                many[j, step.point, step.axis] += sign * step.size
    spread = solve_near(many, names, values, view, found)
    out: dict[str, Measured] = {}
    for name in _OUTPUTS:
        half = 0.5 * (spread[name][:n] - spread[name][n:])
        by_part: dict[str, float] = {}
        for step, each in zip(steps, (half * half).tolist(), strict=True):
            by_part[step.part] = by_part.get(step.part, 0.0) + each
        parts = sorted(((label, math.sqrt(v)) for label, v in by_part.items()), key=lambda p: -p[1])
        out[name] = Measured(nominal[name], math.sqrt(float((half * half).sum())), tuple(parts))
    roll = math.degrees(nominal["roll"])
    return Result(**out, roll_deg=roll, px_per_mm=scale, notes=_notes(out, view, roll))


_OUTPUTS = (
    "far_pd_right", "far_pd_left", "far_pd_both", "height_right", "height_left",
    "a_right", "a_left", "b_right", "b_left", "dbl",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Step:
    """What to move by one standard uncertainty: an argument, or one coordinate of a point (px)."""

    part: str
    size: float
    argument: str = ""
    point: int = 0
    axis: int = 0


def _steps(names: tuple[str, ...], q: Mapping[str, float], view: View, doubt: Doubt, scale: float) -> list[_Step]:
    steps = []
    by_kind = {
        "pupil": doubt.pupil_mm,
        "rim": doubt.rim_mm,
        "reference": doubt.reference_point_mm,
        "midline": doubt.midline_mm,
    }
    for i, name in enumerate(names):
        kind = name.partition(".")[0]
        size = math.hypot(doubt.pixel_px, by_kind[kind] * scale)
        steps += [_Step(PARTS[kind], size, point=i, axis=axis) for axis in (0, 1) if size > 0.0]
    sizes = {
        "reference_mm": doubt.reference_mm,
        "ahead_mm": doubt.ahead_mm if view.reference == "points" else 0.0,
        "camera_mm": doubt.camera_relative * q["camera_mm"],
        "camera_above_mm": doubt.camera_above_mm,
        "turn_deg": doubt.turn_deg,
        "vertex_mm": doubt.vertex_mm,
        "eye_mm": doubt.eye_mm,
        "pantoscopic_deg": doubt.pantoscopic_deg,
        "face_form_deg": doubt.face_form_deg,
        "groove_mm": doubt.groove_mm,
        "aim_x": doubt.aim_relative * view.width,
        "aim_y": doubt.aim_relative * view.width,
    }
    steps += [
        _Step(PARTS[name.removesuffix("_x").removesuffix("_y")], size, name) for name, size in sizes.items() if size > 0.0
    ]
    return steps


def _notes(out: Mapping[str, Measured], view: View, roll: float) -> tuple[str, ...]:
    notes = []
    right, left = out["a_right"], out["a_left"]
    # the two widths are one width: what they differ by is placing, or a face that is turned
    differ = abs(right.value - left.value)
    if differ > 1.2:
        notes.append(
            f"The two lenses come out {right.value:.1f} and {left.value:.1f} mm wide: a rim point is off, or the face is turned."
        )
    for side in SIDES:
        a, b = out[f"a_{side}"].value, out[f"b_{side}"].value
        if not (25.0 <= a <= 80.0 and 12.0 <= b <= 75.0):
            notes.append(f"The {side} lens comes out {a:.1f} × {b:.1f} mm: look at the reference and its length.")
    if abs(roll) > 5.0:
        notes.append(
            f"The frame lies {abs(roll):.0f}° askew in the picture; that is corrected, but the head may have been tilted."
        )
    if view.camera_mm < 500.0:
        notes.append(
            "The camera was nearer than half a metre: depth counts for much. From one metre or more it counts for little."
        )
    return tuple(notes)
