"""Catalogues from files: there and back, looked at before it is done, undone; damaged files end in a plain sentence and change nothing."""

from __future__ import annotations

import csv
import io
import tracemalloc
import zipfile
from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.utils import timezone
from openpyxl import Workbook, load_workbook

from dispensing import catalogue, stock
from dispensing.imports import export, jobs, undo
from dispensing.imports.cells import as_meant, harmless
from dispensing.imports.files import MOST_BYTES, MOST_LINES, Formula, Unreadable, lines_of
from dispensing.imports.kinds import KINDS, guess
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, ImportJob, LensOption, Treatment
from dispensing.optics.boxing import box
from dispensing.optics.outlines import outline_for
from dispensing.signals import catalogue_changed
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.factories import FrameFactory, MaterialFactory

HEAD = "code,maker,model,colour,a,b,dbl,ed,shape,mount\n"
LINE = "NEW-1,Quaylight,Knot 9,moss,50,38,18,,quadra,full_rim\n"


def start(cast, data, kind="frames", actor=None):
    file = io.BytesIO(data.encode() if isinstance(data, str) else data)
    return jobs.start_import(actor=actor or cast.manager, group=cast.group, kind=kind, file=file, file_name="f.csv")


def checked(cast, data, kind="frames", extent="file", key_by=None, mapping=None):
    job = start(cast, data, kind)
    job = jobs.name_columns(
        actor=cast.manager, job=job, mapping=mapping or job.mapping, key_by=key_by or job.key_by, extent=extent
    )
    jobs.work(job=job)
    job.refresh_from_db()
    assert job.state == "checked"
    return job


def done(cast, data, **kw):
    job = jobs.carry_out(actor=cast.manager, job=checked(cast, data, **kw))
    jobs.work(job=job)
    job.refresh_from_db()
    return job


def counts(job):
    return (job.new, job.changed, job.same, job.faulty)


def faults(job):
    return [(line.number, *f) for line in job.lines.filter(state="fault") for f in line.faults]


def book(rows):
    out = io.BytesIO()
    written = Workbook()
    for row in rows:
        written.active.append(row)
    written.save(out)
    return out.getvalue()


# --- there and back ---------------------------------------------------------------------------------------------------


def test_what_is_written_reads_back_as_the_same(cast):
    cast.frame.delete()
    radii = [round(r, 2) for r in outline_for(52, 40, 57, "contour")]
    FrameFactory(
        group=cast.group, code="A1", colour="-5 °C", material="'=odd", shape="contour", ed=Decimal("57"), outline=radii
    )
    FrameFactory(group=cast.group, code="A2", colour="@home", gtin="4006381333931", mount="drilled", child=True, ed=None)
    FrameFactory(group=cast.group, code="0042", colour="=1+1", valid_from=date(2026, 1, 31))
    kind = KINDS["frames"]
    text = "".join(export.csv_lines(export.rows_of(kind, kind.all(cast.group))))
    assert ",'-5 °C," in text
    assert ",'=1+1," in text
    assert counts(checked(cast, text)) == (0, 0, 3, 0)
    with export.workbook(export.rows_of(kind, kind.all(cast.group))) as file:
        data = file.read()
    assert counts(checked(cast, data)) == (0, 0, 3, 0)
    cells = {c.value: c.data_type for row in load_workbook(io.BytesIO(data)).active.iter_rows() for c in row}
    assert cells["'=1+1"] == "s"
    assert cells["0042"] == "s"  # text: the noughts stay


@pytest.mark.parametrize("text", ["=a", "+a", "-a", "@a", "\ta", "'=a", "''-", "'", "-5", "a=b", "−3", "+3.5"])
def test_harmless_text_reads_back_as_it_was(text):
    assert as_meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "@", "\t"))


def test_designs_and_options_there_and_back(cast):
    Treatment.objects.create(group=cast.group, code="AR", kind="coating", name="anti-reflection")
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(
        treatment_codes=["AR"], lab_codes=["TIDE"], lead_days=4, price_band="C", near_inset_rule="computed"
    )
    LensOption.objects.filter(pk=cast.option.pk).update(
        base_curves=[{"from": "-8", "to": "-4", "curve": "2"}],
        diameter_ranges=[{"diameter": "65", "from": "-12", "to": "8", "cylinder": "6"}],
    )
    for name in ("lenses", "options"):
        kind = KINDS[name]
        job = checked(cast, "".join(export.csv_lines(export.rows_of(kind, kind.all(cast.group)))), kind=name)
        assert counts(job) == (0, 0, 2, 0), faults(job)


