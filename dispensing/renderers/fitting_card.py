"""The fitting card: one sheet of A4 for those who measure on paper first and type afterwards.

The same parts in the same order as the sheet on the screen, the same picture at true size, blanks to fill. What is on record already
(prescription, frame, lens) is printed; readings are always blank, because a card is printed to take them.
"""

from __future__ import annotations

from dataclasses import dataclass

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED, Case, Frame, PrescribedLens, Prescription
from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.numbers import mm
from dispensing.drawings.page import INK, PAGE_HEIGHT, PAGE_WIDTH, PEN, SOFT, Sheet, fitting_size, width, wrap
from dispensing.drawings.pair import measuring_picture
from dispensing.figures import Figures

LEFT, RIGHT = 12.0, PAGE_WIDTH - 12.0
SMALL, BODY = 6.8, 8.0
BAR = 50.0

USES = (
    ("all_round", "all-round"),
    ("distance", "distance"),
    ("intermediate", "intermediate"),
    ("near", "near"),
    ("screens", "screens"),
    ("driving_day", "driving by day"),
    ("driving_night", "driving at night"),
    ("safety", "safety"),
    ("sport", "sport"),
    ("sun", "sun"),
)
MOUNTS = (("full_rim", "full rim"), ("grooved", "grooved"), ("drilled", "drilled"))
SET_UP = "level", "bridge seated", "sides bent", "distance lenses clean, old marks off"
BEFORE = (
    "Before reading: frame in its final place · your eyes and the client's at one level · client relaxed, looking far · "
    "each eye by itself, then both · ask again after some talk."
)
REFERENCES = "height from:   □ lower box tangent   □ rim below pupil, to bevel   □ visible rim below pupil   □ datum line (below is −)"
METHODS = "P pupillometer · R rule · M marked lens · C clip-on scale (full rims only) · L levelled gauge · T target gauge, mirror · F photograph"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """Whose card it is."""

    reference: str  # of the dispense
    client: str
    born: str = ""
    branch: str = ""
    dispenser: str = ""
    printed: str = ""  # date, as it is to be read


def fitting_card(heading: Heading, case: Case, figures: Figures) -> bytes:
    """The card as PDF, one page, tagged, fonts embedded."""
    sheet = Sheet(title=f"Fitting card {heading.reference}", author=heading.branch, subject="Measurements to be taken")
    return _Card(sheet, heading, case, figures).draw()


