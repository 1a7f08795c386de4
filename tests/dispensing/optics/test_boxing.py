"""Boxing: worked examples e (published and computed), shapely as the independent method, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from dispensing.optics import boxing
from dispensing.optics.errors import BadOutline, NotFinite, OutOfRange
from tests.dispensing.optics import worked

SHAPES = ("A", "B")


def box_of(name: str) -> boxing.Box:
    return boxing.box(worked.outline(name)["radii_mm"])


def polygon(shape: boxing.Box) -> shapely.Polygon:
    return shapely.Polygon(np.column_stack([shape.x, shape.y]))


@st.composite
def tracings(draw):
    """Lens shapes: an ellipse with a few harmonics, any count, any origin inside."""
    n = draw(st.integers(20, 90))
    a, b = draw(st.floats(36, 62)), draw(st.floats(24, 50))
    t = np.arange(n) * 2 * math.pi / n
    r = 1 / np.sqrt((np.cos(t) / a * 2) ** 2 + (np.sin(t) / b * 2) ** 2)
    for k in (2, 3, 4):
        r = r * (1 + draw(st.floats(-0.05, 0.05)) * np.cos(k * t + draw(st.floats(0, 6.3))))
    return r


@pytest.mark.parametrize("name", SHAPES)
def test_box_of_the_worked_outlines(name):
    data, shape = worked.outline(name), box_of(name)
    assert shape.a == pytest.approx(data["A_mm"], abs=1e-4)
    assert shape.b == pytest.approx(data["B_mm"], abs=1e-4)
    assert (shape.centre_x, shape.centre_y) == pytest.approx(data["box_centre"], abs=1e-4)
    assert boxing.area(shape) == pytest.approx(data["area_mm2"], abs=1e-3)
    assert boxing.perimeter(shape) == pytest.approx(data["perimeter_mm"], abs=1e-3)


@pytest.mark.parametrize("case", worked.cases("e", "e-pub"), ids=str)
def test_published_decentration_and_blank(case):
    i = case.inputs
    if "height_mm" in i:
        worked.expect(case, "vertical", boxing.decentration_up(i["B_mm"], i["height_mm"]))
    elif "CD_mm" in i:
        worked.expect(case, "decentration_each", boxing.decentration_in(i["box_centre_distance_mm"], 0.0, i["CD_mm"] / 2))
    elif "ED_mm" in i:
        dec = boxing.decentration_in(i["A_mm"], i["DBL_mm"], i["PD_mm"] / 2)
        worked.expect(case, "min_blank", boxing.blank_rule(i["ED_mm"], dec, allowance=0.0))
    else:
        worked.expect(case, "decentration_each", boxing.decentration_in(i["A_mm"], i["DBL_mm"], i["PD_mm"] / 2))


@pytest.mark.parametrize("case", worked.cases("e", "e-cmp"), ids=str)
def test_computed_boxing(case):
    i = case.inputs
    if "monoPD_R" in i:
        worked.expect(case, "R_in", boxing.decentration_in(i["A_mm"], i["DBL_mm"], i["monoPD_R"]))
        worked.expect(case, "L_in", boxing.decentration_in(i["A_mm"], i["DBL_mm"], i["monoPD_L"]))
        return
    shape = box_of(i["outline"])
    uncut = boxing.minimum_uncut(shape, i["oc_nasal_mm"], i["oc_up_mm"])
    worked.expect(case, "A", shape.a)
    worked.expect(case, "B", shape.b)
    worked.expect(case, "ED_2x_longest_radius_from_box_centre", shape.ed)
    worked.expect(case, "min_blank_exact_no_allowance", uncut.diameter)
    worked.expect(case, "box_centre_x_from_trace_origin", shape.centre_x)
    worked.expect(case, "box_centre_y_from_trace_origin", shape.centre_y)
    assert uncut.rule - 2.0 == pytest.approx(case.reference["rule_ED+2*dec"], abs=1e-4)
    farthest = case.reference["farthest_vertex_index"]
    assert (uncut.at_x, uncut.at_y) == (shape.x[farthest], shape.y[farthest])
    assert boxing.smallest_circle(shape)[2] == pytest.approx(case.reference["smallest_enclosing_circle_diameter"], abs=1e-4)
    assert boxing.area(shape) == pytest.approx(case.reference["area_mm2"], abs=1e-4)
    assert boxing.perimeter(shape) == pytest.approx(case.reference["perimeter_mm"], abs=1e-4)


def test_known_tables_of_blank_sizes():
    """58□18, PD 58, ED 62: 82 mm by the rule with 2 mm allowance (common practice; a published slip list has it as such)."""
    assert boxing.blank_rule(62, boxing.decentration_in(58, 18, 29)) == 82.0


@pytest.mark.outside
@given(tracings(), st.floats(-6, 6), st.floats(-6, 6))
def test_agrees_with_shapely(radii, dx, dy):
    shape = boxing.box(radii)
    outside = polygon(shape)
    assert outside.is_valid
    left, low, right, high = outside.bounds
    assert (shape.a, shape.b) == pytest.approx((right - left, high - low), abs=1e-9)
    assert boxing.area(shape) == pytest.approx(outside.area, abs=1e-7)
    assert boxing.perimeter(shape) == pytest.approx(outside.length, abs=1e-8)
    assert boxing.centroid(shape) == pytest.approx((outside.centroid.x, outside.centroid.y), abs=1e-8)
    assert boxing.smallest_circle(shape)[2] == pytest.approx(2 * shapely.minimum_bounding_radius(outside), abs=1e-6)
    assert boxing.contains(shape, dx * 5, dy * 5) == outside.contains(shapely.Point(dx * 5, dy * 5))
    away = shapely.hausdorff_distance(outside.exterior, shapely.Point(dx, dy))
    assert boxing.minimum_uncut(shape, dx, dy).diameter == pytest.approx(2 * away, abs=1e-9)
    line = shapely.LineString([(dx, -80), (dx, 80)]).intersection(outside)
    cuts = boxing.vertical_cuts(shape, dx)
    assert (cuts[0], cuts[-1]) == pytest.approx((line.bounds[1], line.bounds[3]), abs=1e-9)


@given(tracings())
def test_uncut_is_never_smaller_than_the_effective_diameter_or_the_smallest_circle(radii):
    shape = boxing.box(radii)
    least = boxing.smallest_circle(shape)
    assert boxing.minimum_uncut(shape).diameter == pytest.approx(shape.ed, abs=1e-9)
    assert least[2] <= shape.ed + 1e-9
    assert boxing.minimum_uncut(shape, least[0], least[1]).diameter == pytest.approx(least[2], abs=1e-6)
    assert max(shape.a, shape.b) - 1e-9 <= shape.ed <= math.hypot(shape.a, shape.b) + 1e-9


@given(tracings(), st.floats(-8, 8), st.floats(-8, 8))
def test_uncut_against_a_frame_of_both_sides(radii, dx, dy):
    """In a shape that is alike on all four sides no decentration needs less than the effective diameter."""
    t = np.arange(len(radii)) * 2 * math.pi / len(radii)
    x, y = radii * np.cos(t), radii * np.sin(t)
    points = shapely.MultiPoint(np.concatenate([np.column_stack([sx * x, sy * y]) for sx in (1, -1) for sy in (1, -1)]))
    hull = np.array(points.convex_hull.exterior.coords)[:-1]
    assume(len(hull) >= boxing.MIN_POINTS)
    shape = boxing.box_of_points(hull[:, 0], hull[:, 1])
    assert boxing.minimum_uncut(shape, dx, dy).diameter >= shape.ed - 1e-9


@given(tracings(), st.floats(-7, 7), st.floats(-7, 7), st.floats(0, 360), st.booleans())
def test_origin_start_and_direction_of_the_tracing_do_not_matter(radii, ox, oy, start, clockwise):
    shape = boxing.box(radii)
    assume(boxing.contains(shape, ox, oy))
    x, y = shape.x - ox, shape.y - oy
    angle, r = np.degrees(np.arctan2(y, x)), np.hypot(x, y)
    order = np.argsort((angle - start) % 360)
    if clockwise:
        order = order[::-1]
    angles = np.unwrap(np.radians(angle[order])) * 180 / math.pi
    assume(np.all(np.diff(angles) > 0) or np.all(np.diff(angles) < 0))
    again = boxing.box(r[order], angles_deg=angles)
    assert (again.a, again.b, again.ed) == pytest.approx((shape.a, shape.b, shape.ed), abs=1e-9)
    assert boxing.area(again) == pytest.approx(boxing.area(shape), abs=1e-8)
    assert (again.centre_x, again.centre_y) == pytest.approx((-ox, -oy), abs=1e-9)


def test_left_lens_traced_from_temporal():
    """The mirror image of B, traced anticlockwise from the observer's right, starts temporal and goes up."""
    right = box_of("B")
    radii = worked.outline("B")["radii_mm"]
    left = boxing.box([radii[(20 - k) % 40] for k in range(40)], start_deg=180.0, clockwise=True)
    assert (left.a, left.b, left.ed, left.ed_at_deg) == pytest.approx((right.a, right.b, right.ed, right.ed_at_deg))
    assert boxing.minimum_uncut(left, 3, 1).diameter == pytest.approx(boxing.minimum_uncut(right, 3, 1).diameter)


