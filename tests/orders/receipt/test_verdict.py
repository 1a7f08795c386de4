"""The receipt verdict at and around every cell of every table.

The tables are typed here a second time from the reference sheet of the trade (ISO 21987:2017 Tables 1 to 5 and ANSI Z80.1-2015, both
from memory or summaries: neither copy replaces a bought standard). A slip in either copy shows as a failing cell.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dispensing.optics.power import Power
from dispensing.optics.prism import prism_from_decentration
from dispensing.optics.tolerance import judge_power
from orders.receipt.typed import entries_for
from orders.receipt.verdict import LensReading, Readings, found_as_ordered, from_json, judge, to_json
from tests.orders.receipt.pairs import document, exact, ordered

ISO, ANSI = "ISO 21987:2017", "ANSI Z80.1"


@pytest.fixture(autouse=True, scope="module")
def example():
    """Made once beforehand: on a busy machine it takes longer than hypothesis lets a first example take."""
    document(ordered(0.0), ordered(0.0))


# (highest principal power above, up to), each principal power, cylinder tolerance by (above, up to)
CYL = [(0.0, 0.75), (0.75, 4.0), (4.0, 6.0), (6.0, 99.0)]
ISO_SV = [
    ((0, 3), 0.12, (0.09, 0.12, 0.18, None)),
    ((3, 6), 0.12, (0.12, 0.12, 0.18, 0.25)),
    ((6, 9), 0.12, (0.12, 0.18, 0.18, 0.25)),
    ((9, 12), 0.18, (0.12, 0.18, 0.25, 0.25)),
    ((12, 20), 0.25, (0.18, 0.25, 0.25, 0.25)),
    ((20, 26), 0.37, (0.25, 0.25, 0.37, 0.37)),
]
ISO_PAL = [
    ((0, 6), 0.12, (0.12, 0.18, 0.18, 0.25)),
    ((6, 9), 0.18, (0.18, 0.18, 0.18, 0.25)),
    ((9, 12), 0.18, (0.18, 0.18, 0.25, 0.25)),
    ((12, 20), 0.25, (0.18, 0.25, 0.25, 0.25)),
    ((20, 26), 0.37, (0.25, 0.25, 0.37, 0.37)),
]
ISO_AXES = [((0.125, 0.25), 16), ((0.25, 0.5), 9), ((0.5, 0.75), 6), ((0.75, 1.5), 4), ((1.5, 2.5), 3), ((2.5, 5), 2)]
ANSI_AXES = [((0.12, 0.25), 14), ((0.25, 0.5), 7), ((0.5, 0.75), 5), ((0.75, 1.5), 3), ((1.5, 5), 2)]


def cells(rows):
    """Every cell at its upper corner, in its middle and just above its lower edge, minus and plus."""
    for (low, high), a, row in rows:
        for (c_low, c_high), b in zip(CYL, row, strict=True):
            if b is None:
                continue
            for top in (high, (low + high) / 2, low + 0.01):
                for cylinder in (min(c_high, 8.0), (c_low + min(c_high, 8.0)) / 2, c_low + 0.01):
                    if cylinder <= 2 * top:  # else the other principal power would be the stronger
                        for sign in (1, -1):
                            yield sign, round(top, 3), round(cylinder, 3), a, b


def in_cell(sign, top, cylinder):
    """A lens whose stronger principal power is `top`."""
    return ordered(sign * top, -sign * cylinder, 30.0)


def judged_with(doc, name, **change):
    return judge(doc, exact(doc, right=change)).one(name, "right")


@pytest.mark.parametrize("family", ["single_vision", "flat_top_bifocal", "progressive"])
def test_iso_power_at_every_cell(family):
    """ISO 21987:2017 Tables 1 and 2: just within, on and just outside, more plus and more minus, in both forms."""
    tried = 0
    for sign, top, cylinder, a, b in cells(ISO_PAL if family == "progressive" else ISO_SV):
        lens = in_cell(sign, top, cylinder)
        doc = document(lens, lens, family=family)
        s, c = float(lens["sphere"]), float(lens["cylinder"])
        for way in (1, -1):
            for off, fine in ((a - 0.005, True), (a, True), (a + 0.005, False)):
                moved = Power(s + way * off, c, 30.0)
                for form in ("minus", "plus"):
                    p = moved.in_form(form)
                    verdict = judge(doc, exact(doc, right={"sphere": p.sphere, "cylinder": p.cylinder, "axis": p.axis}))
                    for name in ("power_high", "power_low"):
                        row = verdict.one(name, "right")
                        assert row.allowance == pytest.approx(a), (top, cylinder)
                        assert row.within is fine, (sign, top, cylinder, way * off, form)
                    assert verdict.one("cylinder", "right").within is True
                    assert (verdict.outcome == "outside") is not fine
                    tried += 1
            for off, fine in ((b - 0.005, True), (b, True), (b + 0.005, False)):
                size = abs(c) + way * off
                if size < 0:
                    continue
                got = size if c > 0 else -size
                row = judged_with(doc, "cylinder", sphere=s - (got - c) / 2, cylinder=got, axis=30.0)
                assert row.allowance == pytest.approx(b), (top, cylinder)
                assert row.within is fine, (sign, top, cylinder, way * off)
                tried += 1
    assert tried > 1000


ANSI_POWER = {  # greatest power with a fixed tolerance, that tolerance, cylinder to 2.00, then to its limit, share above
    "single_vision": (6.5, 0.13, 0.13, 0.15, 4.5, 0.04),
    "round_bifocal": (6.5, 0.13, 0.13, 0.15, 4.5, 0.04),
    "progressive": (8.0, 0.16, 0.16, 0.18, 3.5, 0.05),
}


@pytest.mark.parametrize("family", ANSI_POWER)
def test_ansi_power_at_every_cell(family):
    limit, fixed, small, middle, top_cyl, share = ANSI_POWER[family]
    for power in (0.5, limit - 0.01, limit, limit + 0.01, 12.0, 20.0):
        for cylinder in (0.5, 2.0, 2.01, top_cyl, top_cyl + 0.01, 6.0):
            if cylinder > 2 * power:
                continue
            a = fixed if power <= limit else 0.02 * power
            b = small if cylinder <= 2 else middle if cylinder <= top_cyl else share * cylinder
            lens = in_cell(-1, power, cylinder)
            doc = document(lens, lens, family=family, standard=ANSI)
            s, c = float(lens["sphere"]), float(lens["cylinder"])
            for off, fine in ((a - 0.002, True), (a, True), (a + 0.002, False), (-a, True), (-a - 0.002, False)):
                row = judged_with(doc, "power_low", sphere=s + off)
                assert (row.within, row.allowance) == (fine, pytest.approx(a)), (power, cylinder, off)
            for off, fine in ((b - 0.002, True), (b, True), (b + 0.002, False)):
                row = judged_with(doc, "cylinder", sphere=s - off / 2, cylinder=c + off)
                assert (row.within, row.allowance) == (fine, pytest.approx(b)), (power, cylinder, off)


@pytest.mark.parametrize(("standard", "rows"), [(ISO, ISO_AXES), (ANSI, ANSI_AXES)])
@pytest.mark.parametrize("axis", [1.0, 3.0, 45.0, 90.0, 178.0, 180.0])
def test_axis_at_every_cell_and_across_180(standard, rows, axis):
    for (low, high), allowed in rows:
        first = low if (low, high) == rows[0][0] else low + 0.005
        for cylinder in (first, (low + high) / 2, high):
            lens = ordered(-1.0, -cylinder, axis)
            doc = document(lens, lens, standard=standard)
            for way in (1, -1):
                for off, fine in ((allowed - 0.5, True), (allowed, True), (allowed + 0.5, False)):
                    turned = (axis + way * off) % 180 or 180.0
                    for form in ("minus", "plus"):
                        p = Power(-1.0, -cylinder, turned).in_form(form)
                        row = judged_with(doc, "axis", sphere=p.sphere, cylinder=p.cylinder, axis=p.axis)
                        assert row.allowance == allowed
                        assert row.within is fine, (cylinder, axis, turned)
                        assert row.difference == pytest.approx(way * off)


@pytest.mark.parametrize(("standard", "below"), [(ISO, 0.124), (ANSI, 0.119)])
def test_no_axis_is_judged_below_the_first_row(standard, below):
    lens = ordered(-1.0, -below, 20.0)
    doc = document(lens, lens, standard=standard)
    with pytest.raises(KeyError):
        judge(doc, exact(doc)).one("axis", "right")


@pytest.mark.parametrize("standard", [ISO, ANSI])
@pytest.mark.parametrize("family", ["flat_top_bifocal", "progressive"])
@pytest.mark.parametrize(("add", "allowed"), [(0.75, 0.12), (4.0, 0.12), (4.01, 0.18), (6.0, 0.18)])
def test_addition(standard, family, add, allowed):
    lens = ordered(1.0, 0.0, None, add)
    doc = document(lens, lens, family=family, standard=standard)
    for off, fine in ((allowed, True), (-allowed, True), (allowed + 0.01, False), (-allowed - 0.01, False)):
        assert judged_with(doc, "add", add=add + off).within is fine


def test_exchanged_distances_are_told_although_the_pair_shows_no_prism():
    """-6.00, right 31.5 and left 34.5 ordered, found the other way round: 1.8 Δ in and 1.8 Δ out, which cancel."""
    doc = document(ordered(-6.0), ordered(-6.0), pd=(31.5, 34.5))
    swapped = judge(doc, exact(doc, right={"pd": 34.5, "prism_in": None}, left={"pd": 31.5, "prism_in": None}))
    assert swapped.one("prism_h", "pair").difference == pytest.approx(0.0)
    assert swapped.outcome == "within"  # by the standard, which judges the pair
    (said,) = swapped.remarks
    assert "3.0 mm towards the wearer's right" in said
    out = judge(doc, exact(doc, right={"pd": 33.5}, left={"pd": 36.5}))  # both too far out: the pair shows that
    assert not [r for r in out.remarks if "Both centres" in r]
    assert not judge(doc, exact(doc, right={"pd": 32.5}, left={"pd": 33.5})).remarks


def test_a_degressive_lens_is_read_at_its_near_point():
    """+0.50 with an addition of +1.75: +2.25 at the near point, the primary reference point of a degressive lens (ISO 13666:2019). The
    +1.00 at its fitting cross is neither the order nor a fault."""
    lens = ordered(0.5, 0.0, None, 1.75)
    doc = document(lens, lens, family="degressive")
    at_near = judge(doc, exact(doc, right={"sphere": 2.25}, left={"sphere": 2.25}))
    assert at_near.outcome == "within"
    assert at_near.one("power_high", "right").ordered == pytest.approx(2.25)
    for wrong in (0.5, 1.0, 2.38):
        assert (
            judge(doc, exact(doc, right={"sphere": wrong}, left={"sphere": 2.25})).one("power_high", "right").within
            is False
        )
    assert next(e.label for e in entries_for(doc)) == "Sphere at the near point"
    # what was read there is held against the prescription as the order states it
    found = found_as_ordered(doc, "right", LensReading(sphere=2.25))
    assert (found.sphere, found.cylinder) == (0.5, 0.0)
    assert found_as_ordered(doc, "right", LensReading(sphere=0.56)).sphere == 0.56  # read as receipts once asked


def test_the_variation_of_a_degressive_lens_is_not_verified():
    lens = ordered(3.0, 0.0, None, 2.0)
    row = judged_with(document(lens, lens, family="degressive"), "add", add=1.0)
    assert (row.within, row.allowance, row.required) == (None, None, False)


# ordered prism (above, up to): horizontal fixed / added to the shift, vertical fixed / added (GB 13511.1-2011 Table 4 form)
PRISM = [
    ((0.0, 2.0), (0.67, 0.0), (0.50, 0.0)),
    ((2.0, 10.0), (1.00, 0.33), (0.75, 0.25)),
    ((10.0, 14.0), (1.25, 0.58), (1.00, 0.50)),
]


@pytest.mark.parametrize("row", PRISM)
@pytest.mark.parametrize("sphere", [-0.5, -3.25, -3.26, -5.0, -5.01, -8.0, 6.0])
@pytest.mark.parametrize("family", ["single_vision", "progressive"])
def test_iso_prism_of_the_pair_at_every_cell(row, sphere, family):
    (low, high), (h_fixed, h_extra), (v_fixed, v_extra) = row
    size = abs(sphere)
    h = h_fixed if size <= 3.25 else h_extra + 0.2 * size
    v = v_fixed if size <= 5.0 else v_extra + 0.1 * size
    for asked in {low + 0.02 if low else 0.0, high}:
        for way in (1, -1):
            half = way * asked / 2
            doc = document(
                ordered(sphere, base_in=half, base_up=half), ordered(sphere, base_in=half, base_up=-half), family=family
            )
            for off, fine in ((h - 0.005, True), (h, True), (h + 0.005, False), (-h, True), (-h - 0.005, False)):
                got = judge(doc, exact(doc, right={"prism_in": round(half, 2) + off})).one("prism_h", "pair")
                assert got.ordered == pytest.approx(2 * round(half, 2))
                assert (got.within, got.allowance) == (fine, pytest.approx(h)), (asked, sphere, off)
            for off, fine in ((v - 0.005, True), (v, True), (v + 0.005, False), (-v, True), (-v - 0.005, False)):
                got = judge(doc, exact(doc, left={"prism_up": round(-half, 2) - off})).one("prism_v", "pair")
                assert (got.within, got.allowance) == (fine, pytest.approx(v)), (asked, sphere, off)


@pytest.mark.parametrize(
    ("family", "sphere", "h", "v"),
    [
        ("single_vision", -2.75, 0.67, 0.33),
        ("single_vision", -2.76, 0.25 * 2.76, 0.33),
        ("single_vision", -3.375, 0.25 * 3.375, 0.33),
        ("single_vision", -3.38, 0.25 * 3.38, 0.338),
        ("progressive", -3.375, 0.67, 0.33),
        ("progressive", -4.0, 0.8, 0.4),
        ("flat_top_bifocal", -8.0, 2.0, 0.8),
    ],
)
def test_ansi_prism_of_the_pair(family, sphere, h, v):
    """0.67 Δ is a total of the pair; above the break 2.5 mm (progressive: 1.0 mm each lens) and 1.0 mm of height."""
    lens = ordered(sphere)
    doc = document(lens, lens, family=family, standard=ANSI)
    verdict = judge(doc, exact(doc))
    assert verdict.one("prism_h", "pair").allowance == pytest.approx(h)
    assert verdict.one("prism_v", "pair").allowance == pytest.approx(v)
    for off, fine in ((h, True), (h + 0.005, False)):
        assert (
            judge(doc, exact(doc, right={"prism_in": off / 2}, left={"prism_in": off / 2})).one("prism_h", "pair").within
            is fine
        )


@pytest.mark.parametrize(("feed", "h", "v"), [("weaker", 0.67, 0.5), ("stronger", 1.6, 0.8), ("mean", 0.2 * 4.5, 0.5)])
def test_an_anisometropic_pair_by_the_lens_that_feeds_the_allowance(feed, h, v):
    doc = document(ordered(-1.0), ordered(-8.0))
    verdict = judge(doc, exact(doc), feed=feed)
    assert verdict.one("prism_h", "pair").allowance == pytest.approx(h)
    assert verdict.one("prism_v", "pair").allowance == pytest.approx(v)
    assert verdict.outcome == "within"


# --- prism from where the centres were found ------------------------------------------------------------------------------


def no_prism_read(doc, **more):
    nothing = {"prism_in": None, "prism_up": None}
    return exact(doc, right={**nothing, **more.get("right", {})}, left={**nothing, **more.get("left", {})})


def test_prism_from_the_centres_is_prentice_along_the_full_power():
    """-6.00 pair, right centre 3 mm out and 1 mm low: 1.8 Δ base in (Prentice: 0.3 cm x 6 D) and 0.6 Δ base up for that eye."""
    doc = document(ordered(-6.0), ordered(-6.0))
    verdict = judge(doc, no_prism_read(doc, right={"pd": 34.5, "height": 19.0}))
    assert verdict.one("prism_h", "pair").found == pytest.approx(1.8)
    assert verdict.one("prism_v", "pair").found == pytest.approx(0.6)
    assert verdict.one("prism_h", "pair").within is False
    assert verdict.one("prism_v", "pair").within is True  # allowance 0.60


def test_ordered_prism_is_where_the_centre_mark_is():
    doc = document(ordered(-4.0, base_in=2.0), ordered(-4.0, base_in=2.0))
    verdict = judge(doc, no_prism_read(doc))
    assert verdict.one("prism_h", "pair").found == pytest.approx(4.0)
    assert verdict.outcome == "within"


def test_oblique_cylinder_couples_the_shift():
    doc = document(ordered(-2.0, -4.0, 45.0), ordered(-2.0, -4.0, 45.0))
    got = judge(doc, no_prism_read(doc, right={"pd": 33.5})).one("prism_v", "pair")
    want = prism_from_decentration(Power(-2.0, -4.0, 45.0), -2.0, 0.0, "right").base_up
    assert got.found == pytest.approx(want)
    assert abs(want) > 0.3


def test_where_a_shift_is_coupled_what_was_not_measured_is_not_taken_as_right():
    """-2.00/-4.00 x 45: f12 is 2 D, so that each millimetre of height nobody measured is 0.2 Δ of horizontal prism (Prentice, by matrix)."""
    lens = ordered(-2.0, -4.0, 45.0, add=2.0)
    doc = document(lens, lens, family="flat_top_bifocal")
    verdict = judge(doc, no_prism_read(doc))
    assert verdict.one("prism_h", "pair").found is None
    assert "pair: horizontal prism of the pair" in verdict.missing
    single = document(ordered(-2.0, -4.0, 45.0), ordered(-2.0, -4.0, 45.0))
    assert judge(single, no_prism_read(single, right={"height": None})).one("prism_h", "pair").found is None
    assert judge(single, no_prism_read(single, right={"pd": None})).one("prism_v", "pair").found is None
    upright = ordered(-2.0, -4.0, 180.0, add=2.0)
    doc = document(upright, upright, family="flat_top_bifocal")
    assert judge(doc, no_prism_read(doc, right={"pd": 33.5})).one("prism_h", "pair").found == pytest.approx(
        0.4
    )  # 0.2 x 2 D


def test_without_an_ordered_height_both_centres_should_be_level():
    doc = document(ordered(-6.0), ordered(-6.0), height=(None, None))
    level = judge(doc, no_prism_read(doc, right={"height": 23.0}, left={"height": 23.0}))
    assert level.one("prism_v", "pair").found == pytest.approx(0.0)
    off = judge(doc, no_prism_read(doc, right={"height": 23.0}, left={"height": 21.0}))
    assert abs(off.one("prism_v", "pair").found) == pytest.approx(1.2)
    assert off.one("prism_v", "pair").within is False


def test_a_progressive_needs_its_prism_read():
    lens = ordered(-2.0, add=2.0)
    verdict = judge(doc := document(lens, lens, family="progressive"), no_prism_read(doc))
    assert verdict.outcome == "incomplete"
    assert "pair: horizontal prism of the pair" in verdict.missing


def test_prism_thinning_is_part_of_what_is_expected():
    lens = ordered(2.0, add=2.0)
    doc = document(lens, lens, family="progressive", thinning=1.0)
    thinned = judge(doc, exact(doc))
    assert thinned.outcome == "within"
    one_only = judge(doc, exact(doc, left={"prism_up": 0.0}))
    assert one_only.one("prism_v", "pair").within is False


# --- places, sizes, tint --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("standard", [ISO, ANSI])
@pytest.mark.parametrize("family", ["progressive", "flat_top_bifocal"])
def test_heights(standard, family):
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family=family, standard=standard)
    for off, fine in ((1.0, True), (-1.0, True), (1.05, False), (-1.05, False)):
        assert judged_with(doc, "height", height=20.0 + off).within is fine
    both = judge(doc, exact(doc, right={"height": 20.6}, left={"height": 19.5}))
    assert both.one("height", "right").within
    assert both.one("height", "left").within
    assert both.one("height_pair", "pair").within is False  # 1.1 mm apart


def test_unequal_heights_that_were_ordered_are_no_fault():
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family="progressive", height=(22.0, 18.0))
    assert judge(doc, exact(doc)).outcome == "within"


def test_fitting_cross_from_the_nose():
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family="progressive")
    for off, fine in ((1.0, True), (-1.0, True), (1.05, False)):
        assert judged_with(doc, "pd", pd=31.5 + off).within is fine


@pytest.mark.parametrize(("standard", "allowed"), [(ISO, 2.0), (ANSI, 2.5)])
def test_segments_apart(standard, allowed):
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family="round_bifocal", standard=standard)
    for off, fine in ((allowed, True), (-allowed, True), (allowed + 0.05, False)):
        assert judge(doc, exact(doc, right={"near_pd": 29.5 + off})).one("segment_pd", "pair").within is fine


def test_segments_that_nobody_measured_are_not_taken_as_right():
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family="round_bifocal")
    verdict = judge(doc, exact(doc, right={"near_pd": None}))
    assert verdict.outcome == "incomplete"
    assert verdict.missing == ("pair: segments, distance apart",)
    no_near = document(lens, lens, family="round_bifocal", near_pd=(None, None))
    assert judge(no_near, exact(no_near)).outcome == "within"  # no near distance was ordered: nothing to hold it against


def test_segment_size_and_tilt_and_thickness():
    lens = ordered(1.0, add=2.0)
    doc = document(lens, lens, family="flat_top_bifocal", design={"segment_width": "28.00", "segment_depth": "19.00"})
    for name, value, fine in (
        ("segment_width", 28.5, True), ("segment_width", 28.6, False), ("segment_depth", 18.4, False),
        ("tilt", 2.0, True), ("tilt", -2.1, False), ("centre_thickness", 0.9, True), ("centre_thickness", 0.85, False),
        ("centre_thickness", 4.0, True),
    ):  # fmt: skip
        assert judged_with(doc, name, **{name: value}).within is fine, (name, value)
    unlike = judge(doc, exact(doc, right={"segment_width": 28.4}, left={"segment_width": 27.6}))
    assert unlike.one("segment_width", "right").within
    assert unlike.one("segment_width", "pair").within is False


def test_tints_of_a_pair():
    lens = ordered(1.0)
    doc = document(lens, lens, tint={"name": "grey", "transmittance_clear": "30.0", "transmittance_dark": "30.0"})
    for right, fine in ((30.0, True), (33.0, True), (37.0, False)):
        got = judge(doc, exact(doc, right={"transmittance": right}, left={"transmittance": 30.0})).one("tint", "pair")
        assert got.within is fine


# --- what is said besides -------------------------------------------------------------------------------------------------


def test_nothing_measured_is_never_within():
    lens = ordered(-2.0, -0.75, 20.0)
    verdict = judge(document(lens, lens), Readings())
    assert verdict.outcome == "incomplete"
    assert len(verdict.missing) >= 8


def test_a_cylinder_not_read_is_not_nil():
    """A blank where a cylinder is ordered is missing; where none is ordered it is none."""
    doc = document(ordered(-2.0, -1.5, 20.0), ordered(-2.0))
    verdict = judge(doc, exact(doc, right={"cylinder": None, "axis": None}, left={"cylinder": None}))
    assert verdict.outcome == "incomplete"
    assert {"right: cylinder", "right: axis", "right: principal power, more plus"} <= set(verdict.missing)
    assert not any(m.startswith("left") for m in verdict.missing)


def test_a_balance_lens_is_not_judged():
    doc = document(ordered(-2.0), None)
    verdict = judge(doc, exact(doc))
    assert verdict.outcome == "within"
    assert verdict.of("left")
    assert all(j.within is None for j in verdict.of("left"))


def test_readings_equal_in_every_digit_are_questioned():
    lens = ordered(-2.0, -0.75, 20.0)
    doc = document(lens, lens)
    assert judge(doc, exact(doc)).copied
    assert not judge(doc, exact(doc, left={"prism_in": 0.1})).copied
    assert not judge(doc, exact(doc, left={"axis": 21.0})).copied
    plus = Power(-2.0, -0.75, 20.0).transposed()
    other_form = {"sphere": plus.sphere, "cylinder": plus.cylinder, "axis": plus.axis}
    assert judge(doc, exact(doc, right=other_form, left=other_form)).copied  # the same figures, written the other way


def test_exchanged_lenses_are_recognised():
    doc = document(ordered(-2.0, -0.75, 20.0), ordered(-4.0, -1.5, 160.0))
    good = exact(doc)
    verdict = judge(doc, Readings(right=good.left, left=good.right))
    assert verdict.outcome == "outside"
    assert any("other eye" in r for r in verdict.remarks)


def test_an_axis_of_the_other_form_and_a_lost_sign_are_recognised():
    doc = document(ordered(-2.0, -1.0, 20.0), ordered(-2.0, -1.0, 20.0))
    assert any("turned by 90" in r for r in judge(doc, exact(doc, right={"axis": 110.0})).remarks)
    flipped = {"sphere": 2.0, "cylinder": 1.0}
    assert any("opposite sign" in r for r in judge(doc, exact(doc, right=flipped)).remarks)


def test_a_cylinder_not_found_has_no_axis_to_judge():
    """ANSI: 0.12 ordered, none found, is within the cylinder's 0.13; there is nothing whose axis could be wrong."""
    lens = ordered(-1.0, -0.12, 20.0)
    verdict = judge(doc := document(lens, lens, standard=ANSI), exact(doc, right={"cylinder": 0.0, "axis": None}))
    assert verdict.one("axis", "right").within is None
    assert verdict.outcome == "within"


