"""A sheet for print, A4 unless said: text that is measured and never cut, pictures at true size, and a structure a screen reader can follow.

Positions are mm from the upper left corner, as one lays out a page; type sizes are points. Everything that is put on the page
inside `element(...)` belongs to the document's structure (tagged PDF, ISO 32000-1 14.8) in the order in which it is put there;
everything else is marked as an artifact: rules, boxes, page numbers.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime

from reportlab import rl_config
from reportlab.graphics.barcode.code128 import Code128
from reportlab.pdfbase import pdfdoc
from reportlab.pdfgen.canvas import Canvas

from . import pdf
from .pdf import MM
from .roles import PAPER
from .shapes import Picture
from .typeface import MISSING, face, fitting_size, making, prepare, printable, right_to_left, width, wrap

rl_config.useA85 = 0  # binary streams: smaller and quicker; a PDF is not sent as 7-bit text any more
PAGE_WIDTH, PAGE_HEIGHT = 210.0, 297.0
SOFT, INK, PEN, STOP, CONFIRM = "soft", "ink", "pen", "stop", "confirm"


@dataclass(slots=True)
class _Node:
    kind: str
    parent: _Node | None
    kids: list[_Node | tuple[int, int]] = field(default_factory=list)  # elements, or (page, marked content id)
    alternative: str = ""
    scope: str = ""  # of a header cell: Column or Row


class _Raw(pdfdoc.PDFObject):  # type: ignore[misc]
    """A PDF object that is already text."""

    __RefOnly__ = 1

    def __init__(self) -> None:
        self.text = b""

    def format(self, document: object) -> bytes:
        return self.text


class _Within:
    """An element that is open: what is drawn meanwhile belongs to it."""

    __slots__ = ("_node", "_sheet")

    def __init__(self, sheet: Sheet, node: _Node) -> None:
        self._sheet, self._node = sheet, node

    def __enter__(self) -> None:
        self._sheet._here.kids.append(self._node)
        self._sheet._here = self._node

    def __exit__(self, *_: object) -> None:
        self._sheet._here = self._node.parent or self._sheet._root


class _Marked:
    """A marked content sequence that is open."""

    __slots__ = ("_actual", "_artifact", "_sheet")

    def __init__(self, sheet: Sheet, actual: str, artifact: bool) -> None:
        self._sheet, self._actual, self._artifact = sheet, actual, artifact

    def __enter__(self) -> None:
        self._sheet._begin(self._actual, self._artifact)

    def __exit__(self, *_: object) -> None:
        self._sheet._end()


_ALREADY = nullcontext()


class Sheet:
    """Pages being drawn. `data()` ends them."""

    def __init__(
        self,
        *,
        title: str,
        author: str,
        subject: str,
        language: str = "en-GB",
        size: tuple[float, float] = (PAGE_WIDTH, PAGE_HEIGHT),
        made_at: datetime | None = None,
    ) -> None:
        self.width, self.height = size
        self._buffer = io.BytesIO()
        self.canvas = Canvas(
            self._buffer,
            pagesize=(self.width * MM, self.height * MM),
            pageCompression=1,
            invariant=1,  # the same order gives the same bytes
            lang=language,
            pdfVersion=(1, 7),
            initialFontName=face(False),
        )
        prepare(self.canvas._doc)
        if made_at is not None:  # the date of what is printed, not of the printing: the same order gives the same bytes
            self.canvas._doc._timeStamp.YMDhms = made_at.astimezone(UTC).timetuple()[:6]
        self.canvas.setTitle(title)
        self.canvas.setAuthor(author)
        self.canvas.setSubject(subject)
        self.canvas.setCreator("Datumline")
        self.canvas.setViewerPreference("PrintScaling", "None")
        self.canvas.setViewerPreference("DisplayDocTitle", "true")
        self._root = _Node("Document", None)
        self._here = self._root
        self._marks: list[list[_Node]] = [[]]  # of each page: the element of each marked content id
        self._open = False
        self.page = 1
        self.missing = False  # whether a sign had to be set as □

    # --- structure ----------------------------------------------------------------------------------------------------

    def element(self, kind: str, alternative: str = "", scope: str = "Column") -> _Within:
        """A structure element ("H1", "P", "Table", "TR", "TH", "TD", "Figure", ...) around what is drawn within.

        `scope` is that of a header cell; an element in which nothing is drawn is an empty cell.
        """
        return _Within(self, _Node(kind, self._here, alternative=alternative, scope=scope if kind == "TH" else ""))

    def marked(self, actual: str = "", *, artifact: bool = False) -> _Marked | nullcontext[None]:
        """One marked content sequence: of the element open now, or an artifact when there is none or it is asked for."""
        return _ALREADY if self._open else _Marked(self, actual, artifact)

    def _begin(self, actual: str, artifact: bool) -> None:
        if artifact or self._here is self._root:
            self.canvas.addLiteral("/Artifact BMC")
        else:
            marks = self._marks[-1]
            self._here.kids.append((self.page, len(marks)))
            extra = f"/ActualText {_hex(actual)}" if actual else ""
            self.canvas.addLiteral(f"/{self._here.kind} <</MCID {len(marks)}{extra}>> BDC")
            marks.append(self._here)
        self._open = True

    def _end(self) -> None:
        self._open = False
        self.canvas.addLiteral("EMC")

    # --- text ---------------------------------------------------------------------------------------------------------

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 8.0,
        bold: bool = False,
        colour: str = INK,
        anchor: str = "start",
    ) -> None:
        """One line, its baseline at y. The caller has seen to it that it fits (see `line`, `wrap`)."""
        text = printable(text)
        self.missing = self.missing or MISSING in text
        if not text:
            return
        with self.marked(text if right_to_left(text) else ""):
            pdf.put_line(self.canvas, x, self.height - y, text, size=size, bold=bold, colour=colour, anchor=anchor)

    def lines(
        self, x: float, y: float, lines: Sequence[str], *, size: float = 8.0, bold: bool = False, colour: str = INK
    ) -> float:
        """Lines below each other, the first baseline at y; returns the baseline of a next one."""
        with self.marked(" ".join(lines) if any(right_to_left(t) for t in lines) else ""):
            for k, line in enumerate(lines):
                self.text(x, y, spaced(line) if k < len(lines) - 1 else line, size=size, bold=bold, colour=colour)
                y += leading(size)
        return y

    # --- lines and pictures -------------------------------------------------------------------------------------------

    def rule(self, x1: float, y1: float, x2: float, y2: float, *, thickness: float = 0.15, colour: str = SOFT) -> None:
        red, green, blue = PAPER[colour]
        with self.marked(artifact=True):
            self.canvas.addLiteral(
                f"{red:.3f} {green:.3f} {blue:.3f} RG {thickness * MM:.3f} w [] 0 d "
                f"{x1 * MM:.3f} {(self.height - y1) * MM:.3f} m {x2 * MM:.3f} {(self.height - y2) * MM:.3f} l S"
            )

    def box(
        self,
        x: float,
        y: float,
        wide: float,
        high: float,
        *,
        line: str = "",
        fill: tuple[float, float, float] | None = None,
        thickness: float = 0.2,
        dash: str = "",
    ) -> None:
        out = []
        if fill is not None:
            out.append("{:.3f} {:.3f} {:.3f} rg".format(*fill))
        if line:
            out.append("{:.3f} {:.3f} {:.3f} RG".format(*PAPER[line]) + f" {thickness * MM:.3f} w [{dash}] 0 d")
        out.append(f"{x * MM:.3f} {(self.height - y - high) * MM:.3f} {wide * MM:.3f} {high * MM:.3f} re")
        out.append("B" if line and fill is not None else "S" if line else "f")
        with self.marked(artifact=True):
            self.canvas.addLiteral(" ".join(out))

    def picture(self, picture: Picture, x: float, y: float) -> None:
        """The picture at true size, the upper left corner of its window at (x, y), as one figure with its description."""
        with self.element("Figure", picture.description), self.marked():
            pdf.draw(self.canvas, picture, x, self.height - y - picture.height)

    def barcode(self, x: float, y: float, text: str, *, wide: float, high: float, alternative: str) -> float:
        """Code 128 (ISO/IEC 15417) in at most `wide` mm, quiet zones of ten modules included: upper right corner at (x, y).

        The module is 0.33 mm, narrower only where the text needs it. Returns the width taken.
        """
        drawn = Code128(text, barHeight=high * MM, barWidth=1.0, quiet=0, humanReadable=0)
        modules = drawn.width + 20
        module = min(0.33, wide / modules)
        drawn = Code128(text, barHeight=high * MM, barWidth=module * MM, quiet=0, humanReadable=0)
        with self.element("Figure", alternative), self.marked():
            self.canvas.setFillColorRGB(0, 0, 0)
            drawn.drawOn(self.canvas, (x - (modules - 10) * module) * MM, (self.height - y - high) * MM)
        return float(modules * module)

    # --- pages --------------------------------------------------------------------------------------------------------

    def next_page(self) -> None:
        self._end_page()
        self._marks.append([])
        self.page += 1

    def _end_page(self) -> None:
        self.canvas.showPage()
        page = self.canvas._doc.Pages.pages[-1]
        # reportlab knows no structure: the two entries join the page's own by way of its table of defaults
        page.__Defaults__ = {
            **pdfdoc.PDFPage.__Defaults__,
            "StructParents": self.page - 1,
            "Tabs": pdfdoc.PDFName("S"),
        }

    def data(self) -> bytes:
        """Ends the last page; the whole document."""
        self._end_page()
        self._write_structure()
        with making:
            self.canvas.save()
        return self._buffer.getvalue()

    def _write_structure(self) -> None:
        document = self.canvas._doc
        numbers = document.idToObjectNumberAndVersion

        def number(thing: object) -> int:
            return int(numbers[document.Reference(thing).name][0])

        nodes: list[_Node] = []

        def collect(node: _Node) -> None:
            nodes.append(node)
            for kid in node.kids:
                if isinstance(kid, _Node):
                    collect(kid)

        collect(self._root)
        root, raws, where = _Raw(), [], {}
        root_number = number(root)
        for node in nodes:
            raw = _Raw()
            raws.append(raw)
            where[id(node)] = number(raw)
        pages = [number(p) for p in document.Pages.pages]
        for node, raw in zip(nodes, raws, strict=True):
            kids = [
                f"{where[id(kid)]} 0 R"
                if isinstance(kid, _Node)
                else f"<</Type/MCR/Pg {pages[kid[0] - 1]} 0 R/MCID {kid[1]}>>"
                for kid in node.kids
            ]
            parent = where[id(node.parent)] if node.parent else root_number
            alt = f"/Alt {_hex(node.alternative)}" if node.alternative else ""
            scope = f"/A <</O/Table/Scope/{node.scope}>>" if node.scope else ""
            raw.text = f"<</Type/StructElem/S/{node.kind}/P {parent} 0 R{alt}{scope}/K [{' '.join(kids)}]>>".encode("ascii")
        parents = " ".join(
            f"{i} [{' '.join(f'{where[id(node)]} 0 R' for node in marks)}]" for i, marks in enumerate(self._marks)
        )
        root.text = (
            f"<</Type/StructTreeRoot/K [{where[id(self._root)]} 0 R]"
            f"/ParentTree <</Nums [{parents}]>>/ParentTreeNextKey {len(self._marks)}>>"
        ).encode("ascii")
        catalog = document.Catalog
        catalog.StructTreeRoot = root
        mark = _Raw()
        mark.text = b"<</Marked true>>"
        catalog.MarkInfo = mark


def _hex(text: str) -> str:
    """A text string as PDF wants it beyond Latin: UTF-16 with its mark, in hexadecimal."""
    return "<feff" + text.encode("utf-16-be", "replace").hex() + ">"


def spaced(line: str) -> str:
    """A line that goes on below, with the space that keeps its last word apart from the next for whoever reads it aloud."""
    return line if right_to_left(line) else line + " "


def leading(size: float) -> float:
    """Distance of baselines in mm for a type size in points."""
    return size * 1.22 * 25.4 / 72


__all__ = [
    "CONFIRM",
    "INK",
    "PAGE_HEIGHT",
    "PAGE_WIDTH",
    "PEN",
    "SOFT",
    "STOP",
    "Sheet",
    "fitting_size",
    "leading",
    "spaced",
    "width",
    "wrap",
]
