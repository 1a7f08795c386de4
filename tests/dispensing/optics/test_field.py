"""Field of view: elementary trigonometry, optiland's exact trace, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics import boxing, field
from dispensing.optics.errors import OutOfRange
from dispensing.optics.power import Power
from dispensing.optics.realray import lens_of
from tests.dispensing.optics import worked
from tests.dispensing.optics.outside import optiland_trace


def test_plano_shows_what_it_covers():
    found = field.angle(20.0, 0.0)
    assert found.apparent == found.real == pytest.approx(math.degrees(math.atan2(20, 27)))
    assert found.ring == 0.0


def test_ring_scotoma_of_a_strong_plus_lens():
    """An aphakic +12.00 of 40 mm at 25 mm: apparent half-field 38.7, real 29.2 degrees (vergence of the centre of rotation, 40 - 12 = 28 D)."""
    found = field.angle(20.0, 12.0, 25.0)
    assert found.apparent == pytest.approx(math.degrees(math.atan(0.020 * 40.0)), abs=1e-9)
    assert found.real == pytest.approx(math.degrees(math.atan(0.020 * 28.0)), abs=1e-9)
    assert found.ring > 0


@given(st.floats(0, 30), st.floats(-20, 20), st.floats(15, 30))
def test_plus_hides_minus_doubles(edge, power, distance):
    found = field.angle(edge, power, distance)
    assert found.ring * power >= -1e-9
    assert field.angle(edge, -power, distance).real * power >= found.real * power - 1e-9


@pytest.mark.outside
@pytest.mark.parametrize(
    ("power", "within"), [(-10.0, 7.0), (-6.0, 3.3), (-3.0, 1.7), (0.0, 0.5), (3.0, 1.8), (6.0, 3.3), (12.0, 6.5)]
)
def test_traced_field_against_optiland(power, within):
    front, thick = (8.0 + power, 2.0 + 0.55 * power) if power > 0 else (6.0 + power / 2, 1.5)
    lens = lens_of(Power(power), front, thick, 1.5)
    found = field.real_angle(lens, 20.0)
    way = np.array([[20.0, 0.0, 27.0]]) / math.hypot(20, 27)
    _, out = optiland_trace(Power(power), front, thick, 1.5, [[0.0, 0.0, -27.0]], way)
    assert found.real == pytest.approx(math.degrees(math.atan2(out[0, 0], out[0, 2])), abs=1e-5)
    # and the thin-lens figure is as near as its module says
    assert field.angle(20.0, power).real == pytest.approx(found.real, abs=within)


def test_sides_of_an_outline():
    shape = boxing.box(worked.outline("A")["radii_mm"])
    found = field.field(shape, (0.0, 0.0, 0.0), 3.0, 2.0)
    (low, high), across = boxing.vertical_cuts(shape, 3.0), field.horizontal_cuts(shape, 2.0)
    assert found.up.real == pytest.approx(math.degrees(math.atan((high - 2.0) / 27)))
    assert found.down.real == pytest.approx(math.degrees(math.atan((2.0 - low) / 27)))
    assert found.nasal.real == pytest.approx(math.degrees(math.atan((across[-1] - 3.0) / 27)))
    assert found.temporal.real == pytest.approx(math.degrees(math.atan((3.0 - across[0]) / 27)))
    assert found.nasal.real < found.temporal.real  # decentred inwards
    assert found.horizontal == found.nasal.real + found.temporal.real
    assert (
        field.field(shape, (-6, 0, -6), 3.0, 2.0).vertical
        > found.vertical
        > field.field(shape, (6, 0, 6), 3.0, 2.0).vertical
    )


def test_errors():
    shape = boxing.box(worked.outline("A")["radii_mm"])
    with pytest.raises(OutOfRange, match="outside the lens"):
        field.field(shape, (0, 0, 0), 40.0, 0.0)
    with pytest.raises(OutOfRange, match="turns over"):
        field.angle(20.0, 40.0)
