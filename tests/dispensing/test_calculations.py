"""The registry behind the Bench, the API and the command: one shape, schemas that hold, and figures with a source."""

from __future__ import annotations

import json
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from dispensing.calculations import GROUPS, BadInputs, all_calculations, find, result
from dispensing.calculations.registry import calculation, power_values, prism_value, size_value
from dispensing.calculations.written import exact_lens, fixed, number, put, signed
from dispensing.optics.notation import format_prism_of
from dispensing.optics.power import Power
from dispensing.optics.prism import Prism
from tests.dispensing.optics.worked import case, expect

EVERY = all_calculations()


def value(name: str, which: str, **inputs):
    return result(find(name), inputs)["values"][which]["value"]


# ── published values through the front door ────────────────────────────────


def test_transposition_of_nfos():
    worked = case("a-pub-01")
    inputs = {"sphere": worked["sphere_D"], "cylinder": worked["cyl_D"], "axis": worked["axis_deg"]}
    for name, which in (("sphere", "sphere"), ("cyl", "cylinder"), ("axis", "axis")):
        expect(worked, name, value("transpose", which, **inputs))


def test_sum_of_jalie():
    worked = case("a-pub-02")
    one, two = worked["lens1"], worked["lens2"]
    inputs = {
        "first_sphere": one["sphere_D"], "first_cylinder": one["cyl_D"], "first_axis": one["axis_deg"],
        "second_sphere": two["sphere_D"], "second_cylinder": two["cyl_D"], "second_axis": two["axis_deg"],
    }  # fmt: skip
    for name, which in (("sphere", "sphere"), ("cyl", "cylinder"), ("axis", "axis")):
        expect(worked, name, value("add-powers", which, **inputs))


def test_composition_of_durham():
    worked = case("b-pub-08")
    inputs = {"eye": "left", "first_in": worked["BI_pd"], "second_up": -worked["BD_pd"]}
    expect(worked, "prism", value("combine-prism", "amount", **inputs))
    expect(worked, "base_360_deg", value("combine-prism", "base", **inputs))


def test_table_of_vertex_distances():
    worked = case("c-pub-02")
    expect(worked, "F_new", value("vertex-distance", "sphere", sphere=-10, tested=12, fitted=0))


def test_vertex_power_of_the_article():
    worked = case("n-pub-02")
    expect(worked, "bvp", value("surfaces-to-power", "back_vertex", front=15, back=-6, thickness=6.5, index=1.523))


def test_jump_of_the_textbook():
    worked = case("i-pub-02")
    expect(worked, "jump", value("image-jump", "jump", add=2.0, top_to_centre=5.0))


def test_limits_of_bland_and_altman():
    worked = case("l-pub-01")
    expect(worked, "bias", value("limits-of-agreement", "bias", first=worked["x"], second=worked["y"]))
    assert value("limits-of-agreement", "lower", first=worked["x"], second=worked["y"]) == pytest.approx(
        worked.reference["lower_1.96sd"], abs=1e-4
    )


@pytest.mark.parametrize(
    ("identity", "name", "which", "wanted", "inputs"),
    [
        ("e-pub-01", "decentration-and-blank", "in", "decentration_each", {"a": 54, "b": 40, "dbl": 16, "far_pd": 31}),
        ("f-cmp-03", "near-inset", "inset", "inset_thin_lens_formula", {"sphere": -10, "far_pd": 32, "working": 400}),
        ("k-cmp-01", "height-parallax", "error", "apparent_height_error", {"observer_above": 50, "observer_distance": 400, "vertex": 13}),
        ("j-cmp-03", "chromatic-blur", "prism", "prism", {"sphere": -6, "abbe": 32, "gaze": 29.054604099}),
        ("d-cmp-12", "tilt", "order_sphere", "order_sphere",
         {"eye": "right", "sphere": 2.5, "cylinder": -1.25, "axis": 120, "pantoscopic": 12, "face_form": 8, "index": 1.5}),
    ],
)  # fmt: skip
def test_others(identity, name, which, wanted, inputs):
    expect(case(identity), wanted, value(name, which, **inputs))


# ── the shape of every one ─────────────────────────────────────────────────


def test_every_subject_has_one():
    assert {c.group for c in EVERY} == set(GROUPS)
    assert len(GROUPS) == 10


@pytest.mark.parametrize("found", EVERY, ids=lambda c: c.name)
def test_each_says_what_it_is(found):
    assert found.title
    assert found.summary.endswith(".")
    assert found.formula
    assert found.source
    Draft202012Validator.check_schema(found.schema)
    Draft202012Validator(found.schema).validate(dict(found.example))
    for i in found.inputs:
        if i.kind in ("power", "cylinder", "axis", "mm", "degrees", "prism"):
            assert found.schema["properties"][i.name]["x-unit"] == i.unit != ""


