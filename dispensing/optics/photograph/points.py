"""Whether points can be a face behind a frame at all."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from dispensing.optics.errors import BadPoints, finite, within
from dispensing.optics.photograph.values import RIM, Point, View

Array = NDArray[np.float64]


def checked_view(view: View) -> dict[str, float]:
    within("width", view.width, 50.0, 100000.0, "px")
    within("height", view.height, 50.0, 100000.0, "px")
    camera = within("camera_mm", view.camera_mm, 200.0, 6000.0, "mm")
    return {
        "reference_mm": within("reference_mm", view.reference_mm, 10.0, 400.0, "mm"),
        "camera_mm": camera,
        "ahead_mm": within("ahead_mm", view.ahead_mm, -80.0, 80.0, "mm"),
        "camera_above_mm": within("camera_above_mm", view.camera_above_mm, -0.5 * camera, 0.5 * camera, "mm"),
        "turn_deg": within("turn_deg", view.turn_deg, -20.0, 20.0, "degrees"),
        "vertex_mm": within("vertex_mm", view.vertex_mm, 0.0, 40.0, "mm"),
        "eye_mm": view.eye_mm,
        "pantoscopic_deg": within("pantoscopic_deg", view.pantoscopic_deg, -20.0, 30.0, "degrees"),
        "face_form_deg": within("face_form_deg", view.face_form_deg, -10.0, 35.0, "degrees"),
        "groove_mm": within("groove_mm", view.groove_mm, 0.0, 5.0, "mm"),
        "aim_x": 0.5 * view.width,
        "aim_y": 0.5 * view.height,
    }


def checked_points(points: Mapping[str, Point], names: tuple[str, ...], view: View) -> Array:
    rows = []
    for name in names:
        if name not in points:
            raise BadPoints(name, "is not placed yet.")
        x, y = (finite(name, v) for v in points[name])
        if not (0.0 <= x <= view.width and 0.0 <= y <= view.height):
            raise BadPoints(name, "lies outside the picture.")
        rows.append((x, y))
    at = np.array(rows)
    place = {name: at[i] for i, name in enumerate(names)}
    roll = roll_in_picture(place)
    if abs(math.degrees(roll)) > 30.0:
        raise BadPoints("rim.right.bottom", "the frame would lie more than 30 degrees askew: place the rim points again.")
    turn = np.array([[math.cos(roll), -math.sin(roll)], [math.sin(roll), math.cos(roll)]])
    level = {name: turn @ p for name, p in place.items()}
    if level["pupil.left"][0] - level["pupil.right"][0] < 5.0:
        raise BadPoints(
            "pupil.right", "the client's right eye is on the left of the picture, and the two eyes are not in one place."
        )
    for side, sign in (("right", 1.0), ("left", -1.0)):
        rim = {place: level[f"rim.{side}.{place}"] for place in RIM}
        if sign * (rim["nasal"][0] - rim["temporal"][0]) < 5.0:
            raise BadPoints(f"rim.{side}.nasal", "must lie nearer the nose than the temporal point of the same lens.")
        if rim["bottom"][1] - rim["top"][1] < 3.0:
            raise BadPoints(f"rim.{side}.bottom", "must lie below the top of the same lens.")
        low, high = sorted((rim["nasal"][0], rim["temporal"][0]))
        if not low <= level[f"pupil.{side}"][0] <= high:
            raise BadPoints(f"pupil.{side}", "lies beside its lens.")
    if level["rim.left.nasal"][0] <= level["rim.right.nasal"][0]:
        raise BadPoints("rim.left.nasal", "the two lenses cannot overlap.")
    if view.reference == "points":
        first, second = place["reference.1"], place["reference.2"]
        if math.hypot(*(second - first)) < 20.0:
            raise BadPoints("reference.2", "the two ends of the reference are in one place.")
    return at


def roll_in_picture(place: Mapping[str, Array]) -> float:
    """Turn of the frame in the picture, anticlockwise positive, rad."""
    lower = place["rim.left.bottom"] - place["rim.right.bottom"]
    upper = place["rim.left.top"] - place["rim.right.top"]
    whole = lower + upper
    if math.hypot(*whole) < 10.0:
        raise BadPoints("rim.left.bottom", "must lie on the other lens than that of the right.")
    return math.atan2(-whole[1], whole[0])
