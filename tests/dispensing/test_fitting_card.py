"""The fitting card read back: what is on record is printed, readings never are, the picture is at true size, nothing overflows."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import pdfplumber
import pypdfium2
import pytest
import zxingcpp
from django.urls import reverse

from dispensing.case import (
    Adopted,
    Case,
    Frame,
    LensChoice,
    LensDesign,
    Measurements,
    Needs,
    PrescribedLens,
    Prescription,
    Reading,
)
from dispensing.figures import compute
from dispensing.optics.outlines import outline_for
from dispensing.renderers.fitting_card import Heading, fitting_card
from tests.dispensing.test_gather import whole

MM = 25.4 / 72
HEADING = Heading(
    reference="D-7F3K9QX",
    client="Marisol Oakhurst-Tane",
    born="12 Mar 1961",
    branch="Saltmarsh",
    dispenser="Wren Adeyemi-Holt",
    printed="25 Nov 2026",
)
CASE = Case(
    today=date(2026, 11, 25),
    needs=Needs(uses=("driving_night",), working_distance_mm=350.0),
    prescription=Prescription(
        right=PrescribedLens(sphere=-4.75, cylinder=-1.25, axis=170.0, add=2.25, prism_h=1.5, base_h="out"),
        left=PrescribedLens(sphere=3.0, add=2.25, prism_v=0.5, base_v="down"),
        vertex_mm=12.0,
        written_on=date(2026, 11, 3),
        prescriber="Dr P. Quillfeather",
    ),
    frame=Frame(
        name="Tern 412 horn",
        a=52.0,
        b=40.0,
        dbl=18.0,
        ed=54.0,
        mount="full_rim",
        outline=outline_for(52, 40, None, "quadra_soft", 200),
    ),
    measurements=Measurements(
        readings=(Reading(quantity="far_pd", eye="right", value=31.75),),
        right=Adopted(far_pd=31.75, height=23.25),
        left=Adopted(far_pd=33.25, height=22.75),
    ),
    lens=LensChoice(design=LensDesign(name="Ridgeway 13", family="progressive"), blank_diameter_mm=65.0),
)


def card(case: Case = CASE, heading: Heading = HEADING) -> bytes:
    return fitting_card(heading, case, compute(case))


def text_of(data: bytes) -> str:
    with pdfplumber.open(io.BytesIO(data)) as pdf:
        assert len(pdf.pages) == 1
        return pdf.pages[0].extract_text()


def test_what_is_on_record_is_printed():
    text = text_of(card())
    for words in (
        "Marisol Oakhurst-Tane",
        "D-7F3K9QX",
        "−4.75 −1.25 170 +2.25 1.50 out",
        "+3.00",
        "0.50 down",
        "3 Nov 2026",
        "Tern 412 horn",
        "52.0",
        "Ridgeway 13",
        "65.0",
    ):
        assert words in text


def test_parts_stand_in_the_order_of_the_sheet():
    text = text_of(card())
    order = [
        text.index(f"{n} {title}")
        for n, title in enumerate(("Needs", "Prescription", "Frame", "Final fit", "Readings", "Lens"), 1)
    ]
    assert order == sorted(order)


def test_a_bifocal_has_a_row_for_the_segment_top_and_one_for_the_pupil():
    """Both heights are asked for on the sheet; without the pupil's nobody sees how far the segment lies below it."""
    text = text_of(card(replace(CASE, lens=LensChoice(design=LensDesign(name="Level 28", family="flat_top_bifocal")))))
    assert "segment top" in text
    assert "pupil height" in text
    assert "fitting height" not in text


def test_the_whole_pd_and_an_eye_off_level_have_their_blanks():
    """The card asks for both eyes after each by itself, so there is a place to write it."""
    text = text_of(card())
    assert "both eyes: PD far" in text
    assert "your eye above theirs" in text


