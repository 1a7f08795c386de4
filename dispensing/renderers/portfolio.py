"""The record of cases on paper, for a training portfolio: counts, agreement with its picture, returns by place; no client in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dispensing.drawings.page import INK, PAGE_HEIGHT, PAGE_WIDTH, PEN, SOFT, Sheet, wrap
from dispensing.drawings.shapes import Picture
from dispensing.training.agreeing import LEAST, by_quarter
from dispensing.training.pictures import limits_picture, signed, trend_picture
from dispensing.training.record import Record, places_of

LEFT, RIGHT, TOP, END = 18.0, PAGE_WIDTH - 18.0, 18.0, PAGE_HEIGHT - 18.0
BODY, SMALL, LINE = 9.0, 7.5, 5.0


def portfolio(record: Record, *, place_words: dict[str, str], made_at: datetime, month: str) -> bytes:
    """`month`: what stands in the heading ("November 2026")."""
    name = record.person.display_name
    sheet = Sheet(title=f"Record of cases, {name}", author=name, subject="Training portfolio", made_at=made_at)
    return _Portfolio(sheet, record, place_words).draw(name, month)


class _Portfolio:
    def __init__(self, sheet: Sheet, record: Record, place_words: dict[str, str]) -> None:
        self.sheet, self.record, self.words = sheet, record, place_words
        self.y = TOP

    def draw(self, name: str, month: str) -> bytes:
        sheet, r = self.sheet, self.record
        with sheet.element("H1"):
            sheet.text(LEFT, self.y + 4, "Record of cases", size=17, bold=True)
        self.y += 11
        self._line(
            f"{name} · {month} · {len(r.cases)} cases. Client details are removed; comments are left out.", colour=SOFT
        )
        for title, rows in r.tables:
            self._heading(title)
            self._table(["", "cases", "of these returned"], [[w, str(n), str(k)] for w, n, k in rows], (92, 30, 40))
        self._agreement()
        self._returns()
        self._foot()
        return sheet.data()

    def _agreement(self) -> None:
        self._heading("Agreement with independent re-measures")
        if not self.record.by_quantity:
            self._line("No reading has been re-measured blind yet.")
            return
        self._line(
            "Adopted minus re-measured, mm, with 95 % confidence limits (Bland & Altman, Lancet 1986; i: 307–310).",
            colour=SOFT,
        )
        rows = []
        for pairs, found in self.record.agreements:
            if found is None:
                rows.append([pairs.name, str(pairs.n), f"too few to say (below {LEAST})", "", ""])
            else:
                rows.append(
                    [
                        pairs.name,
                        str(found.n),
                        f"{signed(found.bias, 2)} ({signed(found.bias_low, 2)} to {signed(found.bias_high, 2)})",
                        f"{signed(found.lower, 2)} ({signed(found.lower_low, 2)} to {signed(found.lower_high, 2)})",
                        f"{signed(found.upper, 2)} ({signed(found.upper_low, 2)} to {signed(found.upper_high, 2)})",
                    ]
                )
        self._table(["", "pairs", "mean difference", "lower limit", "upper limit"], rows, (22, 14, 46, 46, 46))
        for pairs, found in self.record.agreements:
            if found is not None:
                self._picture(
                    limits_picture(pairs, found), f"{pairs.name}: each difference against the mean of both readings"
                )
            if (trend := trend_picture(pairs)) is not None and found is not None:
                self._picture(trend, f"{pairs.name}: differences over time")
            if found is not None:
                self._table(
                    [f"{pairs.name} over time", "pairs", "mean difference", "mean size", "outside"],
                    [
                        [
                            p.name,
                            str(p.n),
                            *([signed(p.mean, 2), f"{p.mean_size:.2f}"] if p.enough else ["too few", ""]),
                            f"{p.outside} of {p.judged}",
                        ]
                        for p in by_quarter(pairs)
                    ],
                    (50, 18, 36, 30, 30),
                )
        methods = [
            [p.name, str(p.n)]
            + (
                [f"too few to say (below {LEAST})", ""]
                if (f := p.found) is None
                else [signed(f.bias, 2), f"{signed(f.lower, 2)} to {signed(f.upper, 2)}"]
            )
            for p in self.record.by_method
        ]
        self._table(["By method", "pairs", "mean difference", "limits of agreement"], methods, (60, 18, 48, 48))

    def _returns(self) -> None:
        returned = self.record.returned
        self._heading("Returned")
        if not returned:
            self._line("None of these cases was returned.")
            return
        rows = [
            [f"{c.on:%b %Y}", c.family, str(len(c.returns)), "; ".join(places_of(c, self.words)) or "said in a comment"]
            for c in returned
        ]
        self._table(["month", "lens", "times", "looked at again"], rows, (22, 40, 14, 98))

    # --- laying out -----------------------------------------------------------------------------------------------------

    def _room(self, needed: float) -> None:
        if self.y + needed > END:
            self._foot()
            self.sheet.next_page()
            self.y = TOP

    def _foot(self) -> None:
        self.sheet.text(RIGHT, PAGE_HEIGHT - 10, f"page {self.sheet.page}", size=SMALL, colour=SOFT, anchor="end")

    def _heading(self, text: str) -> None:
        self._room(24)
        self.y += 9
        with self.sheet.element("H2"):
            self.sheet.text(LEFT, self.y, text, size=11, bold=True, colour=PEN)
        self.y += 5.5

    def _line(self, text: str, *, colour: str = INK) -> None:
        lines = wrap(text, RIGHT - LEFT, BODY)
        self._room(LINE * len(lines))
        with self.sheet.element("P"):
            self.y = self.sheet.lines(LEFT, self.y, lines, size=BODY, colour=colour) + 0.8

    def _picture(self, picture: Picture, title: str) -> None:
        self._room(picture.height + 4 + LINE)
        self._line(title)
        self.sheet.picture(picture, LEFT, self.y)
        self.y += picture.height + 4

    def _table(self, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]) -> None:
        if not rows:
            return
        self._room(LINE * 3)
        with self.sheet.element("Table"):
            self._row(head, widths, header=True)
            for row in rows:
                self._row(row, widths)
        self.y += 3

    def _row(self, cells: Sequence[str], widths: Sequence[float], *, header: bool = False) -> None:
        wrapped = [
            wrap(text, wide - 2, SMALL if header else BODY) if text else []
            for text, wide in zip(cells, widths, strict=True)
        ]
        tall = max((len(lines) for lines in wrapped), default=1) * 4.2 + 1.2
        self._room(tall)
        x = LEFT
        with self.sheet.element("TR"):
            for number, (lines, wide) in enumerate(zip(wrapped, widths, strict=True)):
                kind = "TH" if header or number == 0 else "TD"
                with self.sheet.element(kind, scope="Column" if header else "Row"):
                    if lines:
                        self.sheet.lines(x, self.y, lines, size=SMALL if header else BODY, colour=SOFT if header else INK)
                x += wide
        self.sheet.rule(LEFT, self.y + tall - 4.0, LEFT + sum(widths), self.y + tall - 4.0, thickness=0.1)
        self.y += tall
