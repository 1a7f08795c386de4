"""Record text (unverified profile): read back it says what the document says; the reader refuses what is doubtful.

What the labels mean is from memory (see orders/renderers/record_labels.py): these tests cannot show that another program reads
them alike. Base directions, axes and the direction of a trace are held against ISO 8429 in figures written out here by hand.
"""

from __future__ import annotations

import contextlib
import copy
import math
import re
from decimal import Decimal as D

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from orders import document as doc
from orders.renderers import record_reader, record_text
from orders.renderers.record_labels import LABELS, WRITTEN
from orders.renderers.record_reader import RecordError, read
from tests.orders import examples
from tests.orders.test_document import orders

DIGEST = "ab" * 32


def rendered(document: dict) -> bytes:
    return record_text.render(document, digest=DIGEST)


def text() -> str:
    return rendered(examples.example_document()).decode("ascii")


def changed(old: str, new: str) -> bytes:
    whole = text()
    assert old in whole
    return whole.replace(old, new, 1).encode("ascii")


# --- what is written


@pytest.mark.parametrize(
    "record",
    [  # by hand from tests/orders/examples.py
        "SPH=-2.31;-1.55",
        "CYL=-0.73;-0.97",
        "AX=94.6;80.4",
        "ADD=2.04;2.03",
        "PRVM=0.50;1.00",
        "PRVA=270.0;180.0",  # right eye down; left eye in: towards the nose is the viewer's left (ISO 8429)
        "IPD=31.50;32.25",
        "NPD=29.50;30.25",
        "SEGHT=21.00;20.50",
        "HBOX=52.00;52.00",
        "DBL=18.00",
        "LTYP=PR;PR",
        "LIND=1.592;1.592",
        "_DLCOMP=DONE",
        "_DLTHIN=1.00",
    ],
)
def test_the_example(record):
    lines = text().split("\r\n")
    assert record in lines
    assert lines[:2] == ["JOB=SM-000147", "_DLPROF=UNVERIFIED;1"]
    assert lines[-1] == ""


def test_nothing_of_low_confidence_and_no_name_of_the_client_is_written():
    written = {line.split("=")[0] for line in text().split("\r\n") if line}
    assert written <= set(WRITTEN)
    assert all(LABELS[name].confidence != "low" for name in WRITTEN)
    assert all(len(name) <= 8 for name in WRITTEN)
    assert "Marisol" not in text()
    assert "Oakhurst" not in text()


def test_powers_that_are_compensated_come_without_what_would_compensate_them_again():
    document = examples.example_document()
    labels = {line.split("=")[0] for line in rendered(document).decode().split("\r\n")}
    assert not {"PANTO", "BVD"} & labels
    document["lens"]["compensation"] = "maker"
    lines = rendered(document).decode().split("\r\n")
    assert {"PANTO=8.0;8.0", "BVD=13.00;13.00", "_DLCOMP=MAKER", "_DLWRAP=5.0"} <= set(lines)


def test_a_near_pair_has_no_distance_centration_that_a_machine_could_take():
    document = examples.example_document()
    document["lens"]["design"]["family"] = "single_vision"
    for eye in ("right", "left"):
        document["lenses"][eye]["centration"]["centred_for"] = "near"
    found = read(rendered(document))
    assert "IPD" not in found.right
    assert found.right["NPD"] == D("29.50")
    assert found.right["OCHT"] == D("21.00")
    assert (found.right["_DLCENT"], found.left["_DLCENT"]) == ("NEAR", "NEAR")


def test_the_trace_runs_anticlockwise_from_the_viewers_right_for_both_eyes():
    """A shape with a horn at the top temple side only: 135 degrees from the nose. Seen from the front the right lens stands on
    the viewer's left, so its nose is at 0 and the horn at 135; the left lens is its mirror image, with the horn at 45."""
    document = examples.example_document()
    radii = [2000] * 8
    radii[3] = 2900  # nose 0, then in steps of 45 degrees upwards: 135
    document["frame"]["outline"]["radii"] = radii
    found = read(rendered(document))
    assert found.traces["R"].index(2900) * 45 == 135
    assert found.traces["L"].index(2900) * 45 == 45
    radii.append(2000)  # an odd number: no point opposite the first
    assert set(read(rendered(document)).traces) == {"R"}


