"""Text that is written from right to left, brought into the order and the joined letter forms in which it is seen on paper.

A PDF's text operators put glyph after glyph from left to right, and know nothing of letters that join. So a line is prepared before it is
set: after it was broken (the beginning of a text belongs on its first line), never before. Pure; the type is the caller's.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Container
from functools import lru_cache

from arabic_reshaper import ArabicReshaper
from bidi import get_display

# Vowel signs stay; the one ligature the type lacks is spelled out.
_joining = ArabicReshaper(configuration={"delete_harakat": False, "ARABIC LIGATURE ALLAH": False})


@lru_cache(maxsize=4096)
def right_to_left(text: str) -> bool:
    """Whether some of it is."""
    return not text.isascii() and any(unicodedata.bidirectional(c) in ("R", "AL") for c in text)


def as_seen(text: str, known: Container[int]) -> str:
    """A line in the order in which its letters stand from left to right, Arabic letters joined where `known`, the codes a type has
    glyphs for, has all their forms. Other text is unchanged."""
    if text.isascii() or not right_to_left(text):
        return text
    joined = _joining.reshape(text)
    return str(get_display(joined if all(ord(c) in known for c in joined) else text))


def broken(text: str, room: float, width: Callable[[str], float]) -> list[str]:
    """Lines no wider than `room` as `width` measures them, still in the order in which they are read; a word that is wider stands alone."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split():
            longer = f"{line} {word}" if line else word
            if line and width(longer) > room:
                lines.append(line)
                longer = word
            line = longer
        lines.append(line)
    return lines
