"""The substance of a made lens, traced: from its thickness alone follow power, axis, prism and base direction.

Independent method: the front is the sphere that was asked for, the back lies one thickness behind it, and rays from a distant object are
refracted at both by Snell's law in vector form, with normals by finite differences. Nothing is known here of tori, wedges or of how the
thickness was found. What leaves the lens is held against the ordered matrix S·I + C·(1 - aaᵀ), a along the axis (Long 1976), and against
light turning towards the base (Prentice).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from dispensing.optics import thickness
from dispensing.optics.thickness import Spec, nasal_axis

STEP = 0.25  # mm: rays this far from the reference point


def _refract(way, normal, ratio):
    """Snell's law as a vector; `normal` against the light."""
    cos = -float(normal @ way)
    inside = ratio * way + (ratio * cos - math.sqrt(1.0 - ratio * ratio * (1.0 - cos * cos))) * normal
    return inside / np.linalg.norm(inside)


class Traced:
    """Surfaces over the plane of the boxed centre, z from the object to the eye, mm."""

    def __init__(self, spec: Spec, centre: float) -> None:
        self.spec, self.lens = spec, thickness.make(spec, centre)
        self.radius = 530.0 / spec.front_curve

    def front(self, x, y):
        return self.radius - math.sqrt(self.radius**2 - (x - self.spec.at_x) ** 2 - (y - self.spec.at_y) ** 2)

    def back(self, x, y):
        return self.front(x, y) + float(thickness.profiles([self.lens], np.array([x]), np.array([y]))[0, 0])

    @staticmethod
    def normal(surface, x, y):
        h = 1e-3
        across = (surface(x + h, y) - surface(x - h, y)) / (2 * h)
        up = (surface(x, y + h) - surface(x, y - h)) / (2 * h)
        n = np.array([across, up, -1.0])
        return n / np.linalg.norm(n)

    def ray(self, x, y):
        """Where on the back, and with which slope, the ray leaves that met the front at x, y parallel to the axis."""
        at = np.array([x, y, self.front(x, y)])
        way = _refract(np.array([0.0, 0.0, 1.0]), self.normal(self.front, x, y), 1.0 / self.spec.index)

        def gap(length):
            p = at + length * way
            return p[2] - self.back(p[0], p[1])

        p = at + brentq(gap, 0.0, 40.0, xtol=1e-13) * way
        out = _refract(way, self.normal(self.back, p[0], p[1]), self.spec.index)
        return p[:2], out[:2] / out[2]


def power_and_prism(spec: Spec, centre: float):
    """The matrix of the back vertex power, D, and the slope of the ray through the reference point."""
    lens = Traced(spec, centre)
    columns, places = [], []
    for dx, dy in ((STEP, 0.0), (0.0, STEP)):
        a, slope_a = lens.ray(spec.at_x + dx, spec.at_y + dy)
        b, slope_b = lens.ray(spec.at_x - dx, spec.at_y - dy)
        columns.append((slope_a - slope_b) * 1000.0)
        places.append(a - b)
    matrix = -np.array(columns).T @ np.linalg.inv(np.array(places).T)
    _, through = lens.ray(spec.at_x, spec.at_y)
    return matrix, through


def ordered(sphere, cylinder, nasal_axis_deg):
    along = np.array([math.cos(math.radians(nasal_axis_deg)), math.sin(math.radians(nasal_axis_deg))])
    return sphere * np.eye(2) + cylinder * (np.eye(2) - np.outer(along, along))


LENSES = [(-9.0, 0.0, 180), (-6.0, -2.0, 35), (-1.25, -3.5, 120), (0.0, -0.75, 65), (2.0, 1.5, 10), (5.0, -4.0, 150)]


