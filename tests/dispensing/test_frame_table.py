"""Frames as CSV: there and back, looked at before it is done, and damaged files end in a plain sentence."""

from __future__ import annotations

import csv
import io
import re
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from dispensing import catalogue, frame_table
from dispensing.frame_table import Unreadable, import_frames, plan_import, text_of, write_table
from dispensing.models import CatalogueFrame
from dispensing.optics.boxing import box
from dispensing.optics.outlines import outline_for
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.factories import FrameFactory

HEAD = "code,maker,model,colour,a,b,dbl,ed,shape,mount\n"
LINE = "NEW-1,Quaylight,Knot 9,moss,50,38,18,,quadra,full_rim\n"


def plan(cast, text):
    return plan_import(text=text, group=cast.group)


def carry_out(cast, text, actor=None):
    return import_frames(actor=actor or cast.manager, group=cast.group, text=text, digest=plan(cast, text).digest)


def faults(cast, text):
    return [(f.line, f.column) for f in plan(cast, text).faults]


def test_what_is_written_reads_back_as_the_same(cast):
    cast.frame.delete()
    radii = [round(r, 2) for r in outline_for(52, 40, 57, "contour")]
    FrameFactory(group=cast.group, code="A1", colour="-5 °C", shape="contour", ed=Decimal("57"), outline=radii)
    FrameFactory(group=cast.group, code="A2", colour="", gtin="4006381333931", mount="drilled", child=True, ed=None)
    text = "".join(write_table(CatalogueFrame.objects.all()))
    found = plan(cast, text)
    assert (len(found.same), found.new, found.changed, found.faults) == (2, (), (), ())
    assert ",'-5 °C," in text  # a spreadsheet would take it for a formula


def test_new_and_changed_frames_in_one_transaction_with_their_trace(cast):
    old = cast.frame
    text = HEAD + LINE + f"{old.code},{old.maker},{old.model},moss,52,40,18,54,,full_rim\n"
    found = plan(cast, text)
    assert [each.code for each in found.new] == ["NEW-1"]
    assert dict(found.changed[0][1]) == {"colour": ("horn", "moss")}
    carry_out(cast, text)
    row = CatalogueFrame.objects.get(code="NEW-1")
    shape = box(row.outline)  # drawn from its shape, to fit its box
    assert (shape.a, shape.b) == pytest.approx((50, 38), abs=0.05)
    old.refresh_from_db()
    assert (old.colour, old.side) == ("moss", Decimal("145"))  # a column that is not there leaves things as they were
    event = AuditEvent.objects.get(action="catalogue.frames_imported")
    assert event.after["new"] == ["NEW-1"]
    assert event.before == {old.code: {"colour": "horn"}}
    assert not plan(cast, text).changed
    assert not plan(cast, text).new


def test_one_faulty_line_and_nothing_is_changed(cast):
    text = HEAD + LINE + "NEW-2,Quaylight,Knot 9,moss,5000,38,18,,quadra,full_rim\n"
    with pytest.raises(Invalid):
        carry_out(cast, text)
    assert CatalogueFrame.objects.count() == 1
    assert not AuditEvent.objects.filter(action="catalogue.frames_imported").exists()


@pytest.mark.parametrize("who", ["trainee", "supervisor", "foreigner"])
def test_only_a_manager_of_the_group_imports(cast, who):
    with pytest.raises(NotAllowed):
        carry_out(cast, HEAD + LINE, actor=getattr(cast, who))


def test_a_catalogue_that_changed_since_the_preview_is_not_overwritten(cast):
    text = HEAD + f"{cast.frame.code},Quaylight,Tern 412,moss,52,40,18,54,,full_rim\n"
    digest = plan(cast, text).digest
    catalogue.change_frame(
        actor=cast.manager, frame=cast.frame, read=catalogue.as_read(cast.frame), values={"colour": "red"}
    )
    with pytest.raises(Conflict):
        import_frames(actor=cast.manager, group=cast.group, text=text, digest=digest)


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("X,Q,M,,abc,38,18,,,\n", (2, "a")),
        ("X,Q,M,,,38,18,,,\n", (2, "a")),
        ("X,Q,M,,50,38,18,40,,\n", (2, "ed")),
        ("X,Q,M,,50,38,18,,,glued\n", (2, "mount")),
        ("two words,Q,M,,50,38,18,,,\n", (2, "code")),
        (",Q,M,,50,38,18,,,\n", (2, "code")),
        ("X,=1+1,M,,50,38,18,,,\n", (2, "maker")),
        ('X,"@SUM(A1)",M,,50,38,18,,,\n', (2, "maker")),
        ("X,,M,,50,38,18,,,\n", (2, "maker")),
        ("X,Q,M,,50,38,18,,,,extra,cells\n", (2, "")),
        ("X,Q,M,,٥٠,38,18,,,\n", (2, "a")),
        ("X,Q,M,,1e9,38,18,,,\n", (2, "a")),
    ],
)
def test_a_fault_names_line_and_column(cast, line, fault):
    assert faults(cast, HEAD + line) == [fault]


