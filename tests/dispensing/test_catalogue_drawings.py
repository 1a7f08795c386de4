"""Pictures of catalogue items: what is drawn has the sizes that are stated."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from dispensing.case import DrillPoint, Frame, LensDesign
from dispensing.drawings.catalogue import design_picture, front_picture, small_front
from dispensing.drawings.shapes import Circle, Path
from dispensing.optics.outlines import outline_for

FRAME = Frame(identity="x", name="Tern", a=52, b=40, dbl=18, mount="full_rim", outline=outline_for(52, 40, 57, "contour"))


def paths(picture, role):
    return [s for s in picture.shapes if isinstance(s, Path) and s.role == role]


def extent(path):
    xs, ys = zip(*path.points, strict=True)
    return min(xs), max(xs), min(ys), max(ys)


def test_a_front_shows_two_lenses_and_nobodys_eyes():
    picture = front_picture(FRAME, date(2026, 3, 1))
    outlines = paths(picture, "outline")
    assert len(outlines) == 2
    for outline in outlines:
        left, right, low, high = extent(outline)
        assert (right - left, high - low) == pytest.approx((52, 40), abs=0.05)
    boxes = sorted(extent(o)[:2] for o in outlines)
    assert boxes[1][0] - boxes[0][1] == pytest.approx(18, abs=0.05)  # distance between lenses
    assert not {"pupil", "unknown", "unknown-text", "fitting"} & picture.roles()


def test_drill_points_are_drawn():
    drilled = replace(FRAME, mount="drilled", drill_points=(DrillPoint(x=20, y=6, diameter=1.4),))
    assert "drill" in front_picture(drilled, date(2026, 3, 1)).roles()


def test_the_small_front_mirrors_one_shape():
    right, left = paths(small_front(FRAME.outline, 52, 18, "Tern"), "outline")
    assert [v for x, y in right.points for v in (-x, y)] == pytest.approx([v for point in left.points for v in point])
    assert max(x for x, _ in right.points) == pytest.approx(-9, abs=0.05)


@pytest.mark.parametrize(("width", "depth"), [(28, 19), (35, 22.5), (40, 20), (25, 17.5)])
def test_a_flat_top_segment_has_its_width_and_depth(width, depth):
    design = LensDesign(
        family="flat_top_bifocal",
        segment_width_mm=width,
        segment_depth_mm=depth,
        segment_centre_below_top_mm=5,
        near_inset_mm=2,
    )
    (segment,) = paths(design_picture(design, 70), "segment")
    left, right, low, high = extent(segment)
    assert (right - left, high - low) == pytest.approx((width, depth), abs=0.05)
    assert (left + right) / 2 == pytest.approx(2, abs=0.05)  # inset towards the nose, which is to the right


def test_a_round_segment_is_a_circle():
    design = LensDesign(family="round_bifocal", segment_width_mm=24, segment_depth_mm=24, segment_centre_below_top_mm=12)
    (segment,) = paths(design_picture(design, 70), "segment")
    left, right, low, high = extent(segment)
    assert (right - left, high - low) == pytest.approx((24, 24), abs=0.05)


def test_a_trifocal_has_its_dividing_line():
    design = LensDesign(
        family="trifocal", segment_width_mm=28, segment_depth_mm=26, intermediate_depth_mm=7, segment_centre_below_top_mm=12
    )
    picture = design_picture(design, 70)
    (segment,), (line,) = paths(picture, "segment"), paths(picture, "segment-line")
    assert extent(segment)[3] - extent(line)[3] == pytest.approx(7, abs=0.05)


@pytest.mark.parametrize("family", ["progressive", "degressive"])
def test_a_corridor_runs_from_the_cross_to_the_near_circle(family):
    design = LensDesign(
        family=family, corridor_mm=13, min_height_mm=17, min_above_mm=10, near_inset_mm=2.5, cross_above_prism_point_mm=4
    )
    picture = design_picture(design, 75)
    (near,) = [s for s in picture.shapes if isinstance(s, Circle) and s.role == "near"]
    assert (near.x, near.y) == (2.5, 4 - 13)
    limits = sorted(extent(p)[2] for p in paths(picture, "limit"))
    assert limits == [4 - 17, 4 + 10]
    marks = [s.x for s in picture.shapes if isinstance(s, Circle) and s.role == "optical-centre"]
    assert marks == [-17, 17]  # permanent marks, 34 mm apart (ISO 8980-2)
    assert "13.0 mm below the cross" in picture.description


def test_every_shape_lies_inside_the_window():
    for design in (
        LensDesign(family="single_vision"),
        LensDesign(family="flat_top_bifocal", segment_width_mm=70, segment_depth_mm=35),
        LensDesign(family="progressive", corridor_mm=18, min_height_mm=22, min_above_mm=12),
    ):
        picture = design_picture(design, 70)
        for path in (s for s in picture.shapes if isinstance(s, Path)):
            left, right, low, high = extent(path)
            assert picture.left <= left
            assert right <= picture.left + picture.width
            assert picture.bottom <= low
            assert high <= picture.bottom + picture.height