def test_a_design_and_its_option_are_imported_with_their_trade_words(cast):
    MaterialFactory(group=cast.group, code="M167")
    text = "SKU;Brand;Design name;Type;Corridor length;MFH;Min add;Max add;Labs\nNEW13;Fellwater;Ridgeway 13;varifocal;13;17;0.75;3,5;TIDE\n"
    assert counts(done(cast, text, kind="lenses")) == (1, 0, 0, 0)
    lens = CatalogueLens.objects.get(code="NEW13")
    assert (lens.family, lens.add_max, lens.lab_codes) == ("progressive", Decimal("3.5"), ["TIDE"])
    head = "lens,material,sphere_min,sphere_max,blank_diameters,diameter_ranges\n"
    job = done(cast, head + "NEW13,M167,-10,6,75 65,65: -10 to 6 cyl 4\n", kind="options")
    assert counts(job) == (1, 0, 0, 0)
    assert LensOption.objects.get(lens=lens).blank_diameters == [65, 75]
    bad = checked(cast, head + "NOWHERE,M167,-10,6,65,\nNEW13,M167,10,-6,65,80: -1 to 1\n", kind="options")
    assert [f[:2] for f in faults(bad)] == [(2, "lens"), (3, "sphere_max"), (3, "diameter_ranges")]
    unknown = checked(cast, "code,maker,name,family,coatings\nX,Q,N,single vision,NOPE\n", kind="lenses")
    assert [f[:2] for f in faults(unknown)] == [(2, "treatment_codes")]


# --- what a line does -------------------------------------------------------------------------------------------------


def test_new_and_changed_frames_with_their_trace(cast):
    old = cast.frame
    text = HEAD + LINE + f"{old.code},{old.maker},{old.model},moss,52,40,18,54,,full_rim\n"
    job = checked(cast, text)
    assert counts(job) == (1, 1, 0, 0)
    line = job.lines.get(state="changed")
    assert (line.before, line.after) == ({"colour": "horn"}, {"colour": "moss"})
    assert CatalogueFrame.objects.count() == 1  # a check changes nothing
    job = jobs.carry_out(actor=cast.manager, job=job)
    call_command("work_imports", verbosity=0)
    job.refresh_from_db()
    assert job.state == "done"
    row = CatalogueFrame.objects.get(code="NEW-1")
    shape = box(row.outline)  # drawn from its shape, to fit its box
    assert (shape.a, shape.b) == pytest.approx((50, 38), abs=0.05)
    old.refresh_from_db()
    assert (old.colour, old.side) == ("moss", Decimal("145"))  # a column that is not there leaves things as they were
    event = AuditEvent.objects.get(action="catalogue.imported")
    assert (event.after["new"], event.after["changed"], event.actor) == (1, 1, cast.manager)
    assert len(event.after["lines_sha256"]) == 64
    assert counts(checked(cast, text)) == (0, 0, 2, 0)


