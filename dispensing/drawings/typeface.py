"""The type of printed pages: DejaVu Sans Condensed (free licence beside the files), measured before it is set.

Lengths in mm, type sizes in points. Text is prepared once: signs the type does not have become □, and text that is written from
right to left is brought into the order and the joined letter forms in which it is seen.
"""

from __future__ import annotations

import unicodedata
import zlib
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

from reportlab.pdfbase import pdfdoc, pdfmetrics
from reportlab.pdfbase.ttfonts import FF_NONSYMBOLIC, FF_SYMBOLIC, TTFont, TTFontFace

from practice import right_to_left as scripts

REGULAR, BOLD = "DatumlineRegular", "DatumlineBold"
POINT = 25.4 / 72  # mm
MISSING = "□"
_FILES = {REGULAR: "DejaVuSansCondensed.ttf", BOLD: "DejaVuSansCondensed-Bold.ttf"}


# The first glyphs after ASCII of every document: with them most pages embed one and the same subset, which is made once.
COMMON = "−±°ØΔ□×½–—’‘“”…•·≥≤éèêëöüäßøåñç"
making = Lock()  # reportlab reads a font file while it makes a subset, from one place at a time


class _Face(TTFontFace):  # type: ignore[misc]
    """A face that keeps the subsets it has made: making and compressing two of them is half the time of a page."""

    def addSubsetObjects(self, doc: Any, fontname: str, subset: list[int]) -> Any:
        stream, length = self._compressed(tuple(subset))
        file = pdfdoc.PDFStream(content=stream)
        file.dictionary["Length1"] = length
        file.dictionary["Filter"] = pdfdoc.PDFName("FlateDecode")
        cmap = doc.idToObject[f"toUnicodeCMap:{fontname}"]
        cmap.content, cmap.filters = _squeezed(cmap.content), None
        cmap.dictionary["Filter"] = pdfdoc.PDFArray([pdfdoc.PDFName("FlateDecode")])
        flags = self.flags & ~FF_NONSYMBOLIC | FF_SYMBOLIC
        descriptor = pdfdoc.PDFDictionary(
            {
                "Type": "/FontDescriptor",
                "Ascent": self.ascent,
                "CapHeight": self.capHeight,
                "Descent": self.descent,
                "Flags": flags,
                "FontBBox": pdfdoc.PDFArray(self.bbox),
                "FontName": pdfdoc.PDFName(fontname),
                "ItalicAngle": self.italicAngle,
                "StemV": self.stemV,
                "FontFile2": doc.Reference(file, f"fontFile:{fontname}"),
                "MissingWidth": self.defaultWidth,
            }
        )
        return doc.Reference(descriptor, f"fontDescriptor:{fontname}")

    def getCharWidth(self, code: int) -> bytes:
        """As it is written into a font's table of widths."""
        return _written(super().getCharWidth(code))

    @lru_cache(maxsize=64)  # noqa: B019  (there are two faces, and they live as long as the process)
    def _compressed(self, subset: tuple[int, ...]) -> tuple[bytes, int]:
        made = self.makeSubset(list(subset))
        return zlib.compress(made, 9), len(made)


@lru_cache(maxsize=64)
def _squeezed(text: str) -> bytes:
    return zlib.compress(text.encode("latin-1"))


@lru_cache(maxsize=1024)
def _written(number: float) -> bytes:
    return bytes(pdfdoc.format(number, None))


@lru_cache(maxsize=1)
def fonts() -> dict[str, TTFont]:
    """The two faces, read and registered once a process."""
    found = {}
    for name, file in _FILES.items():
        font = TTFont(name, str(Path(__file__).parent / "fonts" / file))
        font.face.__class__ = _Face
        found[name] = font
        pdfmetrics.registerFont(font)
    return found


def prepare(document: Any) -> None:
    """Gives the common glyphs their places in a new document, so that its fonts are subsets already made."""
    for font in fonts().values():
        font.splitString(COMMON, document)
        font.getSubsetInternalName(0, document)
    document.datumline_prepared = True