def test_a_balance_lens_without_power_is_not_known_never_nought():
    document = examples.example_document()
    document["lenses"]["left"]["ordered"] = None
    document["lenses"]["left"]["prescribed"]["balance"] = True
    written = rendered(document).decode()
    assert "SPH=-2.31;?\r\n" in written
    found = read(written.encode())
    assert found.left["SPH"] is None
    assert "AX" not in found.left
    assert found.common["_DLBAL"] == "L"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("Zoë's; SPH=-9.00;-9.00", "Zoe's SPH -9.00 -9.00"),
        ("a\r\nSPH=-9.00;-9.00", "a SPH -9.00 -9.00"),
        ("a\x00\x1b\x1c\x85\u2028b\x7f", "a b"),
        ("\uff1b\uff1d\uff1f", ""),  # full-width forms that fall back to the separators
        ("北 Ω ½ ﬁ", "~ ~ 1/2 fi"),
        # the sign and the decimals of a figure in words are what it says
        ("−0.50 not –0.75, 3 × 4 ± 0,25 mm; “as before”", '-0.50 not -0.75 3 x 4 +/- 0.25 mm "as before"'),
        # one comma with one or two digits after it is decimal; a list or thousands make no figure that nobody wrote
        ("1,2,3 and 2, 3", "1~2~3 and 2 3"),
        ("0,5 -2,25 105,75; 12,5, 13,5.", "0.5 -2.25 105.75 12.5 13.5."),
        ("1,000 hours, 1,234.5 or 1.234,5; 1000,5", "1~000 hours 1~234.5 or 1.234~5 1000~5"),
        ("axis 10,20,30", "axis 10~20~30"),
        ("1½ mm, −2¾ ½, 10² 10⁻¹² mm²", "1 1/2 mm -2 3/4 1/2 10^2 10^-12 mm^2"),
        ("?", ""),
        ("", ""),
    ],
)
def test_words_cannot_become_records(typed, said):
    assert record_text.ascii_words(typed) == said
    document = examples.example_document()
    document["lens"]["remark"] = typed
    document["lens"]["design"]["name"] = typed + "x"
    document["branch"]["code"] = typed
    found = read(rendered(document))
    assert (found.right["SPH"], found.left["SPH"]) == (D("-2.31"), D("-1.55"))
    assert found.words("_DLREM") == said
    assert found.passed_over == 0


@given(st.text(alphabet="0123456789,,,.. -a", max_size=40))
@settings(max_examples=300, deadline=None)
def test_no_figure_is_read_back_that_nobody_wrote(typed):
    """Every figure in the words of the records stands in the words that were typed: as it is, or with a comma for its point."""
    document = examples.example_document()
    document["lens"]["remark"] = typed
    back = read(rendered(document)).words("_DLREM")
    wrote = re.findall(r"[0-9]+(?:[.,][0-9]+)*", typed)
    for figure in re.findall(r"[0-9]+(?:[.~][0-9]+)*", back):
        assert figure in wrote or figure.replace("~", ",") in wrote or figure.replace(".", ",") in wrote, (typed, back)
        if "," in figure.replace(".", ",") and figure not in wrote and "~" not in figure:
            assert re.fullmatch(r"[0-9]{1,3}\.[0-9]{1,2}", figure)


def test_what_was_prescribed_for_near_besides_is_said():
    document = examples.example_document()
    assert "near" not in read(rendered(document)).words("_DLSAY").casefold()
    document["lenses"]["left"]["prescribed"] |= {
        "intermediate_addition": "1.00",
        "near_sphere": "-0.50",
        "near_prism": doc._prism("left", -1.5, 0.0),
    }
    said = read(rendered(document)).words("_DLSAY")
    assert said.endswith("L intermediate addition +1.00. L near sphere written -0.50. L near prism prescribed 1.50 out.")


@given(st.text(max_size=300))
@settings(max_examples=200, deadline=None)
def test_no_words_whatever_add_or_change_a_record(typed):
    document = examples.example_document()
    names = [line.split("=")[0] for line in rendered(document).decode().split("\r\n") if "_DLREM" not in line]
    document["lens"]["remark"] = typed
    written = rendered(document)
    assert all(32 <= byte < 127 or byte in b"\r\n" for byte in written)
    assert [line.split("=")[0] for line in written.decode().split("\r\n") if "_DLREM" not in line] == names
    assert read(written).words("_DLREM") == record_text.ascii_words(typed)


