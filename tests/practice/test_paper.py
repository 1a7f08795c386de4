"""What is held on a client, on paper: words written from right to left stand as they are seen, line after line as they are read.

Hebrew letters do not join, so that a line as it is seen is the line that is read, turned round (Unicode Standard Annex 9, a run of one
direction); Arabic ones have presentation forms that NFKC takes back to the letters (Unicode Standard, Annex 15).
"""

from __future__ import annotations

import io
import unicodedata

import pdfplumber

from practice.privacy import paper
from practice.right_to_left import as_seen, broken, right_to_left

ARABIC = ("نورا", "الصباغ")
WORDS = "שלום עולם משקפיים חדשים קריאה רחוק קרוב עדשה מסגרת אור ספר דלת חלון בית גן ים הר שמש ירח כוכב רוח גשם שלג ענן"
NOTE = " ".join([WORDS] * 3)


def lines_of(client, **more) -> list[str]:
    data = {
        "format": "x",
        "made_at": "2026-11-30T09:00:00+00:00",
        "held_by": {"group": "Estuary Opticians", "branch": "Saltmarsh", "address": "4 Ropewalk"},
        "client": {"reference": "C-7F3K9QX", **client},
        "consents": [],
        **more,
    }
    with pdfplumber.open(io.BytesIO(paper.render(data, {}))) as opened:  # by where letters stand, left to right
        return [line for page in opened.pages for line in page.extract_text().replace("\u00a0", " ").splitlines()]


def test_arabic_names_are_joined_and_stand_as_they_are_seen():
    lines = lines_of({"given_name": ARABIC[0], "family_name": ARABIC[1], "phone": "01632 960123"})
    seen = [line for line in lines if right_to_left(line)]
    forms = [c for line in seen for c in line if 0xFB50 <= ord(c) <= 0xFEFF]
    assert len(forms) >= 2 * (len("".join(ARABIC)) - 2)  # once in the title and once each below; lam-alef may be one form
    plain = [unicodedata.normalize("NFKC", "".join(reversed(line))) for line in seen]
    for name in ARABIC:
        assert any(name in line for line in plain), name
    assert any("01632 960123" in line and not right_to_left(line) for line in lines)


def test_a_long_text_is_read_from_its_first_line_to_its_last():
    lines = lines_of({"given_name": "Noa", "family_name": "Tal", "notes": NOTE})
    seen = [line for line in lines if right_to_left(line)]
    assert len(seen) > 2
    assert seen[0].startswith("notes: ")
    read = [line.removeprefix("notes: ").strip()[::-1] for line in seen]
    assert " ".join(read).split() == NOTE.split()


def test_lines_are_no_wider_than_their_room_and_ends_of_lines_are_kept():
    assert broken("aa bb cc\ndd", 5.0, lambda line: float(len(line))) == ["aa bb", "cc", "dd"]
    assert broken("aaaaaaaa b", 5.0, lambda line: float(len(line))) == ["aaaaaaaa", "b"]
    assert as_seen("plain", set()) == "plain"
    assert as_seen("שלום", set()) == "םולש"


def test_what_is_short_stands_on_one_line_in_plain_words():
    lines = lines_of(
        {"given_name": "Noa", "family_name": "Tal"},
        dispensing={"prism": {"in": "0.25", "horizontal": {"amount": "0.25"}}, "uses": ["all_round"], "none": {"a": ""}},
        what_was_done=[
            {"at": "2026-11-30T09:00:00+00:00", "what": "dispense.signed", "after": {"far_pd": 31, "vertex_mm": 12}}
        ],
    )
    assert "prism — in: 0.25 · horizontal amount: 0.25" in lines
    assert "uses — all round" in lines
    assert not any(line.startswith("none") for line in lines)
    assert "at: 2026-11-30 09:00 UTC · what: Signed" in lines
    assert "after — far PD: 31 · vertex, mm: 12" in lines
    assert lines[lines.index("Agreed to and taken back") + 1] == "Nothing."
    assert any("made 2026-11-30 09:00 UTC" in line for line in lines)


def test_what_is_long_keeps_lines_of_its_own():
    lines = lines_of({"given_name": "Noa", "family_name": "Tal"}, dispensing={"many": {f"n{i}": str(i) for i in range(20)}})
    assert "many" in lines
    assert any("n19: 19" in line for line in lines)
