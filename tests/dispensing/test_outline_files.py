"""Outlines from files of radii: read in house terms whichever lens was traced, held against the stated box, taken or refused."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import given, settings
from hypothesis import strategies as st

from dispensing import lens_options, stock, traced
from dispensing.models import CatalogueFrame, LensOption
from dispensing.optics.boxing import box
from dispensing.optics.outlines import outline_for
from dispensing.optics.trace_files import LARGEST, TraceError, read_trace, shape_of
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.factories import MaterialFactory

RADII = outline_for(52, 40, 54, "contour")  # not symmetrical: a mirrored shape is another shape


def table(radii, eye="right", head="angle;radius\n", mark=";"):
    """As seen from the front, anticlockwise from the viewer's right: the left lens is the right one mirrored."""
    count = len(radii)
    lines = []
    for i, r in enumerate(radii):
        angle = 360 * i / count
        lines.append(f"{angle if eye == 'right' else (180 - angle) % 360:.4f}{mark}{r:.4f}")
    return (head + "\n".join(lines) + "\n").encode()


def records(radii, eye="R", wrap=12):
    whole = [round(r * 100) for r in radii]
    lines = [f"TRCFMT=1;{len(whole)};E;{eye};F"]
    lines += ["R=" + ";".join(map(str, whole[i : i + wrap])) for i in range(0, len(whole), wrap)]
    return ("\r\n".join(lines) + "\r\n").encode()


@pytest.mark.parametrize("eye", ["right", "left"])
def test_a_table_of_either_lens_gives_the_same_shape(eye):
    found = read_trace(table(RADII, eye))
    shape, kept = shape_of(*found.shapes[""], eye)
    assert found.source == "angle and radius"
    assert (shape.a, shape.b, shape.ed) == pytest.approx((52, 40, 54), abs=0.15)
    want = box(RADII)
    for i in range(0, 360, 15):  # the same direction, the same radius
        at = RADII[round(i * len(RADII) / 360) % len(RADII)]
        assert kept[i] == pytest.approx(at, abs=0.05), i
    assert box(kept).ed_at_deg == pytest.approx(want.ed_at_deg, abs=3.1)


