"""The words of the order sheet: lens, frame, wear, instructions, as measured lines that flow from one page to the next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from dispensing.drawings.page import INK, PEN, leading, width, wrap
from dispensing.drawings.typeface import right_to_left

from .words import COMPENSATIONS, FAMILIES, MOUNTS, NONE, day, length, light_not_known, power

Document = dict[str, Any]
BODY, SMALL, HEAD = 8.0, 6.8, 9.0  # type sizes in points
LABEL, BULLET = 24.0, 3.5  # mm


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A label and what stands beside it; a bullet is a label too."""

    label: str
    text: str
    bold: bool = False
    colour: str = INK


@dataclass(frozen=True, slots=True)
class Block:
    heading: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """One line that has been measured: nothing of it is wider than its column."""

    row: Row
    text: str
    label: str = ""
    indent: float = 0.0
    size: float = BODY
    bold: bool = False
    colour: str = INK
    before: float = 0.0  # space above, mm
    heading: bool = False

    @property
    def advance(self) -> float:
        return self.before + leading(self.size)

    @property
    def actual(self) -> str:
        """What a reader should say where the letters on paper are in the order in which they are seen."""
        said = f"{self.row.label} {self.row.text}".strip()
        return said if right_to_left(said) else ""


def measured(blocks: Iterable[Block], room: float, size: float = BODY) -> list[Line]:
    """The lines of blocks in a column `room` mm wide, in type of `size` points."""
    return [line for block in blocks for line in _lines(block, room, size)]


def depth(lines: list[Line]) -> float:
    """How much of a column (mm) lines take."""
    return sum(line.advance for line in lines)


def _lines(block: Block, room: float, size: float) -> Iterator[Line]:
    head = Row("", block.heading)
    for k, text in enumerate(wrap(block.heading, room, size + 1, bold=True)):
        yield Line(
            head, text, size=size + 1, bold=True, colour=PEN, before=2.4 * size / BODY if k == 0 else 0.0, heading=True
        )
    for row in block.rows:
        indent = BULLET if row.label in ("•", " ") else LABEL if row.label else 0.0
        if indent == LABEL and width(row.label, size) > LABEL - 1.0:
            indent = width(row.label, size) + 2.0
        for k, text in enumerate(wrap(row.text, room - indent, size, bold=row.bold)):
            yield Line(
                row,
                text,
                label=row.label if k == 0 else "",
                indent=indent,
                size=size,
                bold=row.bold,
                colour=row.colour,
                before=0.5 * (size / BODY) ** 4 if k == 0 else 0.0,
            )


def fitting(lines: list[Line], room: float) -> int:
    """How many of the lines have room (mm); a heading is not left alone at the foot of a column."""
    used, count = 0.0, 0
    for line in lines:
        used += line.advance
        if used > room:
            break
        count += 1
    while 0 < count < len(lines) and lines[count - 1].heading:
        count -= 1
    return count


def continued(lines: list[Line], at: int, room: float) -> list[Line]:
    """The lines from `at` on as they stand on another page: a part that is broken has its heading again."""
    rest = lines[at:]
    if not rest or rest[0].heading:
        return rest
    heading = next((line.row.text for line in reversed(lines[:at]) if line.heading), "")
    if not heading:
        return rest
    return [*measured([Block(f"{heading.removesuffix(', continued')}, continued", ())], room, rest[0].size), *rest]


def left_blocks(d: Document) -> list[Block]:
    return [_lens(d), _frame(d)]


def right_blocks(d: Document) -> list[Block]:
    blocks = []
    if d["lens"]["remark"]:
        blocks.append(Block("Remark to the lab", (Row("", d["lens"]["remark"], True),)))
    if d["instructions"]:
        blocks.append(Block("Instructions", tuple(Row("•", text, True) for text in d["instructions"])))
    blocks.append(_worn(d))
    if d["reasons"]:
        rows = []
        for r in d["reasons"]:
            rows.append(Row("•", r["finding"], True))
            rows.append(Row(" ", f"{r['reason']} ({r['by']})"))
        blocks.append(Block("Unusual, and confirmed", tuple(rows)))
    if d["cautions"]:
        blocks.append(Block("Cautions", tuple(Row("•", text) for text in d["cautions"])))
    return blocks


def _rows(*pairs: tuple[str, str | None]) -> Iterator[Row]:
    for label, text in pairs:
        if text:
            yield Row(label, text)