def test_margin_and_share_used():
    doc = document(ordered(-2.0), ordered(-2.0))
    row = judged_with(doc, "power_high", sphere=-1.94)
    assert row.used == pytest.approx(0.5)
    assert row.margin == pytest.approx(0.06)
    assert judged_with(doc, "power_high", sphere=-1.76).margin == pytest.approx(-0.12)


def test_kept_and_read_back():
    lens = ordered(-2.31, -0.73, 94.6, 2.04)
    verdict = judge(doc := document(lens, lens, family="progressive"), exact(doc, right={"sphere": -1.9}))
    assert to_json(from_json(to_json(verdict))) == to_json(verdict)


# --- properties -----------------------------------------------------------------------------------------------------------

quarter = st.integers(-40, 40).map(lambda n: n / 4)
fine_step = st.integers(-60, 60).map(lambda n: n / 100)
cylinders = st.integers(-16, 16).map(lambda n: n / 4)
axes = st.integers(1, 180).map(float)
families = st.sampled_from(["single_vision", "round_bifocal", "progressive"])
standards = st.sampled_from([ISO, ANSI])


@st.composite
def pairs(draw):
    """An order and readings near it, prism ordered or not, either form, often unequal."""
    prisms = st.sampled_from([0.0, 0.0, 1.5, -3.0])

    def lens():
        return ordered(draw(quarter), draw(cylinders), draw(axes), None, base_in=draw(prisms), base_up=draw(prisms))

    doc = document(lens(), lens(), family=draw(families), standard=draw(standards), height=(20.0, 21.0))
    change = {}
    for eye in ("right", "left"):
        o = doc["lenses"][eye]["ordered"]
        change[eye] = {
            "sphere": float(o["sphere"]) + draw(fine_step),
            "cylinder": float(o["cylinder"]) + draw(fine_step),
            "axis": (float(o["axis"]) + draw(st.integers(-20, 20))) % 180 or 180.0,
            "pd": 31.5 + draw(fine_step) * 4,
            "height": 20.0 + draw(fine_step) * 2,
            "prism_in": draw(fine_step),
            "prism_up": draw(fine_step),
        }
    return doc, exact(doc, **change)


