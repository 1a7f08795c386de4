"""The order on paper, read back: with pdfplumber for text and geometry, pypdfium2 and zxing-cpp for what a scanner sees, pypdf for
the structure. What the page says is held against the document, never against the code that wrote it."""

from __future__ import annotations

import copy
import io
import json
import re
import unicodedata
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pdfplumber
import pypdf
import pypdfium2
import pytest
import zxingcpp
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.typeface import REGULAR, fonts
from dispensing.figures import compute
from orders.document import build, canonical, digest
from orders.renderers.geometry import geometry_of_document
from orders.renderers.pdf import Cancellation, render
from orders.renderers.tray_label import tray_label
from tests.orders.examples import example_case, example_meta

EXAMPLE = json.loads(Path(__file__).with_name("example_document.json").read_text(encoding="utf-8"))
MM = 25.4 / 72


def document(**changes):
    """The example with values changed: branch__name="..." """
    made = copy.deepcopy(EXAMPLE)
    for path, value in changes.items():
        *parents, last = path.split("__")
        at = made
        for name in parents:
            at = at[name]
        at[last] = value
    return made


def opened(data: bytes) -> pdfplumber.PDF:
    return pdfplumber.open(io.BytesIO(data))


def whole_text(data: bytes) -> str:
    with opened(data) as pdf:
        return "\n".join(page.extract_text() for page in pdf.pages)


def flow(data: bytes) -> str:
    """Text in the order of the content streams, which is that of the structure; without any spaces."""
    with opened(data) as pdf:
        return squeezed("".join(c["text"] for page in pdf.pages for c in page.chars))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


# --- figures --------------------------------------------------------------------------------------------------------------


def number(text: str) -> Decimal | None:
    return None if text == "–" else Decimal(text.replace("−", "-").replace("+", ""))


POWER = r"([+−]?\d+\.\d\d|–)"
ROW = re.compile(
    rf"(?P<kind>ordered|prescribed) {POWER} {POWER} (\d+(?:\.\d)?|–) {POWER} "
    r"(\d+\.\d\d (?:in|out)|–) (\d+\.\d\d (?:up|down)|–) (\d+\.\d\d base \d+(?:\.\d)?|–)$",
    re.M,
)


def signed(text: str, positive: str) -> Decimal:
    if text == "–":
        return Decimal("0.00")
    amount, base = text.split()
    return Decimal(amount) if base == positive else -Decimal(amount)


def same_power(found: re.Match, lens: dict) -> None:
    sphere, cylinder, axis, add, across, along, resultant = found.groups()[1:]
    assert number(sphere) == Decimal(lens["sphere"])
    assert number(cylinder) == Decimal(lens["cylinder"])
    assert number(axis) == (None if lens["axis"] is None else Decimal(lens["axis"]))
    assert number(add) == (None if lens["addition"] is None else Decimal(lens["addition"]))
    assert signed(across, "in") == Decimal(lens["prism"]["in"])
    assert signed(along, "up") == Decimal(lens["prism"]["up"])
    whole = lens["prism"]["resultant"]
    if whole["base_angle"] is None:
        assert resultant == "–"
    else:
        amount, _, angle = resultant.split()
        assert (Decimal(amount), Decimal(angle)) == (Decimal(whole["amount"]), Decimal(whole["base_angle"]))


def read_powers(text: str, made: dict) -> None:
    """Every row of powers on the page equals the document's."""
    rows = list(ROW.finditer(text))
    expected = []
    for eye in ("right", "left"):
        lens = made["lenses"][eye]
        expected.append(lens["ordered"])
        printed = text[: text.index("Centration")].count("prescribed ")
        if printed == 2 or (printed == 1 and eye == differing(made)):
            expected.append(lens["prescribed"])
    assert len(rows) == len(expected)
    for row, lens in zip(rows, expected, strict=True):
        same_power(row, lens)


def differing(made: dict) -> str:
    """The eye whose order differs from its prescription, for documents where only one does."""
    for eye in ("right", "left"):
        lens = made["lenses"][eye]
        if any(lens["prescribed"][k] != lens["ordered"][k] for k in ("sphere", "cylinder", "axis", "addition", "prism")):
            return eye
    return ""


