"""Whole records: wrong ones that a competent optician stops, and unusual ones that must not be blocked.

The numbered records and their verdicts are trade knowledge collected from teaching, standards and published cases; the wording is ours.
"""

from __future__ import annotations

from datetime import date

import pytest

from dispensing.case import DrillPoint
from dispensing.checks import assess
from dispensing.figures import compute
from tests.dispensing.checks.build import (
    BASES,
    BIFOCAL,
    GLASS,
    HARD_RESIN,
    NEAR,
    PROGRESSIVE,
    RESIN,
    SINGLE,
    TOUGH,
    before,
    changed,
    ordered,
    tint,
)

FRESH = {"rx.read_back": None}
UNTRACED = {"f.outline": (), "f.ed": None}
PLAIN = {"R.cylinder": None, "R.axis": None, "L.cylinder": None, "L.axis": None}


def pds(right, left, **more):
    return {"m.R.far_pd": right, "m.L.far_pd": left, "m.binocular_far_pd": None, "m.readings": (), **more}


def heights(right, left, **more):
    return {"m.R.height": right, "m.L.height": left, "m.readings": (), **more}


WRONG = [
    ("1 axis blank", "stop", "rx.cylinder-without-axis", SINGLE, {"R.cylinder": -1.25, "R.axis": None}),
    ("2 axis without cylinder", "stop", "rx.axis-without-cylinder", SINGLE, {"L.sphere": 1.5, "L.cylinder": None, "L.axis": 95.0}),
    ("3 axis 195", "stop", "rx.axis-off-scale", SINGLE, {"R.sphere": 0.75, "R.cylinder": -0.5, "R.axis": 195.0}),
    ("4 sign slip in one eye", "stop", "rx.slip", SINGLE,
     {**FRESH, **PLAIN, "R.sphere": -4.25, "L.sphere": 4.25, "earlier": (before("-4.25", "-4.25"),)}),
    ("5 transposed without turning the axis", "stop", "ordered.half-transposed", SINGLE,
     {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(1.0, 1.0, 90.0)}),
    ("6 progressive without addition", "stop", "rx.add-missing", PROGRESSIVE, {"R.add": None, "L.add": None}),
    ("7 near sphere typed as addition", "stop", "rx.near-sphere-as-add", PROGRESSIVE,
     {"R.sphere": 2.0, "R.add": 4.0, "R.near_sphere": 4.0, "L.sphere": 2.0, "L.add": 4.0, "L.near_sphere": 4.0}),
    ("8 unequal additions", "confirm", "rx.adds-unequal", PROGRESSIVE, {"R.add": 1.5, "L.add": 2.5}),
    ("9 addition at 24", "confirm", "rx.add-for-age", PROGRESSIVE, {"p.age_years": 24.0, "R.add": 2.25, "L.add": 2.25}),
    ("10 binocular PD in monocular fields", "stop", "pd.binocular-in-monocular", SINGLE, pds(64.0, 64.0)),
    ("11 parts do not sum", "stop", "pd.parts-do-not-sum", SINGLE, pds(31.0, 34.0, **{"m.binocular_far_pd": 63.0})),
    ("12 near more than far", "stop", "pd.near-not-less", NEAR,
     {"m.R.far_pd": 30.5, "m.L.far_pd": 30.5, "m.R.near_pd": 32.0, "m.L.near_pd": 32.0, "m.binocular_far_pd": None,
      "m.binocular_near_pd": None, "m.readings": ()}),
    ("13 parent's PD", "stop", "pd.child-range", SINGLE, pds(33.0, 33.0, **{"p.age_years": 5.0})),
    ("14 height beyond the lens", "stop", "height.outside-box", PROGRESSIVE, heights(34.0, 34.0, **{"f.b": 30.0, **UNTRACED})),
    ("15 height from the datum line", "stop", "height.from-datum-line", PROGRESSIVE, heights(4.0, 4.5, **{"f.b": 34.0, **UNTRACED})),
    ("16 reading area cut off", "stop", "lens.height-under-minimum", PROGRESSIVE,
     heights(14.0, 14.0, **{"d.min_height_mm": 18.0, "f.b": 25.0, **UNTRACED})),
    ("17 heights 6 mm unequal", "confirm", "height.unequal", PROGRESSIVE, heights(17.0, 23.0)),
    ("18 vertex distance missing", "stop", "rx.vertex-missing", SINGLE, {"R.sphere": -9.5, "L.sphere": -9.25, "rx.vertex_mm": None}),
    ("19 compensated the wrong way", "stop", "ordered.wrong-way", SINGLE,
     {**PLAIN, "R.sphere": -10.0, "L.sphere": -10.0, "fit.vertex_mm": 15.0, "fit.pantoscopic_deg": 0.0, "fit.face_form_deg": 0.0,
      "lens.ordered_right": ordered(-9.71), "lens.ordered_left": ordered(-9.71)}),
    ("20 base missing", "stop", "rx.prism-without-base", SINGLE, {"R.prism_h": 3.0}),
    ("20 bases cancel", "confirm", "rx.prism-bases-cancel", SINGLE,
     {"R.prism_h": 2.0, "R.base_h": "in", "L.prism_h": 2.0, "L.base_h": "out"}),
    ("21 drilled with a thin edge", "stop", "lens.edge-too-thin", SINGLE,
     {"R.sphere": 3.5, "L.sphere": 3.5, "f.mount": "drilled", "lens.material": HARD_RESIN, "lens.min_edge_mm": 1.0}),
    ("21 drilled glass", "stop", "material.drilled", SINGLE, {"f.mount": "drilled", "lens.material": GLASS}),
    ("21 glass for a child", "stop", "material.child", SINGLE, {"p.age_years": 9.0, "lens.material": GLASS}),
    ("22 blank too small", "stop", "lens.blank-too-small", SINGLE,
     pds(29.0, 29.0, **{"f.a": 58.0, "f.dbl": 18.0, "f.ed": 62.0, "f.outline": (), "lens.blank_diameter_mm": 75.0})),
    ("23 category 4 for driving", "stop", "tint.road", SINGLE, {"n.uses": ("driving_day",), "lens.tint": tint(6)}),
    ("23 50 % at night", "stop", "tint.night", SINGLE, {"n.uses": ("driving_night",), "lens.tint": tint(50)}),
    ("24 14 years, no registered person", "stop", "order.restricted", SINGLE,
     {"p.age_years": 14.0, "h.dispenser": "", "h.dispenser_registered": False}),
    ("24 dated in the future", "stop", "rx.written-in-future", SINGLE, {"rx.written_on": date(2026, 6, 4)}),
    ("24 30 months old, unregistered", "stop", "rx.out-of-date", SINGLE,
     {"rx.written_on": date(2023, 11, 4), "h.dispenser_registered": False}),
    ("25 eyes swapped", "stop", "rx.eyes-swapped", SINGLE,
     {**FRESH, **PLAIN, "R.sphere": -2.0, "L.sphere": -5.0,
      "earlier": (before("-5", "-2"), before("-5", "-2", on=date(2022, 5, 4)), before("-4.75", "-1.75", on=date(2020, 5, 4)))}),
    # more to consider
    ("power step", "confirm", "rx.power-step", SINGLE, {"R.sphere": -2.30}),
    ("decimal slip", "stop", "rx.slip", SINGLE, {**FRESH, "R.sphere": -25.0, "earlier": (before("-2.5/-0.5x90", "-2.25/-0.75x85"),)}),
    ("decimal slip, nothing earlier", "confirm", "rx.sphere-unusual", SINGLE, {**FRESH, "R.sphere": -25.0}),
    ("lost sign, nothing earlier", "confirm", "rx.mirror-signs", SINGLE, {**FRESH, "R.sphere": 2.25}),
    ("near spheres typed as additions", "confirm", "rx.near-sphere-as-add", PROGRESSIVE,
     {"R.sphere": 1.25, "R.add": 3.25, "L.sphere": 0.75, "L.add": 2.75}),
    ("swapped columns", "stop", "rx.axis-cylinder-exchanged", SINGLE, {"R.cylinder": 10.0, "R.axis": 1.0}),
    ("mixed cylinder forms", "confirm", "rx.cylinder-forms-mixed", SINGLE, {"L.cylinder": 0.75}),
    ("rows in conflict", "stop", "rx.near-row", PROGRESSIVE, {"R.near_sphere": 1.0}),
    ("PD in centimetres", "stop", "pd.centimetres", SINGLE, {"m.binocular_far_pd": 6.4}),
    ("18 read as 81", "stop", "frame.side-as-dbl", SINGLE, {"f.a": 48.0, "f.dbl": 81.0, **UNTRACED}),
    ("effective diameter less than a", "stop", "frame.ed-under-box", SINGLE, {"f.ed": 48.0}),
    ("pantoscopic 45", "stop", "fit.pantoscopic-range", SINGLE, {"fit.pantoscopic_deg": 45.0}),
    ("face form 25 on a flat frame", "confirm", "fit.face-form-range", SINGLE, {"fit.face_form_deg": 25.0}),
    ("bifocal top above an adult's pupil", "confirm", "segment.position", BIFOCAL, {"m.R.height": 23.5, "m.L.height": 24.0, "m.readings": ()}),
    ("near imbalance of 2.5 and more", "confirm", "seeing.imbalance", PROGRESSIVE, {**PLAIN, "R.sphere": -1.0, "L.sphere": -4.0}),
    ("the same pair on order", "confirm", "order.copy-of-open", SINGLE, {"h.open_order_for_same_pair": True}),
]  # fmt: skip