@pytest.mark.parametrize("key_by", ["gtin", "model"])
def test_a_line_finds_its_frame_by_number_or_by_model_size_and_colour(cast, key_by):
    CatalogueFrame.objects.filter(pk=cast.frame.pk).update(gtin="4006381333931")
    head = "brand,style name,colour,eye size,b,bridge,ean,temple\n"
    line = f"Quaylight,{cast.frame.model},horn,52.0,40,18,4006381333931,150\n"
    new = "Quaylight,Knot 9,sea blue,50,38,18,2004417000019,140\n"
    job = done(cast, head + line + new, key_by=key_by)
    assert counts(job) == (1, 1, 0, 0)
    cast.frame.refresh_from_db()
    assert cast.frame.side == Decimal(150)
    made = CatalogueFrame.objects.exclude(pk=cast.frame.pk).get()
    assert made.code == ("2004417000019" if key_by == "gtin" else "KNOT-9-50-SEA-BLUE")
    FrameFactory(group=cast.group, model=cast.frame.model, gtin="4006381333931")
    assert "2 of the catalogue are meant" in faults(checked(cast, head + line, key_by=key_by))[0][2]


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("X,Q,M,,abc,38,18,,,\n", (2, "a")),
        ("X,Q,M,,,38,18,,,\n", (2, "a")),
        ("X,Q,M,,50,38,18,40,,\n", (2, "ed")),
        ("X,Q,M,,50,38,18,,,glued\n", (2, "mount")),
        ("two words,Q,M,,50,38,18,,,\n", (2, "code")),
        (",Q,M,,50,38,18,,,\n", (2, "")),
        ("X,=1+1,M,,50,38,18,,,\n", (2, "maker")),
        ('X,"@SUM(A1)",M,,50,38,18,,,\n', (2, "maker")),
        ("X,,M,,50,38,18,,,\n", (2, "maker")),
        ("X,Q,M,,50,38,18,,,,extra,cells\n", (2, "")),
        ("X,Q,M,,٥٠,38,18,,,\n", (2, "a")),
        ("X,Q,M,,1e9,38,18,,,\n", (2, "a")),
        (LINE + "\n" + LINE, (4, "")),  # the same code twice; empty lines count
    ],
)
def test_a_fault_names_line_and_column(cast, line, fault):
    assert [f[:2] for f in faults(checked(cast, HEAD + line))] == [fault]


def test_all_that_is_wrong_with_a_line_is_said_at_once(cast):
    assert {f[:2] for f in faults(checked(cast, HEAD + "X,Q,,,abc,38,,,,glued\n"))} == {
        (2, name) for name in ("model", "a", "dbl", "mount")
    }


def test_check_digits_outlines_and_dates(cast):
    radii = " ".join(f"{r:.2f}" for r in outline_for(54, 38, None, "quadra"))
    head = "code,maker,model,a,b,dbl,outline,gtin,valid_from,valid_until\n"
    job = checked(
        cast,
        head
        + f"A,Q,M,50,38,18,{radii},,,\n"
        + f"B,Q,M,54,38,18,{radii},4006381333931,2026-01-01,2027-01-01\n"
        + "C,Q,M,54,38,18,1 2 x,,,\n"
        + "D,Q,M,54,38,18,nan nan,,,\n"
        + "E,Q,M,54,38,18,,4006381333932,,\n"
        + "F,Q,M,54,38,18,,,03/04/2026,\n"
        + "G,Q,M,54,38,18,,,2026-02-01,2026-01-01\n",
    )
    assert [f[:2] for f in faults(job)] == [
        (2, "outline"),
        (4, "outline"),
        (5, "outline"),
        (6, "gtin"),
        (7, "valid_from"),
        (8, "valid_until"),
    ]
    assert job.new == 1


def test_all_lines_or_none_and_each_by_itself(cast):
    text = HEAD + LINE + "NEW-2,Quaylight,Knot 9,moss,5000,38,18,,quadra,full_rim\n"
    job = checked(cast, text)
    with pytest.raises(Refused):
        jobs.carry_out(actor=cast.manager, job=job)
    assert CatalogueFrame.objects.count() == 1
    job = done(cast, text, extent="line")
    assert (job.state, counts(job), job.put) == ("done", (1, 0, 0, 1), 1)
    assert CatalogueFrame.objects.filter(code="NEW-1").exists()
    rows = list(csv.reader(io.StringIO("".join(export.csv_lines(export.lines_to_mend(job))))))
    assert rows[1][0] == "NEW-2"
    assert rows[1][-1].startswith("a: ")
    mended = "".join(",".join(row).removeprefix("\ufeff") + "\n" for row in rows).replace("5000", "50")
    assert counts(done(cast, mended)) == (1, 0, 0, 0)  # what is wrong is a column that is left out


def test_a_catalogue_that_changed_since_the_check_is_not_overwritten(cast):
    text = HEAD + LINE + f"{cast.frame.code},Quaylight,Tern 412,moss,52,40,18,54,,full_rim\n"
    jobs_of = {extent: checked(cast, text, extent=extent) for extent in ("file", "line")}
    catalogue.change_frame(
        actor=cast.manager, frame=cast.frame, read=catalogue.as_read(cast.frame), values={"colour": "red"}
    )
    for extent, job in jobs_of.items():
        jobs.work(job=jobs.carry_out(actor=cast.manager, job=job))
        job.refresh_from_db()
        if extent == "file":
            assert job.state == "checked"
            assert "changed by somebody else" in job.trouble
            assert not CatalogueFrame.objects.filter(code="NEW-1").exists()
        else:
            assert (job.state, job.put, job.faulty) == ("done", 1, 1)
    cast.frame.refresh_from_db()
    assert cast.frame.colour == "red"


