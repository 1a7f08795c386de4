"""Is a slip consequential? Judged apart from the checks: plain arithmetic against ISO 21987 figures (from memory; see README).

The lens that would be made from the slipped record is compared with the one the correct record asks for, in the true place.
"""

from __future__ import annotations

import math

import numpy as np

from dispensing.case import MULTIFOCAL, Case, PrescribedLens


def matrix(sphere: float, cylinder: float, axis: float) -> np.ndarray:
    """Dioptric power matrix, x to the right as seen facing the client, y up (Long 1976; Keating 1981)."""
    t = math.radians(axis)
    s, c = math.sin(t), math.cos(t)
    return np.array([[sphere + cylinder * s * s, -cylinder * s * c], [-cylinder * s * c, sphere + cylinder * c * c]])


def of(x: PrescribedLens) -> np.ndarray:
    return matrix(x.sphere or 0.0, x.cylinder or 0.0, x.axis or 180.0)


def power_tolerance(f: float) -> float:
    """ISO 21987 Table 1, each principal meridian (from memory)."""
    f = abs(f)
    return 0.12 if f <= 9 else 0.18 if f <= 12 else 0.25 if f <= 20 else 0.37


def axis_tolerance(cylinder: float) -> float:
    """ISO 21987 Table 3, degrees (from memory for the middle rows)."""
    c = abs(cylinder)
    for limit, degrees in ((0.125, 90), (0.25, 16), (0.5, 9), (0.75, 6), (1.5, 4), (2.5, 3)):
        if c <= limit:
            return degrees
    return 2


def prism_tolerance_h(f: float) -> float:
    return 0.67 if abs(f) <= 3.25 else 0.2 * abs(f)


def prism_tolerance_v(f: float) -> float:
    return 0.50 if abs(f) <= 5 else 0.1 * abs(f)


def _ordered(case: Case, eye: str) -> np.ndarray:
    o = case.lens.ordered(eye)  # type: ignore[arg-type]
    if o is not None and case.lens.compensation != "none":
        return matrix(o.sphere, o.cylinder, o.axis or 180.0)
    return of(case.prescription.of(eye))  # type: ignore[union-attr, arg-type]


def _at_eye(case: Case, eye: str) -> np.ndarray:
    """Power at the tested vertex distance, from what is ordered and the vertex distance worn."""
    m = _ordered(case, eye)
    tested, worn = case.prescription.vertex_mm, case.fit.vertex_mm  # type: ignore[union-attr]
    if tested is None or worn is None or np.abs(m).max() < 5:
        return m
    values, vectors = np.linalg.eigh(m)
    x = (worn - tested) / 1000
    return vectors @ np.diag(values / (1 - x * values)) @ vectors.T


def consequential(true: Case, slipped: Case) -> bool:
    """Power, addition, prism or place beyond ISO 21987 when the slipped record is made and worn by the true person."""
    rx, sx = true.prescription, slipped.prescription
    assert rx is not None
    assert sx is not None
    horizontal = vertical = 0.0
    strongest_h = strongest_v = 0.0
    family = true.lens.design.family if true.lens.design else "single_vision"
    for eye, sign in (("right", 1.0), ("left", -1.0)):
        a, b = rx.of(eye), sx.of(eye)  # type: ignore[arg-type]
        m1, m2 = _at_eye(true, eye), _at_eye(slipped, eye)
        top = float(np.abs(np.linalg.eigvalsh(m1)).max())
        if float(np.abs(np.linalg.eigvalsh(m2 - m1)).max()) > power_tolerance(top) + 1e-9:
            return True
        if a.cylinder and b.cylinder and abs(a.cylinder - b.cylinder) < 0.01 and a.axis and b.axis:
            turn = abs((a.axis - b.axis + 90) % 180 - 90)
            if turn > axis_tolerance(a.cylinder):
                return True
        if family in MULTIFOCAL and abs((a.add or 0) - (b.add or 0)) > 0.12:
            return True
        horizontal += (b.prism_in or 0.0) - (a.prism_in or 0.0)
        vertical += sign * ((b.prism_up or 0.0) - (a.prism_up or 0.0))
        # where the lens would sit, against where it should
        dx = dy = 0.0
        p, q = true.measurements.of(eye), slipped.measurements.of(eye)  # type: ignore[arg-type]
        f, g = true.frame, slipped.frame
        assert f is not None
        assert g is not None
        if None not in (p.far_pd, q.far_pd, f.c, g.c):
            dx = (g.c / 2 - q.far_pd) - (f.c / 2 - p.far_pd)  # type: ignore[operator]
        if None not in (p.near_pd, q.near_pd) and family == "single_vision" and "near" in true.needs.uses:
            dx = max(dx, p.near_pd - q.near_pd, key=abs)  # type: ignore[operator]
        if p.height is not None and q.height is not None and f.b and g.b:
            dy = (q.height - g.b / 2) - (p.height - f.b / 2)
        if family in ("progressive", "degressive") and (abs(dx) > 1.0 or abs(dy) > 1.0):
            return True
        if family in MULTIFOCAL and abs(dy) > 1.0:
            return True
        if family in MULTIFOCAL and p.near_pd is not None and q.near_pd is not None and abs(p.near_pd - q.near_pd) > 1.0:
            return True
        horizontal += dx / 10 * float(m1[0, 0])
        vertical += sign * dy / 10 * float(m1[1, 1])
        strongest_h, strongest_v = max(strongest_h, abs(m1[0, 0])), max(strongest_v, abs(m1[1, 1]))
    return abs(horizontal) > prism_tolerance_h(strongest_h) + 1e-9 or abs(vertical) > prism_tolerance_v(strongest_v) + 1e-9