def read_centration(text: str, made: dict) -> None:
    body = text[text.index("Centration") :]
    for eye in ("right", "left"):
        lens, c = made["lenses"][eye], made["lenses"][eye]["centration"]
        row = re.search(rf"^{eye[0].upper()} ([\d.–−+a-z ]+)$", body, re.M)
        assert row, body[:400]
        cells = re.findall(r"[\d.]+ (?:in|out)|[−+]?[\d.]+|–", row[1])
        expected = [
            c["far_pd"],
            c["near_pd"],
            c["height"],
            c["height_above_datum"],
            c["decentration_in"],
            c["near_inset"],
            lens["blank"]["diameter"],
            lens["blank"]["needed"],
            lens["thickness"]["centre_min"],
            lens["thickness"]["edge_min"],
            lens["front_curve_wish"],
        ]
        assert len(cells) == len(expected)
        for k, (cell, value) in enumerate(zip(cells, expected, strict=True)):
            if value is None:
                assert cell == "–"
            elif k == 4 and Decimal(value):
                assert signed(cell, "in") == Decimal(value)
            else:
                assert number(cell) == Decimal(value)


def test_every_power_prism_and_distance_of_the_example_reads_back():
    text = whole_text(render(EXAMPLE))
    read_powers(text, EXAMPLE)
    read_centration(text, EXAMPLE)
    assert "a 52.0 × b 40.0, 18.0 between lenses, c 70.0" in text
    assert "13.0 mm as worn, 12.0 mm when tested" in text
    assert "pantoscopic 8°, face form 5°" in text
    assert "n 1.592" in text
    assert "1.00 Δ base down, both" in text


def test_who_for_whom_and_by_which_rules_is_on_the_page():
    data = render(EXAMPLE)
    text, flowing = whole_text(data), flow(data)
    for words in (
        "SM-000147",
        "D-7F3K9QX",
        "Estuary Opticians, Saltmarsh",
        "4 Ropewalk",
        "01632 960117",
        "Tideglass Surfacing",
        "C-4HT8M2W",
        "Marisol Oakhurst-Tane",
        "25 Nov 2026, 09:41",
        "Europe/London",
        "ISO 21987:2017",
        "Fellwater Ridgeway 13 (RIDGE13)",
        "Quaylight Tern 412 horn",
        "Dispensed by Wren Adeyemi-Holt (trainee).",
        "Signed by Ibrahim Sallow (supervisor, S-20417).",
        "page 1 of 1",
        digest(canonical(EXAMPLE)),
    ):
        assert words in text
    for words in (*EXAMPLE["instructions"], EXAMPLE["lens"]["remark"], EXAMPLE["reasons"][0]["reason"]):
        assert squeezed(words) in flowing


def test_no_name_on_paper_when_the_branch_sends_none():
    text = whole_text(render(document(client__name=None)))
    assert "C-4HT8M2W" in text
    assert "Oakhurst" not in text


def test_a_prescription_that_is_ordered_as_written_stands_once():
    made = document()
    for eye in ("right", "left"):
        lens = made["lenses"][eye]
        for name in ("sphere", "cylinder", "axis", "addition", "prism"):
            lens["ordered"][name] = lens["prescribed"][name]
    text = whole_text(render(made))
    assert "prescribed " not in text[: text.index("Centration")]
    # the other cylinder form of the same lens is the same lens: -2.25 -0.75 x 95 is -3.00 +0.75 x 5
    made["lenses"]["right"]["ordered"].update(sphere="-3.00", cylinder="0.75", axis="5.0")
    text = whole_text(render(made))
    assert "prescribed " not in text[: text.index("Centration")]
    assert "R ordered −3.00 +0.75 5 " in text


def test_balance_lens_and_near_centration_are_said():
    made = document()
    made["lenses"]["left"]["ordered"] = None
    made["lenses"]["left"]["prescribed"].update(balance=True, sphere=None, cylinder=None, axis=None)
    made["lenses"]["right"]["centration"]["centred_for"] = "near"
    text = whole_text(render(made))
    assert "L balance lens" in text
    assert "R is centred by the near PD." in text


# --- true size ------------------------------------------------------------------------------------------------------------


def lens_curves(page) -> list[dict]:
    """The two filled outlines, right eye first."""
    curves = [c for c in page.curves if len(c["pts"]) > 100 and c["fill"]]
    return sorted(curves, key=lambda c: c["x0"])


