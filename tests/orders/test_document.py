"""The order document: read back, it says what the Case says; its text is exact; its schema holds every order."""

from __future__ import annotations

import copy
import hashlib
import json
import math
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from dispensing import case as c
from dispensing.drawings.geometry import geometry_of
from dispensing.figures import Figures, LensFigures, compute
from orders import document as doc
from orders.renderers import fhir, pdf_words, record_text, summary
from orders.renderers.geometry import geometry_of_document
from tests.orders import examples

SCHEMA = json.loads((Path(doc.__file__).parent / "schema" / "order-1.1.json").read_text())
VALID = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)


def faults(document: dict) -> list[str]:
    return [f"{e.json_path}: {e.message}" for e in VALID.iter_errors(document)]


# --- rounding and writing


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (2.675, 2, "2.68"),  # held in binary as 2.67499999…: a tie all the same
        (-2.675, 2, "-2.68"),
        (0.125, 2, "0.13"),  # half to even would give 0.12
        (-0.125, 2, "-0.13"),
        (-0.004, 2, "0.00"),
        (0.0, 2, "0.00"),
        (-0.0, 2, "0.00"),
        (35.005, 2, "35.01"),
        (1.005, 2, "1.01"),
        (Decimal("1.125"), 2, "1.13"),
        (7, 1, "7.0"),
        (99999.994, 2, "99999.99"),
    ],
)
def test_rounding_is_to_nearest_ties_away_from_zero(value, places, text):
    assert doc.fixed(value, places) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_number_is_not_written(value):
    with pytest.raises(ValueError, match="not a finite number"):
        doc.fixed(value, 2)


def test_the_text_is_canonical_by_rfc_8785():
    """Section 3.2 of the RFC: sorted by UTF-16 code units, no white space, UTF-8. Here by the standard library instead."""
    document = examples.example_document()
    document["lens"]["remark"] = "Δ €  \u2028 مرحبا “quoted” \\ / \t\n"
    text = doc.canonical(document)
    assert text == json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert text == rfc8785.dumps(json.loads(text)).decode()
    assert doc.digest(text) == hashlib.sha256(text.encode()).hexdigest()


def test_the_digest_does_not_hang_on_the_order_of_keys():
    document = examples.example_document()
    turned = json.loads(json.dumps(document), object_pairs_hook=lambda pairs: dict(reversed(pairs)))
    assert list(turned) != list(document)
    assert doc.canonical(turned) == doc.canonical(document)


def test_the_example_beside_the_tests_is_what_is_built():
    assert json.loads(examples.EXAMPLE.read_text()) == examples.example_document()
    assert faults(examples.example_document()) == []


def test_the_schema_refuses_what_an_order_must_not_be():
    """One change at a time; each must be found."""
    assert faults(examples.example_document()) == []
    bad = {
        ("lenses", "right", "ordered", "sphere"): [
            None,
            "-2.2",
            "+2.25",
            "-0.00",
            "-2,25",
            -2.25,
            "--2.25",
            "2.250",
            "1e2",
        ],
        ("lenses", "right", "ordered", "axis"): ["0.0", "181.0", "180.1", "95", "-5.0"],
        ("lenses", "left", "ordered", "prism", "resultant", "base_angle"): ["360.0", "-90.0", "400.0"],
        ("lenses", "left", "prescribed", "prism", "horizontal", "base"): ["up", "nasal", ""],
        ("lenses", "left", "centration", "decentration_in"): [None, "2.5", 2.75],
        ("lenses", "left", "centration", "height_reference"): ["above the datum line"],
        ("frame", "outline", "radii"): [[2600] * 7, [26.5] * 400, [0] * 400, [-5] * 400],
        ("frame", "mount"): ["rimless", None],
        ("frame", "a"): [None],
        ("lens", "design", "family"): ["varifocal"],
        ("order", "issued_at"): ["2026-11-25", "2026-11-25T09:41:07", "2026-11-25T09:41:07+01:00"],
        ("order", "number"): [""],
        ("schema_version",): ["1.2", "2.0"],
        ("tolerance_standard",): ["", None],
    }
    for path, values in bad.items():
        for value in values:
            document = copy.deepcopy(examples.example_document())
            inner = document
            for step in path[:-1]:
                inner = inner[step]
            inner[path[-1]] = value
            assert faults(document), f"{'.'.join(path)} = {value!r} was let through"
    for path in (("client",), ("lenses", "left"), ("people", "signed_by")):
        document = copy.deepcopy(examples.example_document())
        inner = document
        for step in path[:-1]:
            inner = inner[step]
        del inner[path[-1]]
        assert faults(document), f"without {'.'.join(path)} it was let through"
        inner[path[-1] + "x"] = 1
        assert faults(document)