def _lens(d: Document) -> Block:
    lens, design, material = d["lens"], d["lens"]["design"], d["lens"]["material"]
    kind = [FAMILIES[design["family"]]]
    if design["corridor"]:
        kind.append(f"corridor {length(design['corridor'])} mm")
    if design["segment_width"]:
        depth = f" × {length(design['segment_depth'])}" if design["segment_depth"] else ""
        kind.append(f"segment {length(design['segment_width'])}{depth} mm")
    if design["intermediate_depth"]:
        kind.append(f"intermediate {length(design['intermediate_depth'])} mm deep")
    if design["near_inset"]:
        kind.append(f"inset fixed {length(design['near_inset'])} mm")
    if design["degression"]:
        kind.append(f"degression {power(design['degression'])} D")
    tint = lens["tint"]
    shade = None
    if tint:
        clear, dark = tint["transmittance_clear"], tint["transmittance_dark"]
        through = light_not_known(tint) or (
            f"{_percent(clear)} %" if clear == dark else f"{_percent(clear)} to {_percent(dark)} %"
        )
        shade = f"{tint['name']}, {through}"
    rows = [
        Row("design", f"{design['name']} ({design['code']})" if design["code"] else design["name"], True),
        *_rows(
            ("kind", ", ".join(kind)),
            ("material", f"{material['name']}, n {material['index']}, Abbe {_percent(material['abbe'])}"),
            ("coating", lens["coating"] or "none"),
            ("tint", shade or "none"),
            ("powers", COMPENSATIONS[lens["compensation"]]),
            (
                "prism thinning",
                None if lens["prism_thinning_down"] == "0.00" else f"{lens['prism_thinning_down']} Δ base down, both",
            ),
            ("slab-off", "yes, see remark" if lens["slab_off"] else None),
        ),
    ]
    return Block("Lenses", tuple(rows))


def _percent(text: str) -> str:
    return text.removesuffix(".0")


def _frame(d: Document) -> Block:
    f = d["frame"]
    boxed = f"a {length(f['a'])} × b {length(f['b'])}, {length(f['dbl'])} between lenses, c {length(f['c'])}"
    curve = [
        f"{power(f['front_curve'])} D" if f["front_curve"] else "",
        f"face form {_percent(f['face_form'])}°" if f["face_form"] else "",
    ]
    rows = [
        Row("frame", f["name"] + (" (client's own)" if f["own"] else ""), True),
        *_rows(
            ("boxed, mm", boxed),
            ("effective Ø", f"{length(f['ed'])} mm" if f["ed"] else None),
            ("mount", ", ".join(t for t in (MOUNTS[f["mount"]] if f["mount"] else "", f["material"]) if t)),
            ("rim to bevel", f"{length(f['groove'])} mm a side" if f["groove"] else None),
            ("front curve", ", ".join(t for t in curve if t) or None),
            ("side", f"{length(f['side'])} mm" if f["side"] else None),
        ),
        *_drilled(f["drill_points"]),
    ]
    return Block("Frame", tuple(rows))


def _drilled(points: list[dict[str, str]]) -> Iterator[Row]:
    """A line a hole, in words: a sign that is read from the wrong side spoils two lenses."""
    if points:
        yield Row("drilled, mm", "both lenses alike, from the boxed centre of each:")
    for k, p in enumerate(points, 1):
        across = f"{length(p['x'].lstrip('-'))} {'temporal' if p['x'].startswith('-') else 'nasal'}"
        along = f"{length(p['y'].lstrip('-'))} {'down' if p['y'].startswith('-') else 'up'}"
        yield Row(f"hole {k}", f"{across}, {along}, Ø {length(p['diameter'])}")


def _worn(d: Document) -> Block:
    worn, rx = d["as_worn"], d["prescription"]
    angles = [
        f"pantoscopic {_angle(worn['pantoscopic'])}°" if worn["pantoscopic"] else "",
        f"face form {_angle(worn['face_form'])}°" if worn["face_form"] else "",
    ]
    vertex = [
        f"{length(worn['vertex_distance'])} mm as worn" if worn["vertex_distance"] else "",
        f"{length(rx['vertex_distance'])} mm when tested" if rx["vertex_distance"] else "",
    ]
    rows = _rows(
        ("vertex", ", ".join(t for t in vertex if t) or NONE),
        ("angles", ", ".join(t for t in angles if t) or NONE),
        (
            "prescribed by",
            ", ".join(t for t in (rx["prescriber"], day(rx["written_on"]) if rx["written_on"] else "") if t) or NONE,
        ),
    )
    return Block("As worn", tuple(rows))


def _angle(text: str) -> str:
    return _percent(text).replace("-", "−")
