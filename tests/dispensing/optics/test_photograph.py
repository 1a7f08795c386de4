"""The photograph method against a pinhole camera written independently (`pinhole.py`): points, drawn pictures, Monte-Carlo."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing.optics import photograph as ph
from dispensing.optics.errors import BadPoints, NotFinite, OutOfRange
from dispensing.optics.heights import height_parallax
from dispensing.optics.near import near_pd
from tests.dispensing.optics.pinhole import Scene, find_points

MAIN = ("far_pd_right", "far_pd_left", "far_pd_both", "height_right", "height_left")
EXACT = ph.Doubt(**{f.name: 0.0 for f in dataclasses.fields(ph.Doubt)})


def truth(scene: Scene) -> dict[str, float]:
    return {
        "far_pd_right": scene.pd_right,
        "far_pd_left": scene.pd_left,
        "far_pd_both": scene.pd_right + scene.pd_left,
        "height_right": scene.height_right,
        "height_left": scene.height_left,
        "a_right": scene.a,
        "a_left": scene.a,
        "b_right": scene.b,
        "b_left": scene.b,
        "dbl": scene.dbl,
    }


def view_of(scene: Scene, **more) -> ph.View:
    """What is stated about a picture of this scene, all of it true unless said otherwise."""
    values = {
        "width": scene.size[0],
        "height": scene.size[1],
        "reference_mm": scene.card,
        "camera_mm": scene.camera,
        "ahead_mm": scene.card_ahead,
        "looking": scene.looking,
        "mark": scene.mark,
        "camera_above_mm": scene.above,
        "turn_deg": scene.turn,
        "vertex_mm": scene.vertex,
        "pantoscopic_deg": scene.pantoscopic,
        "face_form_deg": scene.face_form,
        "groove_mm": scene.groove,
        **more,
    }
    return ph.View(**values)


scenes = st.builds(
    Scene,
    pd_right=st.floats(26, 36),
    pd_left=st.floats(26, 36),
    eye_up_right=st.floats(-1.5, 1.5),
    height_right=st.floats(14, 26),
    a=st.floats(44, 60),
    b=st.floats(28, 46),
    dbl=st.floats(14, 22),
    groove=st.floats(0, 0.8),
    vertex=st.floats(8, 18),
    pantoscopic=st.floats(-2, 18),
    face_form=st.floats(0, 20),
    card_ahead=st.floats(-20, 8),
    camera=st.floats(350, 3000),
    above=st.floats(-100, 100),
    turn=st.floats(-6, 6),
    aim=st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
    camera_roll=st.floats(-10, 10),
    looking=st.just("camera"),
    focal_px=st.floats(3500, 5000),
    size=st.just((6000, 4500)),
)


@settings(max_examples=60, deadline=None)
@given(scenes, st.booleans())
def test_with_true_points_and_true_arguments_it_is_exact(scene, front):
    """Against the independent camera: every result to a millionth of a millimetre, whatever the distance, roll, height, turn and tilt."""
    scene.focal_px *= scene.camera / 1000.0  # framed alike
    view = view_of(scene, reference="front", reference_mm=2 * scene.a + scene.dbl) if front else view_of(scene)
    found = ph.measure(scene.points(), view, EXACT)
    for name, true in truth(scene).items():
        assert getattr(found, name).value == pytest.approx(true, abs=1e-6), name
        assert getattr(found, name).u == 0.0


@pytest.mark.parametrize("mark", ["pupil", "reflex"])
def test_a_client_who_looks_far(mark):
    """The eyes are parallel: a pupil is seen 3.0 mm behind the cornea, a reflex where the cornea's normal points at the light."""
    scene = Scene(looking="far", mark=mark, camera=600, focal_px=7200, turn=3)
    found = ph.measure(scene.points(), view_of(scene), EXACT)
    for name in MAIN:
        assert getattr(found, name).value == pytest.approx(truth(scene)[name], abs=2e-4), name