# --- what it says


def test_only_reasons_for_the_lab_go_to_the_lab():
    text = doc.canonical(examples.example_document())
    assert "left eye fixes off centre" in text
    assert "Not for the lab" not in text


def test_the_clients_name_goes_only_where_the_branch_sends_it():
    meta = replace(examples.example_meta(), client_name=None)
    text = doc.canonical(doc.build(examples.example_case(), examples.example_figures(), (), meta))
    assert "Oakhurst" not in text
    assert meta.client_reference in text


@pytest.mark.parametrize(
    ("eye", "base_in", "base_up", "angle"),
    [
        # ISO 8429 as in interchange.md 2.5: right eye in = 0, up = 90, out = 180, down = 270; left eye in and out exchanged
        ("right", 1, 0, "0.0"),
        ("right", 0, 1, "90.0"),
        ("right", -1, 0, "180.0"),
        ("right", 0, -1, "270.0"),
        ("left", 1, 0, "180.0"),
        ("left", 0, 1, "90.0"),
        ("left", -1, 0, "0.0"),
        ("left", 0, -1, "270.0"),
        ("right", 1, 1, "45.0"),
        ("left", 1, 1, "135.0"),
        ("left", -1, -0.001, "0.0"),
    ],
)
def test_base_directions_are_opposite_in_the_two_eyes(eye, base_in, base_up, angle):
    assert doc._prism(eye, base_in, base_up)["resultant"]["base_angle"] == angle


def test_both_lenses_are_ordered_in_the_branchs_cylinder_form():
    """+2.00/-1.00x90 is +1.00/+1.00x180 (trade-facts 14.1, case 5: transposed without turning the axis is the usual slip)."""
    case = replace(
        examples.example_case(),
        prescription=c.Prescription(
            right=c.PrescribedLens(sphere=2.0, cylinder=-1.0, axis=90),
            left=c.PrescribedLens(sphere=1.0, cylinder=1.0, axis=180),
        ),
        rules=c.Rules(cylinder_form="plus"),
    )
    power = c.OrderedPower(sphere=2.0, cylinder=-1.0, axis=90)
    figures = examples.example_figures()
    figures = replace(
        figures,
        right=replace(figures.right, ordered=power),
        left=replace(figures.left, ordered=c.OrderedPower(sphere=1.0, cylinder=1.0, axis=180)),
    )
    lenses = doc.build(case, figures, (), examples.example_meta())["lenses"]
    for eye in ("right", "left"):
        ordered = lenses[eye]["ordered"]
        assert (ordered["sphere"], ordered["cylinder"], ordered["axis"]) == ("1.00", "1.00", "180.0")
    written = lenses["right"]["prescribed"]
    assert (written["sphere"], written["cylinder"], written["axis"]) == ("2.00", "-1.00", "90.0"), "as it was written"


def test_a_near_pair_is_centred_for_near():
    case = examples.example_case()
    case = replace(case, lens=replace(case.lens, design=c.LensDesign(name="Plainview", family="single_vision")))
    figures = examples.example_figures()
    near = replace(figures.right, decentration_in=35 - 29.5)
    document = doc.build(case, replace(figures, right=near), (), examples.example_meta())
    assert document["lenses"]["right"]["centration"]["centred_for"] == "near"
    assert document["lenses"]["left"]["centration"]["centred_for"] == "distance"


