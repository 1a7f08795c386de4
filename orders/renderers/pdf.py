"""The order on paper: one sheet of A4 that a lab can work from, made from the order document alone.

Every power, prism and distance is the document's own text; the pair is drawn at true size from the same text, with a bar of 50 mm to
check the print by. What does not fit on the first page goes to a second one; nothing is cut and nothing is set too small to read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from dispensing.case import EYES
from dispensing.drawings.page import (
    CONFIRM,
    INK,
    PAGE_HEIGHT,
    PAGE_WIDTH,
    PEN,
    SOFT,
    STOP,
    Sheet,
    fitting_size,
    leading,
    spaced,
    wrap,
)
from dispensing.drawings.pair import cropped, pair_picture
from dispensing.drawings.shapes import Picture
from orders.document import canonical
from orders.document import digest as digest_of

from .geometry import geometry_of_document
from .pdf_words import BODY, HEAD, SMALL, Block, Line, Row, continued, depth, fitting, left_blocks, measured, right_blocks
from .words import (
    HEIGHT_OF,
    NONE,
    axis,
    day,
    front_curve_words,
    length,
    moment,
    near_notes,
    person,
    power,
    prism_part,
    prism_resultant,
)

Document = dict[str, Any]
LEFT, RIGHT = 12.0, PAGE_WIDTH - 12.0
GUTTER = 6.0
COLUMN = (RIGHT - LEFT - GUTTER) / 2
SECOND = LEFT + COLUMN + GUTTER
FOOT = PAGE_HEIGHT - 10.0  # baseline of the last line
BAR = 50.0  # mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancellation:
    """What became of an order after it was issued; it is not part of the document."""

    at: str  # RFC 3339, UTC
    reason: str
    replaced_by: str = ""


def render(document: Document, *, digest: str | None = None, cancelled: Cancellation | None = None) -> bytes:
    """The order as PDF 1.7, tagged, its fonts embedded.

    `document` has the shape of order-1.1.json (or 1.0); `digest` is the SHA-256 of its canonical text in hexadecimal, printed so that a
    paper can be held against the record (None: computed here). The same input gives the same bytes.
    """
    number = document["order"]["number"]
    sheet = Sheet(
        title=f"Lens order {number}",
        author=document["branch"]["name"],
        subject=f"Spectacle lenses ordered from {document['lab']['name']}",
        made_at=_issued(document),
    )
    _Order(sheet, document, digest or digest_of(canonical(document)), cancelled).draw()
    return sheet.data()


def render_many(orders: Sequence[tuple[Document, str, Cancellation | None]]) -> bytes:
    """Several orders (document, digest, what became of it) one after the other in one PDF, each as `render` sets it."""
    first = orders[0][0]
    sheet = Sheet(
        title=f"{len(orders)} lens orders" if len(orders) > 1 else f"Lens order {first['order']['number']}",
        author=first["branch"]["name"],
        subject="Spectacle lenses",
        made_at=max(_issued(document) for document, _, _ in orders),
    )
    for k, (document, digest, cancelled) in enumerate(orders):
        if k:
            sheet.next_page()
        _Order(sheet, document, digest, cancelled).draw()
    return sheet.data()


def _issued(document: Document) -> datetime:
    return datetime.fromisoformat(document["order"]["issued_at"].replace("Z", "+00:00"))


class _Order:
    def __init__(self, sheet: Sheet, document: Document, digest: str, cancelled: Cancellation | None) -> None:
        self.sheet, self.document, self.digest, self.cancelled = sheet, document, digest, cancelled
        self.number: str = document["order"]["number"]
        self.zone: str = document["branch"]["time_zone"]
        self.later: list[Block] = []  # what the first page has no room for
        self.rest: list[Line] = []
        self.columns = [measured(blocks(document), COLUMN) for blocks in (left_blocks, right_blocks)]
        self.deepest = max(depth(lines) for lines in self.columns)
        self.foot = self._foot_lines()
        self.bottom = FOOT - 4.0 - len(self.foot) * leading(SMALL) - 2.0

    def draw(self) -> None:
        self.sheet.missing = False  # of this order
        y = self._head()
        y = self._parties(y)
        y = self._banners(y)
        y = self._powers(y)
        y = self._centration(y)
        geometry = geometry_of_document(self.document)
        picture = pair_picture(geometry, whole_blanks=True)
        if picture.width > PAGE_WIDTH - 8 or y + picture.height + 6.5 + self.deepest > self.bottom:
            picture = cropped(picture, geometry)
        on_first = picture.width <= PAGE_WIDTH - 8 and y + picture.height + 30.0 < self.bottom
        if on_first:
            y = self._picture(picture, y)
        y += 2.0
        self._columns(y)
        rest = self._pages_of(self.rest)
        extra = 0 if on_first else 1
        total = 1 + extra + len(rest)
        self._foot(1, total)
        if not on_first:
            self._turn()
            self._picture_page(picture)
            self._foot(2, total)
        for i, columns in enumerate(rest):
            self._turn()
            with self.sheet.element("P"):
                self.sheet.text(LEFT, 22.0, f"Order {self.number}, continued", size=HEAD, bold=True)
            for x, lines in zip((LEFT, SECOND), columns, strict=True):
                self._set(x, 30.0, lines)
            self._foot(2 + extra + i, total)

    # --- head -----------------------------------------------------------------------------------------------------------

    def _head(self) -> float:
        sheet, order = self.sheet, self.document["order"]
        with sheet.element("H1"):
            sheet.text(LEFT, 14.5, "Lens order", size=10, bold=True, colour=PEN)
            size = fitting_size(self.number, 100.0, 24, 9, bold=True) or 9
            sheet.text(LEFT, 23.5, self.number, size=size, bold=True)
        # its quiet zone may reach into the margin
        wide = sheet.barcode(RIGHT + 3.0, 9.0, self.number, wide=80.0, high=11.0, alternative=f"Code 128: {self.number}")
        with sheet.element("P"):
            sheet.text(
                RIGHT + 3.0 - wide / 2, 23.5, f"dispense {order['dispense']}", size=SMALL, colour=SOFT, anchor="middle"
            )
        sheet.rule(LEFT, 26.0, RIGHT, 26.0, thickness=0.5, colour=PEN)
        return 30.0

    def _parties(self, y: float) -> float:
        """From, to, for whom, when: four columns as deep as the deepest, at most eight lines."""
        d = self.document
        columns = (
            ("From", d["branch"]["name"], "\n".join(t for t in (d["branch"]["address"], d["branch"]["phone"]) if t)),
            ("To", d["lab"]["name"], "\n".join(t for t in (d["lab"]["address"], d["lab"]["phone"]) if t)),
            ("Client", d["client"]["reference"], d["client"]["name"] or ""),
            (
                "Issued",
                moment(d["order"]["issued_at"], self.zone),
                f"tolerances by {d['tolerance_standard']}\nprescription of {day(d['prescription']['written_on'])}",
            ),
        )
        step, room, deepest = (RIGHT - LEFT) / 4, (RIGHT - LEFT) / 4 - 4.0, y
        for i, (label, name, rest) in enumerate(columns):
            x = LEFT + i * step
            with self.sheet.element("P"):
                self.sheet.text(x, y, label, size=SMALL, colour=SOFT)
                names = wrap(name, room, BODY, bold=True)
                others = wrap(rest, room, BODY - 0.8) if rest else []
                if len(names) > 4 or len(names) + len(others) > 8:
                    self.later.append(Block(f"{label}, in full", (Row("", f"{name}\n{rest}"),)))
                    names, others = (
                        [*names[:3], "… on a later page"] if len(names) > 4 else names,
                        others[: max(0, 7 - len(names))],
                    )
                at = self.sheet.lines(x, y + 4.0, names, size=BODY, bold=True)
                at = self.sheet.lines(x, at, others, size=BODY - 0.8)
            deepest = max(deepest, at)
        return deepest + 1.8

    def _banners(self, y: float) -> float:
        """Cancelled, replaced, replaces: what must be seen before anything is made."""
        replaces = self.document["order"]["replaces"]
        if self.cancelled is not None:
            words = f"Cancelled {moment(self.cancelled.at, self.zone)}. {self.cancelled.reason}"
            if self.cancelled.replaced_by:
                words += f" Replaced by order {self.cancelled.replaced_by}."
            y = self._banner(y, "CANCELLED: DO NOT MAKE", words, STOP)
        if replaces:
            y = self._banner(
                y, f"Replaces order {replaces['number']}", f"That order is cancelled. {replaces['reason']}", CONFIRM
            )
        return y

    def _banner(self, y: float, heading: str, words: str, colour: str) -> float:
        lines = wrap(words, RIGHT - LEFT - 8.0, BODY)
        if len(lines) > 3:
            self.later.append(Block(heading, (Row("", words),)))
            lines = [*lines[:2], "… in full on a later page"]
        high = 7.0 + (len(lines) - 0.2) * leading(BODY)
        self.sheet.box(LEFT, y - 2.0, RIGHT - LEFT, high, line=colour, thickness=0.6)
        with self.sheet.element("P"):
            size = fitting_size(heading, RIGHT - LEFT - 8.0, 10, 6, bold=True) or 6
            self.sheet.text(LEFT + 4.0, y + 2.4, heading, size=size, bold=True, colour=colour)
            self.sheet.lines(LEFT + 4.0, y + 6.3, lines, size=BODY)
        return y + high + 2.0

    # --- figures --------------------------------------------------------------------------------------------------------

    def _powers(self, y: float) -> float:
        rows = []
        notes = []
        for eye in EYES:
            lens = self.document["lenses"][eye]
            letter, prescribed, ordered = eye[0].upper(), lens["prescribed"], lens["ordered"]
            if ordered is None:
                rows.append((letter, "balance lens", *[NONE] * 7))
            else:
                rows.append((letter, "ordered", *_power_cells(ordered)))
            if prescribed["balance"] and ordered is not None:
                notes.append(f"{letter} is a balance lens.")
            if ordered is not None and prescribed["sphere"] is not None and not _same(prescribed, ordered):
                rows.append(("", "prescribed", *_power_cells(prescribed)))
            notes += near_notes(letter, prescribed)
        y = self._table(
            y,
            "Powers (D), axis by ISO 8429 (°), prism (Δ)",
            ("", "", "sphere", "cylinder", "axis", "addition", "prism in/out", "prism up/down", "prism, base 0–360"),
            rows,
            (8, 18, 18, 18, 15, 18, 27, 28, 36),
        )
        return self._notes(y, notes)

    def _centration(self, y: float) -> float:
        rows, notes = [], []
        near = any(self.document["lenses"][eye]["centration"]["centred_for"] == "near" for eye in EYES)
        for eye in EYES:
            lens = self.document["lenses"][eye]
            c = lens["centration"]
            rows.append(
                (
                    eye[0].upper(),
                    length(c["far_pd"]),
                    length(c["near_pd"]),
                    length(c["height"]),
                    length(c["height_above_datum"]),
                    _decentration(c["decentration_in"]),
                    length(c["near_inset"]),
                    length(lens["blank"]["diameter"]),
                    length(lens["blank"]["needed"]),
                    length(lens["thickness"]["centre_min"]),
                    length(lens["thickness"]["edge_min"]),
                    length(lens["front_curve_wish"]),
                )
            )
            if c["centred_for"] == "near":
                notes.append(f"{eye[0].upper()} is centred by the near PD.")
            read = c["height_as_read"]
            if read and read["reference"] != "box":
                notes.append(f"{eye[0].upper()} height was read as {length(read['value'])} {read['reference_words']}.")
        if words := front_curve_words(self.document):
            notes.append(words)
        design = self.document["lens"]["design"]
        if design["family"] != "single_vision" and design["near_inset"] is None:
            measured_near = any(lens["centration"]["near_pd"] for lens in self.document["lenses"].values())
            notes.append(
                ("PD near is as measured; the" if measured_near else "The")
                + " near inset is reckoned from PD distance, power and working distance."
            )
        y = self._table(
            y,
            "Centration from the middle of the nose and in the box (mm); heights are of the "
            f"{HEIGHT_OF[design['family']]}, above the lower box tangent" + ("; centred for near" if near else ""),
            (
                "",
                "PD\ndistance",
                "PD\nnear",
                "height in\nthe box",
                "above\ndatum line",
                "decentra-\ntion",
                "near\ninset",
                "blank\nØ",
                "needed\nØ",
                "centre\nat least",
                "edge\nat least",
                "front\ncurve, D",
            ),
            rows,
            (8, 16, 16, 17, 17, 22, 14, 15, 15, 16, 15, 15),
        )
        return self._notes(y, notes)

    def _table(
        self,
        y: float,
        caption: str,
        heads: tuple[str, ...],
        rows: Sequence[tuple[str, ...]],
        widths: tuple[float, ...],
    ) -> float:
        sheet = self.sheet
        with sheet.element("P"):
            sheet.text(LEFT, y, caption, size=SMALL, colour=SOFT)
        deep = max(head.count("\n") for head in heads)
        y += 3.6
        edges = [LEFT]
        for w in widths:
            edges.append(edges[-1] + w)
        with sheet.element("Table"):
            with sheet.element("TR"):
                for x, head in zip(edges[1:], heads, strict=True):
                    with sheet.element("TH"):
                        if head:
                            self._head_cell(x - 2.0, y, head)
            y += deep * 2.9 + 1.4
            for row in rows:
                main = bool(row[0])
                sheet.rule(LEFT, y, RIGHT, y, thickness=0.25 if main else 0.08, colour=INK if main else SOFT)
                size, high = (10.5, 5.8) if main else (BODY, 4.4)
                base = y + high - 1.5
                with sheet.element("TR"):
                    for i, cell in enumerate(row):
                        with sheet.element("TH" if i == 0 else "TD", scope="Row"):
                            if i == 0:
                                sheet.text(LEFT, base, cell, size=12, bold=True)
                            elif len(row) == 9 and i == 1:
                                sheet.text(edges[i], base, cell, size=SMALL + 0.4, colour=SOFT)
                            else:
                                colour = INK if main else SOFT
                                room = widths[i] - 3.2
                                fitted = fitting_size(cell, room, size, 5.0, bold=main) or 5.0
                                sheet.text(
                                    edges[i + 1] - 2.0, base, cell, size=fitted, bold=main, colour=colour, anchor="end"
                                )
                y += high
            sheet.rule(LEFT, y, RIGHT, y, thickness=0.25, colour=INK)
        return y + 4.4

    def _head_cell(self, x: float, y: float, head: str) -> None:
        """Of one or two lines; a hyphen at the end of the first is only for the eye."""
        with self.sheet.marked(head.replace("-\n", "").replace("\n", " ") if "\n" in head else ""):
            for k, line in enumerate(head.split("\n")):
                self.sheet.text(x, y + k * 2.9, line, size=SMALL, colour=SOFT, anchor="end")

    def _notes(self, y: float, notes: list[str]) -> float:
        if not notes:
            return y
        with self.sheet.element("P"):
            y = self.sheet.lines(LEFT, y - 0.6, wrap(" ".join(notes), RIGHT - LEFT, SMALL + 0.4), size=SMALL + 0.4)
        return y + 1.2

    # --- drawing --------------------------------------------------------------------------------------------------------

    def _picture(self, picture: Picture, y: float) -> float:
        """The pair at true size with its check bar; returns the y below it."""
        sheet = self.sheet
        top = y - 2.0
        sheet.picture(picture, (PAGE_WIDTH - picture.width) / 2, top)
        bar = top + picture.height + 1.5
        x = (PAGE_WIDTH - BAR) / 2
        sheet.rule(x, bar, x + BAR, bar, thickness=0.3, colour=INK)
        for end in (x, x + BAR):
            sheet.rule(end, bar - 1.4, end, bar + 1.4, thickness=0.3, colour=INK)
        traced = "outline traced" if self.document["frame"]["outline"] else "no outline on record: box only"
        with sheet.element("P"):
            sheet.text(x - 2.0, bar + 0.9, f"seen as facing the wearer; {traced}", size=SMALL, colour=SOFT, anchor="end")
            sheet.text(
                x + BAR + 2.0,
                bar + 0.9,
                "this bar is 50 mm; the pair is 1:1 when printed unscaled",
                size=SMALL,
                colour=SOFT,
            )
        return bar + 5.0

    def _picture_page(self, picture: Picture) -> None:
        with self.sheet.element("P"):
            self.sheet.text(LEFT, 22.0, f"Order {self.number}, drawing", size=HEAD, bold=True)
        if picture.width > PAGE_WIDTH - 8 or picture.height > 230:
            with self.sheet.element("P"):
                self.sheet.text(LEFT, 32.0, "The pair is larger than this page at true size and is not drawn.", size=BODY)
        else:
            self._picture(picture, 32.0)

    # --- words ----------------------------------------------------------------------------------------------------------

    def _columns(self, y: float) -> None:
        """Two columns of words below the drawing; what does not fit is kept for the pages after."""
        self.sheet.rule(LEFT, y - 3.8, RIGHT, y - 3.8)
        kept: list[Line] = []
        room = self.bottom - y
        columns = self.columns
        if self.deepest > room:  # a little tighter rather than a second page for two lines
            columns = [measured(blocks(self.document), COLUMN, BODY - 0.8) for blocks in (left_blocks, right_blocks)]
        free = LEFT, y
        for x, lines in zip((LEFT, SECOND), columns, strict=True):
            fits = fitting(lines, room)
            end = self._set(x, y, lines[:fits])
            kept += continued(lines, fits, COLUMN)
            free = free if x == SECOND else (x, end)
        # a part that the right column has no room for may still stand below the left one
        fits = fitting(kept, self.bottom - free[1]) if kept and kept[0].heading else 0
        self._set(*free, kept[:fits])
        self.rest = continued(kept, fits, COLUMN) + measured(self.later, COLUMN)

    def _set(self, x: float, y: float, lines: list[Line]) -> float:
        """Sets measured lines, those of one row as one paragraph; returns the baseline of a next one."""
        at = 0
        while at < len(lines):
            end = at + 1
            while end < len(lines) and lines[end].row is lines[at].row:
                end += 1
            with self.sheet.element("H2" if lines[at].heading else "P"), self.sheet.marked(lines[at].actual):
                for k, line in enumerate(lines[at:end], at + 1):
                    y += line.before
                    if line.label:
                        self.sheet.text(x, y, spaced(line.label), size=line.size, colour=SOFT)
                    text = spaced(line.text) if k < end else line.text
                    self.sheet.text(x + line.indent, y, text, size=line.size, bold=line.bold, colour=line.colour)
                    y += leading(line.size)
            at = end
        return y

    def _pages_of(self, lines: list[Line]) -> list[list[list[Line]]]:
        """The lines that are left, in two columns a page."""
        pages: list[list[list[Line]]] = []
        while lines:
            columns, at = [], 0
            for _ in range(2):
                fits = fitting(lines[at:], self.bottom - 30.0) if lines[at:] else 0
                columns.append(lines[at : at + fits])
                at += fits
            pages.append(columns)
            lines = continued(lines, at, COLUMN)
        return pages

    # --- foot -----------------------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        self.sheet.next_page()
        self.sheet.text(LEFT, 14.0, f"Lens order {self.number}", size=SMALL, colour=SOFT)
        self.sheet.rule(LEFT, 16.0, RIGHT, 16.0, thickness=0.5, colour=PEN)

    def _foot_lines(self) -> list[str]:
        people = self.document["people"]
        words = f"Dispensed by {person(people['dispensed_by'])}."
        if people["signed_by"]:
            words += f" Signed by {person(people['signed_by'])}."
        words += f" Issued by {person(people['issued_by'])}."
        lines = wrap(words, RIGHT - LEFT, SMALL + 0.6)
        if len(lines) > 3:
            self.later.append(Block("Who answers for it", (Row("", words),)))
            lines = [*lines[:2], "… in full on a later page"]
        return lines

    def _foot(self, page: int, pages: int) -> None:
        y = self.bottom + 4.0
        self.sheet.rule(LEFT, y - 3.6, RIGHT, y - 3.6)
        with self.sheet.element("P"):
            self.sheet.lines(LEFT, y, self.foot, size=SMALL + 0.6)
        with self.sheet.element("P"):
            self.sheet.text(LEFT, FOOT, f"SHA-256 of the order {self.digest}", size=6.2, colour=SOFT)
        if self.sheet.missing:
            self.sheet.text(RIGHT - 36.0, FOOT, "□ a sign this type does not have", size=6.2, colour=SOFT, anchor="end")
        more = page < pages  # who holds this page only has to see that it is not all
        words = f"page {page} of {pages}" + (", continues" if more else "")
        self.sheet.text(RIGHT, FOOT, words, size=BODY if more else SMALL, bold=more, anchor="end")


# --- cells --------------------------------------------------------------------------------------------------------------


def _power_cells(lens: Document) -> tuple[str, ...]:
    prism = lens["prism"]
    return (
        power(lens["sphere"]),
        power(lens["cylinder"]),
        axis(lens["axis"]),
        power(lens["addition"]),
        prism_part(prism["horizontal"]),
        prism_part(prism["vertical"]),
        prism_resultant(prism),
    )


def _same(prescribed: Document, ordered: Document) -> bool:
    """Whether the prescription and the order ask for one and the same lens, whatever the cylinder form."""
    if (prescribed["addition"], prescribed["prism"]) != (ordered["addition"], ordered["prism"]):
        return False
    return _form(prescribed) == _form(ordered)


def _form(lens: Document) -> tuple[Decimal, Decimal, Decimal | None]:
    """Sphere, cylinder and axis in minus cylinder form."""
    sphere, cylinder = Decimal(lens["sphere"]), Decimal(lens["cylinder"])
    if cylinder == 0:
        return sphere, cylinder, None
    along = Decimal(lens["axis"])
    if cylinder > 0:
        return sphere + cylinder, -cylinder, (along + 90) % 180
    return sphere, cylinder, along % 180


def _decentration(text: str | None) -> str:
    if text is None:
        return NONE
    value = Decimal(text)
    return f"{length(text.lstrip('-'))} {'in' if value > 0 else 'out'}" if value else "0.0"