def test_the_mid_line_can_be_placed_instead():
    """A nose that stands 1.5 mm to the client's left of the frame's middle: 1.5 mm from one side to the other."""
    scene = Scene()
    points = scene.points()
    points["midline"] = tuple(scene.project(scene.to_room(np.array([[1.5, -5.0, 0.0]])))[0])
    found = ph.measure(points, view_of(scene), EXACT)
    # the camera is taken to stand before the nose, 1.5 mm from where it stood: 1.5 x 26.5 / 1000
    assert found.far_pd_right.value == pytest.approx(32.54, abs=0.005)
    assert found.far_pd_left.value == pytest.approx(30.96, abs=0.005)


# --- against what else is known ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("camera", "expected"), [(330, 59.2), (400, 60.0), (500, 60.7), (650, 61.5)])
def test_near_fixation_agrees_with_the_near_centration_table(camera, expected):
    """PD 64 with 27 mm from lens to centre of rotation: near centration distances as taught (PD l / (l + 27), Jalie, from memory), and
    the app's own near formula. What is seen in the lens plane, the far PD follows from."""
    scene = Scene(pd_right=32, pd_left=32, camera=camera, vertex=13.5, face_form=0, pantoscopic=0, focal_px=12.0 * camera)
    seen = ph.measure(scene.points(), view_of(scene, vertex_mm=0.0, looking="far"), EXACT)
    # with the eye taken to lie 3 mm behind the lens plane instead of 27 the near PD is seen, all but 3 mm of depth
    at_lens = seen.far_pd_both.value / (1 + 3.0 / camera)
    assert at_lens == pytest.approx(expected, abs=0.06)
    assert at_lens == pytest.approx(2 * near_pd(32.0, camera, rotation_mm=27.0), abs=0.02)
    assert ph.measure(scene.points(), view_of(scene), EXACT).far_pd_both.value == pytest.approx(64.0, abs=1e-3)


@pytest.mark.parametrize("looking", ["camera", "far"])
def test_a_camera_that_is_not_level_shows_the_known_parallax(looking):
    """What is not corrected for is what `heights.height_parallax` says of an observer in the camera's place."""
    scene = Scene(above=80, camera=700, looking=looking, face_form=0, focal_px=8400)
    points = scene.points()
    told = ph.measure(points, view_of(scene), EXACT).height_right.value
    untold = ph.measure(points, view_of(scene, camera_above_mm=0.0), EXACT).height_right.value
    flat = math.sqrt(700**2 - 80**2)
    parallax = height_parallax(80, flat, 13.0, looking="observer" if looking == "camera" else "far", pantoscopic_deg=9)
    assert told == pytest.approx(21.0, abs=1e-3)
    # taken for level, the lens is also taken to be seen 9 degrees from straight on, and is seen 6.6 degrees more so
    seen_at = math.asin(80 / 700)
    foreshortened = math.cos(math.radians(9) + seen_at) / math.cos(math.radians(9))
    assert untold == pytest.approx((21.0 + parallax) * foreshortened, abs=0.25)
    assert untold - 21.0 * foreshortened == pytest.approx(parallax, abs=0.25)  # what is left: the lens in perspective


# --- drawn pictures ----------------------------------------------------------------------------------------------------------

GRID = [
    {"camera": camera, "camera_roll": roll, "above": above, "focal_px": 12.0 * camera}
    for camera, roll, above in [
        (450, 0, 0),
        (450, 5, 40),
        (800, -7, -60),
        (1000, 0, 0),
        (1000, 4, 90),
        (2000, -3, 30),
        (3000, 8, -100),
    ]
]


@pytest.mark.parametrize("setting", GRID, ids=lambda s: f"{s['camera']}mm-{s['camera_roll']}deg-{s['above']}up")
def test_drawn_pictures_give_back_what_was_drawn(setting):
    """A picture is drawn, the points are found from its pixels, and everything is recovered within the stated uncertainty; with only
    placing in doubt, within twice that."""
    scene = Scene(eye_up_right=0.6, card_ahead=-3.0, **setting)
    picture = scene.draw()
    points = find_points(picture, ph.measure(scene.points(), view_of(scene)).roll_deg)
    found = ph.measure(points, view_of(scene))
    placing = {"pixel_px": 0.5, "pupil_mm": 0.05, "rim_mm": 0.1, "reference_point_mm": 0.08}
    tight = ph.measure(points, view_of(scene), dataclasses.replace(EXACT, **placing))
    for name in MAIN:
        error = abs(getattr(found, name).value - truth(scene)[name])
        assert error < getattr(found, name).u, name
        assert error < 2.0 * getattr(tight, name).u, name
    assert found.a_right.value == pytest.approx(scene.a, abs=0.3)
    assert found.roll_deg == pytest.approx(setting["camera_roll"], abs=0.3)


