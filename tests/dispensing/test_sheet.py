"""The sheet over HTTP, without a script and with one."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta
from decimal import Decimal as D
from html import unescape
from urllib.parse import urlencode

import pytest
from django.http import QueryDict
from django.urls import reverse

from dispensing import forms, measure, record
from dispensing.figures import compute
from dispensing.figures.usual import ASSUMED_SHAPE
from dispensing.gather import case_of
from dispensing.models import Adoption, Dispense, Prescription, Reading, Treatment
from dispensing.optics.notation import format_power
from dispensing.optics.outlines import outline_for
from dispensing.web.sheet import catalogue
from practice.models import AuditEvent
from tests.dispensing.test_gather import whole
from tests.factories import FrameFactory, LensFactory, MaterialFactory, OptionFactory

FRAGMENTS = {"accept": "application/json"}


@pytest.fixture
def desk(cast, client):
    """A signed-in trainee and a whole dispense."""
    cast.dispense = whole(cast)
    client.force_login(cast.trainee)
    cast.http = client
    return cast


def url(dispense, name="sheet", *more):
    return reverse(f"dispensing:{name}", args=[dispense.reference, *more])


def version(dispense, part):
    return record.part_version(Dispense.objects.get(pk=dispense.pk), part)


def fields_of(html, part):
    """What the form of a part would send: read from the page itself, as a browser does."""
    form = re.search(rf'<form[^>]*class="sheet-form" data-part="{part}".*?</form>', html, re.S).group()
    data: dict[str, list[str]] = {}
    for tag in re.findall(r"<input[^>]*>", form):
        name = re.search(r'name="([^"]*)"', tag)
        if not name or "data-skip" in tag:
            continue
        value = re.search(r'value="([^"]*)"', tag)
        if re.search(r'type="(checkbox|radio)"', tag) and " checked" not in tag:
            continue
        data.setdefault(unescape(name[1]), []).append(unescape(value[1]) if value else "")
    for name, text in re.findall(r'<textarea[^>]*name="([^"]*)"[^>]*>\n(.*?)</textarea>', form, re.S):
        data[name] = [unescape(text)]
    for name, options in re.findall(r'<select[^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'<option value="([^"]*)"[^>]* selected', options) or re.search(
            r'<option value="([^"]*)"', options
        )
        data[name] = [unescape(chosen[1])] if chosen else [""]
    data.pop("csrfmiddlewaretoken", None)
    return data


def page(desk):
    return desk.http.get(url(desk.dispense)).content.decode()


# --- the page ---------------------------------------------------------------------------------------------------------


def test_the_page_is_whole_small_and_needs_few_queries(desk, django_assert_max_num_queries):
    desk.http.get(url(desk.dispense))  # the first opening within an hour also leaves its row in the audit trail
    with django_assert_max_num_queries(19):
        answer = desk.http.get(url(desk.dispense))
    html = answer.content.decode()
    assert answer.status_code == 200
    assert len(answer.content) < 100_000
    for part in forms.PART_NAMES:
        assert f'id="part-{part}"' in html
        for path, spec in forms.specs(part).items():
            if path in OWN_FRAME:
                continue
            assert f'name="{path}"' in html, path
            assert f'id="{spec.id}"' in html, path
    assert "<svg" in html
    assert "style=" not in html
    assert not re.search(r"<script(?![^>]*src=)", html)


def test_a_sheet_with_a_whole_catalogue_and_forty_readings_is_small_too(desk):
    """Under 100 KB as every page, whatever has been read: a catalogue of 40 designs in four materials, each with 25 treatments."""
    codes = [f"TREAT-{n}" for n in range(25)]
    for code in codes:
        Treatment.objects.create(group=desk.group, code=code, name=f"a treatment called {code}", kind="coating")
    materials = MaterialFactory.create_batch(4, group=desk.group)
    for n in range(40):
        lens = LensFactory(group=desk.group, name=f"A design with a long name {n}", treatment_codes=codes[: 24 + n % 2])
        for material in materials:
            OptionFactory(lens=lens, material=material)
    for _ in range(4):
        data = fields_of(page(desk), "readings") | {"readings.far_pd.left": ["33 32.5 33 33 32.5"]}
        data["readings.height.left"], data["readings.height_method"] = ["22 22.5 22 22 22"], ["levelled_gauge"]
        data["readings.reference"] = ["box"]
        assert desk.http.post(url(desk.dispense, "save_part", "readings"), data).status_code == 302
    html = page(desk)
    assert html.count('name="strike"') > 40
    assert len(html.encode()) < 100_000, len(html.encode())


@pytest.mark.parametrize("part", ["needs", "prescription", "frame", "fit", "lens"])
def test_sending_back_what_the_page_shows_changes_nothing(desk, part):
    """What is shown reads back as what is on record: the round trip of every field."""
    shown = fields_of(page(desk), part)
    before = AuditEvent.objects.count()
    answer = desk.http.post(url(desk.dispense, "save_part", part), shown)
    assert answer.status_code == 302
    assert AuditEvent.objects.count() == before


def test_another_groups_dispense_does_not_exist(desk):
    desk.http.force_login(desk.foreigner)
    for name, more in (("sheet", []), ("preview", []), ("save_part", ["needs"]), ("adopt", []), ("presence", [])):
        target = url(desk.dispense, name, *more)
        answer = desk.http.get(target) if name == "sheet" else desk.http.post(target)
        assert answer.status_code == 404, name
    assert desk.http.get("/dispenses/D-NONE/").status_code == 404


def test_somebody_without_a_post_here_reads_and_does_not_write(desk):
    desk.http.force_login(desk.elsewhere)
    html = page(desk)
    assert "no post at" in html
    data = fields_of(html, "needs") | {"needs.wish": ["mine"]}
    answer = desk.http.post(url(desk.dispense, "save_part", "needs"), data)
    assert answer.status_code == 403
    assert Dispense.objects.get().wish == ""


# --- saving without a script ------------------------------------------------------------------------------------------


def test_a_part_is_saved_by_its_own_form(desk):
    data = fields_of(page(desk), "prescription") | {
        "prescription.right.sphere": ["-225"],
        "prescription.left.prism_h": [""],
        "prescription.left.prism_v": ["1.5 up"],
    }
    answer = desk.http.post(url(desk.dispense, "save_part", "prescription"), data)
    assert answer.status_code == 302
    assert answer["Location"].endswith("#part-prescription")
    row = Prescription.objects.get()
    right, left = row.eyes.get(eye="right"), row.eyes.get(eye="left")
    assert right.sphere == D("-2.25")
    assert (left.prism_h, left.base_h, left.prism_v, left.base_v) == (None, "", D("1.50"), "up")
    assert row.as_written["prescription.right.sphere"] == "-225"
    html = page(desk)
    assert 'value="−2.25"' in html
    assert 'value="1.50 up"' in html


TYPED = [
    ("prescription.right.sphere", "−2,25", D("-2.25")),
    ("prescription.right.sphere", "2.25-", D("-2.25")),
    ("prescription.right.sphere", "pl", D("0.00")),
    ("prescription.right.cylinder", "DS", D("0.00")),
    ("prescription.right.axis", "0", D("180")),
    ("prescription.right.add", "+1.125", D("1.12")),
]


@pytest.mark.parametrize(("path", "typed", "value"), TYPED)
def test_the_trades_shorthand_is_understood_and_echoed(path, typed, value):
    entry = forms.read(forms.specs("prescription")[path], {path: typed})
    assert entry.value == value
    assert entry.echo


@pytest.mark.parametrize(
    ("typed", "day"),
    [("3 Nov 2026", 3), ("2026-11-03", 3), ("3/11/2026", 3), ("3.11.26", 3), ("03 november 26", 3)],
)
def test_dates_are_read_day_first(typed, day):
    found = forms.parse_date(typed)
    assert (found.year, found.month, found.day) == (2026, 11, day)


@pytest.mark.parametrize(("typed", "mm"), [("350", 350), ("35 cm", 350), ("0.35 m", 350), ("35", None)])
def test_a_working_distance_is_never_guessed(typed, mm):
    path = "needs.working_distance_mm"
    entry = forms.read(forms.specs("needs")[path], {path: typed})
    assert (entry.value == mm) if mm else "centimetres" in entry.error


def test_two_people_collide_and_both_values_are_shown(desk):
    data = fields_of(page(desk), "needs") | {"needs.wish": ["thin"]}
    record.save_needs(actor=desk.dispenser, dispense=desk.dispense, version=1, uses=["near"], wish="light")
    answer = desk.http.post(url(desk.dispense, "save_part", "needs"), data)
    html = answer.content.decode()
    assert answer.status_code == 409
    assert f"Changed by {desk.dispenser.initials} just now" in unescape(html)
    assert "theirs: light" in html
    assert ">\nthin</textarea>" in html
    assert Dispense.objects.get().wish == "light"
    # the page now carries their version: saving again keeps mine, knowingly
    answer = desk.http.post(url(desk.dispense, "save_part", "needs"), fields_of(html, "needs"))
    assert answer.status_code == 302
    assert Dispense.objects.get().wish == "thin"


def test_sending_the_same_again_after_a_lost_answer_is_no_collision(desk):
    data = fields_of(page(desk), "needs") | {"needs.wish": ["thin"]}
    assert desk.http.post(url(desk.dispense, "save_part", "needs"), data).status_code == 302
    before = AuditEvent.objects.count()
    assert desk.http.post(url(desk.dispense, "save_part", "needs"), data).status_code == 302
    assert AuditEvent.objects.count() == before


# --- bad input, every field of every part ------------------------------------------------------------------------------

BAD = {
    "letters": "abc",
    "1e9": "1e9",
    "huge": "1000000000",
    "negative": "-99999",
    "unicode digits": "٢٫٥",
    "script": "<script>alert(1)</script>",
    "long": "9" * 10_000,
    "nul": "1\x00",
}
WORDS = {"line", "text"}
# "letters", "1e9", digits, a script tag are words like others where words are asked for: kept and escaped, not refused
REFUSED_IN_WORDS = {"long", "nul"}
OWN_FRAME = {"frame.name", "frame.material", "frame.child"}  # of a catalogue frame these are the catalogue's


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("part", forms.PART_NAMES)
def test_bad_input_is_refused_beside_its_field_and_nothing_is_lost(desk, part, name):
    """Letters, 1e9, out of range, negative, foreign digits, script, ten thousand characters, for every field of every part.

    Fields that refuse it as they are read are sent together; one that only the use case refuses is sent alone, since nothing
    reaches the use case while another field cannot be read.
    """
    if part == "frame":  # the client's own, so that its name and material are on the page
        desk.dispense.frame_item, desk.dispense.frame["own"] = None, True
        desk.dispense.save()
    bad = BAD[name]
    tried = [s for s in forms.specs(part).values() if s.kind not in WORDS or name in REFUSED_IN_WORDS]
    start = fields_of(page(desk), part)
    # what is sent beside it and has nothing wrong with it: the last field of words, which is then tried by itself
    also = next((s for s in reversed(forms.specs(part).values()) if s.kind in WORDS and s.path in start), None)
    together = [s for s in tried if s is not also and forms.read(s, QueryDict(urlencode({s.path: bad}))).error]
    assert len(together) >= len(tried) - 5
    before = _everything()
    for specs in [together, *([s] for s in tried if s not in together)]:
        data = start | ({also.path: ["kept?"]} if also else {}) | {s.path: [bad] for s in specs}
        answer = desk.http.post(url(desk.dispense, "save_part", part), data)
        assert answer.status_code == 200
        html = answer.content.decode()
        for spec in specs:
            said = f'<p class="error" id="{spec.id}-error">'
            assert said in html, f"{spec.path}: no message beside it"
            assert html.split(said)[1][:4] != "</p>", f"{spec.path}: an empty message"
            assert f'<a href="#{spec.id}">' in html, f"{spec.path}: not in the summary"
            if spec.kind not in ("many", "tick", "choice", "row"):
                control = re.search(rf'id="{spec.id}" name="[^"]*".*?(?=<output)', html, re.S)
                assert bad in unescape(control[0]), f"{spec.path}: what was typed is lost"
        if also and also not in specs:
            assert "kept?" in html, "another field was lost"
        assert "<script>alert" not in html
        assert _everything() == before, "something was saved"


def _everything():
    return (
        list(Dispense.objects.values()),
        list(Prescription.objects.values()),
        list(Reading.objects.values()),
        AuditEvent.objects.count(),
    )


@pytest.mark.parametrize("part", forms.PART_NAMES)
def test_a_field_left_empty_is_nothing_on_record_not_an_error(desk, part):
    start = fields_of(page(desk), part)
    for path, spec in forms.specs(part).items():
        data = start | {path: [] if spec.kind == "many" else [""], "version": [str(version(desk.dispense, part))]}
        if part == "readings":
            data["readings.far_pd.right" if path == "readings.far_pd.left" else "readings.far_pd.left"] = ["33"]
        answer = desk.http.post(url(desk.dispense, "save_part", part), data)
        needed = path in ("readings.pd_method", "lens.design")  # how it was read; a material is had in a design
        assert answer.status_code == (200 if needed else 302), path


def test_a_script_tag_among_words_is_kept_as_words(desk):
    words = [s for s in forms.all_specs().values() if s.kind in WORDS and s.longest >= 30 and s.path not in OWN_FRAME]
    assert len(words) >= 4
    for spec in words:
        data = fields_of(page(desk), spec.part) | {spec.path: ["<script>1</script>"]}
        answer = desk.http.post(url(desk.dispense, "save_part", spec.part), data, follow=True)
        html = answer.content.decode()
        assert "<script>1" not in html
        assert "&lt;script&gt;1" in html


@pytest.mark.parametrize("bad", ["", "x", "-1", "1e9", "٣", "9" * 5000])
def test_a_version_that_is_none_overwrites_nothing(desk, bad):
    data = fields_of(page(desk), "needs") | {"version": [bad], "needs.wish": ["thin"]}
    assert desk.http.post(url(desk.dispense, "save_part", "needs"), data).status_code == 409
    assert Dispense.objects.get().wish == ""


def test_an_unknown_part_does_not_exist(desk):
    assert desk.http.post(url(desk.dispense, "save_part", "engraving")).status_code == 404


# --- with a script ------------------------------------------------------------------------------------------------------


def ask(desk, name, data, *more):
    answer = desk.http.post(url(desk.dispense, name, *more), data, headers=FRAGMENTS)
    return answer, json.loads(answer.content)


def test_typing_is_assessed_and_saves_nothing(desk):
    data = {}
    html = page(desk)
    for part in forms.PART_NAMES:
        data |= fields_of(html, part)
    before = _everything()
    data["prescription.right.sphere"] = ["-2500"]
    data["needs.wish"] = ["x" * 3000]
    answer, said = ask(desk, "preview", data)
    assert answer.status_code == 200
    assert said["state"] == "typing"
    assert said["fields"]["prescription.right.sphere"]["echo"] == "−25.00 D"
    assert "At most" in said["fields"]["needs.wish"]["error"]
    assert "−25.00" in said["fragments"]["head-prescription"]
    assert {"picture", "figures", "findings"} <= set(said["fragments"])
    assert _everything() == before


def test_a_preview_that_sends_everything_unchanged_sees_the_same_case(desk):
    """Laid over itself, a Case is the same: nothing is lost on the way through the fields."""
    from dispensing.web.sheet.entries import overlay

    html = page(desk)
    data: dict[str, list[str]] = {}
    for part in forms.PART_NAMES:
        data |= fields_of(html, part)

    class Query:
        def get(self, key):
            return data.get(key, [""])[-1]

        def getlist(self, key):
            return data.get(key, [])

    case = case_of(desk.dispense)
    dispense = Dispense.objects.get()
    assert overlay(case, dispense, {part: forms.parse(part, Query()) for part in forms.PART_NAMES}) == case


def test_a_live_answer_needs_at_most_eight_queries(desk, django_assert_max_num_queries):
    data: dict[str, list[str]] = {}
    html = page(desk)
    for part in forms.PART_NAMES:
        data |= fields_of(html, part)
    with django_assert_max_num_queries(8):
        ask(desk, "preview", data)


def test_saving_by_script_answers_with_versions_and_echoes(desk):
    data = fields_of(page(desk), "fit") | {"fit.pantoscopic_deg": ["9"]}
    answer, said = ask(desk, "save_part", data, "fit")
    assert said["state"] == "saved"
    assert said["versions"]["fit"] == version(desk.dispense, "fit") == 2
    assert said["fields"]["fit.pantoscopic_deg"]["shown"] == "9"
    assert "pantoscopic 9°" in said["fragments"]["head-fit"]
    assert answer["Vary"].count("Accept")
    data["fit.pantoscopic_deg"] = ["11"]
    answer, said = ask(desk, "save_part", data, "fit")  # the version sent is the old one now
    assert answer.status_code == 409
    assert said["clash"]


def test_the_findings_are_the_same_saved_and_typed(desk):
    html = page(desk)
    data = fields_of(html, "prescription") | {"prescription.right.cylinder": [""], "prescription.right.axis": [""]}
    _, typed = ask(desk, "preview", data | {"parts": "prescription"})
    _, saved = ask(desk, "save_part", data, "prescription")
    assert typed["live"] == saved["live"]


def test_the_next_thing_to_do_stands_at_the_top_and_follows(desk):
    def next_of(html):
        return re.search(r'id="next" data-fragment>(.*?)</span>\n', html, re.S)[1]

    assert (
        next_of(page(desk))
        == '<a id="next-thing" href="#part-readings"><span>next</span> <b>Readings</b> L PD, L height</a>'
    )
    data = fields_of(page(desk), "prescription") | {"prescription.right.sphere": [""]}
    _, said = ask(desk, "save_part", data, "prescription")
    assert (
        '<a id="next-thing" href="#part-prescription"><span>next</span> <b>Prescription</b> R sphere'
        in said["fragments"]["next"]
    )
    assert "R sphere" in next_of(page(desk))


def test_what_is_not_known_yet_is_one_line_that_leads_to_its_fields(desk):
    data = fields_of(page(desk), "fit") | {
        "parts": "prescription",
        "prescription.right.sphere": [""],
        "prescription.left.sphere": [""],
    }
    _, typed = ask(desk, "preview", fields_of(page(desk), "prescription") | data)
    lines = re.findall(r'<li class="finding is-unknown">.*?</li>', typed["fragments"]["findings"], re.S)
    assert len(lines) == 1
    assert 'href="#f-prescription-right-sphere"' in lines[0]


def test_what_no_field_answers_stands_by_itself_with_what_to_do(desk):
    """Who has to sign for a child, and what a maker has to be asked, are no empty fields."""
    tint = Treatment.objects.create(group=desk.group, code="T", kind="tint", name="smoke")
    record.choose_lens(actor=desk.trainee, dispense=desk.dispense, version=1, option=desk.option, tint=tint)
    type(desk.dispense.client).objects.filter(pk=desk.dispense.client_id).update(
        date_of_birth=date.today() - timedelta(days=3275)  # eight years and eleven and a half months
    )
    data = fields_of(page(desk), "prescription") | {"prescription.right.sphere": [""]}
    _, typed = ask(desk, "preview", data | {"parts": "prescription"})
    lines = re.findall(r'<li class="finding is-unknown">.*?</li>', typed["fragments"]["findings"], re.S)
    words = [re.sub(r"<[^>]+>", " ", line) for line in lines]
    assert sum("right sphere" in w for w in words) == 1
    assert not any("right sphere" in w and ("registered person" in w or "smoke" in w) for w in words)
    assert any(
        "registered person" in w and "Have a registered dispenser or supervisor check and sign it." in w for w in words
    )
    assert any("how much light smoke lets through" in w and "Ask the maker" in w for w in words)
    head = re.search(r'id="head-lens".*?</summary>', page(desk), re.S)[0]
    assert "missing: how much light smoke lets through" in head  # nothing can be ordered: it is not complete
    assert "complete" not in head


# --- frame --------------------------------------------------------------------------------------------------------------


def test_frames_are_found_by_words_and_size(desk):
    FrameFactory(group=desk.group, code="GULL-1", model="Gull 207", a=D("49.6"), dbl=D("20"), colour="slate")
    FrameFactory(group=desk.foreign_branch.group, code="GULL-9", model="Gull 207")

    def find(query):
        return [f.row.code for f in catalogue.find_frames(desk.dispense, query)]

    assert find("gull") == find("50-20") == find("slate 50□20–145") == ["GULL-1"]
    assert find("tern") == [desk.frame.code]
    FrameFactory(group=desk.group, code="SKUA-1", model="Skua 4", mount="drilled", child=True, a=D("44"))
    assert find("rimless") == find("drilled 44") == find("children") == find("child's") == ["SKUA-1"]
    assert find("half-rim") == []
    assert find("zz") == find("") == find("٥٠") == []
    html = desk.http.get(url(desk.dispense, "sheet_frames"), {"frame": "gull"}).content.decode()
    assert "49.6□20–145" in html
    assert 'name="item"' in html
    assert "Gull" in desk.http.get(url(desk.dispense), {"frame": "gull"}).content.decode()  # without a script


def test_choosing_another_frame_takes_its_own_figures_and_doubts_the_readings(desk):
    other = FrameFactory(group=desk.group, code="GULL-1", model="Gull 207", a=D("49.6"), mount="drilled")
    answer = desk.http.post(
        url(desk.dispense, "choose_frame"), {"item": other.pk, "version": version(desk.dispense, "frame")}, follow=True
    )
    html = answer.content.decode()
    assert "in doubt" in html
    assert "2 readings" in html
    row = Dispense.objects.get()
    assert D(row.frame["a"]) == D("49.6")
    assert row.fit_confirmed_at is None
    for bad in ("", "x", "999999999999", "٣"):
        answer = desk.http.post(url(desk.dispense, "choose_frame"), {"item": bad, "version": 2})
        assert answer.status_code == 200
        assert "not in the catalogue" in answer.content.decode()


def test_the_clients_own_frame_is_typed_in(desk):
    desk.http.post(url(desk.dispense, "choose_frame"), {"item": "own", "version": version(desk.dispense, "frame")})
    data = fields_of(page(desk), "frame") | {
        "frame.name": ["brown, old"],
        "frame.a": ["50"],
        "frame.b": ["38,5"],
        "frame.dbl": ["19"],
        "frame.mount": ["grooved"],
    }
    assert desk.http.post(url(desk.dispense, "save_part", "frame"), data).status_code == 302
    frame = Dispense.objects.get().frame
    assert (frame["own"], frame["name"], frame["b"], frame["mount"]) == (True, "brown, old", "38.5", "grooved")


def test_a_frame_whose_name_begins_with_the_word_is_found_first(desk):
    """Who types "gull" means the Gull, not the maker Seagull, whose Auk would come first by its name."""
    FrameFactory(group=desk.group, code="S-1", maker="Seagull", model="Auk 12")
    FrameFactory(group=desk.group, code="GULL-1", maker="Quill", model="Gull 207")
    assert [f.row.code for f in catalogue.find_frames(desk.dispense, "gull")] == ["GULL-1", "S-1"]


# --- readings -----------------------------------------------------------------------------------------------------------


def test_several_readings_are_typed_at_once_and_adopted_at_one_tap(desk):
    data = fields_of(page(desk), "readings") | {
        "readings.far_pd.left": ["33 32.5 33"],
        "readings.height.left": ["2.5; 3"],
        "readings.height_method": ["marked_lens"],
        "readings.reference": ["datum"],
    }
    assert desk.http.post(url(desk.dispense, "save_part", "readings"), data).status_code == 302
    assert [str(r.value) for r in Reading.objects.filter(eye="left", quantity="far_pd")] == ["33.00", "32.50", "33.00"]
    html = page(desk)
    assert "Adopt all 2 suggestions" in html
    assert "22.8 in the box" in unescape(html)  # 2.75 above the datum line, half of b = 40 below it
    answer = desk.http.post(
        url(desk.dispense, "adopt"), {"adopt": "all", "version": version(desk.dispense, "readings")}, follow=True
    )
    assert answer.status_code == 200
    adopted = {(a.quantity, a.eye): a for a in Adoption.objects.filter(eye="left")}
    assert adopted[("far_pd", "left")].value == 33
    assert adopted[("far_pd", "left")].how == "median"
    assert (adopted[("height", "left")].value, adopted[("height", "left")].reference) == (D("2.75"), "datum")


def test_the_same_page_sent_twice_adds_its_readings_once(desk):
    data = fields_of(page(desk), "readings") | {"readings.far_pd.left": ["33 32.5"]}
    desk.http.post(url(desk.dispense, "save_part", "readings"), data)
    answer = desk.http.post(url(desk.dispense, "save_part", "readings"), data, follow=True)
    assert Reading.objects.filter(eye="left").count() == 2
    assert "on record already" in answer.content.decode()


@pytest.mark.parametrize("mount", ["grooved", "drilled"])
def test_the_clip_on_scale_is_refused_beside_the_method(desk, mount):
    desk.dispense.frame["mount"] = mount
    desk.dispense.save()
    data = fields_of(page(desk), "readings") | {
        "readings.height.left": ["20"],
        "readings.height_method": ["clip_scale"],
    }
    _, said = ask(desk, "save_part", data, "readings")
    assert "lower rim" in said["fields"]["readings.height_method"]["error"]
    _, said = ask(desk, "preview", data | {"parts": "readings"})
    assert "lower rim" in said["fields"]["readings.height_method"]["error"]


@pytest.mark.parametrize(
    "adopt",
    ["", "x", "far_pd|right|abc|box|median", "far_pd|right|1e9||chosen", "nose|right|31||chosen", "far_pd|both|NaN||x"],
)
def test_a_bad_adoption_is_refused(desk, adopt):
    before = Adoption.objects.count()
    answer = desk.http.post(url(desk.dispense, "adopt"), {"adopt": adopt, "version": version(desk.dispense, "readings")})
    assert answer.status_code == 200
    assert "error-summary" in answer.content.decode()
    assert Adoption.objects.count() == before


def test_a_reading_is_left_out_with_a_reason(desk):
    row = desk.dispense.readings.first()
    answer = desk.http.post(url(desk.dispense, "strike_out"), {"strike": row.pk, f"strike_reason_{row.pk}": ""})
    assert "Say why" in answer.content.decode()
    name = f"strike_reason_{row.quantity}_{row.eye}"
    assert f'name="{name}"' in page(desk)
    others = {"strike_reason_height_left": "of another"}
    desk.http.post(url(desk.dispense, "strike_out"), {"strike": row.pk, name: "blinked"} | others)
    assert "left out: blinked" in page(desk)
    assert "not on this dispense" in desk.http.post(url(desk.dispense, "strike_out"), {"strike": "999"}).content.decode()


def read_left(desk, **typed):
    """Readings of the left eye added, and what the page shows of them then."""
    data = fields_of(page(desk), "readings") | {f"readings.{name}": [text] for name, text in typed.items()}
    answer = desk.http.post(url(desk.dispense, "save_part", "readings"), data)
    assert answer.status_code == 302, answer.content.decode()
    return unescape(page(desk))


def cell(html, label):
    return re.search(
        rf'<div class="read[^>]*>\s*<span class="read-name">{label}.*?</details></div>\s*</div>', html, re.S
    ).group()


def test_the_same_figure_from_another_reference_is_another_height(desk):
    """22 above the datum line of a lens 40 mm deep is 42 in the box: past its upper edge. Read again as 22 from the box it can be had
    at one tap, both stand on one scale, in the box, and what is above the lens is said to be so before anybody adopts it."""
    html = read_left(desk, **{"height.left": "22 22", "height_method": "marked_lens", "reference": "datum"})
    assert "above the lens, which is 40 mm deep: was it read from the datum line?" in cell(html, "height, left")
    desk.http.post(url(desk.dispense, "adopt"), {"adopt": "all", "version": version(desk.dispense, "readings")})
    html = read_left(desk, **{"height.left": "22 22", "height_method": "marked_lens", "reference": "box"})
    shown = cell(html, "height, left")
    assert 'value="height|left|22.00|box|median"' in shown
    assert 'aria-label="42.0, 42.0, 22.0, 22.0 mm in the box"' in shown
    assert "not met yet" in shown
    assert "Adopt" not in re.sub("Adopt this", "", cell(html, "height, right"))


def test_readings_of_one_place_by_two_references_agree(desk):
    """2.5 above the datum line, half of 40 mm below it, is 22.5 in the box (ISO 8624)."""
    html = read_left(desk, **{"height.left": "2.5", "height_method": "marked_lens", "reference": "datum"})
    html = read_left(desk, **{"height.left": "22.5", "height_method": "levelled_gauge", "reference": "box"})
    assert ": met" in cell(html, "height, left")
    desk.http.post(url(desk.dispense, "adopt"), {"adopt": "all", "version": version(desk.dispense, "readings")})
    html = read_left(desk, **{"height.left": "2.5 2.5 2.5", "height_method": "marked_lens", "reference": "datum"})
    assert "Adopt 2.5" not in cell(html, "height, left"), "it stands where 22.5 from the box stands already"


def test_an_eye_off_level_is_said_beside_the_reading(desk):
    """60 mm above at 400 mm, vertex 12.5 mm and the entrance pupil 3 mm behind the cornea: 60 x 15.5 / 415.5 = 2.2 mm, too high,
    since the line of sight comes down to the pupil."""
    html = read_left(desk, **{
        "height.left": "22", "height_method": "rule", "reference": "box", "observer_above_mm": "60", "observer_distance_mm": "400",
    })  # fmt: skip
    assert "your eye 60 mm above theirs: about 2.2 mm too high" in cell(html, "height, left")


@pytest.mark.parametrize(("mount", "added"), [("full_rim", "groove 0.5"), ("grooved", "no groove")])
def test_what_is_added_to_a_height_from_the_visible_rim_is_said(desk, mount, added):
    """The groove, which only a full rim has, and how far the rim straight below the pupil lies above the lowest point."""
    frame = desk.dispense.frame
    outline = outline_for(float(frame["a"]), float(frame["b"]), None, ASSUMED_SHAPE)
    frame |= {"mount": mount, "groove_mm": None, "outline": list(outline)}
    desk.dispense.save()
    read_left(desk, **{"far_pd.left": "32"})
    desk.http.post(url(desk.dispense, "adopt"), {"adopt": "all", "version": version(desk.dispense, "readings")})
    html = read_left(desk, **{"height.left": "20", "height_method": "rule", "reference": "visible_rim"})
    assert re.search(rf"= 2\d\.\d in the box <span[^>]*>\({added}, rise of the rim \d\.\d\)", cell(html, "height, left"))


def test_while_no_lens_is_chosen_an_addition_asks_for_the_millimetre_of_a_fitting_cross(desk):
    """ISO 21987:2017 (from memory): a fitting cross within 1 mm each way. The prism of weak lenses alone would allow far more."""
    record.save_prescription(
        actor=desk.trainee, dispense=desk.dispense, version=version(desk.dispense, "prescription"),
        right={"sphere": D("0.75"), "add": D("2.25")}, left={"sphere": D("0.75"), "add": D("2.25")}, written_on=date(2026, 11, 3),
    )  # fmt: skip
    Dispense.objects.filter(pk=desk.dispense.pk).update(lens_option=None)
    assert "needs ±1.0" in cell(unescape(page(desk)), "PD far, right")
    record.save_prescription(
        actor=desk.trainee, dispense=desk.dispense, version=version(desk.dispense, "prescription"),
        right={"sphere": D("0.75")}, left={"sphere": D("0.75")}, written_on=date(2026, 11, 3),
    )  # fmt: skip
    assert "±3 mm is ample" in cell(unescape(page(desk)), "PD far, right")


def test_the_pupil_height_is_asked_for_where_the_height_is_a_segment_top(desk):
    assert re.search(r'id="pupil-line" hidden', page(desk))
    bifocal = OptionFactory(
        lens=LensFactory(
            group=desk.group,
            family="flat_top_bifocal",
            corridor_mm=None,
            segment_width_mm=D(28),
            segment_depth_mm=D(19),
            segment_centre_below_top_mm=D(5),
        )
    )
    record.choose_lens(actor=desk.trainee, dispense=desk.dispense, version=1, option=bifocal)
    html = page(desk)
    assert re.search(r'id="pupil-line"(?! hidden)', html)
    assert "<optgroup" in html
    assert "data-segment" in html
    data = fields_of(html, "readings") | {
        "readings.pupil.right": ["20.5"],
        "readings.height_method": ["levelled_gauge"],
        "readings.reference": ["box"],
        "adopt": ["pupil|right|20.5|box|only reading"],
    }
    assert desk.http.post(url(desk.dispense, "adopt"), data).status_code == 302
    html = page(desk)
    assert re.search(r"\w+ segment top is 1\.5 mm above the pupil", html)  # adopted height 22 in an adult
    assert "pupil 20.5 / ?" in html
    assert re.search(r'<span class="read-name">pupil height, right', html)
    _, said = ask(desk, "save_part", fields_of(html, "readings") | {"readings.pupil.right": ["99"]}, "readings")
    assert "cannot be a pupil height" in said["fields"]["readings.pupil.right"]["error"]


def test_what_a_signature_answers_does_not_forbid_putting_forward(desk):
    """A child's spectacles by an unregistered trainee are a stop that the supervisor's signature answers."""
    from datetime import date

    from dispensing.assess import assess_as_signed, assess_dispense

    desk.dispense.client.date_of_birth = date(2018, 5, 1)
    desk.dispense.client.save()
    now, signed = assess_dispense(desk.dispense), assess_as_signed(desk.dispense)
    assert "order.restricted" in {f.check for f in now.open_stops}
    assert "order.restricted" not in {f.check for f in signed.open_stops}
    assert signed.open_stops  # the left eye was not measured
    text = unescape(page(desk))
    count = len(signed.open_stops)
    assert f"Before it can be put forward {count} finding" in text
    assert signed.open_stops[0].message in text
    data = fields_of(page(desk), "needs") | {"needs.wish": ["thin"]}
    desk.http.post(url(desk.dispense, "save_part", "needs"), data)
    assert Dispense.objects.get().stops == count


# --- prescription: read back, take, import -------------------------------------------------------------------------------


def test_reading_back_shows_nothing_of_what_is_on_record(desk):
    target = url(desk.dispense, "read_back")
    html = desk.http.get(target).content.decode()
    assert "4.75" not in html
    assert not re.search(r"\b170\b", html)
    data = {
        "version": version(desk.dispense, "prescription"),
        "prescription.right.sphere": "-425",
        "prescription.right.cylinder": "-125",
        "prescription.right.axis": "170",
        "prescription.right.add": "225",
        "prescription.left.sphere": "-525",
        "prescription.left.prism_h": "2 out",
        "prescription.left.add": "225",
    }
    html = desk.http.post(target, data).content.decode()
    assert "They differ" in html
    assert Prescription.objects.get().read_back == "differs"
    data |= {"version": version(desk.dispense, "prescription"), "prescription.right.sphere": "-475"}
    answer = desk.http.post(target, data)
    assert answer.status_code == 302
    assert Prescription.objects.get().read_back == "matched"
    html = desk.http.post(target, data | {"prescription.right.sphere": "x"}).content.decode()
    assert "Not understood" in html
    assert 'value="x"' in html


def test_a_prescription_on_record_is_taken_and_a_foreign_one_is_not(desk):
    older = record.start_dispense(actor=desk.trainee, client=desk.client, branch=desk.branch)
    record.save_prescription(actor=desk.trainee, dispense=older, version=0, right={"sphere": D("-4")}, left={})
    older.refresh_from_db()
    data = {"prescription": older.prescription_id, "version": version(desk.dispense, "prescription")}
    assert desk.http.post(url(desk.dispense, "use_prescription"), data).status_code == 302
    desk.dispense.refresh_from_db()
    assert desk.dispense.prescription_id == older.prescription_id
    foreign = Prescription.objects.create(client=desk.foreign_client)
    for bad in (foreign.pk, "x", "", "9" * 30):
        answer = desk.http.post(url(desk.dispense, "use_prescription"), {"prescription": bad, "version": 2})
        assert "not on this client" in answer.content.decode()


def test_a_document_that_cannot_be_used_is_refused_with_its_element_named(desk):
    answer = desk.http.post(
        url(desk.dispense, "import_prescription"),
        {"text": '{"resourceType": "Patient"}', "version": version(desk.dispense, "prescription")},
    )
    assert "resourceType" in answer.content.decode()


# --- lens, findings, start, cancel ----------------------------------------------------------------------------------------


def test_only_what_the_catalogue_has_can_be_chosen(desk):
    tint = Treatment.objects.create(group=desk.foreign_branch.group, code="T", kind="tint", name="smoke")
    coat = Treatment.objects.create(group=desk.group, code="C", kind="coating", name="hard")
    html = page(desk)
    data = fields_of(html, "lens") | {"lens.tint": [str(tint.pk)], "lens.coating": [str(coat.pk)]}
    answer = desk.http.post(url(desk.dispense, "save_part", "lens"), data)
    assert 'id="f-lens-tint-error">Not one of the choices' in answer.content.decode()
    data["lens.tint"] = [""]
    assert desk.http.post(url(desk.dispense, "save_part", "lens"), data).status_code == 302
    assert Dispense.objects.get().coating == coat


def test_a_design_is_had_only_in_what_it_is_made_in(desk):
    from tests.factories import LensFactory, MaterialFactory, OptionFactory

    other = OptionFactory(lens=LensFactory(group=desk.group, name="Longshore"), material=MaterialFactory(group=desk.group))
    elsewhere = OptionFactory(lens=LensFactory(group=desk.foreign_branch.group))
    data = fields_of(page(desk), "lens") | {"lens.design": [str(other.lens_id)]}
    html = desk.http.post(url(desk.dispense, "save_part", "lens"), data).content.decode()
    assert 'id="f-lens-material-error">Longshore is made in 1.60 resin' in html
    data["lens.material"] = [""]
    assert desk.http.post(url(desk.dispense, "save_part", "lens"), data).status_code == 302
    assert Dispense.objects.get().lens_option == other
    data = fields_of(page(desk), "lens") | {"lens.design": [str(elsewhere.lens_id)], "lens.material": [""]}
    assert "Not one of the choices" in desk.http.post(url(desk.dispense, "save_part", "lens"), data).content.decode()


def test_every_figure_on_the_page_opens_to_its_working(desk):
    links = re.findall(r'href="([^"]*/working/[^"]*)" class="fig"', page(desk))
    assert len(links) > 10
    for link in links:
        answer = desk.http.get(link)
        assert answer.status_code == 200, link
        assert 'class="steps' in answer.content.decode(), link
    assert desk.http.get(url(desk.dispense, "working", "right.nothing")).status_code == 404


def test_a_reason_is_given_where_the_finding_stands(desk):
    from dispensing.assess import assess_dispense

    finding = assess_dispense(desk.dispense).open_confirms[0]
    answer = desk.http.post(url(desk.dispense, "reason"), {"finding": finding.key, "reason": "x"})
    assert "Say in a few words" in answer.content.decode()
    desk.http.post(url(desk.dispense, "reason"), {"finding": finding.key, "reason": "measured twice"})
    assert "measured twice" in page(desk)
    _, said = ask(desk, "reason", {"finding": "no.such|x", "reason": "measured twice"})
    assert said["trouble"]


def test_the_review_says_what_is_to_be_answered_and_leads_there(desk):
    """Not only how many: on a tablet the list of findings is folded."""
    html = unescape(page(desk))
    review = re.search(r'id="review".*', html, re.S).group()
    asked = re.search(r'<li class="finding is-confirm">.*?<p class="finding-what">.*?</span> (.*?)</p>', html, re.S)[1]
    assert asked in review
    assert 'href="#say"' in review


def test_what_this_fit_asks_for_is_put_into_the_fields_as_computed(desk):
    """−4.75 at 12 mm worn at 12.5 mm with a tilt is another power; what is put in is what the figures ask for, to the hundredth,
    reads back as what it is, and leaves nothing for the check of compensation to ask."""
    record.save_fit(
        actor=desk.trainee, dispense=desk.dispense, version=version(desk.dispense, "fit"), adjusted=["level"],
        vertex_mm=D(12), pantoscopic_deg=D(12), face_form_deg=D(15),
    )  # fmt: skip
    html = page(desk)
    fields = json.loads(unescape(re.search(r'data-fill="([^"]*)"', html)[1]))
    expected = compute(case_of(desk.dispense)).right.expected
    assert fields["lens.ordered_right.sphere"] == format_power(round(expected.sphere, 2))
    assert fields["lens.ordered_right.add"] == "+2.25"
    assert fields["lens.ordered_left.prism_in"] == "2.00 out"
    data = fields_of(html, "lens") | {"lens.compensation": ["practice"]} | {path: [text] for path, text in fields.items()}
    assert desk.http.post(url(desk.dispense, "save_part", "lens"), data).status_code == 302
    html = unescape(page(desk))
    assert "data-fill" not in html
    assert "Computed for this fit" not in html
    assert "/checks/ordered." not in html, "what was put in is what the checks reckon with"


def test_a_prism_that_is_ordered_stands_with_the_power_that_is_ordered(desk):
    assert "add +2.25, 2.00 Δ out" in unescape(page(desk))


def test_a_dispense_is_started_from_the_client_and_cancelled_with_a_reason(desk):
    answer = desk.http.post(reverse("dispensing:start", args=[desk.client.reference]))
    assert answer.status_code == 302
    made = Dispense.objects.latest("pk")
    assert desk.http.get(answer["Location"]).status_code == 200
    answer = desk.http.post(url(made, "cancel"), {"reason": "", "version": made.version})
    assert "Say why" in answer.content.decode()
    desk.http.post(url(made, "cancel"), {"reason": "keeps the old pair", "version": made.version})
    made.refresh_from_db()
    assert made.state == "cancelled"
    html = desk.http.get(url(made)).content.decode()
    assert '<fieldset class="bare" disabled>' in html


def test_two_people_see_each_other(desk):
    desk.http.post(url(desk.dispense, "presence"), {"part": "frame"})
    desk.http.force_login(desk.dispenser)
    said = desk.http.post(url(desk.dispense, "presence"), {"part": "<b>"}).json()
    assert said["others"] == [{"name": desk.trainee.display_name, "part": "frame"}]
    assert said["versions"]["frame"] == version(desk.dispense, "frame")


@pytest.mark.parametrize(
    ("path", "at"),
    [
        ("prescription.right.base_h", "prescription.right.prism_h"),
        ("measurements.left.height", "readings.height.left"),
        ("measurements.binocular_far_pd", "readings.far_pd.both"),
        ("lens.design.min_height_mm", "lens.design"),
        ("lens.material.abbe", "lens.material"),
        ("frame.outline", ""),
        ("person.age_years", ""),
    ],
)
def test_every_path_of_a_case_leads_to_a_field_or_a_part(path, at):
    assert forms.field_path(path) == at


def test_every_value_of_a_measurement_has_a_field():
    for (quantity, both), _ in measure.BOUNDS.items():
        eyes = ["both"] if both else ["right", "left"]
        assert all(f"readings.{quantity}.{eye}" in forms.specs("readings") for eye in eyes)