def test_a_design_whose_name_is_all_separators_is_left_out():
    document = examples.example_document()
    document["lens"]["design"]["name"] = ";=;"
    assert "LNAM" not in read(rendered(document)).right


# --- written and read back


def number(value: str | None) -> D | None:
    return None if value is None else D(value)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(orders())
def test_read_back_it_says_what_the_document_says(made):
    case, figures = made
    document = doc.build(case, figures, (), examples.example_meta())
    before = copy.deepcopy(document)
    found = read(rendered(document))
    assert document == before
    assert (found.job, found.eyes, found.passed_over) == (document["order"]["number"], "B", 0)
    frame = document["frame"]
    single = document["lens"]["design"]["family"] == "single_vision"
    for eye in ("right", "left"):
        side, lens = found.of(eye), document["lenses"][eye]
        ordered, where = lens["ordered"], lens["centration"]
        assert side["SPH"] == D(ordered["sphere"])
        assert side["CYL"] == D(ordered["cylinder"])
        assert side.get("AX") == number(ordered["axis"])
        assert side.get("ADD") == number(ordered["addition"])
        prism = ordered["prism"]
        assert side["PRVM"] == D(prism["resultant"]["amount"])
        assert side.get("PRVA") == number(prism["resultant"]["base_angle"])
        # taken apart again it is the components, with the base directions of ISO 8429 for each eye
        angle = math.radians(float(side.get("PRVA", 0)))
        towards_right = float(side["PRVM"]) * math.cos(angle)
        slack = 0.0051 + float(side["PRVM"]) * math.radians(0.05)
        assert (towards_right if eye == "right" else -towards_right) == pytest.approx(float(prism["in"]), abs=slack)
        assert float(side["PRVM"]) * math.sin(angle) == pytest.approx(float(prism["up"]), abs=slack)
        by_near = single and where["centred_for"] == "near"
        assert side.get("IPD") == (None if by_near else D(where["far_pd"]))
        assert side.get("NPD") == (D(where["near_pd"]) if by_near or not single else None)
        assert side.get("OCHT" if single else "SEGHT") == number(where["height"])
        assert ("SEGHT" if single else "OCHT") not in side
        assert (side["HBOX"], side["VBOX"]) == (D(frame["a"]), D(frame["b"]))
        assert side.get("FED") == number(frame["ed"])
        assert side["LIND"] == D(document["lens"]["material"]["index"])
        assert side["LTYP"] == ("SV" if single else "PR")
    assert found.common["DBL"] == D(frame["dbl"])
    holes = [(D(x), D(y), D(d)) for x, y, d in found.repeated.get("_DLHOLE", ())]
    assert holes == [(D(p["x"]), D(p["y"]), D(p["diameter"])) for p in frame["drill_points"]]
    radii = tuple(frame["outline"]["radii"]) if frame["outline"] else None
    assert found.traces.get("R") == radii
    if radii:
        half = len(radii) // 2
        assert found.traces["L"] == tuple(radii[half::-1]) + tuple(radii[:half:-1])  # 180 degrees down to 0, and on round
        points = [(r / 100 * math.cos(2 * math.pi * i / len(radii))) for i, r in enumerate(found.traces["L"])]
        if case.frame is not None and len(radii) == 400:
            assert max(points) - min(points) == pytest.approx(case.frame.a, abs=0.03)
    assert found.words("_DLREM") == record_text.ascii_words(document["lens"]["remark"])


