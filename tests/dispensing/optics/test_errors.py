"""Every error says which argument and why; nothing that is not a finite number gets into the sums."""

from __future__ import annotations

import inspect

import numpy as np
import pytest

from dispensing.optics import agreement, chromatic, consequence, errors, magnification, prism, tilt, tolerance, vertex
from dispensing.optics.errors import NotFinite, OpticsError, OutOfRange, all_finite, finite, within
from dispensing.optics.power import Power
from dispensing.optics.prism import Prism

P = Power(-2.0, -1.0, 30)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), None, "x", 10**400])
def test_finite_refuses(value):
    with pytest.raises(NotFinite) as caught:
        finite("sphere", value)
    assert caught.value.argument == "sphere"
    assert str(caught.value) == "sphere: must be a finite number."


def test_within_says_limits_and_unit():
    assert within("a", 3, 3, 4) == 3.0
    with pytest.raises(OutOfRange, match=r"^vertex: must be between 0 and 60 mm, not 61\.$"):
        within("vertex", 61, 0, 60, "mm")


def test_all_finite_names_the_place():
    with pytest.raises(NotFinite, match=r"^pd\[2\]"):
        all_finite("pd", [1.0, 2.0, float("nan")])
    with pytest.raises(NotFinite, match=r"^pd:"):
        all_finite("pd", ["a"])
    assert all_finite("pd", [[1, 2]]).shape == (1, 2)


def test_one_tree():
    for name, kind in inspect.getmembers(errors, inspect.isclass):
        if kind.__module__ == errors.__name__ and name != "OpticsError":
            assert issubclass(kind, OpticsError), name
    assert issubclass(OpticsError, ValueError)


NUMBERS = [
    (lambda x: Power(x), "sphere"),
    (lambda x: Power(0, x), "cylinder"),
    (lambda x: Power(0, 1, x), "axis"),
    (lambda x: P.along(x), "meridian"),
    (lambda x: Prism(x, 0), "base_in"),
    (lambda x: Prism(0, x), "base_up"),
    (lambda x: Prism.at_base(1, x, "right"), "base"),
    (lambda x: prism.prism_at(P, x, 0, "right"), "x"),
    (lambda x: prism.prism_at(P, 0, x, "left"), "y"),
    (lambda x: prism.exact_prism(P, 0, 0, "left", front=x, thickness_mm=2, index=1.5), "front"),
    (lambda x: prism.exact_prism(P, 0, 0, "left", front=2, thickness_mm=x, index=1.5), "thickness_mm"),
    (lambda x: prism.exact_prism(P, 0, 0, "left", front=2, thickness_mm=2, index=x), "index"),
    (
        lambda x: prism.exact_prism(P, 0, 0, "left", front=2, thickness_mm=2, index=1.5, rotation_centre_mm=x),
        "rotation_centre_mm",
    ),
    (lambda x: vertex.move(x, 12, 14), "power"),
    (lambda x: vertex.compensate(P, x, 14), "from_mm"),
    (lambda x: vertex.compensate(P, 12, x), "to_mm"),
    (lambda x: vertex.back_surface(1, 2, x, 1.5), "thickness_mm"),
    (lambda x: tilt.as_worn(P, x, 0, 1.5, "right"), "pantoscopic"),
    (lambda x: tilt.to_order(P, 0, x, 1.5, "right"), "face_form"),
    (lambda x: tilt.as_worn(P, 5, 5, x, "right"), "index"),
    (lambda x: tilt.centre_drop(10, x), "rotation_centre_mm"),
    (lambda x: magnification.shape_factor(x, 2, 1.5), "front"),
    (lambda x: magnification.image_jump(x, 5), "add"),
    (lambda x: magnification.vertical_imbalance(P, P, x), "drop_mm"),
    (lambda x: chromatic.blur(1, x), "abbe"),
    (lambda x: chromatic.blur_at_gaze(P, x, "right", 40), "gaze_deg"),
    (lambda x: consequence.prism_of_pd_error(P, x, "right"), "error_mm"),
    (lambda x: consequence.power_of_vertex_error(P, x, 1), "fitted_mm"),
    (lambda x: tolerance.axis_tolerance(x), "cylinder"),
    (lambda x: tolerance.add_tolerance(x), "add"),
    (lambda x: agreement.student_quantile(x, 5), "probability"),
]


@pytest.mark.parametrize("place", range(len(NUMBERS)), ids=[f"{i}-{name}" for i, (_, name) in enumerate(NUMBERS)])
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1e9, 1e9])
def test_every_number_is_checked(place, bad):
    call, name = NUMBERS[place]
    with pytest.raises(OpticsError) as caught:
        call(bad)
    assert caught.value.argument == name
    assert isinstance(caught.value, NotFinite if not np.isfinite(bad) else OutOfRange)


@pytest.mark.parametrize("eye", ["r", "", None, "RIGHT"])
def test_an_eye_is_right_or_left(eye):
    with pytest.raises(OutOfRange, match="eye"):
        prism.prism_at(P, 1, 1, eye)