def test_outlines_are_at_true_size_and_apart_by_the_boxed_centre_distance():
    with opened(render(EXAMPLE)) as pdf:
        right, left = lens_curves(pdf.pages[0])
        for curve in (right, left):
            assert (curve["x1"] - curve["x0"]) * MM == pytest.approx(52.0, abs=0.05)
            assert (curve["bottom"] - curve["top"]) * MM == pytest.approx(40.0, abs=0.05)
        assert (left["x0"] - right["x0"]) * MM == pytest.approx(70.0, abs=0.02)
        # every point of the document's outline is on the page, at its radius from the boxed centre
        radii = EXAMPLE["frame"]["outline"]["radii"]
        x0, y0 = (right["x0"] + right["x1"]) / 2, (right["top"] + right["bottom"]) / 2
        found = [((x - x0) ** 2 + (y - y0) ** 2) ** 0.5 * MM for x, y in right["pts"][: len(radii)]]
        assert found == pytest.approx([r / 100 for r in radii], abs=0.02)


def test_the_check_bar_is_fifty_millimetres():
    with opened(render(EXAMPLE)) as pdf:
        page = pdf.pages[0]
        words = next(w for w in page.extract_words() if w["text"] == "bar")
        bars = [
            line
            for line in page.lines
            if abs(line["top"] - line["bottom"]) < 0.1 and abs((line["x1"] - line["x0"]) * MM - 50.0) < 0.02
        ]
        assert any(abs(line["top"] - (words["top"] + words["bottom"]) / 2) < 6 for line in bars)


def test_fitting_crosses_stand_at_the_pd_from_the_nose_and_at_the_height():
    with opened(render(EXAMPLE)) as pdf:
        page = pdf.pages[0]
        right, left = lens_curves(page)
        nose = (right["x0"] + left["x1"]) / 2
        crosses = [  # horizontal arms of 8 mm
            line
            for line in page.lines
            if abs(line["top"] - line["bottom"]) < 0.01 and abs((line["x1"] - line["x0"]) * MM - 8.0) < 0.01
        ]
        at = sorted(((line["x0"] + line["x1"]) / 2, line["top"]) for line in crosses)
        assert len(at) == 2
        for (x, y), curve, sign, eye in zip(at, (right, left), (-1, 1), ("right", "left"), strict=True):
            c = EXAMPLE["lenses"][eye]["centration"]
            assert sign * (x - nose) * MM == pytest.approx(float(c["far_pd"]), abs=0.01)
            assert (curve["bottom"] - y) * MM == pytest.approx(float(c["height"]), abs=0.02)


def test_drill_points_stand_where_the_document_has_them():
    points = [{"x": "-23.50", "y": "4.00", "diameter": "1.40"}, {"x": "22.80", "y": "3.50", "diameter": "1.40"}]
    made = document(frame__mount="drilled", frame__groove=None, frame__drill_points=points)
    with opened(render(made)) as pdf:
        page = pdf.pages[0]
        right, left = lens_curves(page)
        holes = [c for c in page.curves if abs((c["x1"] - c["x0"]) * MM - 1.4) < 0.01]
        assert len(holes) == 4
        for curve, nasal in ((right, 1), (left, -1)):
            x0, y0 = (curve["x0"] + curve["x1"]) / 2, (curve["top"] + curve["bottom"]) / 2
            for p in points:
                x, y = x0 + nasal * float(p["x"]) / MM, y0 - float(p["y"]) / MM
                assert any(
                    abs((h["x0"] + h["x1"]) / 2 - x) * MM < 0.02 and abs((h["top"] + h["bottom"]) / 2 - y) * MM < 0.02
                    for h in holes
                )


def test_drill_points_are_said_in_words_each_on_a_line_of_its_own():
    points = [{"x": "-23.50", "y": "4.00", "diameter": "1.40"}, {"x": "22.80", "y": "-3.55", "diameter": "1.60"}]
    text = whole_text(render(document(frame__mount="drilled", frame__groove=None, frame__drill_points=points)))
    assert (
        "both lenses alike, from the boxed centre of each" in text
    )  # as `conventions.boxing` of the document: x to the nose, y up
    assert re.search(r"hole 1 23\.5 temporal, 4\.0 up, Ø 1\.4\b", text)
    assert re.search(r"hole 2 22\.8 nasal, 3\.55 down, Ø 1\.6\b", text)