def test_a_near_pair_measured_for_far_only_is_centred_by_the_near_pd_worked_out():
    """Reading glasses by far PDs of 31.5 and 31.0 at 380 mm. Near PD by similar triangles over the centre of rotation, 13.5 mm behind
    the cornea (13 to 15 in papers), vertex 13 mm: 31.5 x 380 / (380 + 26.5) = 29.45, 31 x 380 / 406.5 = 28.98. The order must not say
    "distance" and 31.5 beside a decentration for 29.45."""
    case = examples.example_case()
    sides = {"right": c.Adopted(far_pd=31.5), "left": c.Adopted(far_pd=31.0)}
    case = replace(
        case,
        needs=c.Needs(uses=("near",), working_distance_mm=380.0),
        fit=replace(case.fit, vertex_mm=13.0),
        measurements=c.Measurements(**sides),
        lens=replace(case.lens, design=c.LensDesign(name="Plainview", family="single_vision"), compensation="none"),
    )
    document = doc.build(case, compute(case), (), examples.example_meta())
    for eye, near in (("right", "29.45"), ("left", "28.98")):
        where = document["lenses"][eye]["centration"]
        assert (where["centred_for"], where["near_pd"]) == ("near", near)
        assert Decimal(where["decentration_in"]) == Decimal(document["frame"]["c"]) / 2 - Decimal(near)
    assert any("worked out from the far PD (right and left)" in line for line in document["instructions"])
    drawn, again = geometry_of(case, compute(case)), geometry_of_document(document)
    for eye in ("right", "left"):
        assert (drawn.of(eye).centred_for, again.of(eye).centred_for) == ("near", "near")
        assert again.of(eye).from_nose == pytest.approx(drawn.of(eye).from_nose, abs=0.005)


def test_what_is_missing_is_named_and_nothing_is_guessed():
    case = examples.example_case()
    rx = case.prescription
    case = replace(
        case,
        prescription=replace(
            rx, right=replace(rx.right, base_v=None), left=replace(rx.left, axis=None, cylinder=-1.0, sphere=None)
        ),
        frame=replace(case.frame, dbl=None),
        lens=replace(case.lens, material=None),
    )
    with pytest.raises(doc.CannotDocument) as caught:
        doc.build(case, Figures(), (), examples.example_meta())
    assert set(caught.value.missing) >= {
        "prescription.right.base_v",
        "prescription.left.axis",
        "prescription.left.sphere",
        "frame.dbl",
        "lens.material",
        "measurements.right.far_pd",
    }
    with pytest.raises(doc.CannotDocument):
        doc.build(c.Case(today=date(2026, 1, 1)), Figures(), (), examples.example_meta())


def test_a_balance_lens_needs_no_power():
    case = examples.example_case()
    rx = replace(case.prescription, left=c.PrescribedLens(balance=True))
    figures = examples.example_figures()
    figures = replace(figures, left=replace(figures.left, ordered=None))
    document = doc.build(replace(case, prescription=rx), figures, (), examples.example_meta())
    assert document["lenses"]["left"]["ordered"] is None
    assert "Left lens is a balance lens." in document["instructions"]
    assert faults(document) == []


def test_who_compensates_is_said_in_words():
    case = examples.example_case()
    for who, words in (("practice", "Do not compensate again"), ("maker", "to be compensated by the maker")):
        said = doc.build(
            replace(case, lens=replace(case.lens, compensation=who)),
            examples.example_figures(),
            (),
            examples.example_meta(),
        )["instructions"]
        assert any(words in line for line in said)
    plain = doc.build(
        replace(case, lens=replace(case.lens, compensation="none")), examples.example_figures(), (), examples.example_meta()
    )
    assert not any("compensat" in line for line in plain["instructions"])


def test_control_characters_and_broken_text_do_not_reach_the_lab():
    case = examples.example_case()
    case = replace(case, lens=replace(case.lens, remark="a\x00b\x1b[31m\ud800c\r\nd\u0065\u0301"))
    document = doc.build(case, examples.example_figures(), (), examples.example_meta())
    assert document["lens"]["remark"] == "ab[31mc\nd\u00e9"
    doc.canonical(document).encode("utf-8")


