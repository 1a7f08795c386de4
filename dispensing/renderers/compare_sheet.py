"""Lenses compared, for the client: one sheet of A4 in plain words, the same drawings as the page at true size.

What a check says in the words of the trade is said here as the client would say it (`PLAIN`); every check of the lens that stops or
asks has its line, held by a test. It is advice to take home, no order and no quotation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dispensing.case import Case
from dispensing.checks import Finding, registry
from dispensing.compare import Row
from dispensing.drawings.edge import edge_picture
from dispensing.drawings.geometry import geometry_of
from dispensing.drawings.numbers import mm1
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
    wrap,
)
from dispensing.drawings.shapes import Picture, Text
from dispensing.figures import Figures

LEFT, RIGHT = 14.0, PAGE_WIDTH - 14.0
WIDE = RIGHT - LEFT
BOTTOM = PAGE_HEIGHT - 34.0
BODY, SMALL = 9.0, 7.4
NIGHT_PERCENT = 75.0  # ISO 12312-1 and ISO 8980-3: below this luminous transmittance not for driving at night
EVEN_MM = 0.3  # a difference nobody sees
EVEN_G = 1.0

FAMILY: dict[str, str] = {
    "single_vision": "One power over the whole lens.",
    "round_bifocal": "Two powers with a visible round reading window.",
    "flat_top_bifocal": "Two powers with a visible reading window, flat on top.",
    "trifocal": "Three powers with two visible lines: far, arm's length, near.",
    "progressive": "Far at the top, near at the bottom, no line between; the sides of the lower half are less clear.",
    "degressive": "For near and arm's length; not for the distance and not for driving.",
}
IMPACT: dict[str, str] = {
    "high": "Stands a knock well.",
    "good": "Stands a knock better than ordinary resin.",
    "basic": "Ordinary resistance to knocks.",
    "low": "Breaks more easily than ordinary resin.",
}
PLAIN: dict[str, str] = {
    "lens.height-under-minimum": "This frame is too shallow for it: part of the reading area would be cut off.",
    "lens.room-above": "This frame leaves little lens above the eyes: the area for looking far would be narrow.",
    "lens.corridor-cut": "This frame leaves little reading area.",
    "lens.corridor-spare": "A softer version of this kind of lens would fit as well.",
    "lens.corridor-unknown": "Whether it fits this frame has to be asked of the maker.",
    "segment.position": "The reading window would sit unusually high or low.",
    "segment.above-middle": "The reading window would sit high in the lens.",
    "segment.reading-depth": "This frame leaves only a narrow reading window.",
    "lens.power-range": "It is not made in your prescription.",
    "lens.add-range": "It is not made with your reading power.",
    "lens.prism-range": "It is not made with the prism in your prescription.",
    "lens.blank-too-small": "It is not made large enough for this frame.",
    "lens.blank-not-listed": "The size asked for is not one that is made.",
    "lens.edge-too-thin": "Its edge would be too thin for this frame.",
    "lens.edge-too-thick": "Its edge would be too thick for the screws of this frame.",
    "lens.edge-thick": "The edge will be clearly seen.",
    "lens.centre-too-thin": "Its middle would be too thin to be safe.",
    "lens.front-curve": "Its curve does not go well with this frame.",
    "lens.front-curves-differ": "The two lenses will look differently curved.",
    "lens.front-curve-table": "How thick it will be is an estimate: its maker lists no curve for your prescription.",
    "lens.front-curve-unlisted": "The curve asked for is not one it is made in.",
    "lens.treatment-not-made": "It is not made with the coating or tint asked for.",
    "lens.no-longer-offered": "It is no longer made, or no longer with this coating or tint.",
    "material.drilled": "It may crack in a rimless frame.",
    "material.grooved": "It may chip in a frame held by a thread.",
    "material.child": "Not safe enough for a child.",
    "material.one-useful-eye": "Not safe enough where one eye has to be protected above all.",
    "material.hazard": "Not safe enough for the work or sport it is meant for.",
    "seeing.slab-off": "A lens ground in two parts against double vision when reading: which one has to be named.",
    "tint.road": "The tint is too dark for driving.",
    "tint.night": "The tint is too dark for driving at dusk and at night.",
    "tint.figures": "The darkness of the tint has to be asked of the maker.",
    "tint.all-round": "The tint is dark for wearing indoors.",
    "design.use": "It does not cover everything these spectacles are for.",
    "design.add-unused": "It does not help with reading.",
    "design.thinning": "It would be ground thinner in a way that does not belong to this kind of lens.",
    "design.first-progressive": "Takes some days to get used to.",
    "seeing.imbalance": "Reading low down may tire the eyes, because the two lenses differ.",
    "seeing.chromatic-blur": "Faint coloured edges may be seen to the side.",
    "seeing.image-size": "The two eyes see slightly different sizes.",
    "seeing.image-jump": "Things jump a little at the edge of the reading window.",
    "seeing.weight": "The spectacles will be heavy.",
    "seeing.centre-depth": "Reading needs a clear look down.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """Whose sheet it is."""

    reference: str
    client: str
    branch: str = ""
    printed: str = ""
    frame: str = ""
    prescription: str = ""


def plain(finding: Finding) -> str:
    """A finding as a client would say it; the check's own summary where nothing plainer is known."""
    return PLAIN.get(finding.check) or f"{registry()[finding.check].summary}."