def test_resampling_keeps_the_shape():
    shape = box_of("B")
    again = boxing.box(boxing.radii(shape, 400))
    assert (again.a, again.b, again.ed) == pytest.approx((shape.a, shape.b, shape.ed), abs=0.05)
    assert boxing.area(again) == pytest.approx(boxing.area(shape), abs=0.6)
    assert polygon(again).symmetric_difference(polygon(shape)).area < 0.6


BAD = [
    ([], BadOutline, "is empty"),
    ([20.0] * 8, BadOutline, "at least 16"),
    ([20.0] * 20 + [float("nan")], NotFinite, "finite"),
    ([20.0] * 20 + [float("inf")], NotFinite, "finite"),
    ([20.0] * 20 + [-1.0], BadOutline, "not positive"),
    ([20.0] * 20 + [0.0], BadOutline, "not positive"),
    ([200.0] * 40, OutOfRange, "not that of a spectacle lens"),
    ([2.0] * 40, OutOfRange, "not that of a spectacle lens"),
    ("radii", BadOutline, "list of numbers"),
    (None, BadOutline, "."),
]


@pytest.mark.parametrize(("radii", "error", "says"), BAD)
def test_bad_outlines_are_named(radii, error, says):
    with pytest.raises(error) as found:
        boxing.box(radii)
    assert says in str(found.value)
    assert found.value.argument in ("radii", "outline")


def test_self_crossing_is_refused():
    t = np.arange(40) * 2 * math.pi / 40
    x, y = 25 * np.cos(t), 18 * np.sin(2 * t)  # a figure of eight
    assert not shapely.Polygon(np.column_stack([x, y])).is_valid
    with pytest.raises(BadOutline, match="crosses itself"):
        boxing.box_of_points(x, y)
    with pytest.raises(BadOutline, match="crosses itself"):
        boxing.box([20.0] * 20, angles_deg=[*range(0, 190, 10), 175])


def test_points_closed_or_open_are_one():
    shape = box_of("A")
    closed = boxing.box_of_points([*shape.x, shape.x[0]], [*shape.y, shape.y[0]])
    assert boxing.area(closed) == pytest.approx(boxing.area(shape))


def test_a_line_beside_the_lens_cuts_nothing():
    assert boxing.vertical_cuts(box_of("A"), 40.0) == ()
    assert not boxing.contains(box_of("A"), 40.0, 0.0)
    with pytest.raises(NotFinite):
        boxing.contains(box_of("A"), 0.0, float("nan"))