LEGITIMATE = [
    ("1 anisometropia after surgery", SINGLE, {**FRESH, **PLAIN, "R.sphere": -0.25, "L.sphere": -6.5, "earlier": (before("-6.25", "-6.5"),)}),
    ("1 the same as a progressive", PROGRESSIVE, {**PLAIN, "R.sphere": -0.25, "L.sphere": -6.5}),
    ("2 keratoconus", SINGLE, {"R.sphere": -3.0, "R.cylinder": -6.5, "R.axis": 70.0, "L.sphere": -1.0, "L.cylinder": -5.75, "L.axis": 115.0, "d.cylinder_max": 8.0}),
    ("2 keratoconus, new and typed once", SINGLE,
     {**FRESH, "R.sphere": -3.0, "R.cylinder": -6.5, "R.axis": 70.0, "L.sphere": -1.0, "L.cylinder": -5.75, "L.axis": 115.0, "d.cylinder_max": 8.0}),
    ("3 PD 77", SINGLE, pds(38.5, 38.5, **{"p.sex": "male", "f.a": 58.0, **UNTRACED})),
    ("3 PD 51", SINGLE, pds(25.5, 25.5, **{"f.a": 44.0, "f.b": 34.0, "f.dbl": 15.0, **UNTRACED})),
    ("4 nasal fracture", SINGLE, pds(28.0, 34.5, **{"p.notes": ("past nasal fracture",)})),
    ("4 the same, nothing recorded", SINGLE, pds(28.0, 34.5)),
    ("5 child's bifocal at the pupil", BIFOCAL,
     {"p.age_years": 5.0, "R.add": 2.5, "L.add": 2.5, "R.sphere": 3.0, "L.sphere": 3.25, "lens.material": TOUGH,
      "f.a": 42.0, "f.b": 34.0, "f.dbl": 16.0, "f.child": True, "f.side": 120.0, **UNTRACED,
      **pds(26.0, 26.0), **heights(18.0, 18.0), "m.R.pupil_height": 18.0, "m.L.pupil_height": 18.0}),
    ("6 low-vision addition with base in", NEAR,
     {"R.add": 8.0, "L.add": 8.0, "R.near_prism_h": 10.0, "R.near_base_h": "in", "L.near_prism_h": 10.0, "L.near_base_h": "in",
      "d.prism_max": 12.0, "d.sphere_max": 12.0, "p.sight_impaired": True, "n.working_distance_mm": 125.0}),
    ("7 aphakic infant", SINGLE,
     {**FRESH, **PLAIN, "R.sphere": 22.0, "L.sphere": 22.0, "rx.vertex_mm": 10.0, "fit.vertex_mm": 10.0, "p.age_years": 0.6,
      "d.sphere_max": 30.0, "lens.material": TOUGH, "f.a": 34.0, "f.b": 30.0, "f.dbl": 10.0, "f.side": 100.0, "f.child": True, **UNTRACED,
      **pds(21.0, 21.0)}),
    ("8 monovision", SINGLE, {**PLAIN, "R.sphere": 0.0, "L.sphere": 2.5, "p.age_years": 58.0}),
    ("8 balance lens", SINGLE, {**PLAIN, "L.balance": True, "L.sphere": None, "p.useful_eye": "right", "lens.material": TOUGH}),
    ("9 prism thinning", PROGRESSIVE, {"lens.prism_thinning_down": 1.25}),
    ("9 prism thinning stated in the order", PROGRESSIVE,
     {"lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.0, prism_up=-1.25), "lens.ordered_left": ordered(-2.25, -0.75, 85.0, add=2.0, prism_up=-1.25)}),
    ("10 maker's values in a wrap", SINGLE,
     {**PLAIN, "R.sphere": -5.0, "L.sphere": -5.0, "lens.compensation": "maker", "f.front_curve": 8.0, "f.face_form_deg": 20.0,
      "fit.face_form_deg": 20.0, "lens.ordered_right": ordered(-4.25, -0.56, 180.0), "lens.ordered_left": ordered(-4.25, -0.56, 180.0)}),
    ("10 degressive with negative variation", PROGRESSIVE, {"d.family": "degressive", "d.degression": -1.0, "n.uses": ("screens", "near")}),
    ("10 eighth steps", SINGLE, {"R.sphere": -2.12, "L.sphere": -2.37}),
    ("10 heights 4 mm apart", PROGRESSIVE, heights(20.0, 24.0, **{"p.notes": ("past orbital fracture",)})),
    ("10 heights 4 mm apart, nothing recorded", PROGRESSIVE, heights(20.0, 24.0)),
    ("10 child's progressive with the cross above the pupil", PROGRESSIVE,
     {"p.age_years": 9.0, "lens.material": TOUGH, "R.add": 1.5, "L.add": 1.5, "rx.remark": "myopia trial", **heights(26.0, 26.0), **pds(28.0, 28.0),
      "f.a": 46.0, "f.b": 38.0, "f.dbl": 16.0, **UNTRACED}),
    # also legitimate
    ("antimetropia", SINGLE, {**PLAIN, "R.sphere": -1.5, "L.sphere": 1.75}),
    ("antimetropia, new and typed once", SINGLE, {**FRESH, **PLAIN, "R.sphere": -1.5, "L.sphere": 1.75}),
    ("unequal additions explained", PROGRESSIVE, {"R.add": 2.5, "rx.remark": "right lens implant"}),
    ("plano with tint", SINGLE, {**PLAIN, "R.sphere": 0.0, "L.sphere": 0.0, "lens.tint": tint(20), "n.uses": ("sun",)}),
    ("plano with prism", SINGLE,
     {**PLAIN, "R.sphere": 0.0, "L.sphere": 0.0, "R.prism_h": 2.0, "R.base_h": "out", "L.prism_h": 2.0, "L.base_h": "out"}),
    ("12 Δ split for a palsy", SINGLE, {"R.prism_h": 6.0, "R.base_h": "out", "L.prism_h": 6.0, "L.base_h": "out"}),
    ("12 Δ split, new and typed once", SINGLE, {**FRESH, "R.prism_h": 6.0, "R.base_h": "out", "L.prism_h": 6.0, "L.base_h": "out"}),
    ("out of date, registered", SINGLE, {"rx.written_on": date(2023, 11, 4)}),
    ("yoked prism", SINGLE, {"R.prism_h": 4.0, "R.base_h": "in", "L.prism_h": 4.0, "L.base_h": "out", "rx.remark": "hemianopia"}),
    ("yoked prism, no remark", SINGLE, {"R.prism_v": 4.0, "R.base_v": "down", "L.prism_v": 4.0, "L.base_v": "down"}),
    ("near PD as far PD", NEAR, {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0, "m.binocular_near_pd": None, "m.reason": "divergent squint"}),
    ("near PD as far PD, nothing recorded", NEAR, {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0, "m.binocular_near_pd": None}),
    ("drilled 1.60 with its points", SINGLE,
     {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=22.0, y=3.0, diameter=1.4),), "lens.min_edge_mm": 2.0, "lens.material": RESIN}),
    ("a growing child", SINGLE,
     {"p.age_years": 11.0, "h.dispenser_registered": True, "R.sphere": -3.75, "L.sphere": -4.0, "lens.material": TOUGH, **pds(28.5, 28.5),
      "earlier": (before("-2/-0.5x90", "-2.25/-0.75x85", pd=(27.0, 27.0)),), "f.a": 46.0, "f.b": 36.0, **UNTRACED}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("severity", "identifier", "base", "changes"), [pytest.param(*row[1:], id=row[0]) for row in WRONG]
)
def test_wrong_record_is_caught(severity, identifier, base, changes):
    case = changed(base, changes)
    found = {f.check: f.severity for f in assess(case, compute(case))}
    assert found.get(identifier) == severity, found


@pytest.mark.parametrize(("base", "changes"), [pytest.param(*row[1:], id=row[0]) for row in LEGITIMATE])
def test_legitimate_record_is_not_stopped(base, changes):
    case = changed(base, changes)
    found = assess(case, compute(case))
    assert [f for f in found if f.severity in ("stop", "unknown")] == []


@pytest.mark.parametrize("name", BASES)
def test_an_ordinary_record_is_left_alone(name):
    case = BASES[name]
    assert [f for f in assess(case, compute(case)) if f.severity != "note"] == []


def test_one_finding_names_the_slip_and_its_symptoms_are_left_out():
    case = changed(
        PROGRESSIVE,
        {
            **FRESH, "R.sphere": -4.0, "L.sphere": -2.0, "m.R.far_pd": 33.0, "m.L.far_pd": 30.5, "m.readings": (), "m.binocular_far_pd": None,
            "earlier": (before("-2/-0.75x85", "-4/-0.5x90", add=2.0, pd=(30.5, 33.0)),),
        },
    )  # fmt: skip
    found = [f.check for f in assess(case, compute(case)) if f.severity != "note"]
    assert found == ["pattern.record-swapped"]


def test_what_blocks_comes_first():
    case = changed(
        PROGRESSIVE, {"R.cylinder": -1.25, "R.axis": None, "L.add": 2.5, "m.L.height": None, "d.corridor_mm": 9.0}
    )
    severities = [f.severity for f in assess(case, compute(case))]
    assert severities == sorted(severities, key=["stop", "unknown", "confirm", "note"].index)
    assert set(severities) == {"stop", "unknown", "confirm", "note"}


def test_reading_back_turns_a_stop_into_a_question():
    """A true change of sign (after surgery) must not be a dead end: once read back it can go out with a reason."""
    wrong = {**PLAIN, "R.sphere": 4.25, "L.sphere": -4.25, "earlier": (before("-4.25", "-4.25"),)}
    once, twice = changed(SINGLE, {**wrong, **FRESH}), changed(SINGLE, wrong)
    assert {f.severity for f in assess(once, compute(once)) if f.check == "rx.slip"} == {"stop"}
    assert {f.severity for f in assess(twice, compute(twice)) if f.check == "rx.slip"} == {"confirm"}


def test_an_empty_record_asks_for_the_first_thing_only():
    case = changed(SINGLE, {"prescription": None, "frame": None, "lens.design": None, "lens.material": None})
    found = [f for f in assess(case, compute(case)) if f.severity == "unknown"]
    assert [f.missing for f in found] == [("prescription",)]


def test_the_consequence_is_in_prism_of_these_lenses():
    """2 mm at −9.25 D horizontally is 1.85 Δ by Prentice's rule; ISO 21987:2017 allows the pair 2.0 mm of the power."""
    changes = {**PLAIN, "R.sphere": -9.25, "L.sphere": -9.25, "m.binocular_far_pd": 61.5}
    case = changed(SINGLE, changes)
    finding = next(f for f in assess(case, compute(case)) if f.check == "pd.parts-do-not-sum")
    assert "1.85 Δ" in finding.consequence
    assert "base in" in finding.consequence  # minus lenses centred too far out
    assert "tolerance" in finding.consequence