def said_of(row: Row, among: Sequence[Row]) -> list[str]:
    """What is told of one lens beside its figures, plainest first."""
    choice = row.option.choice
    out = [FAMILY[choice.design.family]] if choice.design else []
    rank = _rank(row, among)
    if rank:
        out.append(rank)
    if choice.material is not None:
        out.append("Glass: heavy, and it can splinter." if choice.material.glass else IMPACT[choice.material.impact])
    if choice.tint is not None and "tint.night" not in _checks(row):
        dark = choice.tint.transmittance_dark
        if dark is None:
            out.append("How dark this tint is, is not yet known: whether it may be worn for driving has to be asked.")
        elif dark < NIGHT_PERCENT:
            out.append("With this tint not for driving at dusk or at night.")
    return out


def _checks(row: Row) -> set[str]:
    return {f.check for f in row.findings}


def _rank(row: Row, among: Sequence[Row]) -> str:
    """Where it stands among the others, said only where the difference can be seen or felt."""
    words, alike = [], []
    for value, name, even, least, most in (
        ("thickest_anywhere", "thick", EVEN_MM, "the thinnest", "the thickest"),
        ("mass", "heavy", EVEN_G, "the lightest", "the heaviest"),
    ):
        found = [(_of(r, value), r) for r in among if _of(r, value) is not None]
        own = _of(row, value)
        others = [v for v, r in found if r is not row and v is not None]
        if own is None or not others:
            continue
        if own < min(others) - even:
            words.append(least)
        elif own > max(others) + even:
            words.append(most)
        elif all(abs(v - own) <= even for v in others):
            alike.append(f"as {name}")
    if alike:
        words.append(f"{' and '.join(alike)} as the other{'s' if len(among) > 2 else ''}")
    return f"Of these {' and '.join(words)}." if words else ""


def _of(row: Row, name: str) -> float | None:
    return row.figures.mass_g if name == "mass" else row.thickest_anywhere


def thickness_words(figures: Figures) -> str:
    """ "Thickest place: right 4.1 mm, left 3.8 mm. Both lenses together 18 g." """
    parts = []
    for eye, one in (("right", figures.right), ("left", figures.left)):
        found = [v for v in (one.edge_thickest, one.centre_thickness) if v is not None]
        if found:
            parts.append(f"{eye} {mm1(max(found))} mm")
    words = f"Thickest place: {', '.join(parts)}." if parts else "Thickness: not known yet."
    if figures.mass_g is not None:
        words += f" Both lenses together {figures.mass_g:.0f} g."
    return words


def compare_sheet(heading: Heading, case: Case, rows: Sequence[Row], *, chosen: str = "") -> bytes:
    """The sheet as PDF, tagged, fonts embedded; a second page where four lenses need it."""
    sheet = Sheet(
        title=f"Lenses compared {heading.reference}", author=heading.branch, subject="Lenses compared for the client"
    )
    y = _head(sheet, heading)
    if not rows:
        with sheet.element("P"):
            sheet.text(LEFT, y, "No lens is pinned: nothing to compare.", size=BODY)
    for number, row in enumerate(rows, 1):
        block = _Block(row, rows, number, row.option.key == chosen)
        if y + block.height > BOTTOM:
            _foot(sheet, case)
            sheet.next_page()
            y = _head(sheet, heading)
        y = block.draw(sheet, y)
    _foot(sheet, case)
    return sheet.data()


def _head(sheet: Sheet, h: Heading) -> float:
    with sheet.element("H1"):
        sheet.text(LEFT, 15.0, "Lenses compared", size=10, bold=True, colour=PEN)
        size = fitting_size(h.client, WIDE, 17, 7, bold=True) or 7
        sheet.text(LEFT, 22.5, wrap(h.client, WIDE, size, bold=True)[0], size=size, bold=True)
    sheet.rule(LEFT, 25.0, RIGHT, 25.0, thickness=0.5, colour=PEN)
    with sheet.element("P"):
        lines = wrap(" · ".join(p for p in (h.branch, h.printed, h.reference) if p), WIDE, SMALL)
        lines += wrap(
            f"Worked out for {h.frame or 'no frame yet'}; {h.prescription or 'no prescription yet'}.", WIDE, SMALL
        )
        y = sheet.lines(LEFT, 29.4, lines, size=SMALL, colour=SOFT)
    return y + 3.0


