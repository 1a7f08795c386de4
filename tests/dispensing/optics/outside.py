"""The independent ray tracer: optiland, a general-purpose optical design package (test-only), told of one spectacle lens.

Frame as in `dispensing.optics.realray`: origin at the back vertex, z towards the object, x and y facing the wearer. Rays start on the eye's
side. The toric back surface is optiland's own toroid: a circle in y-z revolved, so the lens is turned until its axis lies along x.
"""

from __future__ import annotations

import math
import warnings

import numpy as np

START = 60.0  # mm behind the back vertex, where optiland's rays are launched


def optiland_trace(power, front, thickness_mm, index, points, ways):
    """`points` (n, 3) and unit `ways` (n, 3) on the eye's side → points on the front surface and unit directions beyond it, (n, 3) each.

    `power` is anything with sphere, cylinder and axis; surface powers are worked out here anew, from the textbook formula.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package's own, from its compiler
        return _trace(power, front, thickness_mm, index, points, ways)


def _trace(power, front, thickness_mm, index, points, ways):
    from optiland.materials import IdealMaterial
    from optiland.optic import Optic
    from optiland.rays import RealRays

    sphere, cylinder, axis = power.sphere, power.cylinder, power.axis
    if cylinder > 0:  # the tyre's circle lies across the minus-cylinder axis
        sphere, cylinder, axis = sphere + cylinder, -cylinder, axis + 90.0
    at_back = front / (1.0 - thickness_mm / 1000.0 / index * front)

    def radius(
        surface,
    ):  # of a surface met from the eye's side, z towards the object; a minus back surface bulges towards the object
        return np.inf if abs(surface) < 1e-12 else 1000.0 * (index - 1.0) / surface

    lens = Optic()
    lens.surfaces.add(index=0, thickness=np.inf)
    lens.surfaces.add(index=1, thickness=START, is_stop=True)
    lens.surfaces.add(
        index=2,
        surface_type="toroidal",
        radius=radius(sphere + cylinder - at_back),
        radius_y=radius(sphere + cylinder - at_back),
        radius_x=radius(sphere - at_back),
        thickness=thickness_mm,
        material=IdealMaterial(index),
    )
    lens.surfaces.add(index=3, radius=-radius(front), thickness=10.0)
    lens.surfaces.add(index=4)
    turn = math.radians(-axis)
    spin = np.array([[math.cos(turn), -math.sin(turn), 0.0], [math.sin(turn), math.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    p, w = np.atleast_2d(points) @ spin.T, np.atleast_2d(ways) @ spin.T
    p = p - w * ((p[:, 2] + START) / w[:, 2])[:, None]  # back to the launching plane
    n = len(p)
    rays = RealRays(p[:, 0], p[:, 1], np.zeros(n), w[:, 0], w[:, 1], w[:, 2], np.ones(n), np.full(n, 0.5876))
    lens.surfaces.trace(rays, skip=1)
    found = np.column_stack([rays.L, rays.M, rays.N]) @ spin
    s = lens.surfaces
    at_front = np.column_stack([s.x[-2], s.y[-2], s.z[-2]]) @ spin
    at_front[:, 2] -= START
    return at_front, found