# --- uncertainty -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("camera", "looking", "reference"), [(400, "camera", "points"), (1000, "far", "points"), (1000, "camera", "front")]
)
def test_the_uncertainty_is_that_of_an_independent_monte_carlo(camera, looking, reference):
    """Scenes drawn from the doubts, seen by the independent camera, their points misplaced at random, measured with the nominal
    arguments: the scatter of the errors is the standard uncertainty stated (first order), and 95 % lie within twice it."""
    chance = np.random.default_rng(20261125)
    doubt = ph.Doubt(reference_mm=0.65) if reference == "front" else ph.Doubt()
    base = Scene(camera=camera, looking=looking, focal_px=12.0 * camera)
    more = {"reference": "front", "reference_mm": 2 * base.a + base.dbl} if reference == "front" else {}
    view = view_of(base, **more)
    stated = ph.measure(base.points(), view, doubt)
    errors: dict[str, list[float]] = {name: [] for name in MAIN}
    for _ in range(400):
        scale_error = chance.normal() * doubt.reference_mm / view.reference_mm
        eye = chance.normal() * doubt.eye_mm
        scene = dataclasses.replace(
            base,
            camera=base.camera * (1 + chance.normal() * doubt.camera_relative),
            above=chance.normal() * doubt.camera_above_mm,
            turn=chance.normal() * doubt.turn_deg,
            vertex=base.vertex + chance.normal() * doubt.vertex_mm,
            centre_deep=base.centre_deep + eye,
            pupil_deep=base.pupil_deep + (eye if looking == "far" else 0.0),
            pantoscopic=base.pantoscopic + chance.normal() * doubt.pantoscopic_deg,
            face_form=base.face_form + chance.normal() * doubt.face_form_deg,
            groove=base.groove + chance.normal() * doubt.groove_mm,
            card=base.card * (1 + scale_error) if reference == "points" else base.card,
            card_ahead=base.card_ahead + chance.normal() * doubt.ahead_mm,
            a=base.a + (chance.normal() * doubt.reference_mm / 2.0 if reference == "front" else 0.0),
        )
        aim = chance.normal(size=2) * doubt.aim_relative * base.size[0] / base.focal_px * camera
        scene.aim = (float(aim[0]), float(aim[1]))
        points = {}
        for name, (x, y) in scene.points().items():
            kind = name.partition(".")[0]
            mm = {"pupil": doubt.pupil_mm, "rim": doubt.rim_mm, "reference": doubt.reference_point_mm}[kind]
            size = math.hypot(doubt.pixel_px, mm * 12.0)
            points[name] = (x + chance.normal() * size, y + chance.normal() * size)
        found = ph.measure(points, view, EXACT)
        for name in MAIN:
            errors[name].append(getattr(found, name).value - truth(scene)[name])
    for name, values in errors.items():
        u = getattr(stated, name).u
        rms = math.sqrt(sum(v * v for v in values) / len(values))
        assert rms == pytest.approx(u, rel=0.12), name
        inside = sum(abs(v) < 2 * u for v in values) / len(values)
        assert 0.92 < inside <= 0.985, name


def test_the_parts_add_up_in_squares_and_the_largest_is_first():
    found = ph.measure(Scene().points(), view_of(Scene()))
    for name in MAIN:
        parts = [size for _, size in getattr(found, name).parts]
        assert math.hypot(*parts) == pytest.approx(getattr(found, name).u)
        assert parts == sorted(parts, reverse=True)
    assert found.far_pd_right.parts[0][0] == "turn of the face"
    assert found.height_right.parts[0][0] == "camera height"
    assert found.far_pd_both.u < found.far_pd_right.u  # a turn moves both the same way


def test_farther_away_depth_and_height_matter_less():
    def at(camera):
        scene = Scene(camera=camera, focal_px=12.0 * camera)
        return ph.measure(scene.points(), view_of(scene))

    near, far = at(400), at(2000)
    assert near.height_right.u > 2 * far.height_right.u
    assert any("half a metre" in note for note in near.notes)
    assert not far.notes