def test_moments_are_in_utc_and_need_a_zone():
    meta = replace(examples.example_meta(), issued_at=datetime(2026, 7, 1, 10, 0, tzinfo=timezone(timedelta(hours=1))))
    document = doc.build(examples.example_case(), examples.example_figures(), (), meta)
    assert document["order"]["issued_at"] == "2026-07-01T09:00:00Z"
    with pytest.raises(ValueError, match="time zone"):
        doc.build(examples.example_case(), examples.example_figures(), (), replace(meta, issued_at=datetime(2026, 7, 1)))


# --- read back


def quarters(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 8), round(high * 8)).map(lambda n: n / 8)


def hundredths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 100), round(high * 100)).map(lambda n: n / 100)


@st.composite
def prescribed(draw) -> c.PrescribedLens:
    cylinder = draw(quarters(-8, 8))
    return c.PrescribedLens(
        sphere=draw(quarters(-30, 25)),
        cylinder=cylinder or None,
        axis=draw(st.integers(1, 180)) if cylinder else None,
        add=draw(st.none() | quarters(0.5, 6)),
        prism_h=draw(st.none() | quarters(0, 15)),
        base_h=draw(st.sampled_from(["in", "out"])),
        prism_v=draw(st.none() | quarters(0, 10)),
        base_v=draw(st.sampled_from(["up", "down"])),
    )


@st.composite
def orders(draw):
    a, b, dbl = draw(hundredths(35, 70)), draw(hundredths(20, 60)), draw(hundredths(10, 30))
    frame = c.Frame(
        identity="F",
        name=draw(st.text(max_size=60)),
        a=a,
        b=b,
        dbl=dbl,
        ed=draw(st.none() | hundredths(36, 80)),
        mount=draw(st.sampled_from(["full_rim", "grooved", "drilled"])),
        outline=draw(st.just(()) | st.builds(lambda n: examples.outline(a, b, n), st.sampled_from([36, 400]))),
        drill_points=tuple(
            c.DrillPoint(x=x, y=y, diameter=1.4)
            for x, y in draw(st.lists(st.tuples(hundredths(-30, 30), hundredths(-30, 30)), max_size=3))
        ),
    )
    rx = c.Prescription(right=draw(prescribed()), left=draw(prescribed()), vertex_mm=draw(st.none() | hundredths(5, 20)))
    eyes, adopted = {}, {}
    for eye in c.EYES:
        lens = rx.of(eye)
        far, height = draw(hundredths(20, 40)), draw(st.none() | hundredths(5, 40))
        adopted[eye] = c.Adopted(far_pd=far, near_pd=far - 2, height=height)
        eyes[eye] = LensFigures(
            far_pd=far,
            near_pd=far - 2,
            height_box=height,
            height_datum=None if height is None else height - b / 2,
            decentration_in=(a + dbl) / 2 - far,
            decentration_up=None if height is None else height - b / 2,
            ordered=c.OrderedPower(
                sphere=draw(st.floats(-30, 25, allow_nan=False)) if draw(st.booleans()) else lens.sphere,
                cylinder=lens.cylinder or 0.0,
                axis=lens.axis,
                prism_in=lens.prism_in or 0.0,
                prism_up=lens.prism_up or 0.0,
                add=lens.add,
            ),
        )
    case = c.Case(
        today=date(2026, 11, 25),
        prescription=rx,
        frame=frame,
        measurements=c.Measurements(right=adopted["right"], left=adopted["left"]),
        lens=c.LensChoice(
            design=c.LensDesign(name="Ridgeway", family=draw(st.sampled_from(["single_vision", "progressive"]))),
            material=c.Material(name="1.50", nd=1.498, abbe=58, density=1.32),
            remark=draw(st.text(max_size=200)),
        ),
        rules=c.Rules(cylinder_form=draw(st.sampled_from(["minus", "plus"]))),
    )
    return case, Figures(right=eyes["right"], left=eyes["left"])


def printed(value: float, places: int = 2) -> Decimal:
    """Independent of the code under test: the decimal as typed, rounded by the decimal module."""
    return Decimal(str(value)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)