def test_a_trace_from_another_centre_is_put_about_the_boxed_one():
    pairs = []
    count = len(RADII)
    for i, r in enumerate(RADII):
        t = 2 * math.pi * i / count
        x, y = r * math.cos(t) + 1.5, r * math.sin(t) - 1.0
        pairs.append(f"{math.degrees(math.atan2(y, x)) % 360:.5f},{math.hypot(x, y):.5f}")
    _, kept = shape_of(*read_trace("\n".join(pairs).encode()).shapes[""], "right")
    assert [kept[i] for i in (0, 90, 180, 270)] == pytest.approx(
        [RADII[i * count // 360] for i in (0, 90, 180, 270)], abs=0.05
    )


def test_trace_records_name_their_eye():
    mirrored = [RADII[(len(RADII) // 2 - i) % len(RADII)] for i in range(len(RADII))]
    found = read_trace(b"JOB=7\r\nDO=B\r\n" + records(RADII) + records(mirrored, "L"))
    assert set(found.shapes) == {"right", "left"}
    right, left = (shape_of(*found.shapes[eye], eye)[1] for eye in ("right", "left"))
    assert left == pytest.approx(right, abs=0.06)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\xff\xfe\x00",
        b"angle,radius\n",
        b"0,20\n90,20\n180,20\n",  # too few
        b"0,20\n" * 20,  # two radii at one angle
        "\n".join(f"{i},20" for i in range(90)).encode(),  # three quarters are not known
        table(RADII).replace(b";", b";-"),
        table(RADII, head="") + b"x;y\n",
        records(RADII).replace(b";E;", b";U;"),
        records(RADII)[:-40],
        records(RADII) + b"R=2600\r\n",
        records([900.0] * 20),
        b"x" * (LARGEST + 1),
        "\n".join(f"{i},{5 if i % 2 else 40}" for i in range(360)).encode() + b"\n0,nan",
    ],
)
def test_what_is_no_shape_ends_in_a_sentence(data):
    def read_first():
        return shape_of(*next(iter(read_trace(data).shapes.values())), "right")

    with pytest.raises(TraceError) as caught:
        read_first()
    assert str(caught.value).endswith(".")


@settings(max_examples=120, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=400),
        st.text(alphabet="0123456789.,;=-\n\rTRCFMTE \t", max_size=400).map(str.encode),
        st.tuples(st.integers(0, 900), st.binary(max_size=6)).map(
            lambda cut: records(RADII)[: cut[0]] + cut[1] + records(RADII)[cut[0] + len(cut[1]) :]
        ),
    )
)
def test_whatever_is_read_gives_a_shape_or_our_error(data):
    try:
        found = read_trace(data)
        for eye, shape in found.shapes.items():
            shape_of(*shape, eye or "left")
    except TraceError as problem:
        said = str(problem)
    else:
        said = "."
    assert said.endswith(".")


# --- with a frame -----------------------------------------------------------------------------------------------------


def read(cast, data, eye="right", actor=None):
    return traced.read_outline(actor=actor or cast.manager, frame=cast.frame, data=data, eye=eye, file_name="<b>shape.csv")


def test_a_shape_of_the_stated_box_is_taken_with_its_trace(cast):
    waiting = read(cast, table(RADII))
    assert [s.fits for s in traced.sides_of(waiting)] == [True, True, True]
    assert CatalogueFrame.objects.get(pk=cast.frame.pk).outline == []
    traced.decide_outline(actor=cast.manager, outline=waiting, take=True)
    row = CatalogueFrame.objects.get(pk=cast.frame.pk)
    assert len(row.outline) == 360
    assert AuditEvent.objects.filter(action="catalogue.outline_taken", subject=f"frame {row.code}").exists()
    with pytest.raises(Refused, match="already"):
        traced.decide_outline(actor=cast.manager, outline=waiting, take=False)


def test_a_shape_of_another_box_is_not_taken_and_the_difference_is_named(cast):
    waiting = read(cast, table(outline_for(54, 40, None, "quadra")))
    with pytest.raises(Refused, match=r"boxed width a 54\.0. mm traced, 52"):
        traced.decide_outline(actor=cast.manager, outline=waiting, take=True)
    traced.decide_outline(actor=cast.manager, outline=waiting, take=False)
    assert CatalogueFrame.objects.get(pk=cast.frame.pk).outline == []
    with pytest.raises(Invalid):
        read(cast, b"\xff")
    with pytest.raises(NotAllowed):
        read(cast, table(RADII), actor=cast.supervisor)


def test_the_page_of_an_outline(cast, client):
    client.force_login(cast.manager)
    at = f"/frames/{cast.frame.code}/outline"
    assert "Choose a file." in client.post(at).text
    assert "is not text" in client.post(at, {"file": SimpleUploadedFile("x.csv", b"\xff\xfe\x00")}).text
    shown = client.post(at, {"file": SimpleUploadedFile("t.dat", records(RADII))}, follow=True)
    assert "unverified profile" in shown.text
    assert "<svg" in shown.text
    done = client.post(at, {"deed": "take"}, follow=True)
    assert "outline taken from a file" in done.text
    client.post(at, {"file": SimpleUploadedFile("t.csv", table(outline_for(56, 40, None, "quadra")))})
    assert "does not fit" in client.get(at).text
    assert "not of this box" in client.post(at, {"deed": "take"}).text
    assert "There is no outline" not in client.post(at, {"deed": "refuse"}).text


# --- stock and options ------------------------------------------------------------------------------------------------


def test_stock_is_counted_where_one_works(cast, client):
    client.force_login(cast.dispenser)
    at = f"/frames/{cast.frame.code}/stock"
    bad = client.post(at, {f"stock-{cast.branch.pk}": "many"})
    assert "A whole number" in bad.text
    assert 'value="many"' in bad.text
    client.post(at, {f"stock-{cast.branch.pk}": "3", f"stock-{cast.other_branch.pk}": "9"})
    assert stock.stock_of(cast.frame) == {cast.branch.pk: 3}
    page = client.get(f"/frames/{cast.frame.code}/").text
    assert f"stock counted at {cast.branch.name}" in page
    found = client.get("/frames/", {"branch": cast.branch.pk})
    assert cast.frame.code in found.text
    assert cast.frame.code not in client.get("/frames/", {"branch": cast.other_branch.pk}).text
    with pytest.raises(NotAllowed):
        stock.set_stock(actor=cast.dispenser, frame=cast.frame, counts={cast.other_branch: 1})


def test_a_design_and_what_it_is_made_in_by_hand(cast, client):
    client.force_login(cast.manager)
    MaterialFactory(group=cast.group, code="M174", name="1.74 resin")
    wrong = client.post("/lenses/new", {"code": "HILL", "maker": "Fellwater", "name": "Hill", "family": "progressive"})
    assert "needs this" in wrong.text
    values = {"corridor_mm": "13", "min_height_mm": "17", "lab_codes": "TIDE", "lead_days": "4", "price_band": "C"}
    made = client.post(
        "/lenses/new",
        {"code": "HILL", "maker": "Fellwater", "name": "Hill", "family": "progressive", **values},
        follow=True,
    )
    assert "4 working days" in made.text
    bad = client.post("/lenses/HILL/materials/new", {"material": "M174", "blank_diameters": "65 70", "base_curves": "odd"})
    assert "Sphere from, to and curve" in bad.text
    form = {"material": "M174", "sphere_min": "-12", "sphere_max": "6", "blank_diameters": "65 70"}
    client.post("/lenses/HILL/materials/new", {**form, "base_curves": "-12 to -4: 1; -4 to 6: 5"})
    option = LensOption.objects.get(lens__code="HILL")
    assert (option.base_curves[1]["curve"], option.sphere_min) == ("5", Decimal(-12))
    at = "/lenses/HILL/materials/M174/change"
    page = client.get(at)
    assert 'value="-12 to -4: 1; -4 to 6: 5"' in page.text
    read_at = lens_options.as_read(option)
    client.post(at, {**form, "read": read_at, "sphere_min": "-10", "base_curves": "-12 to -4: 1; -4 to 6: 5"})
    late = client.post(at, {**form, "read": read_at, "sphere_min": "-9"})
    assert "Somebody else changed this" in late.text
    client.post("/lenses/HILL/materials/M174/retire", {"reason": "no longer made"})
    page = client.get("/lenses/HILL/").text
    assert "M174: material changed" in page
    assert "-12 → -10" in page
    assert "material retired" in page
    client.force_login(cast.supervisor)
    assert client.get(at).status_code == 403