def test_what_looks_wrong_is_noted():
    scene = Scene()
    points = scene.points()
    points["rim.right.temporal"] = (points["rim.right.temporal"][0] - 30, points["rim.right.temporal"][1])
    assert any("a rim point is off" in note for note in ph.measure(points, view_of(scene)).notes)
    wrong_length = ph.measure(scene.points(), view_of(scene, reference_mm=53.98))
    assert any("length" in note for note in ph.measure(scene.points(), view_of(scene, reference_mm=150.0)).notes)
    assert wrong_length.a_right.value == pytest.approx(52.0 * 53.98 / 85.6, abs=0.5)
    tilted = Scene(camera_roll=9)
    assert any("askew" in note for note in ph.measure(tilted.points(), view_of(tilted)).notes)


# --- what cannot be ----------------------------------------------------------------------------------------------------------


def moved(**changes):
    points = Scene().points()
    for name, value in changes.items():
        key = name.replace("__", ".")
        if value is None:
            del points[key]
        else:
            points[key] = value(points) if callable(value) else value
    return points


@pytest.mark.parametrize(
    ("changes", "argument"),
    [
        ({"pupil__left": None}, "pupil.left"),
        ({"reference__2": None}, "reference.2"),
        ({"pupil__left": lambda p: p["pupil.right"]}, "pupil.right"),
        ({"pupil__left": lambda p: p["pupil.right"], "pupil__right": lambda p: p["rim.left.top"]}, "pupil.right"),
        ({"reference__2": lambda p: p["reference.1"]}, "reference.2"),
        ({"rim__right__nasal": lambda p: p["rim.right.temporal"]}, "rim.right.nasal"),
        (
            {"rim__left__bottom": lambda p: p["rim.left.top"], "rim__right__bottom": lambda p: p["rim.right.top"]},
            "rim.right.bottom",
        ),
        (
            {"rim__left__bottom": lambda p: p["rim.right.bottom"], "rim__left__top": lambda p: p["rim.right.top"]},
            "rim.left.bottom",
        ),
        ({"rim__left__nasal": lambda p: (p["rim.right.nasal"][0] - 10, p["rim.right.nasal"][1])}, "rim.left.nasal"),
        ({"pupil__left": (2990.0, 1100.0)}, "pupil.left"),
        ({"rim__left__top": (1900.0, -4.0)}, "rim.left.top"),
        ({"rim__left__top": (1900.0, 200.0), "rim__left__bottom": (1900.0, 230.0)}, "rim.right.bottom"),
    ],
)
def test_points_that_cannot_be_are_named(changes, argument):
    with pytest.raises(BadPoints) as wrong:
        ph.measure(moved(**changes), view_of(Scene()))
    assert wrong.value.argument == argument
    assert wrong.value.message


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), None])
def test_points_that_are_no_numbers(bad):
    with pytest.raises(NotFinite):
        ph.measure(moved(pupil__left=(bad, 100.0)), view_of(Scene()))


@pytest.mark.parametrize(
    ("argument", "value"),
    [
        ("camera_mm", 50), ("camera_mm", 9000), ("reference_mm", 0), ("reference_mm", -85.6), ("camera_above_mm", 900), ("turn_deg", 45),
        ("vertex_mm", -1), ("pantoscopic_deg", 60), ("face_form_deg", 80), ("groove_mm", -0.1), ("ahead_mm", 200), ("width", 0),
    ],
)  # fmt: skip
def test_arguments_out_of_range(argument, value):
    with pytest.raises(OutOfRange) as wrong:
        ph.measure(Scene().points(), view_of(Scene(), **{argument: value}))
    assert wrong.value.argument == argument


@settings(max_examples=80, deadline=None)
@given(
    st.dictionaries(st.sampled_from(ph.POINTS), st.tuples(st.floats(0, 3000), st.floats(0, 2250)), min_size=13, max_size=13)
)
def test_points_anywhere_give_a_result_or_a_named_error(points):
    """No warning, no NaN, no other exception."""
    try:
        found = ph.measure(points, view_of(Scene()))
    except BadPoints:
        return
    assert all(math.isfinite(getattr(found, name).value) and math.isfinite(getattr(found, name).u) for name in MAIN)
