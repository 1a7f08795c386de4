"""What people type about people: names, dates, telephone numbers. Understood generously, refused plainly.

Every reader takes what was typed and returns the value, or raises ValueError with one sentence to show beside the field.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from datetime import date, timedelta

LONGEST_LINE = 120
LONGEST_PROSE = 4000
OLDEST = 125  # years; nobody on record has been older (122, Jeanne Calment, 1997)

_LETTERS = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i", "ħ": "h"})
_JOINERS = {"\u200c", "\u200d"}  # needed to write some names


def fold(text: str) -> str:
    """Letters for comparing: no accents, no case, apostrophes closed up, everything else a single space."""
    text = unicodedata.normalize("NFKD", text).casefold()  # twice: letters for formulae come apart into capitals
    text = unicodedata.normalize("NFKD", text.translate(_LETTERS))
    text = "".join(c for c in text if not unicodedata.combining(c))
    text = re.sub(r"['’ʼ`´]", "", text)
    return " ".join(re.sub(r"[\W_]+", " ", text).split())


def digits_of(text: str) -> str:
    """ASCII digits only."""
    return re.sub(r"[^0-9]", "", text)


def number_in(text: str, *, digits: int = 9) -> int | None:
    """A whole number as an address or a hidden field has it: at most so many ASCII digits. None for anything else."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= digits else None


def slips(a: str, b: str, most: int = 2) -> int:
    """Typing slips between two words: letters put in, left out, changed or exchanged with a neighbour; `most` + 1 if more.

    Optimal string alignment distance, given up early.
    """
    if abs(len(a) - len(b)) > most:
        return most + 1
    return slips_to_beginnings(a, b, {len(b)}, most)


def slips_to_beginnings(a: str, b: str, lengths: Collection[int], most: int) -> int:
    """The fewest slips between `a` and a beginning of `b` that has one of these lengths; `most` + 1 if more."""
    b = b[: len(a) + most]  # a longer one needs more letters put in than that
    before_last: list[int] = []
    last = list(range(len(b) + 1))
    for i, x in enumerate(a, start=1):
        row = [i]
        for j, y in enumerate(b, start=1):
            cost = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (x != y))
            if i > 1 and j > 1 and x == b[j - 2] and a[i - 2] == y:
                cost = min(cost, before_last[j - 2] + 1)
            row.append(cost)
        if min(row) > most:
            return most + 1
        before_last, last = last, row
    return min([most + 1, *(last[n] for n in lengths if 0 <= n < len(last))])


# --- readers ----------------------------------------------------------------------------------------------------------


def _unseen(text: str, allowed: str = "") -> None:
    for c in text:
        if c in allowed or c in _JOINERS:
            continue
        if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
            raise ValueError("This contains a character that cannot be seen or kept; type it again.")


def line(text: str, *, longest: int = LONGEST_LINE) -> str:
    """One line of words."""
    text = text.strip()
    if len(text) > longest:
        raise ValueError(f"At most {longest} characters; this is {len(text)}.")
    _unseen(text)
    if "<" in text or ">" in text:
        raise ValueError("Leave out < and >.")
    return " ".join(text.split())