def test_a_code_that_is_there_twice_is_a_fault(cast):
    assert faults(cast, HEAD + LINE + "\n" + LINE) == [(4, "code")]


def test_an_outline_has_to_fit_the_stated_box(cast):
    radii = " ".join(f"{r:.2f}" for r in outline_for(54, 38, None, "quadra"))
    head = "code,maker,model,a,b,dbl,outline\n"
    assert faults(cast, head + f"X,Q,M,50,38,18,{radii}\n") == [(2, "outline")]
    assert faults(cast, head + f"X,Q,M,54,38,18,{radii}\n") == []
    assert faults(cast, head + "X,Q,M,54,38,18,1 2 x\n") == [(2, "outline")]
    assert faults(cast, head + "X,Q,M,54,38,18,nan nan\n") == [(2, "outline")]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_comma_semicolon_and_tab_are_understood(cast, mark):
    assert [each.code for each in plan(cast, (HEAD + LINE).replace(",", mark)).new] == ["NEW-1"]


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\n\n",
        b"code,maker\nX,Q\n",  # columns missing
        b"code,code,maker,model,a,b,dbl\n",  # a column twice
        "code,maker,model,a,b,dbl\nX,Müller,M,50,38,18\n".encode("latin-1"),
        b"PK\x03\x04rest of a workbook or of a zip bomb",
        b"\xd0\xcf\x11\xe0 an old workbook",
        b"code,maker,model,a,b,dbl\nX,\x00,M,50,38,18\n",
        b"code,maker,model,a,b,dbl\n" + b"x" * 1_000_000,
        b"x" * (frame_table.MOST_BYTES + 1),
        b'code,maker,model,a,b,dbl\n"X,Q,M,50,38,18\n',  # a quote that never closes
        b"code,maker,model,a,b,dbl\n" + b"X,Q,M,50,38,18\n" * (frame_table.MOST_LINES + 1),
    ],
)
def test_damaged_files_end_in_a_sentence(cast, data):
    with pytest.raises(Unreadable) as caught:
        plan(cast, text_of(data))
    assert str(caught.value).endswith(".")


# --- pages ------------------------------------------------------------------------------------------------------------


def test_export_is_what_the_search_found(cast, client):
    FrameFactory(group=cast.group, code="BIG", model="Eider 500", a=58)
    FrameFactory(code="ELSEWHERE")
    client.force_login(cast.trainee)
    answer = client.get("/frames/table.csv", {"a_least": "55"})
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode())))
    assert [r["code"] for r in rows] == ["BIG"]
    assert answer["Content-Disposition"] == 'attachment; filename="frames.csv"'


def test_import_is_previewed_then_done(cast, client):
    client.force_login(cast.supervisor)
    assert client.get("/frames/import").status_code == 403
    client.force_login(cast.manager)
    file = SimpleUploadedFile("frames.csv", ("\ufeff" + HEAD + LINE).encode())
    shown = client.post("/frames/import", {"file": file})
    assert "1 new, 0 changed" in shown.text
    assert not CatalogueFrame.objects.filter(code="NEW-1").exists()
    held, digest = (re.search(f'name="{n}" value="([^"]+)"', shown.text).group(1) for n in ("held", "digest"))
    altered = client.post("/frames/import", {"deed": "import", "held": held[:-2] + "xx", "digest": digest})
    assert "Choose the file again" in altered.text
    done = client.post("/frames/import", {"deed": "import", "held": held, "digest": digest})
    assert done.status_code == 302
    assert CatalogueFrame.objects.filter(code="NEW-1", group=cast.group).exists()


def test_faulty_lines_can_be_taken_away_and_mended(cast, client):
    client.force_login(cast.manager)
    text = HEAD + LINE + "NEW-2,Quaylight,<b>x</b>,moss,abc,38,18,,quadra,full_rim\n"
    shown = client.post("/frames/import", {"file": SimpleUploadedFile("f.csv", text.encode())})
    assert 'value="import"' not in shown.text
    assert "<b>x</b>" not in shown.text
    held = re.search('name="held" value="([^"]+)"', shown.text).group(1)
    rows = list(csv.DictReader(io.StringIO(client.post("/frames/import", {"deed": "faults", "held": held}).text)))
    assert [r["code"] for r in rows] == ["NEW-2"]
    assert rows[0]["what is wrong"].startswith("model: ")
    mended = "".join(f"{','.join(list(r.values())[:-1])}\n" for r in rows).replace("abc", "50").replace("<b>x</b>", "x")
    assert not plan(cast, HEAD + mended).faults


def test_a_file_that_cannot_be_read_says_why(cast, client):
    client.force_login(cast.manager)
    assert "Choose a file." in client.post("/frames/import").text
    workbook = SimpleUploadedFile("f.xlsx", b"PK\x03\x04")
    assert "Save it as CSV" in client.post("/frames/import", {"file": workbook}).text
