"""Case and JSON: there and back, hostile input, and a schema that says the same as the reader."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, date, datetime
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing.case import (
    Adopted,
    Case,
    DrillPoint,
    EarlierPair,
    Frame,
    Hands,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    Needs,
    OrderedPower,
    Pair,
    Person,
    PrescribedLens,
    Prescription,
    Reading,
    Rules,
    Tint,
)
from dispensing.case_json import MAX_BYTES, CaseError, case_from_json, case_from_text, case_schema, case_to_json

SCHEMA_FILE = Path(__file__).parents[2] / "fixtures" / "case.schema.json"

FULL = Case(
    today=date(2026, 5, 4),
    person=Person(age_years=61.5, sex="female", notes=("past orbital fracture",)),
    needs=Needs(uses=("all_round", "driving_day"), working_distance_mm=400.0),
    prescription=Prescription(
        right=PrescribedLens(sphere=-2.25, cylinder=-0.75, axis=170.0, add=2.0, prism_v=0.5, base_v="down"),
        left=PrescribedLens(sphere=0.0, add=2.0, balance=True),
        written_on=date(2026, 4, 1),
        read_back="matched",
    ),
    frame=Frame(
        identity="Q-52",
        a=52.0,
        b=40.0,
        dbl=18.0,
        outline=(26.0, 25.0, 24.5),
        drill_points=(DrillPoint(x=1.0, y=2.0, diameter=1.4),),
    ),
    measurements=Measurements(
        readings=(
            Reading(
                quantity="far_pd", eye="right", value=31.5, method="pupillometer", at=datetime(2026, 5, 4, 9, tzinfo=UTC)
            ),
        ),
        right=Adopted(far_pd=31.5, height=22.0),
    ),
    lens=LensChoice(
        design=LensDesign(identity="R13", family="progressive", blank_diameters=(65.0, 70.0)),
        material=Material(name="1.60 resin", nd=1.592, abbe=41.0, density=1.3),
        tint=Tint(name="grey", transmittance_clear=88.0, transmittance_dark=12.0),
        ordered_right=OrderedPower(sphere=-2.31, cylinder=-0.75, axis=170.0),
    ),
    earlier=(EarlierPair(on=date(2024, 2, 1), far_pd=Pair(31.0, None)),),
    hands=Hands(dispenser="w", dispenser_role="trainee"),
    rules=Rules(restricted_below_age=None, limits=(("pd.adult.least", 50.0),)),
)


def test_there_and_back():
    assert case_from_json(case_to_json(FULL)) == FULL
    assert case_from_text(json.dumps(case_to_json(FULL))) == FULL


def test_zero_is_written_and_not_on_record_is_left_out():
    written = case_to_json(FULL)
    assert written["prescription"]["left"]["sphere"] == 0.0
    assert "cylinder" not in written["prescription"]["left"]


def test_a_rule_switched_off_stays_switched_off():
    assert case_to_json(FULL)["rules"]["restricted_below_age"] is None
    assert case_from_json(case_to_json(FULL)).rules.restricted_below_age is None


def test_the_schema_takes_what_is_written_and_is_itself_valid():
    jsonschema.Draft202012Validator.check_schema(case_schema())
    jsonschema.validate(case_to_json(FULL), case_schema(), cls=jsonschema.Draft202012Validator)


def test_the_schema_file_is_current():
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json.loads(json.dumps(case_schema())), (
        "fixtures/case.schema.json is out of date: python manage.py assess --schema > fixtures/case.schema.json"
    )


def test_units_reach_the_schema():
    properties = case_schema()["$defs"]["Tint"]["properties"]
    assert "per cent" in properties["transmittance_clear"]["description"]


@pytest.mark.parametrize(
    ("data", "path", "says"),
    [
        ([], "", "object"),
        ({}, "today", "given"),
        ({"today": "20260504"}, "today", "YYYY-MM-DD"),
        ({"today": "2026-02-30"}, "today", "YYYY-MM-DD"),
        ({"today": "2026-05-04", "prescripton": {}}, "prescripton", "Did you mean prescription?"),
        ({"today": "2026-05-04", "person": {"age_years": "61"}}, "person.age_years", "number"),
        ({"today": "2026-05-04", "person": {"age_years": True}}, "person.age_years", "number"),
        ({"today": "2026-05-04", "person": {"age_years": 1e12}}, "person.age_years", "trade"),
        ({"today": "2026-05-04", "person": {"age_years": float("nan")}}, "person.age_years", "trade"),
        ({"today": "2026-05-04", "person": {"sex": "x"}}, "person.sex", "female, male"),
        ({"today": "2026-05-04", "frame": {"outline": [25, None]}}, "frame.outline.1", "number"),
        ({"today": "2026-05-04", "frame": {"outline": [1] * 2001}}, "frame.outline", "At most"),
        ({"today": "2026-05-04", "frame": {"name": "x" * 2001}}, "frame.name", "characters"),
        ({"today": "2026-05-04", "frame": {"own": 1}}, "frame.own", "true or false"),
        ({"today": "2026-05-04", "rules": {"restricted_below_age": 15.5}}, "rules.restricted_below_age", "whole"),
        ({"today": "2026-05-04", "rules": {"limits": {"x": "1"}}}, "rules.limits.x", "number"),
        ({"today": "2026-05-04", "fit": {"confirmed_at": "2026-05-04T09:00:00"}}, "fit.confirmed_at", "time zone"),
        ({"today": "2026-05-04", "needs": {"uses": "near"}}, "needs.uses", "list"),
        ({"today": "2026-05-04", "needs": {"uses": ["flying"]}}, "needs.uses.0", "one of"),
    ],
)
def test_bad_input_names_its_path(data, path, says):
    with pytest.raises(CaseError) as caught:
        case_from_json(data)
    assert says in caught.value.errors[path]


def test_several_faults_are_all_named():
    with pytest.raises(CaseError) as caught:
        case_from_json({"today": 1, "person": {"age_years": "a", "sex": 2}, "frame": 3})
    assert set(caught.value.errors) == {"today", "person.age_years", "person.sex", "frame"}


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[" * 100_000, '{"today":NaN}', '{"today":1e999}', b"\xff\xfe", "null", '{"today":"2026-05-04"} x', " " * (MAX_BYTES + 1)
    ],
)  # fmt: skip
def test_hostile_text_is_refused_and_nothing_else(text):
    with pytest.raises(CaseError):
        case_from_text(text)


def test_a_thousand_faults_give_a_short_answer():
    with pytest.raises(CaseError) as caught:
        case_from_json({"today": "2026-05-04", **{f"unknown{n}": {} for n in range(1000)}})
    assert len(caught.value.errors) <= 40
    assert len(str(caught.value)) < 10_000


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [f.name for cls in (Case, Person, Prescription, PrescribedLens, Frame) for f in dataclasses.fields(cls)]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(json_values)
@settings(max_examples=150, deadline=None)
def test_anything_gives_a_case_or_a_named_error(data):
    if isinstance(data, dict):
        data = {"today": "2026-05-04", **data}
    try:
        case = case_from_json(data)
    except CaseError:
        return
    assert isinstance(case, Case)
    jsonschema.validate(data, case_schema(), cls=jsonschema.Draft202012Validator)
