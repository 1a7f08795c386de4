"""The camera that has seen the points, and what follows from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dispensing.optics.errors import BadPoints
from dispensing.optics.photograph.points import roll_in_picture
from dispensing.optics.photograph.values import MIDLINE_POINT, REFERENCE_POINTS, RIM, SIDES, View

Array = NDArray[np.float64]


def _turned(pose: Array) -> Array:
    """Camera to client for each row of (ln f, yaw, pitch, roll): R = Ry Rx Rz."""
    yaw, pitch, roll = pose[:, 1], pose[:, 2], pose[:, 3]
    cy, sy, cp, sp, cr, sr = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    out = np.empty((pose.shape[0], 3, 3))
    out[:, 0, 0], out[:, 0, 1], out[:, 0, 2] = cy * cr + sy * sp * sr, -cy * sr + sy * sp * cr, sy * cp
    out[:, 1, 0], out[:, 1, 1], out[:, 1, 2] = cp * sr, cp * cr, -sp
    out[:, 2, 0], out[:, 2, 1], out[:, 2, 2] = -sy * cr + cy * sp * sr, sy * sr + cy * sp * cr, cy * cp
    return out


def _seen(pose: Array, at: Array, names: tuple[str, ...], q: Mapping[str, Array], view: View) -> dict[str, Array]:
    """Everything that follows from a pose, for each row: residuals `r` (rows, 4) and the outputs."""
    index = {name: i for i, name in enumerate(names)}
    rows = at.shape[0]
    away = np.radians(q["turn_deg"])
    flat = np.sqrt(q["camera_mm"] ** 2 - q["camera_above_mm"] ** 2)
    camera = np.stack([-flat * np.sin(away), q["camera_above_mm"], flat * np.cos(away)], axis=1)
    rays = np.empty((rows, at.shape[1], 3))
    focal = np.exp(pose[:, 0])[:, None]
    rays[..., 0] = (at[..., 0] - q["aim_x"][:, None]) / focal
    rays[..., 1] = -(at[..., 1] - q["aim_y"][:, None]) / focal
    rays[..., 2] = -1.0
    rays = np.einsum("bij,bnj->bni", _turned(pose), rays)

    def on_depth(name: str, z: Array) -> Array:
        ray = rays[:, index[name]]
        along = (z - camera[:, 2]) / ray[:, 2]
        hit: Array = camera + along[:, None] * ray
        return hit

    depth = -(q["vertex_mm"] + q["eye_mm"])
    eyes = {side: on_depth(f"pupil.{side}", depth) for side in SIDES}
    tilt, form = np.radians(q["pantoscopic_deg"]), np.radians(q["face_form_deg"])
    zero = np.zeros(rows)
    out: dict[str, Array] = {}
    world: dict[str, Array] = {}
    plane: dict[str, tuple[Array, Array]] = {}
    for side, sign in (("right", -1.0), ("left", 1.0)):
        turn = sign * form
        # turned in the front's own frame first, then the whole front is tilted
        across = np.stack([np.cos(turn), np.sin(turn) * np.sin(tilt), -np.sin(turn) * np.cos(tilt)], axis=1)
        up = np.stack([zero, np.cos(tilt), np.sin(tilt)], axis=1)
        normal = np.cross(across, up)
        origin = np.stack([eyes[side][:, 0], zero, zero], axis=1)
        for place in RIM:
            ray = rays[:, index[f"rim.{side}.{place}"]]
            along = np.einsum("bi,bi->b", normal, origin - camera) / np.einsum("bi,bi->b", normal, ray)
            at_rim = camera + along[:, None] * ray
            world[f"{side}.{place}"] = at_rim
            plane[f"{side}.{place}"] = (
                np.einsum("bi,bi->b", at_rim - origin, across),
                np.einsum("bi,bi->b", at_rim - origin, up),
            )
        groove = q["groove_mm"]
        out[f"a_{side}"] = sign * (plane[f"{side}.temporal"][0] - plane[f"{side}.nasal"][0]) + 2.0 * groove
        out[f"b_{side}"] = plane[f"{side}.top"][1] - plane[f"{side}.bottom"][1] + 2.0 * groove
        out[f"height_{side}"] = eyes[side][:, 1] / np.cos(tilt) - plane[f"{side}.bottom"][1] + groove
        out[f"far_pd_{side}"] = sign * eyes[side][:, 0]
    out["far_pd_both"] = out["far_pd_right"] + out["far_pd_left"]
    out["dbl"] = world["left.nasal"][:, 0] - world["right.nasal"][:, 0] - 2.0 * q["groove_mm"] * np.cos(form)

    r = np.empty((rows, 4))
    if view.reference == "front":
        length = out["a_right"] + out["a_left"] + out["dbl"]
    else:
        ends = [on_depth(name, q["ahead_mm"]) for name in REFERENCE_POINTS]
        length = np.sqrt(((ends[1] - ends[0]) ** 2).sum(axis=1))
    r[:, 0] = length - q["reference_mm"]
    r[:, 1] = 0.5 * (eyes["right"][:, 1] + eyes["left"][:, 1])
    if MIDLINE_POINT in index:
        r[:, 2] = on_depth(MIDLINE_POINT, zero)[:, 0]
    else:
        both = [world[f"{side}.{place}"][:, 0] for side in SIDES for place in ("nasal", "temporal")]
        r[:, 2] = 0.25 * (both[0] + both[1] + both[2] + both[3])
    lean = [plane[f"left.{place}"][1] - plane[f"right.{place}"][1] for place in ("top", "bottom")]
    r[:, 3] = 0.5 * (lean[0] + lean[1])
    out["r"] = r
    out["roll"] = -pose[:, 3]
    out["px_per_mm"] = np.exp(pose[:, 0]) / camera[:, 2]
    return out


@dataclass(frozen=True, slots=True)
class Found:
    pose: Array  # (4,)
    jacobian: Array  # (4, 4), residuals by pose


_NO_CAMERA = "no camera can have seen these points: look at the reference and at the rim points again."


def solve(at: Array, names: tuple[str, ...], q: Mapping[str, float], view: View) -> tuple[dict[str, float], Found]:
    """Newton's method on the four unknowns; BadPoints when there is no such camera."""
    place = {name: at[i] for i, name in enumerate(names)}
    roll = roll_in_picture(place)
    if view.reference == "front":
        pixels = math.hypot(*(place["rim.left.temporal"] - place["rim.right.temporal"]))
    else:
        pixels = math.hypot(*(place["reference.2"] - place["reference.1"]))
    focal = pixels * view.camera_mm / view.reference_mm
    middle = 0.5 * (place["pupil.right"] + place["pupil.left"])
    # where the pupils lie from the camera's axis, in the picture made level
    x, y = (middle[0] - q["aim_x"]) / focal, (q["aim_y"] - middle[1]) / focal
    x, y = x * math.cos(roll) + y * math.sin(roll), y * math.cos(roll) - x * math.sin(roll)
    pose = np.array([math.log(focal), x - math.radians(view.turn_deg), -y - view.camera_above_mm / view.camera_mm, -roll])
    step = 1e-6
    steps = np.vstack([np.zeros(4), step * np.eye(4)])
    five = {k: np.full(5, v) for k, v in q.items()}
    fixed = np.repeat(at[None], 5, axis=0)
    with np.errstate(all="ignore"):
        for _ in range(25):
            seen = _seen(pose + steps, fixed, names, five, view)
            residual = seen["r"]
            if not np.isfinite(residual).all():
                break
            jacobian = (residual[1:] - residual[0]).T / step
            if float(np.abs(residual[0]).max()) < 1e-9:
                return {k: float(v[0]) for k, v in seen.items() if k != "r"}, Found(pose, jacobian)
            try:
                change = np.linalg.solve(jacobian, residual[0])
            except np.linalg.LinAlgError:
                break
            pose = pose - np.clip(change, -0.3, 0.3)
    raise BadPoints("reference", _NO_CAMERA)


def solve_near(at: Array, names: tuple[str, ...], q: Mapping[str, Array], view: View, found: Found) -> dict[str, Array]:
    """The same for many rows that differ little from what was found: its Jacobian serves for all of them."""
    inverse = np.linalg.inv(found.jacobian).T
    pose = np.repeat(found.pose[None], at.shape[0], axis=0)
    with np.errstate(all="ignore"):
        for _ in range(40):
            seen = _seen(pose, at, names, q, view)
            if float(np.abs(seen["r"]).max()) < 1e-8:
                return seen
            pose = pose - seen["r"] @ inverse
    raise BadPoints("reference", _NO_CAMERA)