def matrix(sphere: Decimal, cylinder: Decimal, axis: Decimal | None) -> tuple[float, float, float]:
    """Long's dioptric power matrix: the same power has the same matrix whatever the cylinder form."""
    t = math.radians(float(axis or 0))
    s, k = float(sphere), float(cylinder)
    return (s + k * math.sin(t) ** 2, -k * math.sin(t) * math.cos(t), s + k * math.cos(t) ** 2)


@settings(max_examples=300, deadline=None)
@given(orders())
def test_read_back_the_document_says_what_the_case_says(made):
    case, figures = made
    document = doc.build(case, figures, (), examples.example_meta())
    text = doc.canonical(document)
    assert doc.canonical(json.loads(text)) == text, "writing what was read changes nothing"
    read = json.loads(text)
    assert faults(read) == []
    for eye in c.EYES:
        lens, rx, f = read["lenses"][eye], case.prescription.of(eye), figures.of(eye)
        got = lens["prescribed"]
        assert Decimal(got["sphere"]) == printed(rx.sphere)
        assert Decimal(got["cylinder"]) == printed(rx.cylinder or 0)
        assert (None if got["axis"] is None else Decimal(got["axis"])) == (rx.axis if rx.cylinder else None)
        assert (None if got["addition"] is None else Decimal(got["addition"])) == (
            None if rx.add is None else printed(rx.add)
        )
        for amount, base, part in ((rx.prism_h, rx.base_h, "horizontal"), (rx.prism_v, rx.base_v, "vertical")):
            assert Decimal(got["prism"][part]["amount"]) == printed(amount or 0)
            assert got["prism"][part]["base"] == (base if printed(amount or 0) else None)
        ordered, asked = lens["ordered"], f.ordered
        assert Decimal(ordered["cylinder"]) * (1 if case.rules.cylinder_form == "plus" else -1) >= 0
        wanted = matrix(printed(round(asked.sphere, 9)), printed(asked.cylinder), asked.axis)
        given_ = matrix(
            Decimal(ordered["sphere"]),
            Decimal(ordered["cylinder"]),
            None if ordered["axis"] is None else Decimal(ordered["axis"]),
        )
        assert given_ == pytest.approx(wanted, abs=1e-9)
        assert Decimal(ordered["prism"]["in"]) == printed(asked.prism_in)
        assert Decimal(ordered["prism"]["up"]) == printed(asked.prism_up)
        # the resultant, taken apart again, is the components
        result = ordered["prism"]["resultant"]
        angle = math.radians(float(result["base_angle"] or 0))
        x = float(result["amount"]) * math.cos(angle) * (1 if eye == "right" else -1)
        y = float(result["amount"]) * math.sin(angle)
        slack = 0.0051 + float(result["amount"]) * math.radians(0.05)  # half a step of the amount, half a step of the angle
        assert x == pytest.approx(float(ordered["prism"]["in"]), abs=slack)
        assert y == pytest.approx(float(ordered["prism"]["up"]), abs=slack)
        where = lens["centration"]
        assert Decimal(where["far_pd"]) == printed(f.far_pd)
        assert Decimal(where["near_pd"]) == printed(round(f.near_pd, 9))
        assert (where["height"] is None) == (f.height_box is None)
        if f.height_box is not None:
            assert Decimal(where["height"]) == printed(f.height_box)
            assert float(where["height_above_datum"]) == pytest.approx(f.height_box - case.frame.b / 2, abs=0.0051)
        # seen from the nose and from the box, it is the same place
        c_half = (Decimal(read["frame"]["a"]) + Decimal(read["frame"]["dbl"])) / 2
        assert abs(c_half - Decimal(where["far_pd"]) - Decimal(where["decentration_in"])) <= Decimal("0.005")
    frame = read["frame"]
    assert [Decimal(frame[n]) for n in ("a", "b", "dbl")] == [printed(getattr(case.frame, n)) for n in ("a", "b", "dbl")]
    if case.frame.outline:
        assert frame["outline"]["radii"] == [int(printed(round(r, 9)) * 100) for r in case.frame.outline]
    else:
        assert frame["outline"] is None
        assert "No outline is on record: trace the frame." in read["instructions"]
    assert [(Decimal(p["x"]), Decimal(p["y"])) for p in frame["drill_points"]] == [
        (printed(p.x), printed(p.y)) for p in case.frame.drill_points
    ]