def other_form(read: LensReading) -> LensReading:
    p = read.power.transposed()
    return replace(read, sphere=p.sphere, cylinder=p.cylinder, axis=p.axis)


@given(pairs())
def test_the_verdict_does_not_depend_on_the_form_of_the_readings(pair):
    doc, readings = pair
    turned = Readings(right=other_form(readings.right), left=other_form(readings.left))
    _same(judge(doc, readings), judge(doc, turned))


@given(pairs())
def test_the_verdict_does_not_depend_on_the_form_of_the_order(pair):
    doc, readings = pair
    again = {**doc, "lenses": {}}
    for eye in ("right", "left"):
        part = dict(doc["lenses"][eye])
        o = part["ordered"]
        p = Power(float(o["sphere"]), float(o["cylinder"]), float(o["axis"])).transposed()
        part["ordered"] = {**o, "sphere": str(p.sphere), "cylinder": str(p.cylinder), "axis": str(p.axis)}
        again["lenses"][eye] = part
    _same(judge(doc, readings), judge(again, readings))


def _same(one, two):
    assert (one.outcome, one.copied, one.missing) == (two.outcome, two.copied, two.missing)
    for a, b in zip(one.judged, two.judged, strict=True):
        assert (a.name, a.where, a.within) == (b.name, b.where, b.within)
        assert (a.allowance is None) == (b.allowance is None)
        if a.difference is not None:
            assert abs(a.difference) == pytest.approx(abs(b.difference), abs=1e-6)


