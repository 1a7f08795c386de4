"""Pictures held against their figures: positions, sizes, coverage, and what a wrong number looks like. Outside checks: shapely for
areas and distances, the standard library's XML parser for the SVG, our own exact blank (itself checked against handbook figures)."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import get_args
from xml.etree import ElementTree

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing.case import (
    Adopted,
    Case,
    DrillPoint,
    EarlierPair,
    Frame,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    Method,
    PrescribedLens,
    Prescription,
    Reading,
)
from dispensing.case import Pair as Both
from dispensing.drawings import curves
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import (
    EyeGeometry,
    PairGeometry,
    geometry_of,
    geometry_of_earlier,
    inside,
    near_point,
    outline_points,
    which_inside,
)
from dispensing.drawings.labels import text_box
from dispensing.drawings.methods import METHOD_PICTURES, method_picture
from dispensing.drawings.pair import NEAR_RADIUS, bounds, measuring_picture, near_state, pair_picture
from dispensing.drawings.roles import PAPER, ROLES, css
from dispensing.drawings.shapes import Circle, Picture, Text, moved
from dispensing.drawings.shapes import Path as Line
from dispensing.drawings.svg import svg, thinned
from dispensing.figures import compute
from dispensing.optics import boxing
from dispensing.optics.outlines import outline_for

ROOT = Path(__file__).parents[2]
A, B, DBL = 52.0, 40.0, 18.0
C = A + DBL
OUTLINE = outline_for(A, B, None, "quadra_soft", 400)
NS = {"s": "http://www.w3.org/2000/svg"}


def progressive(from_nose: float | None = 31.5, height: float | None = 21.0, corridor: float = 13.0, **more) -> EyeGeometry:
    fitting = None if from_nose is None or height is None else (C / 2 - from_nose, height - B / 2)
    values = {
        "from_nose": from_nose,
        "height": height,
        "family": "progressive",
        "near": near_point("progressive", fitting, inset=2.5, corridor=corridor),
        "blank_diameter": 70.0,
        "blank_centre": None if fitting is None else (fitting[0], fitting[1] - 4.0),
    }
    return EyeGeometry(**(values | more))


def pair(right: EyeGeometry | None = None, left: EyeGeometry | None = None, **more) -> PairGeometry:
    values = {"a": A, "b": B, "dbl": DBL, "outline": OUTLINE}
    return PairGeometry(right=right or progressive(), left=left or progressive(33.0, 21.5), **(values | more))


def box(shape) -> tuple[float, float, float, float]:
    xs, ys = [p[0] for p in shape.points], [p[1] for p in shape.points]
    return min(xs), min(ys), max(xs), max(ys)


def parsed(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def points_of(d: str) -> list[tuple[float, float]]:
    """An independent reader of path data: absolute M, relative l, z."""
    numbers = [float(n) for n in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", d)]
    x, y = numbers[0], numbers[1]
    found = [(x, y)]
    for dx, dy in zip(numbers[2::2], numbers[3::2], strict=True):
        x, y = x + dx, y + dy
        found.append((x, y))
    return found


# --- positions ------------------------------------------------------------------------------------------------------------


def test_outlines_fill_their_boxes_and_stand_apart_by_the_boxed_centre_distance():
    picture = pair_picture(pair())
    right, left = box(picture.named("right.outline")), box(picture.named("left.outline"))
    assert right == pytest.approx((-C / 2 - A / 2, -B / 2, -C / 2 + A / 2, B / 2), abs=0.01)
    assert left == pytest.approx((C / 2 - A / 2, -B / 2, C / 2 + A / 2, B / 2), abs=0.01)


def test_lenses_mirror_each_other():
    same = progressive()
    picture = pair_picture(pair(same, same))
    for part in ("outline", "fitting"):
        right, left = picture.named(f"right.{part}"), picture.named(f"left.{part}")
        mirrored = sorted((round(-x, 9), round(y, 9)) for x, y in right.points)
        assert mirrored == sorted((round(x, 9), round(y, 9)) for x, y in left.points)


@given(st.floats(24, 40), st.floats(24, 40), st.floats(8, 32), st.floats(8, 32))
def test_fitting_points_stand_at_pd_and_height(right_pd, left_pd, right_height, left_height):
    picture = pair_picture(pair(progressive(right_pd, right_height), progressive(left_pd, left_height)))
    for eye, sign, from_nose, height in (("right", -1, right_pd, right_height), ("left", 1, left_pd, left_height)):
        pupil = picture.named(f"{eye}.pupil")
        assert (pupil.x, pupil.y + B / 2) == pytest.approx((sign * from_nose, height), abs=1e-9)
        shape = picture.named(f"{eye}.fitting")
        at = (
            (shape.x, shape.y)
            if isinstance(shape, Circle)
            else ((shape.points[0][0] + shape.points[1][0]) / 2, shape.points[0][1])
        )
        assert at == pytest.approx((sign * from_nose, height - B / 2), abs=1e-9)


def test_the_near_point_lies_nasal_and_a_corridor_below():
    picture = pair_picture(pair())
    right, left = picture.named("right.near"), picture.named("left.near")
    assert (right.x, right.y) == pytest.approx((-31.5 + 2.5, 21.0 - 20.0 - 13.0))
    assert (left.x, left.y) == pytest.approx((33.0 - 2.5, 21.5 - 20.0 - 13.0))


@pytest.mark.parametrize(("width", "depth"), [(28.0, 19.0), (25.0, 17.5), (24.0, 24.0), (38.0, 38.0)])
def test_a_segment_has_its_width_depth_and_top(width, depth):
    # so low a top that nothing is cut off would not do: draw it on an uncut lens, without an outline
    one = EyeGeometry(
        from_nose=31.5, height=30.0, family="flat_top_bifocal", near=(2.0, 10.0), segment_width=width, segment_depth=depth
    )
    low_x, low_y, high_x, high_y = box(pair_picture(pair(one, one, outline=())).named("right.segment"))
    assert high_x - low_x == pytest.approx(width, abs=0.05)
    assert high_y - low_y == pytest.approx(depth, abs=0.05)
    assert high_y == pytest.approx(10.0, abs=0.05)
    assert (low_x + high_x) / 2 == pytest.approx(-C / 2 + 2.0, abs=0.02)


def test_a_segment_is_cut_at_the_rim():
    one = EyeGeometry(
        from_nose=31.5, height=16.0, family="round_bifocal", near=(3.5, -4.0), segment_width=38.0, segment_depth=38.0
    )
    picture = pair_picture(pair(one, one))
    lens = shapely.Polygon(picture.named("right.outline").points)
    whole = shapely.Point(-C / 2 + 3.5, -4.0 - 19.0).buffer(19.0, quad_segs=64)
    drawn = shapely.Polygon(picture.named("right.segment").points)
    assert drawn.symmetric_difference(whole.intersection(lens)).area < 0.01 * drawn.area
    assert "segment-uncut" in picture.roles()


def test_prism_points_to_its_base_for_both_eyes():
    picture = pair_picture(pair(progressive(prism_in=2.0), progressive(33.0, 21.5, prism_in=2.0)))
    right, left = picture.named("right.prism").points[0], picture.named("left.prism").points[0]
    assert right[0] > -31.5  # in is towards the nose, to the viewer's right for the right eye
    assert left[0] < 33.0
    down = pair_picture(pair(progressive(prism_up=-2.0))).named("right.prism").points[0]
    assert down[0] == pytest.approx(-31.5)
    assert down[1] < 1.0


@pytest.mark.parametrize(
    ("across", "up", "said"),
    [(4.0, 1.5, ["4.00 Δ in,", "1.50 Δ up"]), (-4.0, -1.5, ["4.00 Δ out,", "1.50 Δ down"]), (6.0, 0.0, ["6.00 Δ in"])],
)
def test_words_of_a_prism_stand_clear_of_rim_and_datum_line(across, up, said):
    """A line through a figure makes another figure of it."""
    one = {"family": "single_vision", "near": None, "prism_in": across, "prism_up": up}
    picture = pair_picture(pair(progressive(**one), progressive(33.0, 21.5, **one)))
    words = [s for s in picture.shapes if isinstance(s, Text) and "Δ" in s.text]
    assert [t.text for t in words] == said * 2
    for eye, texts in (("right", words[: len(said)]), ("left", words[len(said) :])):
        rim = shapely.Polygon(picture.named(f"{eye}.outline").points).exterior
        for text in texts:
            stands = shapely.box(*text_box(text))
            assert not stands.intersects(rim), text
            assert not stands.intersects(shapely.LineString([(-99, 0), (99, 0)])), text


def test_drill_points_are_mirrored():
    picture = pair_picture(pair(drill_points=((22.0, 3.5, 1.4), (-23.0, 4.0, 1.4))))
    holes = {(round(s.x, 6), round(s.y, 6), round(2 * s.radius, 6)) for s in picture.shapes if s.role == "drill"}
    assert holes == {(-35 + 22, 3.5, 1.4), (-35 - 23, 4.0, 1.4), (35 - 22, 3.5, 1.4), (35 + 23, 4.0, 1.4)}


def test_dimension_texts_are_the_figures():
    picture = pair_picture(pair(progressive(31.25, 21.0), progressive(33.0, 21.5)))
    said = {
        name: picture.named(name).text
        for name in ("right.pd-text", "left.pd-text", "right.height-text", "left.height-text")
    }
    assert said == {
        "right.pd-text": "31.25",
        "left.pd-text": "33.0",
        "right.height-text": "21.0",
        "left.height-text": "21.5",
    }
    assert picture.named("right.decentration-text").text == "3.75 in"  # 35 − 31.25
    assert {picture.named(n).text for n in ("right.a-text", "left.a-text", "dbl-text", "b-text")} == {
        "52.0",
        "18.0",
        "40.0",
    }


# --- what is wrong looks wrong ----------------------------------------------------------------------------------------------


def test_a_sound_pair_shows_nothing_of_warning():
    assert not {
        r
        for r in pair_picture(pair()).roles()
        if r.endswith("-bad") or r in ("uncovered", "stop-text", "unknown", "near-cut")
    }


@given(st.floats(10, 60), st.floats(2, 60))
def test_a_fitting_point_outside_the_lens_is_crossed_out(from_nose, height):
    picture = pair_picture(pair(progressive(from_nose, height)))
    lens, point = shapely.Polygon(outline_points(OUTLINE)), shapely.Point(C / 2 - from_nose, height - B / 2)
    if lens.exterior.distance(point) < 0.001:
        return
    assert ("fitting-bad" in {s.role for s in picture.shapes}) == (not lens.contains(point))
    # and it is within the window, however far off it is
    assert abs(picture.named("right.pupil").x) < picture.width / 2
    assert picture.bottom < picture.named("right.pupil").y < picture.bottom + picture.height


@settings(max_examples=60)
@given(st.floats(45, 90), st.floats(24, 40), st.floats(8, 30))
def test_a_blank_that_is_too_small_leaves_a_heavy_edge(diameter, from_nose, height):
    centre = (C / 2 - from_nose, height - B / 2)
    one = EyeGeometry(
        from_nose=from_nose, height=height, family="single_vision", blank_diameter=diameter, blank_centre=centre
    )
    needed = boxing.minimum_uncut(boxing.box(OUTLINE), *centre).diameter
    if abs(diameter - needed) < 0.02:
        return
    roles = pair_picture(pair(one)).roles()
    assert ("uncovered" in roles) == (diameter < needed)
    assert ("blank-bad" in roles) == (diameter < needed)


@settings(max_examples=60)
@given(st.floats(24, 40), st.floats(6, 32), st.floats(9, 18))
def test_near_zone_whole_cut_or_outside(from_nose, height, corridor):
    geometry = pair(progressive(from_nose, height, corridor))
    lens, at = shapely.Polygon(geometry.points), shapely.Point(geometry.right.near)
    distance = lens.exterior.distance(at)
    if min(abs(distance - NEAR_RADIUS), distance) < 0.05:
        return
    expected = "out" if not lens.contains(at) else "in" if distance > NEAR_RADIUS else "cut"
    assert near_state(geometry, "right") == expected


def test_a_height_under_the_least_shows_the_least():
    picture = pair_picture(pair(progressive(31.5, 15.0, min_height=17.0)))
    level = picture.named("right.min-height").points[0][1]
    assert level == pytest.approx(17.0 - B / 2)
    assert any(s.role == "unknown-text" and "at least 17.0" in s.text for s in picture.shapes if isinstance(s, Text))


@pytest.mark.parametrize(
    ("eye", "words"),
    [
        (EyeGeometry(from_nose=31.5), "height ?"),
        (EyeGeometry(height=21.0), "PD ?"),
        (EyeGeometry(), "PD ?  height ?"),
        (EyeGeometry(from_nose=31.5, family="single_vision"), "no height stated"),
    ],
)
def test_what_is_missing_stays_open(eye, words):
    picture = pair_picture(pair(eye, eye))
    assert {"unknown", "open"} & picture.roles()
    assert "fitting" not in picture.roles()
    assert sum(isinstance(s, Text) and s.text == words for s in picture.shapes) == 2
    assert "not known" in picture.description


def test_without_a_frame_there_are_open_boxes():
    picture = pair_picture(PairGeometry())
    assert "outline-open" in picture.roles()
    assert "The frame is not known yet." in picture.description


def test_an_earlier_pair_stands_behind_with_its_eyes_at_the_same_level():
    earlier = PairGeometry(
        a=48.0,
        b=36.0,
        dbl=20.0,
        outline=outline_for(48, 36, None, "oval", 200),
        right=progressive(31.0, 18.0),
        left=progressive(32.5, 19.0),
    )
    picture = pair_picture(pair(), earlier=earlier)
    low, high = box(picture.named("right.earlier"))[1::2]
    assert high - low == pytest.approx(36.0, abs=0.02)
    # eyes: ours 1.0 and 1.5 above the datum line, theirs 0.0 and 1.0; so theirs rise by 0.75
    assert (low + high) / 2 == pytest.approx(0.75, abs=0.02)
    assert "dotted: earlier pair" in {s.text for s in picture.shapes if isinstance(s, Text)}


def test_an_earlier_pair_on_record_makes_a_ghost():
    frame = Frame(a=48.0, b=36.0, dbl=20.0, ed=50.0)
    ghost = geometry_of_earlier(
        EarlierPair(frame=frame, far_pd=Both(31.0, 32.5), height=Both(18.0, 19.0), family="progressive")
    )
    picture = pair_picture(pair(), earlier=ghost)
    low_x, _, high_x, _ = box(picture.named("left.earlier"))
    assert high_x - low_x == pytest.approx(48.0, abs=0.02)
    assert (low_x + high_x) / 2 == pytest.approx(34.0, abs=0.02)
    assert ghost.fitting("right") == (3.0, 0.0)
    assert geometry_of_earlier(EarlierPair()) is None
    assert geometry_of_earlier(EarlierPair(frame=Frame(a=48.0))) is None


def test_a_change_shows_where_the_point_was():
    picture = pair_picture(pair(), before=pair(progressive(33.0, 19.0)))
    (x0, y), (x1, _) = picture.named("right.before").points
    assert ((x0 + x1) / 2, y) == pytest.approx((-33.0, -1.0))
    with pytest.raises(KeyError):
        picture.named("left.before")


def test_the_window_does_not_jump_while_numbers_are_typed():
    windows = {
        (p.left, p.bottom, p.width, p.height)
        for p in (pair_picture(pair(progressive(r, h))) for r in (25.0, 31.5, 36.0) for h in (17.0, 21.0, 26.0))
    }
    assert len(windows) == 1


@settings(max_examples=80, deadline=None)
@given(
    st.floats(44, 60),
    st.floats(28, 46),
    st.floats(14, 22),
    st.floats(27, 36),
    st.floats(27, 36),
    st.floats(-1, 6),
    st.sampled_from([0.0, 1.0, 3.0]),
)
def test_labels_keep_out_of_each_others_way(a, b, dbl, right_pd, left_pd, rise, prism):
    c = a + dbl
    if not all(-8 < c / 2 - v < 12 for v in (right_pd, left_pd)):
        return

    def eye(from_nose):
        fitting = (c / 2 - from_nose, rise)
        return EyeGeometry(
            from_nose=from_nose,
            height=b / 2 + rise,
            family="progressive",
            near=near_point("progressive", fitting, inset=2.5, corridor=11.0),
            prism_in=prism,
            prism_up=-prism,
        )

    picture = pair_picture(
        PairGeometry(
            a=a, b=b, dbl=dbl, outline=outline_for(a, b, None, "quadra_soft", 120), right=eye(right_pd), left=eye(left_pd)
        )
    )
    boxes = [(s.text, text_box(s)) for s in picture.shapes if isinstance(s, Text)]
    for i, (one, p) in enumerate(boxes):
        for other, q in boxes[i + 1 :]:
            wide, high = min(p[2], q[2]) - max(p[0], q[0]), min(p[3], q[3]) - max(p[1], q[1])
            assert not (wide > 0.3 and high > 0.3), (one, other)


# --- SVG ------------------------------------------------------------------------------------------------------------------


def test_svg_keeps_the_box_of_the_outline_and_the_names():
    root = parsed(svg(pair_picture(pair()), css_class="live", ident="pair"))
    assert root.get("class") == "pic live"
    assert root.get("role") == "img"
    title, desc = root.find("s:title", NS), root.find("s:desc", NS)
    assert root.get("aria-labelledby").split() == [title.get("id"), desc.get("id")]
    assert "Right: far PD 31.5 mm, fitting height 21.0 mm" in desc.text
    assert "Left: far PD 33.0 mm, fitting height 21.5 mm" in desc.text
    outline = root.find(".//s:path[@data-part='right.outline']", NS)
    points = points_of(outline.get("d"))
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    assert (max(xs) - min(xs), max(ys) - min(ys)) == pytest.approx((A, B), abs=0.011)
    assert not [e for e in root.iter() if e.get("style")]
    _, top, width, height = map(float, root.get("viewBox").split())
    assert top < -B / 2 - 9
    assert width > C + A
    assert height > B


def test_svg_escapes_what_it_is_given():
    hostile = '</desc><script>alert(1)</script>&"'
    picture = Picture(0, 0, 10, 10, (Text("dim-text", 1, 1, hostile, name=hostile),), hostile, hostile)
    root = parsed(svg(picture, css_class='"><b>', ident="'x\""))
    assert root.find("s:desc", NS).text == hostile
    assert not root.findall(".//s:script", NS)
    assert root.find("s:text", NS).text == hostile


@settings(max_examples=40)
@given(st.lists(st.tuples(st.floats(-40, 40), st.floats(-40, 40)), min_size=2, max_size=60))
def test_path_data_neither_drifts_nor_loses_points(points):
    picture = Picture(0, 0, 1, 1, (Line("dim", tuple(points)),), "")
    d = parsed(svg(picture)).find("s:path", NS).get("d")
    found = points_of(d)
    kept = thinned(points)
    assert len(found) == len(kept)
    for (x, y), (px, py) in zip(found, kept, strict=True):
        assert (x, -y) == pytest.approx((px, py), abs=0.0051)


@pytest.mark.parametrize("shape", ["oval", "quadra_soft", "pantoscopic", "hexagon"])
def test_thinned_outlines_stay_within_a_hundredth_of_a_millimetre(shape):
    points = outline_points(outline_for(A, B, None, shape, 800))
    fewer = thinned(points, closed=True)
    assert len(fewer) < 260
    assert shapely.Polygon(points).exterior.hausdorff_distance(shapely.Polygon(fewer).exterior) < 0.011
    assert shapely.Polygon(points).bounds == shapely.Polygon(fewer).bounds


def test_a_picture_of_400_point_outlines_is_small():
    assert len(svg(pair_picture(pair(), earlier=pair()))) < 14_000


def test_the_style_sheet_is_the_table_of_roles():
    written = (ROOT / "dispensing/static/dispensing/drawings.css").read_text(encoding="utf-8")
    assert written == css()
    tokens = (ROOT / "practice/static/practice/tokens.css").read_text(encoding="utf-8")
    for name in set(re.findall(r"var\(--([a-z-]+)\)", written)):
        assert f"--{name}:" in tokens
    assert {look.stroke or look.fill for look in ROLES.values()} | {
        look.fill for look in ROLES.values() if look.fill
    } <= set(PAPER)


def test_the_template_tag_draws():
    from django.template import Context, Template

    made = Template('{% load drawings %}{% picture p css_class="pair" ident="live" %}{% picture none %}').render(
        Context({"p": pair_picture(pair())})
    )
    assert made.startswith('<svg class="pic pair" id="live"')
    assert made.count("<svg") == 1


# --- from a Case ----------------------------------------------------------------------------------------------------------


def case(family: str = "progressive", **lens) -> Case:
    design = LensDesign(
        name="Ridgeway",
        family=family,
        corridor_mm=13.0 if family == "progressive" else None,
        segment_width_mm=28.0,
        segment_depth_mm=19.0,
    )
    rx = PrescribedLens(sphere=-4.75, cylinder=-1.25, axis=170.0, add=2.0)
    return Case(
        today=date(2026, 11, 25),
        prescription=Prescription(right=rx, left=replace(rx, sphere=-5.25)),
        frame=Frame(
            identity="T",
            a=A,
            b=B,
            dbl=DBL,
            ed=54.0,
            mount="full_rim",
            outline=OUTLINE,
            front_curve=4.0,
            drill_points=(DrillPoint(x=22, y=3, diameter=1.4),),
        ),
        measurements=Measurements(
            right=Adopted(far_pd=31.5, near_pd=29.5, height=21.0, pupil_height=26.0),
            left=Adopted(far_pd=33.0, near_pd=31.0, height=21.5, pupil_height=26.5),
            readings=(
                Reading(quantity="far_pd", eye="right", value=31.0),
                Reading(quantity="far_pd", eye="right", value=31.5),
                Reading(quantity="height", eye="right", value=20.5),
                Reading(quantity="height", eye="right", value=21.5, reference="datum"),
            ),
        ),
        lens=LensChoice(
            design=design,
            material=Material(name="1.60", nd=1.592, abbe=41, density=1.3),
            blank_diameter_mm=70.0,
            min_centre_mm=1.2,
            min_edge_mm=1.0,
            **lens,
        ),
    )


@pytest.mark.parametrize("family", ["single_vision", "progressive", "degressive", "flat_top_bifocal", "trifocal"])
def test_the_blank_is_drawn_where_the_figures_centre_it(family):
    made = case(family)
    figures = compute(made)
    geometry = geometry_of(made, figures)
    for eye in ("right", "left"):
        f, g = figures.of(eye), geometry.of(eye)
        assert g.blank_centre == pytest.approx((f.reference_x, f.reference_y))
        assert geometry.fitting(eye) == pytest.approx((f.decentration_in, f.decentration_up))


def test_a_case_gives_its_readings_and_its_near_point():
    made = case()
    figures = compute(made)
    g = geometry_of(made, figures).right
    assert g.pd_readings == (31.0, 31.5)
    assert g.height_readings == (20.5,)  # the one against the datum line cannot stand beside it
    assert g.near[0] == pytest.approx(figures.right.decentration_in + figures.right.near_inset)
    assert g.near[1] + B / 2 == pytest.approx(figures.right.corridor_end_height)
    spread = box(pair_picture(geometry_of(made, figures)).named("right.spread"))
    assert spread[2] - spread[0] == pytest.approx(0.5)


def test_the_pupil_stands_above_a_segment_top():
    made = case("flat_top_bifocal")
    picture = pair_picture(geometry_of(made, compute(made)))
    assert picture.named("right.pupil").y == pytest.approx(26.0 - B / 2)


def test_a_near_pair_is_dimensioned_by_the_near_pd():
    from dispensing.case import Needs

    made = replace(case("single_vision"), needs=Needs(uses=("near",)))
    g = geometry_of(made, compute(made)).right
    assert (g.centred_for, g.from_nose) == ("near", 29.5)
    assert "near PD 29.5 mm" in pair_picture(geometry_of(made, compute(made))).description


def test_a_frame_without_a_trace_is_drawn_with_the_outline_the_figures_stand_on():
    made = case()
    made = replace(made, frame=replace(made.frame, outline=()))
    geometry = geometry_of(made, compute(made))
    assert not geometry.outline_traced
    bounds = shapely.Polygon(geometry.points).bounds
    assert bounds == pytest.approx((-A / 2, -B / 2, A / 2, B / 2), abs=0.02)
    assert len(compute(made).right.edge_profile) == len(geometry.outline)


@pytest.mark.parametrize("empty", [Case(today=date(2026, 11, 25)), Case(today=date(2026, 11, 25), frame=Frame(a=50.0))])
def test_any_case_can_be_drawn(empty):
    assert pair_picture(geometry_of(empty, compute(empty))).shapes


# --- thickness ------------------------------------------------------------------------------------------------------------


def test_the_edge_is_drawn_to_scale():
    made = case()
    geometry = geometry_of(made, compute(made))
    picture = edge_picture(geometry)
    for eye in ("right", "left"):
        profile = geometry.of(eye).edge_profile
        _, low, _, high = box(picture.named(f"{eye}.edge"))
        assert high - low == pytest.approx(max(profile), abs=1e-6)
        section = picture.named(f"{eye}.section").points
        half = len(section) // 2
        front, back = section[:half], section[half:][::-1]
        ends = {round(b[1] - f[1], 6) for f, b in ((front[0], back[0]), (front[-1], back[-1]))}
        assert ends == {round(profile[0], 6), round(profile[len(profile) // 2], 6)}
        thinnest = min(b[1] - f[1] for f, b in zip(front, back, strict=True))
        assert thinnest == pytest.approx(geometry.of(eye).centre_thickness, abs=0.02)
        assert max(abs(f[0] - b[0]) for f, b in zip(front, back, strict=True)) < 1e-9
    assert "thickest" in picture.description


def test_no_section_without_thickness():
    assert edge_picture(pair()) is None


# --- shapes ---------------------------------------------------------------------------------------------------------------


def test_shapes_move():
    assert moved(Line("dim", ((0, 0), (1, 2))), 3, -1).points == ((3, -1), (4, 1))
    assert moved(Circle("dim", 1, 1, 5), 3, -1) == Circle("dim", 4, 0, 5)


@given(st.floats(-30, 30), st.floats(-30, 30))
def test_inside_agrees_with_shapely(x, y):
    points = outline_points(OUTLINE)
    polygon, point = shapely.Polygon(points), shapely.Point(x, y)
    if polygon.exterior.distance(point) > 1e-6:
        assert inside(points, x, y) == polygon.contains(point)
    assert math.isfinite(polygon.area)


@given(st.lists(st.tuples(st.floats(-30, 30), st.floats(-30, 30)), min_size=1, max_size=40))
def test_many_points_at_once_are_inside_as_each_by_itself(many):
    points = outline_points(OUTLINE)
    many = [*many, *points[:50]]  # the outline's own points too, where rounding decides
    assert which_inside(points, many) == [inside(points, x, y) for x, y in many]


@settings(deadline=None, max_examples=40)
@given(st.floats(-25, 25), st.floats(-25, 25), st.floats(3, 40), st.floats(0.05, 3.2))
def test_edges_that_are_passed_over_would_take_nothing_away(x, y, radius, arc):
    """The segment that is left is the same, point by point, as when every edge of the outline is gone through."""
    points = outline_points(OUTLINE)
    segment = [
        (x + radius * math.cos(-arc + 2 * arc * k / 60), y + radius * math.sin(-arc + 2 * arc * k / 60)) for k in range(61)
    ]
    quick = curves.clip(segment, points)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(curves, "cutting", lambda subject, outline: range(len(outline)))
        assert curves.clip(segment, points) == quick


# --- methods --------------------------------------------------------------------------------------------------------------


def test_every_method_that_is_a_method_has_its_drawing():
    drawn = {m for m in get_args(Method) if method_picture(m) is not None}
    assert drawn == set(get_args(Method)) - {"earlier_record", "other"} == set(METHOD_PICTURES)


@pytest.mark.parametrize("method", sorted(METHOD_PICTURES))
def test_a_method_drawing_stays_in_its_window_and_its_words_apart(method):
    picture = METHOD_PICTURES[method]
    left, bottom, right, top = bounds(picture.shapes)
    assert left >= picture.left
    assert bottom >= picture.bottom
    assert right <= picture.left + picture.width
    assert top <= picture.bottom + picture.height
    assert picture.roles() <= set(ROLES)
    assert picture.description.endswith(".")
    assert len(svg(picture)) < 4000
    words = [text_box(s) for s in picture.shapes if isinstance(s, Text)]
    for i, p in enumerate(words):
        for q in words[i + 1 :]:
            assert min(p[2], q[2]) <= max(p[0], q[0]) or min(p[3], q[3]) <= max(p[1], q[1]) + 0.1


def test_every_role_has_its_look():
    pictures = [
        pair_picture(pair(progressive(31.5, 44.0), EyeGeometry()), earlier=pair(), before=pair(progressive(30.0, 20.0))),
        pair_picture(PairGeometry()),
        measuring_picture(pair()),
        edge_picture(geometry_of(case(), compute(case()))),
    ]
    for picture in pictures:
        assert picture.roles() <= set(ROLES)