@pytest.mark.parametrize(
    ("family", "point"),
    [("progressive", "fitting cross"), ("flat_top_bifocal", "segment top"), ("single_vision", "centration point")],
)
def test_the_page_says_which_point_a_height_is_of(family, point):
    text = whole_text(render(document(lens__design={**EXAMPLE["lens"]["design"], "family": family, "near_inset": None})))
    assert f"heights are of the {point}, above the lower box tangent" in text
    assert ("the near inset is reckoned" in text) == (family != "single_vision")


def test_a_near_pd_that_was_not_measured_is_not_called_measured():
    made = copy.deepcopy(EXAMPLE)
    made["lens"]["design"] |= {"family": "progressive", "near_inset": None}
    for lens in made["lenses"].values():
        lens["centration"]["near_pd"] = None
    text = whole_text(render(made))
    assert "The near inset is reckoned from PD distance" in text
    assert "as measured" not in text


def test_viewers_are_told_not_to_scale():
    reader = pypdf.PdfReader(io.BytesIO(render(EXAMPLE)))
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize("family", ["single_vision", "progressive", "flat_top_bifocal"])
def test_page_and_print_are_drawn_from_the_same_geometry(family):
    """The sheet's geometry, from the Case, and the print's, from the document's text, differ by the document's rounding at most."""
    case = example_case()
    design = replace(case.lens.design, family=family, segment_width_mm=28.0, segment_depth_mm=19.0)
    case = replace(case, lens=replace(case.lens, design=design))
    figures = compute(case)
    sheet = geometry_of(case, figures)
    printed = geometry_of_document(build(case, figures, (), example_meta()))
    assert printed.outline == pytest.approx(sheet.outline, abs=0.0051)
    assert (printed.a, printed.b, printed.dbl) == (sheet.a, sheet.b, sheet.dbl)
    for eye in ("right", "left"):
        one, other = printed.of(eye), sheet.of(eye)
        assert (one.centred_for, one.family, one.blank_diameter) == (other.centred_for, other.family, other.blank_diameter)
        assert printed.fitting(eye) == pytest.approx(sheet.fitting(eye), abs=0.0051)
        assert one.blank_centre == pytest.approx(other.blank_centre, abs=0.0051)
        assert (one.near is None) == (other.near is None)
        if one.near:
            assert one.near == pytest.approx(other.near, abs=0.0101)
        assert (one.prism_in, one.prism_up) == pytest.approx((other.prism_in, other.prism_up), abs=0.0051)


# --- bar code, fonts, structure ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", ["SM-000147", "A-1", "HARBOUR-2026-0001234567"])
def test_a_scanner_reads_the_order_number(number):
    data = render(document(order__number=number))
    image = pypdfium2.PdfDocument(data)[0].render(scale=200 / 72).to_pil()
    found = zxingcpp.read_barcodes(image)
    assert [(b.format, b.text) for b in found] == [(zxingcpp.BarcodeFormat.Code128, number)]


def test_all_fonts_are_embedded_subsets():
    data = render(document(client__name="Çelik Ğülşen Ωmega Жанна"))
    for page in pypdf.PdfReader(io.BytesIO(data)).pages:
        faces = page["/Resources"]["/Font"]
        assert faces
        for font in faces.values():
            described = font.get_object()
            assert re.match(r"/[A-Z]{6}\+DejaVuSansCondensed", described["/BaseFont"])
            assert described["/FontDescriptor"].get_object()["/FontFile2"].get_object().get_data()
    assert "Çelik Ğülşen Ωmega Жанна" in whole_text(data)


def test_the_type_has_every_sign_the_page_uses():
    known = fonts()[REGULAR].face.charToGlyph
    assert all(ord(c) in known for c in "+−±°ØΔ□×½–≥≤→")


def structure(page) -> list[dict]:
    found = []

    def walk(nodes):
        for node in nodes:
            found.append(node)
            walk(node.get("children", []))

    walk(page.structure_tree)
    return found


