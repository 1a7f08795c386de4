"""What a client is told, by lens and by person."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from dispensing import case as c
from dispensing.web.sheet.cautions import cautions

RESIN = c.Material(name="resin", nd=1.5, abbe=58, density=1.32)
TOUGH = replace(RESIN, name="tough", impact="high")
WORN = c.EarlierPair(on=date(2024, 1, 1), family="progressive")


def case(family="single_vision", *, age=60.0, uses=("all_round",), tint=None, earlier=(), material=RESIN, **person):
    lens = c.LensChoice(design=c.LensDesign(identity="x", name="x", family=family), material=material, tint=tint)
    return c.Case(
        today=date(2026, 11, 25),
        person=c.Person(age_years=age, **person),
        needs=c.Needs(uses=uses),
        lens=lens,
        earlier=earlier,
    )


def tint(clear, dark=None):
    return c.Tint(name="t", transmittance_clear=clear, transmittance_dark=clear if dark is None else dark)


@pytest.mark.parametrize(
    ("given", "about"),
    [
        (case(), []),
        (case("progressive"), ["Stairs and kerbs", "First days"]),
        (case("progressive", earlier=(WORN,)), ["Stairs and kerbs"]),
        (case("flat_top_bifocal", earlier=(WORN,)), ["Stairs and kerbs", "First days"]),
        (case("flat_top_bifocal", earlier=(replace(WORN, family="trifocal"),)), ["Stairs and kerbs"]),
        (case("degressive"), ["Only for near and the room"]),
        (case(uses=("near",)), ["Only for reading"]),
        (case(uses=("near", "driving_day")), []),
        (case(age=9), ["A child’s lenses"]),
        (case(age=16), []),
        (case(useful_eye="left"), ["One useful eye"]),
        (case(uses=("all_round", "sport")), ["Work and sport"]),
        (case(tint=tint(80)), []),
        (case(tint=tint(74)), ["Tint and driving"]),
        (case(tint=tint(85, 12)), ["Tint and driving"]),
    ],
)
def test_each_lens_and_person_has_its_own(given, about):
    assert [x.about for x in cautions(given)] == about


def test_the_limits_of_tints_for_driving():
    """ISO 8980-3: under 75 % not at night, 8 % or less not at all (values from memory)."""
    assert "night" in cautions(case(tint=tint(74.9)))[0].words
    assert "not for driving at all" in cautions(case(tint=tint(7.9)))[0].words
    assert "not for driving at all" in cautions(case(tint=tint(70, 7.5)))[0].words
    assert "not for driving at all" in cautions(case(tint=tint(8)))[0].words
    assert "not yet known" in cautions(case(tint=c.Tint(name="smoke")))[0].words
    assert "not yet known" in cautions(case(tint=c.Tint(name="smoke", transmittance_clear=88)))[0].words
    assert "not for driving at all" in cautions(case(tint=c.Tint(name="smoke", transmittance_clear=6)))[0].words
    assert "windscreen" in cautions(case(tint=tint(88, 15)))[0].words


def test_a_childs_material_is_spoken_of_where_it_breaks():
    assert "breaks" in cautions(case(age=8))[0].words
    assert "breaks" not in cautions(case(age=8, material=TOUGH))[0].words


def test_nothing_is_said_of_a_lens_that_is_not_chosen():
    assert cautions(c.Case(today=date(2026, 11, 25))) == ()