# --- what the reader refuses


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("SPH=-2.31;-1.55", "SPH=-2.31", "one side only"),
        ("SPH=-2.31;-1.55", "SPH=-2.31;", "SPH is missing for the eye L"),
        ("SPH=-2.31;-1.55", "SPH=;-1.55", "SPH is missing for the eye R"),
        ("SPH=-2.31;-1.55", "SPH=-2.31;-1.55;0.00", "more than two sides"),
        ("SPH=-2.31;-1.55", "SPH=-2,31;-1.55", "number with a decimal point"),
        ("SPH=-2.31;-1.55", "SPH=-2.31 ;-1.55", "number with a decimal point"),
        ("SPH=-2.31;-1.55", "SPH=PL;-1.55", "number with a decimal point"),
        ("SPH=-2.31;-1.55", "SPH=1e1;-1.55", "number with a decimal point"),
        ("SPH=-2.31;-1.55", "SPH=-231;-1.55", "outside"),
        ("SPH=-2.31;-1.55", "sph=-2.31;-1.55", "LABEL=value"),
        ("SPH=-2.31;-1.55", "SPH=-2.31;-1.55\r\nSPH=-2.31;-1.55", "comes twice"),
        ("SPH=-2.31;-1.55", "XSPH=1\r\nXSPH=1\r\nSPH=-2.31;-1.55", "comes twice"),
        ("SPH=-2.31;-1.55", "SPH=-2.31;-1.55\n", "LABEL=value"),
        ("SPH=-2.31;-1.55", "SPH=-2.31;=1.55", "LABEL=value"),
        ("CYL=-0.73;-0.97", "CYL=0.73;-0.97", "not in one form"),
        ("CYL=-0.73;-0.97", "CYL=0.00;-0.97", "stands without a cylinder"),
        ("AX=94.6;80.4", "AX=94.6;", "has no AX"),
        ("AX=94.6;80.4", "AX=94.6;180.5", "outside"),
        ("PRVA=270.0;180.0", "PRVA=270.0;", "has no PRVA"),
        ("PRVM=0.50;1.00", "PRVM=0.50;0.00", "stands without a prism"),
        ("DO=B", "DO=R", "eye that is not made"),
        ("DO=B", "DO=X", "DO is R, L or B"),
        ("DO=B\r\n", "", "DO is missing"),
        ("JOB=SM-000147", "JOB=SM 000147", "letters, digits and hyphens"),
        ("JOB=SM-000147", "DBLX=1", "first record is JOB"),
        ("IPD=31.50;32.25\r\nNPD=29.50;30.25", "IPD=;32.25\r\nNPD=;30.25", "Neither IPD nor NPD"),
        ("LTYP=PR;PR", "LTYP=PR;QQ", "is one of"),
        ("TRCFMT=1;400;E;R;F", "TRCFMT=1;401;E;R;F", "400 radii where 401"),
        ("TRCFMT=1;400;E;R;F", "TRCFMT=1;399;E;R;F", "More radii than the 399"),
        ("TRCFMT=1;400;E;R;F", "TRCFMT=4;400;E;R;F", "in the form 1;points;E;eye;F only"),
        ("TRCFMT=1;400;E;R;F", "TRCFMT=1;400;U;R;F", "in the form 1;points;E;eye;F only"),
        ("TRCFMT=1;400;E;R;F", "TRCFMT=1;99999;E;R;F", "8 to 4000 points"),
        ("TRCFMT=1;400;E;L;F", "TRCFMT=1;400;E;R;F", "second trace"),
        ("TRCFMT=1;400;E;R;F\r\n", "", "no TRCFMT announces"),
        ("R=2600;2600;", "R=2600;-2600;", "a whole number"),
        ("R=2600;2600;", "R=2600;;", "a whole number"),
        ("_DLSAY=2;", "_DLSAY=3;", "Piece 2"),
        ("_DLTOL=", "_DLTOLERANCE=", "LABEL=value"),
        ("_DLTOL=ISO", "_DLTOL=" + "x" * 80, "Longer than 80"),
    ],
)
def test_what_is_doubtful_is_refused(old, new, words):
    with pytest.raises(RecordError, match=words):
        read(changed(old, new))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "CR LF"),
        (b"JOB=1", "CR LF"),
        (b"\xef\xbb\xbfJOB=1\r\n", "not ASCII"),
        (b"JOB=1\nDO=B\r\n", "LABEL=value"),
        (b"JOB=1\r\n\r\n", "LABEL=value"),
        (b"JOB=1\r\n" * 40_000, "More than"),
    ],
)
def test_what_is_no_record_text_is_refused(data, words):
    with pytest.raises(RecordError, match=words):
        read(data)


def test_one_eye_and_the_not_known():
    one = b"JOB=A-1\r\nDO=R\r\nSPH=-1.00\r\nCYL=0.00;\r\nIPD=31.00;?\r\nHBOX=50.00;\r\nVBOX=40;\r\nXNEW=what;ever\r\n"
    found = read(one)
    assert (found.right["SPH"], found.left, found.passed_over) == (D("-1.00"), {}, 1)
    left = b"JOB=A-1\r\nDO=L\r\nSPH=;-0.00\r\nCYL=;0.00\r\nIPD=?;31.00\r\nHBOX=;50.00\r\nVBOX=;40\r\n"
    assert str(read(left).left["SPH"]) == "0.00"
    with pytest.raises(RecordError, match="one side only"):
        read(left.replace(b"SPH=;-0.00", b"SPH=-0.00"))