def test_the_document_is_tagged_in_reading_order():
    data = render(EXAMPLE)
    reader = pypdf.PdfReader(io.BytesIO(data))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-GB"
    assert reader.metadata.title == "Lens order SM-000147"
    with opened(data) as pdf:
        page = pdf.pages[0]
        nodes = structure(page)
        kinds = [n["type"] for n in nodes]
        assert kinds[:2] == ["Document", "H1"]
        assert kinds.count("Table") == 2
        figures = [n["alt_text"] for n in nodes if n["type"] == "Figure"]
        assert figures[0] == "Code 128: SM-000147"
        assert "Right: far PD 31.5 mm, fitting height 21.0 mm" in figures[1]
        assert "Left: far PD 32.25 mm, fitting height 20.5 mm" in figures[1]
        # all that belongs to the structure is on the page once, and text outside it is the page number alone
        owned = [mcid for n in nodes for mcid in n.get("mcids", [])]
        assert len(owned) == len(set(owned))
        assert {c["mcid"] for c in page.chars if c["mcid"] is not None} <= set(owned)
        assert "".join(c["text"] for c in page.chars if c["mcid"] is None) == "page 1 of 1"


def test_the_same_order_gives_the_same_bytes():
    assert render(EXAMPLE) == render(copy.deepcopy(EXAMPLE))


# --- what became of it ----------------------------------------------------------------------------------------------------


def test_a_cancelled_order_says_so_first():
    gone = Cancellation(at="2026-11-26T08:00:00Z", reason="Frame broken.", replaced_by="SM-000150")
    text = whole_text(render(EXAMPLE, cancelled=gone))
    assert text.index("CANCELLED: DO NOT MAKE") < text.index("Powers")
    assert "Cancelled 26 Nov 2026, 08:00 Europe/London. Frame broken. Replaced by order SM-000150." in text
    assert "CANCELLED" not in whole_text(render(EXAMPLE))


def test_a_replacement_names_the_order_it_stands_in_for():
    text = whole_text(render(EXAMPLE))
    assert "Replaces order SM-000139" in text
    assert "Replaces" not in whole_text(render(document(order__replaces=None)))


# --- text that does not behave ----------------------------------------------------------------------------------------------

LONG = "Featherstonehaugh-Cholmondeley-Wriothesley" * 6
HEBREW = "שרה כהן־לוי"
ARABIC = "محمد بن عبد الله الطويل"
COMBINING = "Z̀̂a̎l̈́g̃o Śmiałowska-Ẅ̈"


def no_overflow(data: bytes) -> None:
    """Nothing beyond the margins, and no word on top of another outside the drawing."""
    with opened(data) as pdf:
        for page in pdf.pages:
            words = page.extract_words(keep_blank_chars=False, extra_attrs=["mcid"], use_text_flow=False)
            for w in words:
                assert w["x0"] * MM >= 11.9
                assert w["x1"] * MM <= 198.1
                assert w["top"] * MM >= 5
                assert w["bottom"] * MM <= 292
            lenses = lens_curves(page) or [{"top": 1e9, "bottom": -1e9}]
            top, bottom = min(c["top"] for c in lenses) - 14 / MM, max(c["bottom"] for c in lenses) + 14 / MM
            outside = sorted((w for w in words if w["bottom"] < top or w["top"] > bottom), key=lambda w: w["top"])
            for i, one in enumerate(outside):
                for other in outside[i + 1 :]:
                    if other["top"] >= one["bottom"]:
                        break
                    wide = min(one["x1"], other["x1"]) - max(one["x0"], other["x0"])
                    high = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"])
                    small = min(one["bottom"] - one["top"], other["bottom"] - other["top"])
                    assert not (wide > 0.5 and high > 0.35 * small), (one["text"], other["text"])


@pytest.mark.parametrize(
    "name", [LONG, f"{LONG} {LONG}", "a " * 200, COMBINING, HEBREW, ARABIC, f"{ARABIC} {LONG}", "木村 さくら", "x"]
)
def test_no_name_overflows(name):
    data = render(
        document(
            client__name=name,
            branch__name=name,
            branch__address=f"{name}\n{name}",
            lab__name=name,
            frame__name=name,
            lens__remark=name,
            lens__design={**EXAMPLE["lens"]["design"], "name": name},
            people__dispensed_by={"name": name, "role": "trainee", "registration_number": None},
            people__signed_by={"name": name, "role": "supervisor", "registration_number": name[:60]},
        )
    )
    no_overflow(data)
    if name == LONG:
        assert name in flow(data)


