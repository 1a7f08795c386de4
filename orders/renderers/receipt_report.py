"""The receipt verdict on paper: every quantity with its bar, what was decided and why. Goes back to the lab with a rejected pair."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from dispensing.drawings.page import CONFIRM, INK, PAGE_HEIGHT, PAGE_WIDTH, PEN, SOFT, STOP, Sheet, leading, wrap
from orders.receipt.present import Line, View
from orders.receipt.tables import MUST_BE_CHECKED

from .words import moment

LEFT, RIGHT = 12.0, PAGE_WIDTH - 12.0
BOTTOM = PAGE_HEIGHT - 16.0
STEP = 5.4
# left edge of each column: quantity, ordered, found, difference, allowed, bar, verdict
COLUMNS = (LEFT, 74.0, 94.0, 110.0, 124.0, 128.0, RIGHT)
BODY, SMALL = 8.4, 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """What the report says besides the figures."""

    standard: str
    at: datetime
    by: str
    decision: str
    decided_by: str
    reason: str
    remark: str
    statement: str
    in_order: tuple[str, ...]


def render(document: dict[str, Any], view: View, about: About) -> bytes:
    """The report as PDF, tagged. The same input gives the same bytes."""
    order = document["order"]
    sheet = Sheet(
        title=f"Receipt check of order {order['number']}",
        author=document["branch"]["name"],
        subject=f"Finished spectacles held against their order by {about.standard}",
    )
    return _Report(sheet, document, view, about).draw()


class _Report:
    def __init__(self, sheet: Sheet, document: dict[str, Any], view: View, about: About) -> None:
        self.sheet, self.document, self.view, self.about = sheet, document, view, about
        self.number: str = document["order"]["number"]

    def draw(self) -> bytes:
        y = self._head()
        y = self._outcome(y)
        for group in self.view.groups:
            y = self._room(y, STEP * min(4, len(group.lines)) + 12.0)
            y = self._group(y, group.title, group.lines)
        y = self._room(y, 62.0)
        y = self._pictures(y)
        self._words(y)
        self._foot()
        return self.sheet.data()

    def _head(self) -> float:
        sheet, d = self.sheet, self.document
        with sheet.element("H1"):
            sheet.text(LEFT, 14.5, "Receipt check", size=10, bold=True, colour=PEN)
            sheet.text(LEFT, 23.5, self.number, size=22, bold=True)
        sheet.barcode(RIGHT + 3.0, 9.0, self.number, wide=80.0, high=11.0, alternative=f"Code 128: {self.number}")
        sheet.rule(LEFT, 26.0, RIGHT, 26.0, thickness=0.5, colour=PEN)
        at = self.about.at.strftime("%Y-%m-%dT%H:%M:%SZ")
        facts = (
            f"{d['branch']['name']} · made by {d['lab']['name']} · client {d['client']['reference']}",
            f"{d['lens']['design']['name']}, {d['lens']['material']['name']} · {d['frame']['name']}",
            f"Measured {moment(at, d['branch']['time_zone'])} by {self.about.by}, held against the ordered powers by {self.about.standard}",
        )
        with sheet.element("P"):
            return sheet.lines(LEFT, 31.0, [t for fact in facts for t in wrap(fact, RIGHT - LEFT, BODY)], size=BODY) + 1.0

    def _outcome(self, y: float) -> float:
        colour = {"within": PEN, "outside": STOP}.get(self.view.outcome, CONFIRM)
        lines = [self.view.words, *(f"{'; '.join(self.view.outside)}" if self.view.outside else "",)]
        rest = wrap(lines[1], RIGHT - LEFT - 8.0, BODY) if lines[1] else []
        said = f"Decision: {self.about.decision}"
        if self.about.decided_by:
            said += f", {self.about.decided_by}"
        if self.about.reason:
            said += f". {self.about.reason}"
        rest += wrap(said, RIGHT - LEFT - 8.0, BODY)
        high = 7.4 + len(rest) * leading(BODY)
        self.sheet.box(LEFT, y - 2.0, RIGHT - LEFT, high, line=colour, thickness=0.6)
        with self.sheet.element("P"):
            self.sheet.text(LEFT + 4.0, y + 2.6, lines[0], size=11, bold=True, colour=colour)
            self.sheet.lines(LEFT + 4.0, y + 7.0, rest, size=BODY)
        return y + high + 3.0

    def _group(self, y: float, title: str, lines: tuple[Line, ...]) -> float:
        sheet = self.sheet
        with sheet.element("H2"):
            sheet.text(LEFT, y + 3.0, title, size=9.4, bold=True)
        heads = ("", "ordered", "found", "difference", "allowed", "", "")
        y += 3.4
        with sheet.element("Table"):
            with sheet.element("TR"):
                for i, head in enumerate(heads):
                    if head:
                        with sheet.element("TH"):
                            sheet.text(COLUMNS[i] + 13.0, y, head, size=SMALL, colour=SOFT, anchor="end")
            y += 1.2
            for line in lines:
                y = self._room(y, STEP)
                sheet.rule(LEFT, y, RIGHT, y, thickness=0.08)
                base = y + STEP - 1.7
                bad = line.row.within is False
                with sheet.element("TR"):
                    cells = (f"{line.row.label}, {line.row.unit}", line.ordered, line.found, line.difference, line.allowed)
                    for i, cell in enumerate(cells):
                        with sheet.element("TH" if i == 0 else "TD"):
                            if i == 0:
                                sheet.text(COLUMNS[0], base, cell, size=BODY, bold=bad)
                            else:
                                sheet.text(
                                    COLUMNS[i] + 13.0, base, cell, size=BODY, bold=bad, anchor="end",
                                    colour=STOP if bad and i == 3 else INK,
                                )  # fmt: skip
                    with sheet.element("TD"):
                        sheet.text(RIGHT, base, line.said, size=SMALL, bold=bad, colour=STOP if bad else SOFT, anchor="end")
                    if line.bar is not None:
                        with sheet.element("TD"):
                            sheet.picture(_small(line), 138.0, y + 0.5)
                y += STEP
        return y + 3.0

    def _pictures(self, y: float) -> float:
        x = LEFT
        for picture in self.view.pictures:
            with self.sheet.element("P"):
                self.sheet.text(x, y + 2.4, picture.title, size=SMALL, colour=SOFT)
            self.sheet.picture(picture, x, y + 3.6)
            x += picture.width + 14.0
        return y + 56.0

    def _words(self, y: float) -> None:
        a = self.about
        parts = []
        if a.in_order:
            parts.append("Found in order: " + "; ".join(a.in_order) + ".")
        if a.statement:
            parts.append(f"Stated: {a.statement}")
        if a.remark:
            parts.append(f"Remark: {a.remark}")
        for part in parts:
            lines = wrap(part, RIGHT - LEFT, BODY)
            y = self._room(y, len(lines) * leading(BODY) + 2.0)
            with self.sheet.element("P"):
                y = self.sheet.lines(LEFT, y + 2.0, lines, size=BODY)

    def _room(self, y: float, needed: float) -> float:
        """The same y, or the top of a new page where what comes does not fit."""
        if y + needed <= BOTTOM - 6.0:
            return y
        self._foot()
        self.sheet.next_page()
        self.sheet.text(LEFT, 14.0, f"Receipt check of order {self.number}", size=SMALL, colour=SOFT)
        self.sheet.rule(LEFT, 16.0, RIGHT, 16.0, thickness=0.5, colour=PEN)
        return 22.0

    def _foot(self) -> None:
        self.sheet.rule(LEFT, BOTTOM, RIGHT, BOTTOM)
        with self.sheet.element("P"):
            self.sheet.lines(LEFT, BOTTOM + 3.6, wrap(MUST_BE_CHECKED, RIGHT - LEFT, SMALL), size=SMALL, colour=SOFT)


def _small(line: Line) -> Any:
    """The bar at two thirds, so that a line of the table keeps its height."""
    from dataclasses import replace

    from dispensing.drawings.shapes import Circle, Path

    picture = line.bar
    assert picture is not None
    k = 0.7
    shapes = tuple(
        replace(s, points=tuple((x * k, y * k) for x, y in s.points))
        if isinstance(s, Path)
        else replace(s, x=s.x * k, y=s.y * k, radius=s.radius * k)
        if isinstance(s, Circle)
        else s
        for s in picture.shapes
    )
    return replace(
        picture, left=picture.left * k, bottom=picture.bottom * k, width=picture.width * k, height=picture.height * k,
        shapes=shapes,
    )  # fmt: skip