def test_only_a_manager_of_the_group_imports(cast):
    for who in ("trainee", "supervisor", "foreigner"):
        with pytest.raises(NotAllowed):
            start(cast, HEAD + LINE, actor=getattr(cast, who))
    job = checked(cast, HEAD + LINE)
    for deed in (jobs.carry_out, undo.undo, jobs.drop):
        with pytest.raises(NotAllowed):
            deed(actor=cast.supervisor, job=job)
    jobs.drop(actor=cast.manager, job=job)
    assert not job.lines.exists()


def test_names_of_columns_are_guessed_corrected_and_remembered(cast):
    head = "Ref No,Brand,Style,Eye size (mm),B,Bridge\n"
    job = start(cast, head + "Z-1,Quaylight,Knot,50,38,18\n")
    assert job.mapping == ["", "maker", "model", "a", "b", "dbl"]
    with pytest.raises(Invalid) as caught:
        jobs.name_columns(actor=cast.manager, job=job, mapping=["", *job.mapping[1:-1], "b"], key_by="code", extent="file")
    assert set(caught.value.errors) == {"column-5", "key_by"}
    jobs.name_columns(actor=cast.manager, job=job, mapping=["code", *job.mapping[1:]], key_by="code", extent="line")
    assert start(cast, head + "Z-2,Quaylight,Knot,50,38,18\n").mapping[0] == "code"
    assert guess(KINDS["frames"], ["ean", "EAN"], {}) == ["gtin", ""]


# --- undoing ----------------------------------------------------------------------------------------------------------


def test_the_last_import_is_undone_and_tells_those_above(cast, django_capture_on_commit_callbacks):
    told = []

    def hear(sender, **news):
        told.append((news["item"].code, news["before"], news["after"]))

    Dispense.objects.create(
        group=cast.group, branch=cast.branch, client=cast.client, dispenser=cast.dispenser, frame_item=cast.frame
    )
    catalogue_changed.connect(hear)
    try:
        first = done(cast, HEAD + f"{cast.frame.code},Quaylight,Tern 412,horn,52,40,19,54,,full_rim\n" + LINE)
        second = done(cast, HEAD + "NEW-2,Quaylight,Knot 9,moss,50,38,18,,quadra,full_rim\n")
        with pytest.raises(Refused, match="later import"):
            undo.undo(actor=cast.manager, job=first)
        undo.undo(actor=cast.manager, job=second)
        undo.undo(actor=cast.manager, job=first)
    finally:
        catalogue_changed.disconnect(hear)
    assert [(float(t[1]["dbl"]), float(t[2]["dbl"])) for t in told] == [(18, 19), (19, 18)]
    assert list(CatalogueFrame.objects.values_list("code", "dbl")) == [(cast.frame.code, Decimal(18))]
    assert AuditEvent.objects.filter(action="catalogue.import_undone").count() == 2
    with pytest.raises(Refused):
        undo.undo(actor=cast.manager, job=first)


def test_what_was_built_upon_is_not_undone_and_is_named(cast):
    job = done(cast, HEAD + "".join(LINE.replace("NEW-1", f"NEW-{n}") for n in range(1, 5)))
    made = {f.code: f for f in CatalogueFrame.objects.filter(code__startswith="NEW-")}
    Dispense.objects.create(
        group=cast.group, branch=cast.branch, client=cast.client, dispenser=cast.dispenser, frame_item=made["NEW-1"]
    )
    stock.set_stock(actor=cast.dispenser, frame=made["NEW-2"], counts={cast.branch: 3})
    catalogue.change_frame(
        actor=cast.manager, frame=made["NEW-3"], read=catalogue.as_read(made["NEW-3"]), values={"colour": "red"}
    )
    said = undo.hindrances(job)
    assert [s.split()[0] for s in said] == ["NEW-1", "NEW-2", "NEW-3"]
    assert "chosen in D-" in said[0]
    with pytest.raises(Refused):
        undo.undo(actor=cast.manager, job=job)
    assert CatalogueFrame.objects.count() == 5


# --- damaged files ----------------------------------------------------------------------------------------------------