def test_what_does_not_fit_goes_to_a_second_page_and_nothing_is_lost():
    instructions = [f"Instruction {i}: " + "take care of the surface. " * 9 for i in range(30)]
    made = document(instructions=instructions)
    data = render(made)
    no_overflow(data)
    with opened(data) as pdf:
        pages = len(pdf.pages)
        assert pages > 1
        for i, page in enumerate(pdf.pages, 1):
            assert f"page {i} of {pages}{', continues' if i < pages else ''}\n" in page.extract_text() + "\n"
            if i > 1:
                assert "Instructions, continued" in page.extract_text()  # what is broken says what it is part of
            assert "SM-000147" in page.extract_text()
    flowing = flow(data)
    assert [
        i for i, words in enumerate(instructions) if squeezed(words).removesuffix(".") not in without_furniture(flowing)
    ] == []
    read_powers(whole_text(data), made)


def without_furniture(flowing: str) -> str:
    """Text without the feet and heads, which part what runs over from one page or column to the next."""
    return re.sub(r"(DispensedbyWren.*?SM-000147,continued)?(Instructions,continued)?", "", flowing)


def test_a_pair_too_large_for_the_room_left_gets_a_page_of_its_own():
    radii = [round(100 * r) for r in [48.0] * 72]
    made = document(frame__outline={"unit": "0.01 mm", "convention": "", "radii": radii})
    made["frame"].update(a="96.00", b="96.00", dbl="14.00", c="110.00")
    data = render(made)
    no_overflow(data)
    assert "larger than this page at true size" in whole_text(data)
    made["frame"].update(a="60.00", b="140.00", dbl="14.00", c="74.00", outline=None)
    assert "drawing" in whole_text(render(made))


def test_right_to_left_names_are_joined_and_keep_their_reading():
    data = render(document(client__name=ARABIC))
    text = whole_text(data)
    # letters stand joined, from left to right as they are seen; taken apart and turned round they are the name again
    line = next(t for t in text.splitlines() if any(unicodedata.bidirectional(c) == "AL" for c in t))
    seen = "".join(c for c in line if unicodedata.bidirectional(c) == "AL" or c == " ")
    forms = [c for c in seen if "ARABIC PRESENTATION" in unicodedata.name(c, "") or 0xFB50 <= ord(c) <= 0xFEFF]
    assert len(forms) > 10
    plain = unicodedata.normalize("NFKC", "".join(reversed(seen)))
    assert sorted(squeezed(plain)) == sorted(squeezed(ARABIC))
    logical = ("\ufeff" + ARABIC).encode("utf-16-be").hex()
    contents = b"".join(page.get_contents().get_data() for page in pypdf.PdfReader(io.BytesIO(data)).pages)
    assert logical.encode() in contents


def test_a_sign_the_type_lacks_is_shown_and_said():
    text = whole_text(render(document(client__name="木村")))
    assert "□□" in text
    assert "□ a sign this type does not have" in text
    assert "a sign this type" not in whole_text(render(EXAMPLE))


# --- any order at all -----------------------------------------------------------------------------------------------------


def decimals(low: float, high: float, places: int = 2):
    return st.integers(round(low * 10**places), round(high * 10**places)).map(
        lambda n: f"{Decimal(n).scaleb(-places):.{places}f}".replace("-0.00", "0.00")
    )


@st.composite
def prisms(draw):
    across, along = draw(decimals(-8, 8)), draw(decimals(-8, 8))
    return {
        "in": across,
        "up": along,
        "horizontal": {
            "amount": across.lstrip("-"),
            "base": None if across == "0.00" else "out" if across[0] == "-" else "in",
        },
        "vertical": {"amount": along.lstrip("-"), "base": None if along == "0.00" else "down" if along[0] == "-" else "up"},
        "resultant": {"amount": draw(decimals(0.01, 12)), "base_angle": draw(decimals(0, 359.9, 1))}
        if (across, along) != ("0.00", "0.00")
        else {"amount": "0.00", "base_angle": None},
    }