def prose(text: str, *, longest: int = LONGEST_PROSE) -> str:
    """Several lines, kept as written."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(text) > longest:
        raise ValueError(f"At most {longest} characters; this is {len(text)}.")
    _unseen(text, allowed="\n\t")
    return text


def person_name(text: str, *, longest: int = 80) -> str:
    """A given or family name in any script; apostrophes, hyphens and full stops belong, digits and signs do not."""
    text = unicodedata.normalize("NFC", line(text, longest=longest))
    if not text:
        raise ValueError("Type the name.")
    if any(unicodedata.category(c).startswith("N") for c in text):
        raise ValueError("A name has no digits.")
    if not any(c.isalpha() for c in text):
        raise ValueError("A name has at least one letter.")
    for c in text:
        if not (
            c.isalpha() or unicodedata.combining(c) or unicodedata.category(c) == "Mc" or c in _JOINERS or c in " -'’ʼ.‐‑–·"
        ):
            raise ValueError(f"A name does not contain {c}")
    return text


def telephone(text: str) -> str:
    """As written, spaces tidied; empty is allowed."""
    text = line(text, longest=40)
    if not text:
        return ""
    if not re.fullmatch(r"\+?[0-9 ()./\-]+(?: ?(?:ext|x)\.? ?[0-9]{1,6})?", text):
        raise ValueError("A telephone number has digits 0 to 9, spaces, brackets, hyphens and a + in front.")
    count = len(digits_of(text))
    if not 5 <= count <= 20:
        raise ValueError(f"A telephone number has 5 to 20 digits; this has {count}.")
    return text


_DAY, _YEAR, _WORD = r"(?P<day>[0-9]{1,2})", r"(?P<year>[0-9]{4}|[0-9]{2})", r"(?P<month>[a-z]{3,9})"
_DATE_PATTERNS = tuple(
    re.compile(pattern)
    for pattern in (
        r"(?P<year>[0-9]{4})[-/. ](?P<month>[0-9]{1,2})[-/. ]" + _DAY,
        _DAY + r"[-/. ]+(?P<month>[0-9]{1,2})[-/. ]+" + _YEAR,
        r"(?P<day>[0-9]{2})(?P<month>[0-9]{2})" + _YEAR,
        _DAY + r"(?:st|nd|rd|th)?[-/. ]*" + _WORD + r"\.?,?[-/. ]*" + _YEAR,
        _WORD + r"\.?[-/. ]*" + _DAY + r"(?:st|nd|rd|th)?,?[-/. ]+" + _YEAR,
    )
)


def _years(text: str, today: date) -> list[int]:
    if len(text) == 4:
        return [int(text)]
    century = today.year // 100 * 100
    return [century + int(text), century - 100 + int(text)]


def _dates_written(text: str, today: date) -> list[date]:
    """Every date that the text can stand for, past or future; a year of two digits in this century and the last."""
    text = text.strip().casefold()
    if len(text) > 40 or not text.isascii():
        return []
    for pattern in _DATE_PATTERNS:
        if m := pattern.fullmatch(text):
            break
    else:
        return []
    month = int(m["month"]) if m["month"].isdigit() else _month(m["month"])
    found = []
    for year in _years(m["year"], today):
        try:
            found.append(date(year, month, int(m["day"])))
        except ValueError:
            continue
    return found


def dates_meant(text: str, today: date) -> list[date]:
    """Every date of birth that may be meant, the likeliest first; empty when none can be.

    Day first: 12/3/61, 12.03.1961, 12-3-1961, 12 Mar 1961, 12 march 61, 120361, 12031961; also March 12, 1961 and
    1961-03-12. A year of two digits is taken as past, the younger person first.
    """
    return [d for d in _dates_written(text, today) if d <= today and today.year - d.year <= OLDEST]


_MONTH_NAMES = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
]


def _month(text: str) -> int:
    """0, which is no month, unless `text` is a month or the beginning of one (at least three letters)."""
    if text == "sept":
        return 9
    return next((n for n, name in enumerate(_MONTH_NAMES, start=1) if name.startswith(text)), 0)


def birth_date(text: str, today: date) -> date:
    """A date of birth in any common way of typing it (`dates_meant`)."""
    text = text.strip()
    if not text:
        raise ValueError("Type the date of birth.")
    meant = dates_meant(text, today)
    if meant:
        return meant[0]
    if not text.isascii():
        raise ValueError("Use the digits 0 to 9: day, month, year, such as 12/3/1961.")
    if _dates_written(text, today):
        raise ValueError(f"A date of birth lies in the past and not more than {OLDEST} years ago.")
    raise ValueError("Day, month, year, such as 12/3/1961 or 12 March 1961.")


def long_date(value: date) -> str:
    return f"{value.day} {value:%B %Y}"


def how_long(span: timedelta) -> str:
    """A span of waiting, as one would say it."""
    minutes = int(span.total_seconds() // 60)
    if minutes < 2:
        return "just now"
    if minutes < 100:
        return f"{minutes} min"
    if minutes < 36 * 60:
        return f"{round(minutes / 60)} h"
    days = round(minutes / 1440)
    return f"{days} days" if days < 60 else f"{round(days / 30.4)} months"