@given(pairs())
def test_exchanging_the_eyes_mirrors_the_verdict(pair):
    doc, readings = pair
    mirrored = {**doc, "lenses": {}}
    for eye, other in (("right", "left"), ("left", "right")):
        part = {**doc["lenses"][other]}
        o = part["ordered"]
        part["ordered"] = {**o, "axis": str((180.0 - float(o["axis"])) % 180 or 180.0)}
        mirrored["lenses"][eye] = part

    def seen(read: LensReading) -> LensReading:
        return replace(read, axis=(180.0 - read.axis) % 180 or 180.0)

    there, back = judge(doc, readings), judge(mirrored, Readings(right=seen(readings.left), left=seen(readings.right)))
    assert (there.outcome, there.copied) == (back.outcome, back.copied)
    swap = {"right": "left", "left": "right", "pair": "pair"}
    for row in there.judged:
        other = back.one(row.name, swap[row.where])
        assert other.within == row.within, row
        if row.difference is not None:
            assert abs(other.difference) == pytest.approx(abs(row.difference), abs=1e-6)


@given(pairs())
def test_powers_agree_with_the_optics_own_judgement(pair):
    """`dispensing.optics.tolerance.judge_power` is an independent path to the same answer (a found cylinder of 0 apart)."""
    doc, readings = pair
    verdict = judge(doc, readings)
    for eye in ("right", "left"):
        o, read = doc["lenses"][eye]["ordered"], readings.of(eye)
        if not read.cylinder:
            continue
        want = Power(float(o["sphere"]), float(o["cylinder"]), float(o["axis"]))
        rows = [j for j in verdict.of(eye) if j.name in ("power_high", "power_low", "cylinder", "axis")]
        assert all(j.within for j in rows) == judge_power(want, read.power, verdict.standard, verdict.kind).within
