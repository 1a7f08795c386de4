"""Heights and parallax: worked examples m and k, shapely, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics import boxing, heights
from dispensing.optics.errors import NotFinite, OutOfRange
from tests.dispensing.optics import worked


def box_of(name: str) -> boxing.Box:
    return boxing.box(worked.outline(name)["radii_mm"])


@pytest.mark.parametrize("case", worked.cases("m"), ids=str)
def test_worked_heights(case):
    i = case.inputs
    if "bevel_depth_mm" in i:
        worked.expect(
            case, "height_above_lens_edge", heights.add_groove(i["height_above_inner_rim_mm"], i["bevel_depth_mm"])
        )
        return
    shape, x = box_of(i["outline"]), i["pupil_nasal_of_box_centre_mm"]
    if "height_above_local_rim_mm" in i:
        found = heights.heights(shape, x, i["height_above_local_rim_mm"], "rim_below_pupil")
    else:
        found = heights.heights(shape, x, i["height_above_lower_box_tangent_mm"], "box")
    got = {
        "height_above_datum_line": found.datum,
        "height_above_local_rim_point": found.rim_below_pupil,
        "height_above_lower_box_tangent": found.box,
        "rim_above_lower_tangent": found.box - found.rim_below_pupil,
        "B": shape.b,
    }
    for name in case.expected:
        worked.expect(case, name, got[name])


@pytest.mark.parametrize("case", worked.cases("k"), ids=str)
def test_worked_parallax(case):
    i = case.inputs
    if case.identity == "k-cmp-00":
        # both lines run through the centres of rotation to one point: each eye's reading is half
        half = heights.pd_reading_one_eye(
            i["PD_mm"] / 2,
            0.0,
            i["distance_observer_to_spectacle_plane_mm"],
            13.5,
            looking="observer",
            rotation_centre_mm=13.5,
        )
        worked.expect(case, "reading", 2 * half)
    elif "panto_deg" in i:
        got = heights.height_parallax(
            i["observer_eye_above_client_mm"],
            i["observer_to_lens_mm"],
            i["vertex_at_straight_ahead_point_mm"],
            pantoscopic_deg=i["panto_deg"],
            entrance_pupil_mm=i["entrance_pupil_depth_mm"],
        )
        worked.expect(case, "error_along_lens", got)
    elif "observer_eye_above_client_mm" in i:
        args = (i["observer_eye_above_client_mm"], i["observer_to_lens_plane_mm"], i["vertex_mm"])
        got = heights.height_parallax(*args, entrance_pupil_mm=i["entrance_pupil_depth_mm"])
        worked.expect(case, "apparent_height_error", got)
        at_observer = next(v for k, v in case.reference.items() if k.startswith("if_client_fixates"))
        assert heights.height_parallax(*args, looking="observer") == pytest.approx(at_observer, abs=1e-4)
    elif "observer_PD_mm" in i:
        args = (i["PD_mm"], i["observer_PD_mm"], i["observer_to_lens_plane_mm"], i["vertex_mm"])
        worked.expect(case, "reading_line_through_entrance_pupil", heights.pd_reading_alternate(*args, looking="far"))
        worked.expect(case, "reading_line_through_CoR", heights.pd_reading_alternate(*args))
    else:
        off, half = i["observer_offset_towards_client_left_mm"], i["PD_mm"] / 2
        r = heights.pd_reading_one_eye(half, -off, i["observer_to_lens_plane_mm"], i["vertex_mm"])
        left = heights.pd_reading_one_eye(half, off, i["observer_to_lens_plane_mm"], i["vertex_mm"])
        worked.expect(case, "mono_R", r)
        worked.expect(case, "mono_L", left)
        worked.expect(case, "sum", r + left)


@pytest.mark.outside
@pytest.mark.parametrize("name", ["A", "B"])
@given(x=st.floats(-20, 20))
def test_rim_below_agrees_with_shapely(name, x):
    shape = box_of(name)
    lens = shapely.Polygon(np.column_stack([shape.x, shape.y]))
    line = shapely.LineString([(x, -60), (x, 60)]).intersection(lens)
    assert heights.rim_above_tangent(shape, x) == pytest.approx(line.bounds[1] + shape.b / 2, abs=1e-9)


@given(
    st.sampled_from(["A", "B"]),
    st.floats(-15, 15),
    st.floats(5, 35),
    st.sampled_from(["box", "rim_below_pupil", "datum", "visible_rim"]),
    st.floats(0, 1),
)
def test_there_and_back(name, x, value, reference, groove):
    shape = box_of(name)
    found = heights.heights(shape, x, value, reference, groove)
    for other in ("box", "rim_below_pupil", "datum", "visible_rim"):
        assert heights.to_box(shape, x, getattr(found, other), other, groove) == pytest.approx(found.box, abs=1e-9)
    assert found.box >= found.rim_below_pupil - 1e-9 >= found.visible_rim - 2e-9


@given(st.floats(-150, 150), st.floats(300, 900), st.floats(8, 18))
def test_parallax_is_odd_level_is_none_and_looking_at_the_observer_is_worse(above, distance, vertex):
    error = heights.height_parallax(above, distance, vertex)
    assert heights.height_parallax(-above, distance, vertex) == pytest.approx(-error, abs=1e-12)
    assert heights.height_parallax(0.0, distance, vertex) == 0.0
    assert abs(heights.height_parallax(above, distance, vertex, looking="observer")) >= abs(error)


def test_parallax_by_vectors():
    """The same line cut with a tilted plane, by plain vector algebra (z towards the observer, y up, lens through the origin)."""
    above, distance, vertex, tilt = 60.0, 450.0, 13.0, math.radians(10.0)
    pupil, observer = np.array([0.0, -(vertex + 3.0)]), np.array([above, distance])
    along = np.array([math.cos(tilt), math.sin(tilt)])  # of the lens, upwards: pantoscopic, the top lies forward
    t = np.linalg.solve(np.column_stack([along, -(observer - pupil)]), pupil)
    assert heights.height_parallax(above, distance, vertex, pantoscopic_deg=10.0) == pytest.approx(t[0], abs=1e-9)


def test_errors_name_the_argument():
    shape = box_of("A")
    with pytest.raises(OutOfRange, match="beside the lens"):
        heights.to_box(shape, 60.0, 20.0, "rim_below_pupil")
    with pytest.raises(NotFinite):
        heights.to_box(shape, 0.0, float("nan"), "box")
    with pytest.raises(OutOfRange, match="observer_distance_mm"):
        heights.height_parallax(10.0, 0.0, 13.0)
    with pytest.raises(OutOfRange, match="groove"):
        heights.add_groove(19.0, -1.0)
