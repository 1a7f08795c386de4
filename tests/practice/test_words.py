"""What people type about people."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from practice import words

TODAY = date(2026, 11, 25)
BORN = date(1961, 3, 12)


@pytest.mark.parametrize(
    "typed",
    [
        "12/3/61", "12/03/1961", "12.3.1961", "12-03-61", "12 3 61", "120361", "12031961", "1961-03-12", "1961/3/12",
        "12 Mar 1961", "12 march 61", "12MAR61", "12th March 1961", "March 12, 1961", "mar 12th 1961", "  12/3/61  ",
    ],
)  # fmt: skip
def test_a_date_of_birth_in_common_ways_of_typing_it(typed):
    assert words.birth_date(typed, TODAY) == BORN


@pytest.mark.parametrize(
    ("typed", "first"),
    [("1/1/25", date(2025, 1, 1)), ("26/11/26", date(1926, 11, 26)), ("25/11/26", TODAY), ("9 sept 70", date(1970, 9, 9))],
)
def test_a_year_of_two_digits_is_the_latest_that_is_past(typed, first):
    assert words.birth_date(typed, TODAY) == first


def test_both_centuries_are_looked_for():
    assert words.dates_meant("1/1/25", TODAY) == [date(2025, 1, 1), date(1925, 1, 1)]


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "Type the date"),
        ("  ", "Type the date"),
        ("abc", "Day, month, year"),
        ("1e9", "Day, month, year"),
        ("-1", "Day, month, year"),
        ("31/2/1990", "Day, month, year"),
        ("29/2/2023", "Day, month, year"),
        ("0/0/0000", "Day, month, year"),
        ("12/3/2061", "in the past"),
        ("26/11/2026", "in the past"),
        ("1/1/1890", "125 years"),
        ("١٢/٣/١٩٦١", "digits 0 to 9"),
        ("\uff11\uff12/3/1961", "digits 0 to 9"),
        ("<script>alert(1)</script>", "Day, month, year"),
        ("9" * 10_000, "Day, month, year"),
    ],
)
def test_a_date_that_cannot_be_is_refused_in_words(typed, says):
    with pytest.raises(ValueError, match=says):
        words.birth_date(typed, TODAY)


@given(st.dates(min_value=date(1902, 1, 1), max_value=TODAY))
@settings(max_examples=150, deadline=None)
def test_every_date_reads_back_from_what_is_shown(born):
    assert words.birth_date(words.long_date(born), TODAY) == born
    assert words.birth_date(f"{born:%d%m%Y}", TODAY) == born


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("O'Brien", "O'Brien"),
        ("  Anne-Marie   van der  Berg ", "Anne-Marie van der Berg"),
        ("D’Arcy", "D’Arcy"),
        ("Łukasz", "Łukasz"),
        ("李小龍", "李小龍"),
        ("Jose\u0301", "Jos\u00e9"),  # composed on the way in
        ("عائشة", "عائشة"),
        ("St. John", "St. John"),
    ],
)
def test_names_of_many_kinds(typed, kept):
    assert words.person_name(typed) == kept


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "Type the name"), ("R2D2", "no digits"), ("١", "no digits"), ("-1", "no digits"), ("1e9", "no digits"),
        ("--", "at least one letter"), ("<script>alert(1)</script>", "Leave out"), ("a@b", "does not contain @"),
        ("x" * 10_000, "At most 80"), ("Ann\u202eE", "cannot be seen"), ("Ann\x00", "cannot be seen"), ("Ann\x07", "cannot be seen"),
    ],
)  # fmt: skip
def test_names_that_are_refused(typed, says):
    with pytest.raises(ValueError, match=says):
        words.person_name(typed)


@pytest.mark.parametrize(
    "typed", ["", "01632 960123", "+44 (0)1632 960123", "01632-960123 ext 4", "01632.960.123", "112233"]
)
def test_telephone_numbers(typed):
    assert words.telephone(typed) == typed


@pytest.mark.parametrize(
    ("typed", "says"),
    [("abc", "digits 0 to 9"), ("1e9", "digits"), ("-1", "5 to 20"), ("1234", "5 to 20"), ("1" * 25, "5 to 20"),
     ("٠١٦٣٢٩٦٠١٢٣", "digits 0 to 9"), ("<script>", "Leave out"), ("1" * 10_000, "At most 40")],
)  # fmt: skip
def test_telephone_numbers_that_are_refused(typed, says):
    with pytest.raises(ValueError, match=says):
        words.telephone(typed)


@pytest.mark.parametrize(
    ("name", "folded"),
    [("O'Brien", "obrien"), ("Müller-Lüdenscheidt", "muller ludenscheidt"), ("Łódź", "lodz"), ("Ærø", "aero"),
     ("STRASSE", "strasse"), ("Straße", "strasse"), ("  A.  B. ", "a b"), ("İstanbul", "istanbul"), ("_", "")],
)  # fmt: skip
def test_folding(name, folded):
    assert words.fold(name) == folded


@given(st.text(max_size=40))
@settings(max_examples=200, deadline=None)
def test_folding_twice_is_folding_once(text):
    assert words.fold(words.fold(text)) == words.fold(text)


@pytest.mark.parametrize(
    ("a", "b", "count"),
    [("oakhurst", "oakhurst", 0), ("oakhurst", "okahurst", 1), ("oakhurst", "oakhrst", 1), ("oakhurst", "oakkhurst", 1),
     ("oakhurst", "oakhorst", 1), ("oakhurst", "aokhusrt", 2), ("oakhurst", "mossgrave", 3), ("", "ab", 2)],
)  # fmt: skip
def test_typing_slips(a, b, count):
    assert words.slips(a, b, 2) == count
    assert words.slips(b, a, 2) == count


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("0", 0),
        ("007", 7),
        ("999999999", 999_999_999),
        ("1000000000", None),
        ("", None),
        ("-1", None),
        ("1.0", None),
        (" 1", None),
        ("٣", None),
        ("²", None),
    ],
)
def test_a_number_in_of_a_field(text, number):
    assert words.number_in(text) == number