def test_readings_are_blank():
    text = text_of(card())
    for value in ("31.75", "33.25", "23.25", "22.75"):
        assert value not in text


def test_the_empty_pair_is_at_true_size_with_its_scales():
    with pdfplumber.open(io.BytesIO(card())) as pdf:
        page = pdf.pages[0]
        outlines = sorted((c for c in page.curves if len(c["pts"]) > 100), key=lambda c: c["x0"])
        assert len(outlines) == 2
        for curve in outlines:
            assert (curve["x1"] - curve["x0"]) * MM == pytest.approx(52.0, abs=0.05)
            assert (curve["bottom"] - curve["top"]) * MM == pytest.approx(40.0, abs=0.05)
        assert (outlines[1]["x0"] - outlines[0]["x0"]) * MM == pytest.approx(70.0, abs=0.02)
        # ticks of 1.6 mm stand every 10 mm from the nose
        nose = (outlines[0]["x0"] + outlines[1]["x1"]) / 2
        ticks = {
            round((line["x0"] - nose) * MM, 2)
            for line in page.lines
            if abs((line["bottom"] - line["top"]) * MM - 1.6) < 0.01 and line["width"] < 0.01
        }
        assert {-60.0, -50.0, -40.0, -30.0, -20.0, -10.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0} <= ticks
        assert not [c for c in page.curves if abs((c["x1"] - c["x0"]) * MM - 65) < 0.1]  # no blank: nothing is centred yet


def test_a_scanner_reads_the_dispense():
    image = pypdfium2.PdfDocument(card())[0].render(scale=200 / 72).to_pil()
    assert [b.text for b in zxingcpp.read_barcodes(image)] == ["D-7F3K9QX"]


@pytest.mark.parametrize(
    "name", ["x", "Featherstonehaugh-Cholmondeley " * 9, "W" * 300, "شرکت محمد بن عبد الله", "木村 さくら"]
)
def test_nothing_overflows(name):
    made = replace(
        CASE,
        needs=replace(CASE.needs, wish=name),
        prescription=replace(CASE.prescription, prescriber=name),
        frame=replace(CASE.frame, name=name),
        lens=replace(CASE.lens, remark=name, coating=name),
    )
    with pdfplumber.open(io.BytesIO(card(made, replace(HEADING, client=name, branch=name, dispenser=name)))) as pdf:
        assert len(pdf.pages) == 1
        for w in pdf.pages[0].extract_words():
            assert w["x0"] * MM > 11.5
            assert w["x1"] * MM < 199.0
            assert w["bottom"] * MM < 292


def test_an_empty_card_has_blanks_for_everything():
    text = text_of(card(Case(today=date(2026, 11, 25)), Heading(reference="D-1", client="")))
    assert "PD far" in text
    assert "fitting height" in text


def test_a_pair_too_large_for_the_card_is_said_not_shrunk():
    large = replace(CASE, frame=replace(CASE.frame, a=90.0, b=80.0, dbl=20.0, outline=()))
    assert "larger than the room here" in text_of(card(large))


# --- over HTTP ------------------------------------------------------------------------------------------------------------


def test_whoever_may_see_a_dispense_may_print_its_card(cast, client):
    dispense = whole(cast)
    address = reverse("dispensing:fitting_card", args=[dispense.reference])
    assert client.get(address).status_code == 302  # to the sign-in page
    client.force_login(cast.trainee)
    answer = client.get(address)
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    text = text_of(answer.content)
    assert dispense.client.full_name in text
    assert dispense.reference in text
    assert client.post(address).status_code == 405


def test_for_others_there_is_no_card(cast, client):
    dispense = whole(cast)
    client.force_login(cast.foreigner)
    assert client.get(reverse("dispensing:fitting_card", args=[dispense.reference])).status_code == 404
    client.force_login(cast.trainee)
    assert client.get(reverse("dispensing:fitting_card", args=["D-NOSUCH"])).status_code == 404
