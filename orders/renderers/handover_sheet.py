"""What the client takes home: what they have, how to care for it, what to expect, when to come back. Plain words, large type on wish."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dispensing.case import EYES
from dispensing.drawings.page import PAGE_HEIGHT, PAGE_WIDTH, PEN, SOFT, STOP, Sheet, leading, wrap
from orders.handover.points import Saying

from .words import FAMILIES, NONE, axis, day, moment, power, prism_part

LEFT, RIGHT, BOTTOM = 18.0, PAGE_WIDTH - 18.0, PAGE_HEIGHT - 20.0
FOOT = 14.0  # mm of room below the rule
USUAL, LARGE = 11.0, 18.0  # points; 18 is usual for print that partially sighted people read (common practice)
TITLES = (
    ("what", "What you have"),
    ("expect", "The first two weeks"),
    ("caution", "Please mind"),
    ("care", "Looking after them"),
)
OTHER = "If something is loose, bent or presses, come in: adjusting takes a few minutes. Ask us before you put them in order yourself."


def render(
    document: dict[str, Any], said: tuple[Saying, ...], *, client: str, on: datetime, by: str, large: bool = False
) -> bytes:
    """The sheet as PDF, tagged, in `USUAL` or `LARGE` type. The same input gives the same bytes."""
    return _Handover(document, said, client, on, by, LARGE if large else USUAL).draw()


class _Handover:
    def __init__(
        self, document: dict[str, Any], said: tuple[Saying, ...], client: str, on: datetime, by: str, size: float
    ) -> None:
        self.document, self.said, self.client, self.on, self.by, self.size = document, said, client, on, by, size
        branch = document["branch"]
        self.branch = branch
        self.sheet = Sheet(
            title="Your new spectacles", author=branch["name"], subject="What you have, how to care for it, when to come back",
            made_at=on,
        )  # fmt: skip
        self.y = 0.0
        words = " · ".join(t for t in (branch["name"], branch["address"].replace("\n", ", "), branch["phone"]) if t)
        if by:
            words += f" · handed over by {by}"
        self.foot_size = max(9.0, size * 0.75)
        # as many lines as it needs: a long address takes from the page, not from the size of the type
        self.foot = wrap(words, RIGHT - LEFT, self.foot_size)
        self.bottom = BOTTOM + min(0.0, FOOT - len(self.foot) * leading(self.foot_size))

    def draw(self) -> bytes:
        sheet, size = self.sheet, self.size
        with sheet.element("H1"):
            sheet.text(LEFT, 24.0, "Your new spectacles", size=size * 1.7, bold=True, colour=PEN)
        sheet.rule(LEFT, 27.0, RIGHT, 27.0, thickness=0.5, colour=PEN)
        self.y = 29.0 + leading(size)
        at = moment(self.on.strftime("%Y-%m-%dT%H:%M:%SZ"), self.branch["time_zone"])
        # the date first: a line that begins with a name written from right to left would turn the date round
        self._words(f"{at.split(',')[0]} · {self.client}", bold=True)
        lens, frame = self.document["lens"], self.document["frame"]
        what = f"{FAMILIES[lens['design']['family']].capitalize()} lenses, {lens['material']['name']}"
        if lens["coating"]:
            what += f", {lens['coating']}"
        if lens["tint"]:
            what += f", {lens['tint']['name']}"
        for group, title in TITLES:
            texts = [s.client for s in self.said if s.group == group]
            if group == "what":
                texts = [what + ".", *([f"Frame: {frame['name']}."] if frame["name"] else []), *texts]
            if group == "care":
                texts.append(OTHER)
            if texts:
                self._part(title, texts, STOP if group == "caution" else PEN)
        self._powers()
        self._foot()
        return sheet.data()

    def _words(self, text: str, *, bold: bool = False, indent: float = 0.0, colour: str = "ink", size: float = 0.0) -> None:
        size = size or self.size
        lines = wrap(text, RIGHT - LEFT - indent, size, bold=bold)
        self._room(len(lines) * leading(size))
        with self.sheet.element("P"):
            self.y = self.sheet.lines(LEFT + indent, self.y, lines, size=size, bold=bold, colour=colour)

    def _part(self, title: str, texts: list[str], colour: str) -> None:
        self.y += leading(self.size) * 0.45
        self._room(3 * leading(self.size))
        with self.sheet.element("H2"):
            self.sheet.text(LEFT, self.y, title, size=self.size * 1.2, bold=True, colour=colour)
        self.y += leading(self.size * 1.2)
        for text in texts:
            lines = wrap(text, RIGHT - LEFT - 5.0, self.size)
            self._room(len(lines) * leading(self.size))
            self.sheet.box(LEFT + 0.6, self.y - self.size * 0.18, 1.3, 1.3, fill=(0.07, 0.30, 0.56))
            with self.sheet.element("P"):
                self.y = self.sheet.lines(LEFT + 5.0, self.y, lines, size=self.size)
            self.y += leading(self.size) * 0.15

    def _powers(self) -> None:
        size = max(9.0, self.size * 0.8)
        self.y += leading(self.size) * 0.6
        self._words("Powers of these lenses", bold=True, size=size, colour=SOFT)
        for eye in EYES:
            o = self.document["lenses"][eye]["ordered"]
            if o is None:
                self._words(f"{eye.capitalize()}: balance lens", size=size)
                continue
            parts = [power(o["sphere"])]
            if o["axis"] is not None:
                parts.append(f"{power(o['cylinder'])} × {axis(o['axis'])}")
            if o["addition"] is not None:
                parts.append(f"add {power(o['addition'])}")
            prism = [t for t in (prism_part(o["prism"]["horizontal"]), prism_part(o["prism"]["vertical"])) if t != NONE]
            if prism:
                parts.append("prism " + ", ".join(prism))
            self._words(f"{eye.capitalize()}: {'  '.join(parts)}", size=size)
        written = self.document["prescription"]["written_on"]
        if written:
            self._words(f"Prescription of {day(written)}", size=size)

    def _room(self, needed: float) -> None:
        if self.y + needed > self.bottom - 4.0:
            self._foot()
            self.sheet.next_page()
            self.y = 24.0

    def _foot(self) -> None:
        self.sheet.rule(LEFT, self.bottom, RIGHT, self.bottom)
        with self.sheet.element("P"):
            self.sheet.lines(LEFT, self.bottom + leading(self.foot_size), self.foot, size=self.foot_size)