class Endless(io.RawIOBase):
    """A gigabyte without the end of a line, made as it is asked for."""

    def __init__(self, size, start=b""):
        self.size, self.at, self.first = size, 0, start

    def seek(self, at, whence=0):
        self.at = at
        return at

    def read(self, count=-1):
        count = min(count, self.size - self.at)
        head = self.first[self.at : self.at + count]
        self.at += count
        return head + b"x" * (count - len(head))


def zipped(parts, cut=0):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
    return out.getvalue()[: -cut or None]


GOOD = book([HEAD.strip().split(","), ["X", "Q", "M", "", 50, 38, 18]])


def with_part(name, data):
    out = io.BytesIO(GOOD)
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(name, data)
    return out.getvalue()


def replaced(old, new):
    source = zipfile.ZipFile(io.BytesIO(GOOD))
    return zipped({n: source.read(n).replace(old, new) for n in source.namelist()})


def marked(flags=0, method=zipfile.ZIP_DEFLATED):
    """The good workbook, each part said to be packed by this method and with these flags, in both its headers."""
    out = bytearray(GOOD)
    for mark, at in (
        (b"PK\x03\x04", 6),
        (b"PK\x01\x02", 8),
    ):  # APPNOTE.TXT 4.3.7 and 4.3.12: flags, then method, two bytes each
        found = out.find(mark)
        while found >= 0:
            out[found + at : found + at + 4] = flags.to_bytes(2, "little") + method.to_bytes(2, "little")
            found = out.find(mark, found + 4)
    return bytes(out)


def spoiled():
    """The first part of the good workbook with its packed bytes overwritten: its headers are whole, what they lead to is not."""
    packed = zipfile.ZipFile(io.BytesIO(GOOD))
    first = next(p for p in packed.infolist() if p.filename.endswith(".xml"))
    out = bytearray(GOOD)
    start = first.header_offset + 30 + len(first.filename)
    out[start : start + first.compress_size] = b"\xff" * first.compress_size
    return bytes(out)