RECORDS = st.lists(
    st.one_of(
        st.binary(max_size=90),
        st.builds(
            lambda name, value: f"{name}={value}".encode(),
            st.sampled_from([*sorted(LABELS), "ZZ", "_X"]),
            st.one_of(
                st.text(alphabet="0123456789.;-+?BRLEF,", max_size=40),
                st.sampled_from(["B", "R", "1;8;E;R;F", "-1.00;-2.00", "31.00;32.00", "9;9;9;9;9;9;9;9", "1;a", "?;?"]),
            ),
        ),
    ),
    max_size=40,
)


@given(RECORDS, st.sampled_from([b"\r\n", b"\n", b"\r"]), st.booleans())
@settings(max_examples=600, deadline=None)
def test_whatever_is_read_gives_records_or_our_error(lines, end, begun):
    data = (b"JOB=A\r\nDO=B\r\n" if begun else b"") + end.join(lines) + end
    with contextlib.suppress(RecordError):  # any other error fails the test
        assert read(data).eyes in ("R", "L", "B")


@given(st.integers(0, 10**9), st.binary(min_size=1, max_size=4))
@settings(max_examples=400, deadline=None)
def test_a_damaged_text_is_refused_or_read_without_another_error(at, put):
    whole = rendered(examples.example_document())
    at %= len(whole)
    with contextlib.suppress(RecordError):
        read(whole[:at] + put + whole[at + len(put) :])


@pytest.mark.parametrize(
    "data",
    [
        b"JOB=A\r\n" + b"".join(b"X%d=1\r\n" % i for i in range(20_000)),
        b"JOB=A\r\nTRCFMT=1;4000;E;R;F\r\n" + b"R=9;9;9;9;9;9;9;9;9;9;9;9;9;9;9;9;9;9\r\n" * 5000,
        b"JOB=A\r\n" + b"_DLSAY=1;\r\n" * 18_000,
        b"JOB=A\r\nSPH=" + b"9" * 190_000 + b"\r\n",
        b"=" * 200_000,
        b"A" * 199_990 + b"\r\n",
    ],
)
def test_the_largest_text_costs_little(data):
    """Memory bounded by a small multiple of the text; the time is that of one walk (a quadratic one would not end here)."""
    import tracemalloc

    tracemalloc.start()
    with pytest.raises(RecordError):
        read(data[: record_reader.LARGEST])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 60 * record_reader.LARGEST


# --- over the API


def test_it_is_off_until_the_lab_asks_for_it(cast, door, make_order):
    order = make_order()
    for path, headers in ((f"orders/{order.number}.records", {}), (f"orders/{order.number}", {"Accept": "text/plain"})):
        response = door.get(path, headers)
        assert response.status_code == 406
        assert response["Content-Type"] == "application/problem+json"
        assert "unverified" in response.json()["detail"]
    assert not order.events.filter(kind="fetched").exists()
    cast.lab.record_text = True
    cast.lab.save()
    for path, headers in ((f"orders/{order.number}.records", {}), (f"orders/{order.number}", {"Accept": "text/plain"})):
        response = door.get(path, headers)
        assert response.status_code == 200
        assert response["Content-Type"] == "text/plain; charset=us-ascii"
        found = read(response.content)
        assert (found.job, found.common["_DLSHA"]) == (order.number, order.document_sha256)
    assert order.events.filter(kind="fetched").count() == 1
    tag = response["ETag"]
    assert door.get(f"orders/{order.number}.records", {"If-None-Match": tag}).status_code == 304
    assert door.get(f"orders/{order.number}")["Content-Type"] == "application/json"


def test_a_cancelled_order_has_no_records(cast, door, make_order):
    cast.lab.record_text = True
    cast.lab.save()
    order = make_order(state="cancelled", cancelled_at="2026-11-25T11:00:00Z", cancel_reason="Wrong frame.")
    response = door.get(f"orders/{order.number}.records")
    assert response.status_code == 409
    assert response.json()["type"].endswith("#problem-order-cancelled")