@pytest.mark.outside
@pytest.mark.parametrize(("sphere", "cylinder", "axis"), LENSES)
@pytest.mark.parametrize("eye", ["right", "left"])
@pytest.mark.parametrize(("at_x", "at_y"), [(0.0, 0.0), (3.5, 2.0)])
def test_a_toric_lens_has_its_power_where_it_is_centred(sphere, cylinder, axis, eye, at_x, at_y):
    """Oblique cylinders of both eyes, centred and decentred: 0.005 D in every meridian, no prism at the reference point."""
    turned = nasal_axis(axis, eye)
    spec = Spec(
        sphere=sphere, cylinder=cylinder, axis_deg=turned, index=1.6,
        front_curve=thickness.base_curve(sphere, cylinder), at_x=at_x, at_y=at_y,
    )  # fmt: skip
    matrix, through = power_and_prism(spec, 4.0 if sphere > 0 else 1.5)
    np.testing.assert_allclose(matrix, ordered(sphere, cylinder, turned), atol=0.005)
    np.testing.assert_allclose(through, 0.0, atol=1e-6)


@pytest.mark.outside
@pytest.mark.parametrize(("sphere", "cylinder", "axis"), LENSES)
@pytest.mark.parametrize(("prism_in", "prism_up"), [(3.0, 0.0), (-2.0, 1.0), (0.0, -4.0)])
def test_prism_is_worked_where_it_is_asked_for(sphere, cylinder, axis, prism_in, prism_up):
    """Light leaves the reference point turned towards the base, by what was ordered (0.001 Δ), in a decentred oblique toric lens; the
    power is kept within 0.07 D (a wedge is met aslant)."""
    spec = Spec(
        sphere=sphere, cylinder=cylinder, axis_deg=axis, index=1.6, front_curve=thickness.base_curve(sphere, cylinder),
        prism_in=prism_in, prism_up=prism_up, at_x=2.5, at_y=-1.5,
    )  # fmt: skip
    matrix, through = power_and_prism(spec, 5.0 if sphere > 0 else 2.5)
    np.testing.assert_allclose(100.0 * through, [prism_in, prism_up], atol=0.001)
    np.testing.assert_allclose(matrix, ordered(sphere, cylinder, axis), atol=0.07)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("sphere", "cylinder", "axis"), [(-6.0, -2.0, 35), (-2.0, -3.0, 120), (2.0, 1.5, 10), (5.0, -4.0, 150)]
)
@pytest.mark.parametrize("eye", ["right", "left"])
def test_edges_of_a_pair_in_the_written_frame(sphere, cylinder, axis, eye):
    """Independent: optiland's toroid over the lens as one sees it facing the client, x to the right in both eyes, axis as it is written,
    centred by PD alone. What a Case gives for the thickest and the thinnest edge of each eye is the same (1e-6 mm)."""
    from dataclasses import replace

    from dispensing.case import PrescribedLens
    from dispensing.figures import compute
    from dispensing.optics import boxing
    from tests.dispensing.checks.build import SINGLE
    from tests.dispensing.optics.test_thickness import optiland_sags, outline

    shape = outline("A")
    radii = np.hypot(shape.x, shape.y)
    case = replace(
        SINGLE,
        prescription=replace(SINGLE.prescription, **{eye: PrescribedLens(sphere=sphere, cylinder=cylinder, axis=axis)}),
        frame=replace(SINGLE.frame, outline=tuple(float(r) for r in radii), a=shape.a, b=shape.b, ed=None),
    )
    lens = compute(case).of(eye)
    box = boxing.box(case.frame.outline)
    towards_nose = (case.frame.a + case.frame.dbl) / 2 - case.measurements.of(eye).far_pd
    to_the_right = 1.0 if eye == "right" else -1.0  # the nose lies to one's right of a right lens
    spec = Spec(
        sphere=sphere, cylinder=cylinder, axis_deg=axis, index=case.lens.material.nd,
        front_curve=lens.front_curve, at_x=to_the_right * towards_nose, at_y=0.0,
    )  # fmt: skip
    edge = optiland_sags(spec, lens.centre_thickness, to_the_right * box.x, box.y)
    assert lens.edge_thickest == pytest.approx(edge.max(), abs=1e-6)
    assert lens.edge_thinnest == pytest.approx(edge.min(), abs=1e-6)