DAMAGED = {
    "a part packed by an unknown method": marked(method=99),
    "a locked workbook": marked(flags=1),
    "a spoiled part": spoiled(),
    "empty": b"",
    "blank lines": b"\n\n",
    "only a heading": HEAD.encode(),
    "latin-1": HEAD.encode() + "X,Müller,M,,50,38,18\n".encode("latin-1"),
    "utf-16": (HEAD + LINE).encode("utf-16"),
    "nul": HEAD.encode() + b"X,\x00,M,,50,38,18\n",
    "binary junk": bytes(range(256)) * 40,
    "an old workbook": b"\xd0\xcf\x11\xe0 and more",
    "a quote that never closes": HEAD.encode() + b'"X,Q,M,50,38,18\n' * 9000,
    "a long line": HEAD.encode() + b"x" * 1_000_000,
    "too many lines": HEAD.encode() + b"X,Q,M,,50,38,18\n" * (MOST_LINES + 1),
    "too many columns": HEAD.encode() + b"," * 500 + b"x\n",
    "a zip that is no workbook": zipped({"a.txt": b"x"}),
    "a truncated workbook": GOOD[: len(GOOD) // 2],
    "a workbook with junk for a sheet": replaced(b"<sheetData>", b"<sheetData><<<"),
    "a zip bomb": with_part("xl/worksheets/sheet9.xml", b"0" * 60_000_000),
    "a bomb of strings": with_part("xl/media/strings.dat", b"0123456789abcdefghij" * 2_000_000),
    "many parts": zipped({f"xl/{n}.xml": b"<x/>" for n in range(400)}),
    "macros": with_part("xl/vbaProject.bin", b"x"),
    "a document type": replaced(b"<worksheet ", b"<!DOCTYPE x [<!ENTITY a 'b'>]><worksheet "),
    "a document type further on": replaced(
        b"<worksheet ", b"<!--" + b" " * 200_000 + b"--><!DOCTYPE x [<!ENTITY a 'b'>]><worksheet "
    ),
    "one line over many": HEAD.encode() + b'"X\n",' * 200_000,
    "a formula for a heading": book([["=A2", "maker"], ["X", "Q"]]),
}

SAID = {  # each is refused for what is wrong with it, not for something else
    "a part packed by an unknown method": "is damaged",
    "a locked workbook": "locked with a password",
    "a spoiled part": "is damaged",
    "empty": "is empty",
    "blank lines": "is empty",
    "only a heading": "a heading and no lines",
    "latin-1": "not UTF-8 (near byte",
    "utf-16": "is UTF-16",
    "nul": "not a table of text",
    "binary junk": "not UTF-8 (near byte",
    "an old workbook": "old binary kind",
    "a quote that never closes": "Line 2: ",
    "a long line": "longer than 64,000 characters",
    "too many lines": "More than 100,000 lines",
    "too many columns": "Line 2 has more than 120 columns",
    "a zip that is no workbook": "not a workbook",
    "a truncated workbook": "is damaged",
    "a workbook with junk for a sheet": "is damaged",
    "a zip bomb": "packed more tightly",
    "a bomb of strings": "packed more tightly",
    "many parts": "more than 300 parts",
    "macros": "macros or other programs",
    "a document type": "declares a document type",
    "a document type further on": "is damaged",
    "one line over many": "longer than 64,000 characters",
    "a formula for a heading": "it holds a formula",
}


@pytest.mark.parametrize("name", DAMAGED)
def test_damaged_files_end_in_a_sentence_and_change_nothing(cast, name):
    with pytest.raises(Unreadable) as caught:
        start(cast, DAMAGED[name])
    assert SAID[name] in str(caught.value)
    assert str(caught.value).endswith(".")
    assert not ImportJob.objects.exists()


def test_a_line_of_a_gigabyte_is_refused_without_holding_it():
    for head in (b"", HEAD.encode()):
        tracemalloc.start()
        with pytest.raises(Unreadable, match="A line is longer"):
            list(lines_of(Endless(1_000_000_000, head)))
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 2_000_000
    short_lines = Endless(MOST_BYTES + 10)
    short_lines.read = lambda count=-1: b"x\n" * (count // 2)  # type: ignore[method-assign]
    with pytest.raises(Unreadable, match=r"More than|larger than"):
        for _ in lines_of(short_lines):
            pass


def test_a_line_over_many_lines_is_refused_without_holding_it():
    start = HEAD.encode()

    class Quoted(Endless):
        def read(self, count=-1):
            head = start if not self.at else b""
            self.at += count
            return head + b'"X\n",' * (count // 5 if self.at < self.size else 0)

    tracemalloc.start()
    with pytest.raises(Unreadable, match="A line is longer"):
        list(lines_of(Quoted(4_000_000)))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 4_000_000


def test_only_a_line_feed_ends_a_line(cast):
    # the last line has none, and its words hold what other programs take for one
    job = checked(cast, HEAD + "X,Q,Knot\u2028 9,,50,38,18,,,")
    assert [f[:2] for f in faults(job)] == [(2, "model")]


def test_semicolons_decimal_commas_and_the_mark_of_a_spreadsheet(cast):
    done(cast, "\ufeff" + HEAD.replace(",", ";") + "X;Q;M;;52,5;38;18;;;\n")
    assert CatalogueFrame.objects.get(code="X").a == Decimal("52.5")


def test_a_name_that_a_workbook_has_made_a_date_is_named_by_its_cell(cast):
    # MAR-12 and 1-2 become dates when they are typed into a spreadsheet (common practice)
    head = [*HEAD.strip().split(","), "valid_from"]
    rows = [
        head,
        ["X", "Q", date(2026, 3, 12), "", 50, 38, 18, None, None, None, date(2026, 1, 1)],
        [datetime(2026, 2, 1), "Q", "M", "", 50, 38, 18],
        ["Z", "Q", "M", "", 50, 38, 18, None, None, None, datetime(2026, 1, 1)],
    ]
    job = checked(cast, book(rows))
    assert faults(job) == [
        (2, "model", "Cell C2 holds a date; make it text there."),
        (3, "code", "Cell A3 holds a date; make it text there."),
    ]
    assert job.lines.get(state="new").after["valid_from"] == "2026-01-01"
    assert job.sample[0][2] == "2026-03-12"
    assert list(export.lines_to_mend(job))[1][2] == "2026-03-12"
    # the release before knows formulas by this name alone, and may be the one that checks the lines
    (chunk,) = job.chunks.all()
    assert [c["formula"] for _, cells in chunk.rows for c in cells if isinstance(c, dict)] == ["C2", "K2", "A3", "K4"]


def test_what_cannot_be_empty_is_not_made_up(cast):
    CatalogueFrame.objects.filter(pk=cast.frame.pk).update(mount="drilled")
    text = HEAD + f"{cast.frame.code},Quaylight,Tern 412,moss,52,40,18,54,,\n"
    done(cast, text)
    cast.frame.refresh_from_db()
    assert (cast.frame.mount, cast.frame.colour) == ("drilled", "moss")
    lenses = checked(cast, "code,maker,name,family\nL-1,Q,Plain,\n", kind="lenses")
    assert [f[:2] for f in faults(lenses)] == [(2, "family")]


def test_a_bar_in_a_name_does_not_hide_a_frame(cast):
    CatalogueFrame.objects.filter(pk=cast.frame.pk).update(maker="Quay|light")
    text = "maker,model,colour,a,b,dbl,side\n" + f"Quay|light,{cast.frame.model},horn,52,40,18,150\n"
    assert counts(checked(cast, text, key_by="model")) == (0, 1, 0, 0)


def test_an_outline_is_written_as_it_is_kept(cast):
    radii = [25.123456789 + 0.001 * (k % 3) for k in range(72)]
    done(cast, HEAD.strip() + ",outline\nX,Q,M,,50.2,50.2,18,,,," + " ".join(map(repr, radii)) + "\n")
    frame = CatalogueFrame.objects.get(code="X")
    again = "".join(export.csv_lines(export.rows_of(KINDS["frames"], [frame])))
    assert counts(checked(cast, again)) == (0, 0, 1, 0)


def test_a_heading_is_no_formula_in_the_lines_to_mend(cast):
    job = start(cast, "code,maker,model,=1+1,b,dbl\nX,Q,M,abc,38,18\n")
    job = checked(
        cast, "code,maker,model,=1+1,b,dbl\nX,Q,M,abc,38,18\n", mapping=["code", "maker", "model", "a", "b", "dbl"]
    )
    for row in export.lines_to_mend(job):
        assert not [cell for cell in row if cell.startswith(("=", "+", "-", "@"))]


class Meanwhile:
    """Somebody else's deed right after the first question that begins with `asked`."""

    def __init__(self, asked, deed):
        self.asked, self.deed = asked, deed

    def __call__(self, execute, sql, params, many, context):
        out = execute(sql, params, many, context)
        if self.deed and sql.startswith("SELECT") and self.asked in sql:
            deed, self.deed = self.deed, None
            deed()
        return out


def test_an_import_carried_out_meanwhile_is_not_dropped_as_old(cast):
    job = checked(cast, HEAD + LINE)
    ImportJob.objects.filter(pk=job.pk).update(started_at=timezone.now() - timedelta(days=8))
    meanwhile = Meanwhile("dispensing_importjob", lambda: ImportJob.objects.filter(pk=job.pk).update(state="done"))
    with connection.execute_wrapper(meanwhile):
        assert jobs.drop_old() == 0
    job.refresh_from_db()
    assert (job.state, job.lines.count()) == ("done", 1)
    ImportJob.objects.filter(pk=job.pk).update(state="checked")
    assert jobs.drop_old() == 1


def test_a_change_made_while_an_import_is_undone_is_not_overwritten(cast):
    job = done(cast, HEAD + f"{cast.frame.code},Quaylight,Tern 412,horn,52,40,19,54,,full_rim\n")
    frames = CatalogueFrame.objects.filter(pk=cast.frame.pk)
    meanwhile = Meanwhile("dispensing_catalogueframe", lambda: frames.update(dbl=20))
    with connection.execute_wrapper(meanwhile), pytest.raises(Refused, match="changed since"):
        undo.undo(actor=cast.manager, job=job)


def test_missing_columns_are_asked_for_and_formulas_named_by_their_cell(cast):
    job = start(cast, "code,maker\nX,Q\n")
    with pytest.raises(Invalid, match="another look") as caught:
        jobs.name_columns(actor=cast.manager, job=job, mapping=job.mapping, key_by="code", extent="file")
    assert "Boxed width a" in caught.value.errors["key_by"]
    rows = [HEAD.strip().split(","), ["X", "Q", "M", "", "=25*2", 38, 18], ["Y", "Q", "M", "", 50.0, 38, 18]]
    job = checked(cast, book(rows))
    assert faults(job) == [(2, "a", "Cell E2 holds a formula; put its value there.")]
    assert job.new == 1
    assert Formula("E2") in list(lines_of(io.BytesIO(book(rows))))[1][1]


def test_powers_by_diameter_decide_which_blanks_there_are(cast):
    from dispensing import gather
    from dispensing.case import PrescribedLens, Prescription

    cast.option.diameter_ranges = KINDS["options"].by_name["diameter_ranges"].reader("65: -12 to 8 cyl 4; 75: -6 to 4")
    choice = gather.lens_choice_of(cast.option, mount="full_rim", coating=None, tint=None)

    def blanks(sphere, cylinder=0.0):
        eye = PrescribedLens(sphere=sphere, cylinder=cylinder, axis=90.0)
        design = gather.narrowed(choice, cast.option, Prescription(right=eye, left=PrescribedLens(sphere=-1.0))).design
        return design.blank_diameters, design.sphere_min, design.sphere_max

    assert blanks(-2.0) == ((65.0, 70.0, 75.0), -12.0, 8.0)
    assert blanks(-7.0)[0] == (65.0, 70.0)  # 70 states nothing: it is made like the others
    assert blanks(-2.0, -5.0)[0] == (70.0, 75.0)
    cast.option.blank_diameters = choice.design.blank_diameters[:1]
    only = gather.lens_choice_of(cast.option, mount="full_rim", coating=None, tint=None)
    far = gather.narrowed(only, cast.option, Prescription(right=PrescribedLens(sphere=-13.0))).design
    assert (far.sphere_min, far.sphere_max) == (-12.0, 8.0)


# --- pages ------------------------------------------------------------------------------------------------------------


def test_export_is_what_the_search_found(cast, client):
    FrameFactory(group=cast.group, code="BIG", model="Eider 500", a=58)
    FrameFactory(code="ELSEWHERE")
    client.force_login(cast.trainee)
    answer = client.get("/catalogue/frames.csv", {"a_least": "55"})
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert [r["code"] for r in rows] == ["BIG"]
    assert answer["Content-Disposition"] == 'attachment; filename="frames.csv"'
    book_ = b"".join(client.get("/catalogue/options.xlsx").streaming_content)
    assert load_workbook(io.BytesIO(book_)).active.max_row == 3
    assert client.get("/catalogue/nothing.csv").status_code == 404


def test_the_pages_from_file_to_undone(cast, client):
    client.force_login(cast.manager)
    file = SimpleUploadedFile("frames<b>.csv", (HEAD + LINE + "NEW-2,Q,<b>x</b>,moss,abc,38,18,,,\n").encode())
    page = client.post("/catalogue/imports/", {"kind": "frames", "file": file}, follow=True)
    at = page.redirect_chain[0][0]
    assert "Which column is which" in page.text
    job = ImportJob.objects.get()
    columns = {f"column-{n}": name for n, name in enumerate(job.mapping)}
    wrong = client.post(at, {"deed": "columns", **columns, "column-1": "code", "key_by": "code", "extent": "file"})
    assert "Another column is that already." in wrong.text
    running = client.post(at, {"deed": "columns", **columns, "key_by": "code", "extent": "line"}, follow=True)
    assert "hx-post" in running.text
    stepped = client.post(at + "step", headers={"HX-Request": "true"})
    assert stepped["HX-Redirect"].endswith(at)
    page = client.get(at)
    assert "Save the wrong lines" in page.text
    assert "<b>x</b>" not in page.text
    mended = b"".join(client.get(at + "lines.csv").streaming_content).decode("utf-8-sig")
    assert mended.splitlines()[1].startswith("NEW-2,Q,<b>x</b>")
    client.post(at, {"deed": "carry out"})
    client.post(at + "step")
    assert "Undo this import" in client.get(at).text
    history = client.get("/frames/NEW-1/").text
    assert "added by an import" in history
    client.post(at, {"deed": "undo"})
    assert not CatalogueFrame.objects.filter(code="NEW-1").exists()
    nothing = client.post("/catalogue/imports/", {"kind": "frames"})
    assert "Choose a file." in nothing.text
    junk = client.post("/catalogue/imports/", {"kind": "frames", "file": SimpleUploadedFile("f.xlsx", b"PK\x03\x04")})
    assert "damaged" in junk.text