def prepared(document: Any) -> bool:
    """Whether a document's fonts have the common glyphs in their places."""
    return hasattr(document, "datumline_prepared")


_CODES = {ord(c): 1 + k for k, c in enumerate(COMMON)}
_PLAIN = frozenset(map(chr, range(32, 127))) | frozenset(COMMON)


@lru_cache(maxsize=4096)
def plain_codes(text: str) -> str | None:
    """A line as the escaped string of a prepared document, if ASCII and the common glyphs are all it needs; else None."""
    if not _PLAIN.issuperset(text):
        return None
    coded = text.translate(_CODES).replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")
    return coded if coded.isprintable() else "".join(c if c >= " " else f"\\{ord(c):03o}" for c in coded)


def face(bold: bool) -> str:
    fonts()
    return BOLD if bold else REGULAR


@lru_cache(maxsize=4096)
def printable(text: str) -> str:
    """Text of which every sign can be set: composed, control and format characters left out, what the type lacks as □."""
    known = fonts()[REGULAR].face.charToGlyph
    out = []
    for c in unicodedata.normalize("NFC", text):
        if c in "\t\n":
            out.append(" ")
        elif unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn"):
            continue
        elif ord(c) in known:
            out.append(c)
        elif not unicodedata.combining(c):
            out.append(MISSING)
    return "".join(out)


@lru_cache(maxsize=1024)
def as_seen(text: str) -> str:
    """A line in the order in which its letters stand from left to right, Arabic letters joined. Other text is unchanged."""
    return text if text.isascii() else scripts.as_seen(text, fonts()[REGULAR].face.charToGlyph)


@lru_cache(maxsize=4096)
def right_to_left(text: str) -> bool:
    """Whether some of it is written from right to left."""
    return scripts.right_to_left(text)


@lru_cache(maxsize=8192)  # headings and labels are the same in every document
def width(text: str, size: float, *, bold: bool = False) -> float:
    """Width in mm of a line as it will be set."""
    return float(pdfmetrics.stringWidth(as_seen(text), face(bold), size)) * POINT


def wrap(text: str, room: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines no wider than `room` mm: broken at spaces, and within a word, at a hyphen if it has one, only where the word alone is
    wider than the room.

    Line ends in the text are kept; nothing is left out but spaces where a line ends.
    """
    lines = []
    for paragraph in text.split("\n"):
        lines += _wrap_one(printable(paragraph), room, size, bold)
    return lines


def _wrap_one(text: str, room: float, size: float, bold: bool) -> list[str]:
    if width(text, size, bold=bold) <= room:
        return [text]
    lines, line = [], ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if width(longer, size, bold=bold) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        while width(word, size, bold=bold) > room:
            head = _fitting_head(word, room, size, bold)
            hyphen = word.rfind("-", 0, head) + 1  # a double name is parted where it is joined, unless little would be left
            head = hyphen if hyphen > head // 2 else head
            lines.append(word[:head])
            word = word[head:]
        line = word
    if line or not lines:
        lines.append(line)
    return lines


def _fitting_head(word: str, room: float, size: float, bold: bool) -> int:
    """How many characters of a word fit, at least one; a combining mark stays with its letter."""
    low, high = 1, len(word)
    while low < high:
        middle = (low + high + 1) // 2
        if width(word[:middle], size, bold=bold) <= room:
            low = middle
        else:
            high = middle - 1
    cut = low
    while 1 < cut < len(word) and unicodedata.combining(word[cut]):
        cut -= 1
    if cut == 1:
        while cut < len(word) and unicodedata.combining(word[cut]):
            cut += 1
    return cut


def fitting_size(text: str, room: float, size: float, least: float, *, bold: bool = False) -> float | None:
    """The largest type size from `size` down to `least` at which the text fits on one line; None when it does not."""
    wide = width(text, size, bold=bold)
    if wide <= room:
        return size
    smaller = size * room / wide * 0.999
    return smaller if smaller >= least else None