class _Block:
    """One lens: name, drawing at true size, what it is, what speaks against it. Measured before it is drawn."""

    def __init__(self, row: Row, rows: Sequence[Row], number: int, chosen: bool) -> None:
        choice = row.option.choice
        self.name = " · ".join(
            p for p in (choice.design.name if choice.design else "", choice.material.name if choice.material else "") if p
        )
        self.head = f"{number}  {self.name}" + ("  (chosen)" if chosen else "")
        picture = edge_picture(geometry_of(row.case, row.figures))
        self.picture = client_picture(picture, WIDE) if picture else None
        self.said = wrap(" ".join([thickness_words(row.figures), *said_of(row, rows)]), WIDE, BODY)
        self.against: list[tuple[str, list[str], str]] = []
        told: list[str] = []
        for findings, word, colour in (
            (row.stops, "Not suitable", STOP),
            (row.confirms, "To be talked over", CONFIRM),
            (row.notes, "Worth knowing", INK),
        ):
            words = [w for f in findings if (w := plain(f)) not in told]
            words = list(dict.fromkeys(words))
            told += words
            if words:
                self.against.append((word, wrap(f"{word}: {' '.join(words)}", WIDE - 3.0, BODY), colour))

    @property
    def height(self) -> float:
        lines = len(self.said) + sum(len(text) for _, text, _ in self.against)
        return 9.0 + (self.picture.height + 2.0 if self.picture else 0.0) + lines * leading(BODY) + 7.0

    def draw(self, sheet: Sheet, y: float) -> float:
        with sheet.element("H2"):
            size = fitting_size(self.head, WIDE, 11, 7, bold=True) or 7
            sheet.text(LEFT, y + 3.5, wrap(self.head, WIDE, size, bold=True)[0], size=size, bold=True)
        y += 6.0
        if self.picture is not None:
            sheet.picture(self.picture, LEFT + (WIDE - self.picture.width) / 2, y)
            y += self.picture.height + 2.0
        y += 3.0
        with sheet.element("P"):
            y = sheet.lines(LEFT, y, self.said, size=BODY)
        for _, lines, colour in self.against:
            with sheet.element("P"):
                high = (len(lines) - 1) * leading(BODY) + 3.2
                sheet.rule(LEFT + 0.6, y - 2.6, LEFT + 0.6, y - 2.6 + high, thickness=0.9, colour=colour)
                y = sheet.lines(LEFT + 3.0, y, lines, size=BODY)
        sheet.rule(LEFT, y, RIGHT, y)
        return y + 4.0


def client_picture(picture: Picture, wide: float) -> Picture:
    """The sections alone, without the unrolled edge: what a client sees when looking down on the spectacles. Never wider than `wide`."""
    sections = [s for s in picture.shapes if getattr(s, "name", "").endswith(".section")]
    low = min(p[1] for s in sections for p in s.points) - 1.5  # type: ignore[union-attr]
    shapes = tuple(
        s for s in picture.shapes if (s in sections) or (isinstance(s, Text) and s.role == "dim-text" and s.y > low - 1.0)
    )
    top = picture.bottom + picture.height
    spare = max(0.0, picture.width - wide) / 2
    return replace(
        picture,
        left=picture.left + spare,
        width=picture.width - 2 * spare,
        bottom=low - 1.5,
        height=top - low + 1.5,
        shapes=shapes,
    )


def cautions(case: Case) -> list[str]:
    """The usual cautions, the ones that concern this client first."""
    out = []
    if case.person.age_years is not None and case.person.age_years < 16:
        out.append("For a child choose a lens that stands a knock well.")
    if case.person.useful_eye is not None:
        out.append("One useful eye: choose a lens that stands a knock well, in both sides.")
    if {"driving_day", "driving_night"} & set(case.needs.uses):
        out.append(
            "Driving: tints are graded; below 75 % of light let through they are not for the night, the darkest not for driving at all."
        )
    if {"safety", "sport"} & set(case.needs.uses):
        out.append("These lenses are no eye protectors: hazardous work and some sports need ones made and marked for it.")
    return out


def _foot(sheet: Sheet, case: Case) -> None:
    lines = []
    for words in [
        *cautions(case),
        "Drawn at true size when printed unscaled, seen from above, right lens on the left. Computed for lenses ground for this frame: finished "
        "ones may differ by a few tenths of a millimetre. This is no order and no price; your dispensing optician's advice and local rules come first.",
    ]:
        lines += wrap(words, WIDE, SMALL)
    y = PAGE_HEIGHT - 10.0 - (len(lines) - 1) * leading(SMALL)
    sheet.rule(LEFT, y - 4.0, RIGHT, y - 4.0)
    with sheet.element("P"):
        sheet.lines(LEFT, y, lines, size=SMALL, colour=SOFT)