class _Card:
    def __init__(self, sheet: Sheet, heading: Heading, case: Case, figures: Figures) -> None:
        self.sheet, self.heading, self.case, self.figures = sheet, heading, case, figures
        self.frame = case.frame or Frame()

    def draw(self) -> bytes:
        y = self._head()
        for number, (title, part) in enumerate(
            (
                ("Needs", self._needs),
                ("Prescription", self._prescription),
                ("Frame", self._frame),
                ("Final fit", self._fit),
                ("Readings", self._readings),
                ("Lens", self._lens),
            ),
            1,
        ):
            with self.sheet.element("H2"):
                self.sheet.text(LEFT, y, f"{number}  {title}", size=9, bold=True, colour=PEN)
            y = part(y)
        self._notes(y)
        self._foot()
        return self.sheet.data()

    # --- small things -------------------------------------------------------------------------------------------------

    def _blank(self, x: float, y: float, label: str, wide: float, value: str = "", unit: str = "") -> float:
        """A label, a line to write on (or what is on record), a unit; returns the x behind it."""
        sheet = self.sheet
        with sheet.element("P"), sheet.marked():
            sheet.text(x, y, label, size=BODY, colour=SOFT)
            x += _width(label, BODY) + (1.5 if label else 0.0)
            if value:
                size = fitting_size(value, wide - 1.0, 9.0, 4.5, bold=True)
                if size is None:
                    value = wrap(value, wide - 4.0, 4.5, bold=True)[0] + "…"
                    size = 4.5
                sheet.text(x + 0.5, y, value, size=size, bold=True)
            if unit:
                sheet.text(x + wide + 1.0, y, unit, size=SMALL, colour=SOFT)
        sheet.rule(x, y + 1.0, x + wide, y + 1.0, thickness=0.15)
        return x + wide + (_width(unit, SMALL) + 4.0 if unit else 3.0)

    def _tick(self, x: float, y: float, label: str, on: bool = False) -> float:
        """A box to tick, ticked where it is on record."""
        self.sheet.box(x, y - 2.5, 2.9, 2.9, line=INK, thickness=0.2)
        if on:
            self.sheet.rule(x + 0.5, y - 1.1, x + 1.2, y - 0.1, thickness=0.45, colour=INK)
            self.sheet.rule(x + 1.2, y - 0.1, x + 2.7, y - 2.4, thickness=0.45, colour=INK)
        with self.sheet.element("P"):
            self.sheet.text(x + 4.0, y, label, size=BODY, bold=on)
        return x + 4.0 + _width(label, BODY, on) + 3.4

    # --- parts --------------------------------------------------------------------------------------------------------

    def _head(self) -> float:
        sheet, h = self.sheet, self.heading
        with sheet.element("H1"):
            sheet.text(LEFT, 13.5, "Fitting card", size=10, bold=True, colour=PEN)
            size = fitting_size(h.client, 118.0, 17, 6, bold=True)
            if size is None:
                sheet.lines(LEFT, 17.5, wrap(h.client, 118.0, 6, bold=True)[:3], size=6, bold=True)
            else:
                sheet.text(LEFT, 21.0, h.client, size=size, bold=True)
        wide = sheet.barcode(RIGHT + 3.0, 8.0, h.reference, wide=64.0, high=9.0, alternative=f"Code 128: {h.reference}")
        with sheet.element("P"):
            sheet.text(RIGHT + 3.0 - wide / 2, 20.6, h.reference, size=BODY, bold=True, anchor="middle")
            parts = [f"born {h.born}" if h.born else "", h.branch, h.dispenser, f"printed {h.printed}" if h.printed else ""]
            line = " · ".join(p for p in parts if p)
            size = fitting_size(line, RIGHT - LEFT, SMALL + 0.6, 4.0) or 4.0
            sheet.text(LEFT, 26.4, wrap(line, RIGHT - LEFT, size)[0], size=size, colour=SOFT)
        sheet.rule(LEFT, 22.8, RIGHT, 22.8, thickness=0.5, colour=PEN)
        return 32.5

    def _needs(self, y: float) -> float:
        needs = self.case.needs
        x = LEFT + 26.0
        for code, label in USES:
            if x + _width(label, BODY, True) + 8.0 > RIGHT:
                x, y = LEFT + 26.0, y + 5.0
            x = self._tick(x, y, label, code in needs.uses)
        y += 6.0
        x = self._blank(
            LEFT + 26.0,
            y,
            "working distance",
            16.0,
            mm(needs.working_distance_mm) if needs.working_distance_mm else "",
            "mm",
        )
        x = self._tick(x + 1.0, y, "first progressive", needs.first_progressive)
        self._blank(x, y, "wish", RIGHT - x - _width("wish", BODY) - 3.0, needs.wish)
        return y + 8.0

    def _prescription(self, y: float) -> float:
        rx = self.case.prescription or Prescription()
        edges = [LEFT + 26.0 + k for k in (0, 8, 29, 50, 66, 87, 110, 136, 160)]
        heads = ("", "sphere", "cylinder", "axis", "addition", "intermediate add", "prism, base in/out", "prism, up/down")
        with self.sheet.element("Table"):
            with self.sheet.element("TR"):
                for left, head in zip(edges, heads, strict=False):
                    if head:
                        with self.sheet.element("TH"):
                            self.sheet.text(left + 1.0, y - 1.0, head, size=SMALL, colour=SOFT)
            for eye in EYES:
                top = y
                y += 6.6
                with self.sheet.element("TR"):
                    with self.sheet.element("TH", scope="Row"):
                        self.sheet.text(edges[0] + 1.5, y - 1.9, eye[0].upper(), size=11, bold=True)
                    for left, right, cell in zip(edges[1:], edges[2:], _rx_cells(rx.of(eye)), strict=False):
                        self.sheet.box(left, top, right - left, 6.6, line=SOFT, thickness=0.15)
                        if cell:
                            with self.sheet.element("TD"):
                                self.sheet.text(right - 1.5, y - 1.9, cell, size=9.5, bold=True, anchor="end")
        y += 5.0
        x = self._blank(LEFT + 26.0, y, "vertex, tested", 14.0, mm(rx.vertex_mm) if rx.vertex_mm is not None else "", "mm")
        x = self._blank(x, y, "written on", 24.0, f"{rx.written_on.day} {rx.written_on:%b %Y}" if rx.written_on else "")
        x = self._blank(x, y, "by", 46.0, rx.prescriber)
        self._tick(x, y, "read back", rx.read_back == "matched")
        return y + 8.0

    def _frame(self, y: float) -> float:
        f = self.frame
        x = self._blank(LEFT + 26.0, y, "frame", 74.0, f.name)
        for code, label in MOUNTS:
            x = self._tick(x, y, label, f.mount == code)
        y += 6.2
        x = LEFT + 26.0
        for label, value in (("a", f.a), ("b", f.b), ("between lenses", f.dbl), ("effective Ø", f.ed), ("side", f.side)):
            x = self._blank(x, y, label, 13.0, mm(value) if value is not None else "", "mm")
        return y + 8.0

    def _fit(self, y: float) -> float:
        x = LEFT + 26.0
        for label in SET_UP[:3]:
            x = self._tick(x, y, label)
        x = self._blank(x, y, "vertex", 12.0, "", "mm")
        x = self._blank(x, y, "pantoscopic", 12.0, "", "°")
        self._blank(x, y, "face form", 12.0, "", "°")
        y += 5.2
        with self.sheet.element("P"):
            size = fitting_size(BEFORE, RIGHT - LEFT - 26.0, SMALL, 5.0) or 5.0
            self.sheet.text(LEFT + 26.0, y, BEFORE, size=size, colour=SOFT)
        return y + 7.6

    def _readings(self, y: float) -> float:
        sheet = self.sheet
        rows = ["PD far", "PD near", "height"]
        design = self.case.lens.design
        if design is not None and design.family in SEGMENTED:
            rows[2:] = ["segment top", "pupil height"]
        elif design is None or design.family in MULTIFOCAL:
            rows[2] = "fitting height"
        label, left = LEFT + 26.0, LEFT + 52.0
        widths = [14.5, 14.5, 14.5, 21.0]
        half = sum(widths) + 4.5
        with sheet.element("Table"):
            with sheet.element("TR"):
                for k, eye in enumerate(("R", "L")):
                    x = left + k * half
                    with sheet.element("TH"):
                        sheet.text(x, y + 3.2, eye, size=10, bold=True)
                    for n, head in enumerate(("1st", "2nd", "3rd", "adopted")):
                        with sheet.element("TH"):
                            sheet.text(
                                x + sum(widths[:n]) + widths[n] / 2 + 1.0,
                                y + 3.2,
                                head,
                                size=SMALL,
                                colour=SOFT,
                                anchor="middle",
                            )
            y += 4.4
            for row in rows:
                with sheet.element("TR"), sheet.element("TH", scope="Row"):
                    sheet.text(label, y + 5.6, row, size=BODY, bold=True)
                for k in range(2):
                    x = left + k * half
                    for n, w in enumerate(widths):
                        sheet.box(x, y, w, 8.4, line=INK if n == 3 else SOFT, thickness=0.4 if n == 3 else 0.15)
                        x += w
                y += 8.4
        y += 5.4
        x = self._blank(label, y, "both eyes: PD far", 14.0, "", "mm")
        x = self._blank(x, y, "PD near", 14.0, "", "mm")
        x = self._blank(x, y, "your eye above theirs", 12.0, "", "mm")
        self._blank(x, y, "at", 12.0, "", "mm")
        y += 5.4
        with sheet.element("P"):
            sheet.text(label, y, REFERENCES, size=SMALL + 0.4)
        y += 4.2
        with sheet.element("P"):
            sheet.text(label, y, METHODS, size=SMALL, colour=SOFT)
        picture = measuring_picture(geometry_of(self.case, self.figures))
        y += 1.0
        if picture.width > RIGHT - LEFT + 10 or y + picture.height + 36.0 > PAGE_HEIGHT - 20.0:
            y += 4.0
            with sheet.element("P"):
                sheet.text(
                    label, y, "The pair is larger than the room here at true size and is not drawn.", size=BODY, colour=SOFT
                )
            return y + 8.0
        sheet.picture(picture, (PAGE_WIDTH - picture.width) / 2, y)
        y += picture.height - 2.0
        x = (PAGE_WIDTH - BAR) / 2
        sheet.rule(x, y, x + BAR, y, thickness=0.3, colour=INK)
        for end in (x, x + BAR):
            sheet.rule(end, y - 1.2, end, y + 1.2, thickness=0.3, colour=INK)
        with sheet.element("P"):
            sheet.text(x - 2.0, y + 0.9, "mark the pupil centres as you see them", size=SMALL, colour=SOFT, anchor="end")
            sheet.text(x + BAR + 2.0, y + 0.9, "this bar is 50 mm when printed unscaled", size=SMALL, colour=SOFT)
        return y + 7.4

    def _lens(self, y: float) -> float:
        lens = self.case.lens
        x = self._blank(LEFT + 26.0, y, "design", 62.0, lens.design.name if lens.design else "")
        self._blank(
            x, y, "material", RIGHT - x - _width("material", BODY) - 3.0, lens.material.name if lens.material else ""
        )
        y += 6.4
        x = self._blank(LEFT + 26.0, y, "coating", 40.0, lens.coating)
        x = self._blank(x, y, "tint", 40.0, lens.tint.name if lens.tint else "")
        self._blank(x, y, "blank Ø", 14.0, mm(lens.blank_diameter_mm) if lens.blank_diameter_mm else "", "mm")
        y += 6.4
        self._blank(LEFT + 26.0, y, "remark", RIGHT - LEFT - 26.0 - _width("remark", BODY) - 3.0, lens.remark)
        return y + 8.0

    def _notes(self, y: float) -> None:
        """Lines to write on, as many as there is room for."""
        first = y
        while y + 4.0 < PAGE_HEIGHT - 26.0:
            y += 8.0
            if y - first < 9.0:
                with self.sheet.element("P"):
                    self.sheet.text(LEFT + 26.0, y - 1.0, "notes", size=BODY, colour=SOFT)
            self.sheet.rule(LEFT + 26.0 + (12.0 if y - first < 9.0 else 0.0), y, RIGHT, y, thickness=0.15)

    def _foot(self) -> None:
        y = PAGE_HEIGHT - 15.0
        x = self._blank(LEFT, y, "measured by", 50.0)
        x = self._blank(x, y, "on", 26.0)
        self._blank(x, y, "seen by", RIGHT - x - _width("seen by", BODY) - 3.0)
        self.sheet.text(
            RIGHT,
            PAGE_HEIGHT - 8.0,
            "This card is an aid to memory: the record is what is typed and adopted.",
            size=6.2,
            colour=SOFT,
            anchor="end",
        )


def _width(text: str, size: float, bold: bool = False) -> float:
    return width(text, size, bold=bold)


def _rx_cells(lens: PrescribedLens) -> tuple[str, ...]:
    def power(value: float | None) -> str:
        return "" if value is None else ("+" if value > 0 else "−" if value < 0 else "") + f"{abs(value):.2f}"

    def prism(amount: float | None, base: str | None) -> str:
        return f"{amount:.2f} {base or ''}".strip() if amount else ""

    axis = "" if lens.axis is None else f"{lens.axis:g}"
    return (
        "balance" if lens.balance and lens.sphere is None else power(lens.sphere),
        power(lens.cylinder),
        axis,
        power(lens.add),
        power(lens.intermediate_add),
        prism(lens.prism_h, lens.base_h),
        prism(lens.prism_v, lens.base_v),
    )
