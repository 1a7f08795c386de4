"""Stand-in outlines: they have the sizes asked for, or say what they can have."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics import boxing, outlines
from dispensing.optics.errors import NotFinite, OutOfRange

SIZES = [(50.0, 40.0), (48.0, 30.0), (56.0, 46.0), (44.0, 44.0), (38.0, 28.0)]


def test_enough_kinds_with_the_standard_names():
    assert len(outlines.SHAPE_KINDS) >= 25
    assert {"round", "oval", "pantoscopic", "quadra", "contour", "aviator", "upswept"} <= set(outlines.SHAPE_KINDS)


@pytest.mark.parametrize("shape", outlines.SHAPE_KINDS)
@pytest.mark.parametrize(("a", "b"), SIZES)
def test_box_and_effective_diameter_are_met(shape, a, b):
    least, most = outlines.reach(a, b, shape)
    for ed in (None, least + 0.3 * (most - least), least + 0.7 * (most - least)):
        radii = outlines.outline_for(a, b, ed, shape)
        assert len(radii) == 120
        t = np.arange(120) * 2 * math.pi / 120
        x, y = np.cos(t) * radii, np.sin(t) * radii
        assert np.ptp(x) == pytest.approx(a, abs=0.01)
        assert np.ptp(y) == pytest.approx(b, abs=0.01)
        assert (x.max() + x.min(), y.max() + y.min()) == pytest.approx((0, 0), abs=0.02)  # origin at the boxed centre
        wanted = outlines.usual_ed(a, b, shape) if ed is None else ed
        assert 2 * max(radii) == pytest.approx(wanted, abs=0.2)
        lens = shapely.Polygon(np.column_stack([x, y]))
        assert lens.is_valid
        assert lens.area / lens.convex_hull.area > 0.98  # no dents


@pytest.mark.parametrize("count", [24, 72, 360, 400])
def test_any_count(count):
    radii = outlines.outline_for(52.0, 38.0, 56.0, "pantoscopic", count)
    shape = boxing.box(radii)
    assert len(radii) == count
    assert (shape.a, shape.b) == pytest.approx((52.0, 38.0), abs=0.01)
    assert shape.ed == pytest.approx(56.0, abs=0.2)


def test_an_ellipse_is_an_ellipse():
    """An oval with its own effective diameter (the greater side) at q = 2: area π a b / 4."""
    shape = boxing.box(outlines.outline_for(50.0, 40.0, None, "oval", 400))
    assert boxing.area(shape) == pytest.approx(math.pi * 50 * 40 / 4, rel=2e-3)


def test_nasal_side_of_an_aviator_is_cut_away():
    radii = outlines.outline_for(58.0, 50.0, None, "aviator")
    lower_nasal, lower_temporal = radii[120 * 330 // 360], radii[120 * 210 // 360]
    assert lower_nasal < lower_temporal - 2.0


@given(st.floats(38, 60), st.floats(0.5, 1.0), st.sampled_from(outlines.SHAPE_KINDS), st.floats(0.15, 0.8))
def test_any_size(a, ratio, shape, where):
    a, b = round(a, 1), round(a * ratio, 1)
    least, most = outlines.reach(a, b, shape)
    found = boxing.box(outlines.outline_for(a, b, round(least + where * (most - least), 1), shape))
    assert (found.a, found.b) == pytest.approx((a, b), abs=0.01)
    assert max(a, b) - 0.02 <= found.ed <= math.hypot(a, b) + 0.02


@pytest.mark.parametrize(
    ("a", "b", "ed", "shape", "argument"),
    [
        (50, 40, 45, "oval", "ed"),  # smaller than the box
        (50, 40, 66, "quadra", "ed"),  # larger than the diagonal
        (50, 40, 60, "octagon", "ed"),  # this shape cannot
        (50, 40, 55, "triangle", "shape"),
        (50, 40, 55, None, "shape"),
        (500, 40, 55, "oval", "a"),
        (50, 2, 55, "oval", "b"),
    ],
)
def test_what_cannot_be_is_said(a, b, ed, shape, argument):
    with pytest.raises(OutOfRange) as found:
        outlines.outline_for(a, b, ed, shape)
    assert found.value.argument == argument


def test_message_names_what_the_shape_can_have():
    least, most = outlines.reach(50, 40, "octagon")
    with pytest.raises(OutOfRange, match=f"{least:.1f} to {most:.1f}"):
        outlines.outline_for(50, 40, 60, "octagon")


def test_not_a_number_and_too_few():
    with pytest.raises(NotFinite):
        outlines.outline_for(float("nan"), 40, 55, "oval")
    with pytest.raises(OutOfRange):
        outlines.outline_for(50, 40, 55, "oval", 12)