# --- since 1.1: the front curve and where it comes from


def test_the_front_curve_says_where_it_comes_from():
    from orders.renderers import words
    from orders.renderers.summary import summary
    from tests.orders import cases

    def frozen(name):
        return json.loads((cases.FROZEN / f"{name}.json").read_text(encoding="utf-8"))

    document = frozen("front-curve-partly-assumed")
    assert [document["lenses"][eye]["front_curve"] for eye in ("right", "left")] == [
        {"curve": "6.25", "from": "maker"},
        {"curve": "2.25", "from": "rule"},  # -7.50, beyond the table: Vogel, -7.50/2 + 6
    ]
    assert words.front_curve_words(document) == "Front curve R 6.25 D, maker's table; L 2.25 D, assumed."
    row = next(r for r in summary(document).places if r.label == "Front curve")
    assert (row.right, row.left) == ("6.25 D, maker's table", "2.25 D, assumed")
    assert words.front_curve_words(frozen("front-curve-of-the-maker")) == "Front curve 4.25 D, maker's table."
    for path, values in {("curve",): ["4.2", None], ("from",): ["lab", None]}.items():
        for value in values:
            wrong = copy.deepcopy(document)
            wrong["lenses"]["left"]["front_curve"][path[0]] = value
            assert faults(wrong), (path, value)


def test_an_order_of_1_0_says_nothing_of_a_curve_and_is_right_by_the_newer_schema():
    from orders.renderers import words
    from tests.orders import cases

    document = json.loads((cases.FROZEN / "single-vision.json").read_text(encoding="utf-8"))
    assert document["schema_version"] == "1.0"
    assert faults(document) == []
    assert words.front_curve_words(document) == ""
    assert words.front_curves(document) == {}


@pytest.mark.parametrize(("amount", "base"), [("near_prism_h", "near_base_h"), ("near_prism_v", "near_base_v")])
def test_a_near_prism_without_a_base_is_not_given_one(amount, base):
    case, figures = examples.example_case(), examples.example_figures()
    rx = case.prescription
    without = replace(case, prescription=replace(rx, left=replace(rx.left, **{amount: 1.5})))
    with pytest.raises(doc.CannotDocument) as refused:
        doc.build(without, figures, (), examples.example_meta())
    assert refused.value.missing == (f"prescription.left.{base}",)


@pytest.mark.parametrize(
    ("clear", "dark", "said"),
    [
        (None, None, "not yet known"),
        (88.0, None, "88.0 % at its palest, not yet known at its darkest"),
        (None, 14.0, "not yet known at its palest, 14.0 % at its darkest"),
    ],
)
def test_a_transmittance_that_is_not_known_is_nowhere_nil(clear, dark, said):
    """Not known is not 0 %: the document holds null, every rendering says so in words or leaves the figure out."""
    case = examples.example_case()
    tint = c.Tint(name="smoke", transmittance_clear=clear, transmittance_dark=dark)
    case = replace(case, lens=replace(case.lens, tint=tint))
    document = doc.build(case, examples.example_figures(), examples.example_reasons(), examples.example_meta())
    told = document["lens"]["tint"]
    assert told == {
        "name": "smoke",
        "transmittance_clear": None if clear is None else "88.0",
        "transmittance_dark": None if dark is None else "14.0",
    }
    assert not faults(document)
    digest = doc.digest(doc.canonical(document))
    on_page = dict(summary.summary(document).lens)["Tint"]
    on_paper = next(r.text for b in pdf_words.left_blocks(document) for r in b.rows if r.label == "tint")
    record = record_text.render(document, digest=digest).decode("ascii").replace("_DLTINT=1;", "")
    for words in (on_page, on_paper):
        assert said in words
        assert "0.0 %" not in words.replace("88.0 %", "").replace("14.0 %", "")
    assert "smoke: light let through" in record
    assert "transmits" not in record
    bundle = fhir.render(document, version="5.0", digest=digest).decode()
    for state, value in (("clear", clear), ("dark", dark)):
        assert (f"tint-transmittance-{state}" in bundle) is (value is not None)