@pytest.mark.parametrize("found", EVERY, ids=lambda c: c.name)
def test_each_example_is_worked_through(found):
    got = result(found, found.example)
    assert json.loads(json.dumps(got, allow_nan=False)) == got  # plain JSON, nothing infinite
    assert got["values"]
    assert got["working"]
    for shown in got["values"].values():
        assert shown["text"]
        assert "nan" not in shown["text"]


@pytest.mark.parametrize("found", EVERY, ids=lambda c: c.name)
def test_each_refuses_what_is_not_asked_for(found):
    with pytest.raises(BadInputs) as caught:
        found.answer({**found.example, "extra": 1})
    assert caught.value.errors["extra"] == "There is no such input."
    for bad in (None, [], "text", 3):
        with pytest.raises(BadInputs):
            found.answer(bad)


@pytest.mark.parametrize("found", EVERY, ids=lambda c: c.name)
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), "x", [], {}, True, 1e308, -1e308])
def test_each_input_refuses_what_is_no_figure(found, bad):
    for i in found.inputs:
        if i.kind in ("text", "choice") and isinstance(bad, str):
            continue
        with pytest.raises(BadInputs) as caught:
            found.answer({**found.example, i.name: bad})
        assert all(words.endswith(".") for words in caught.value.errors.values())


def test_needed_input():
    with pytest.raises(BadInputs) as caught:
        find("transpose").answer({})
    assert caught.value.errors == {"sphere": "This is needed."}


def test_axis_is_needed_with_a_cylinder():
    with pytest.raises(BadInputs) as caught:
        find("transpose").answer({"sphere": 1, "cylinder": -1})
    assert caught.value.errors == {"axis": "A cylinder needs an axis."}


def test_what_the_optics_refuse_is_said():
    with pytest.raises(BadInputs) as caught:
        find("decentration-for-prism").answer({"sphere": 0, "base_in": 2})
    assert "must be worked" in caught.value.errors[""]


def test_a_name_is_given_once():
    with pytest.raises(ValueError, match="twice"):
        calculation("transpose", group="powers", title="", inputs=(), formula="", source="", example={})(lambda v: None)
    with pytest.raises(ValueError, match="no known group"):
        calculation("new", group="none", title="", inputs=(), formula="", source="", example={})(lambda v: None)


@given(st.floats(-20, 20), st.floats(-6, 6), st.floats(0, 180), st.floats(8, 18), st.floats(8, 18))
def test_vertex_there_and_back(sphere, cylinder, axis, one, two):
    there = result(
        find("vertex-distance"), {"sphere": sphere, "cylinder": cylinder, "axis": axis, "tested": one, "fitted": two}
    )["values"]
    back = result(
        find("vertex-distance"),
        {k: there[k]["value"] for k in ("sphere", "cylinder", "axis")} | {"tested": two, "fitted": one},
    )["values"]
    assert back["sphere"]["value"] == pytest.approx(sphere, abs=1e-6)
    assert back["cylinder"]["value"] == pytest.approx(cylinder, abs=1e-6)


# ── how figures are written ────────────────────────────────────────────────


@pytest.mark.parametrize("value", [0.125, 0.625, 2.675, 1.005, 40.125, 30.375, -0.125])
def test_a_tie_is_written_away_from_zero_everywhere(value):
    # worked with decimals: 0.125 to 0.13, 2.675 to 2.68
    size = Decimal(str(abs(value))).quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    sign = "−" if value < 0 else "+"
    assert signed(value) == f"{sign}{size}"
    assert fixed(abs(value)) == number(abs(value)) == str(size)
    assert put(value) == (f"(−{size})" if value < 0 else str(size))
    assert exact_lens(Power(value)) == f"{sign}{size} DS"
    assert prism_value("p", "P", abs(value)).shown == f"{size} Δ"
    assert size_value("s", "S", abs(value)).shown == f"{size} D"
    assert format_prism_of(Prism(value, 0)) == f"{size} {'in' if value > 0 else 'out'}"


def test_a_lens_and_its_figures_are_written_alike_and_one_of_the_scale_as_the_trade_does():
    lens, sphere, cylinder, _ = (v.shown for v in power_values(Power(1.125, -0.375, 90)))
    assert (lens, sphere, cylinder) == ("+1.13/−0.38×90", "+1.13 D", "−0.38 D")
    shown = {
        k: v["text"]
        for k, v in result(find("round-power"), {"sphere": 1.13, "cylinder": -0.37, "axis": 90, "step": "0.12"})[
            "values"
        ].items()
    }
    assert (shown["lens"], shown["sphere"], shown["cylinder"]) == ("+1.12/−0.37×90", "+1.12 D", "−0.37 D")


@pytest.mark.parametrize("power", [Power(-0.001), Power(0.0), Power(0.001, -0.002, 90)])
def test_nothing_has_no_sign_on_the_power_cross(power):
    picture = find("transpose").answer({"sphere": power.sphere, "cylinder": power.cylinder, "axis": 90})[1].picture
    assert {s.text for s in picture.shapes if getattr(s, "role", "") == "eye-text"} == {"0.00"}