@st.composite
def orders(draw):
    made = document()
    for eye in ("right", "left"):
        lens = made["lenses"][eye]
        cylinder = draw(decimals(-6, 6))
        lens["ordered"] = {
            "sphere": draw(decimals(-25, 25)),
            "cylinder": cylinder,
            "axis": None if cylinder == "0.00" else draw(decimals(0.1, 180, 1)),
            "addition": draw(st.none() | decimals(0.25, 4)),
            "prism": draw(prisms()),
        }
        lens["prescribed"]["prism"] = draw(prisms())
        c = lens["centration"]
        c["far_pd"], c["near_pd"] = draw(decimals(20, 45)), draw(st.none() | decimals(20, 45))
        c["height"] = draw(st.none() | decimals(2, 38))
        c["height_above_datum"] = draw(st.none() | decimals(-18, 18))
        c["decentration_in"] = draw(decimals(-15, 15))
        c["near_inset"] = draw(st.none() | decimals(0, 4))
        lens["blank"] = {"diameter": draw(st.none() | decimals(50, 85)), "needed": draw(st.none() | decimals(40, 99))}
        lens["thickness"] = {
            "centre_min": draw(st.none() | decimals(0.5, 9)),
            "edge_min": draw(st.none() | decimals(0.5, 9)),
        }
        lens["front_curve_wish"] = draw(st.none() | decimals(0, 12))
    words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=120)
    made["client"]["name"] = draw(st.none() | words)
    made["branch"]["name"] = draw(words)
    made["lens"]["remark"] = draw(words)
    made["reasons"] = draw(st.lists(st.just(EXAMPLE["reasons"][0]), max_size=4))
    made["lens"]["design"]["family"] = draw(
        st.sampled_from(["single_vision", "round_bifocal", "flat_top_bifocal", "trifocal", "progressive", "degressive"])
    )
    made["lens"]["design"].update(segment_width="28.00", segment_depth="19.00", intermediate_depth="7.00")
    return made


@settings(
    max_examples=12,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.large_base_example],
)
@given(orders())
def test_any_order_reads_back_and_stays_within_its_page(made):
    data = render(made)
    text = whole_text(data)
    rows = [m for m in ROW.finditer(text) if m["kind"] == "ordered"]
    assert len(rows) == 2
    for row, eye in zip(rows, ("right", "left"), strict=True):
        same_power(row, made["lenses"][eye]["ordered"])
    read_centration(text, made)
    no_overflow(data)


# --- tray label -----------------------------------------------------------------------------------------------------------


def test_a_tray_label_scans_and_names_the_powers_but_not_the_client():
    data = tray_label(EXAMPLE)
    with opened(data) as pdf:
        (page,) = pdf.pages
        assert (page.width * MM, page.height * MM) == pytest.approx((100.0, 40.0), abs=0.1)
        text = page.extract_text()
    assert "R −2.31 −0.73 × 94.6 add +2.04 Δ 0.50 down" in text
    assert "L −1.55 −0.97 × 80.4 add +2.03 Δ 1.00 in" in text
    assert "C-4HT8M2W" in text
    assert "Oakhurst" not in text
    assert (
        "coating multi-layer reflection-free, hard, tint brown photochromic" in text
    )  # what the surfaces get decides the tray's way
    assert "Remark: see the order" in text
    image = pypdfium2.PdfDocument(data)[0].render(scale=300 / 72).to_pil()
    assert [b.text for b in zxingcpp.read_barcodes(image)] == ["SM-000147"]


def test_a_tray_label_says_when_words_on_the_order_have_to_be_read():
    assert "Instructions: see the order" in whole_text(tray_label(document(lens__remark="")))
    assert "see the order" not in whole_text(tray_label(document(lens__remark="", instructions=[])))


def test_a_tray_label_of_a_cancelled_order_gives_no_powers():
    text = whole_text(tray_label(EXAMPLE, cancelled=True))
    assert "CANCELLED: DO NOT MAKE" in text
    assert "−2.31" not in text


@pytest.mark.parametrize("name", [LONG, ARABIC, COMBINING])
def test_nothing_runs_off_a_tray_label(name):
    design = {**EXAMPLE["lens"]["design"], "name": name}
    data = tray_label(
        document(branch__name=name, frame__name=name, lens__design=design, order__number="HARBOUR-2026-0001234567")
    )
    with opened(data) as pdf:
        for w in pdf.pages[0].extract_words():
            assert w["x0"] * MM >= 2.9
            assert w["x1"] * MM <= 97.2
            assert w["bottom"] * MM <= 39.5
