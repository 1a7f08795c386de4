"""Picture to PDF at true size: one millimetre of the drawing is one millimetre of paper.

Operators are written as text: a lens outline of 400 points is one string, and every point of it is on the page to 0.001 pt.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from reportlab.pdfgen.canvas import Canvas

from .labels import text_box
from .roles import PAPER, ROLES
from .shapes import Circle, Path, Picture, Text
from .typeface import as_seen, face, fonts, plain_codes, prepared, printable, width

MM = 72 / 25.4
_KAPPA = 0.5522847498
_CLOSING = {"S": "s", "B": "b", "f": "f"}
_GAPS = frozenset({"blank", "blank-bad"})  # lines that run through the whole picture: they give way to words


def draw(canvas: Canvas, picture: Picture, x: float, y: float) -> None:
    """Draws the picture with the lower left corner of its window at (x, y), in mm from the lower left corner of the page.

    What reaches beyond the window is cut off, as on the screen. The circle of a blank has gaps where words stand.
    """
    dx, dy = x - picture.left, y - picture.bottom
    clear = _clear_of_words(picture, dx, dy)
    out = [f"q {x * MM:.3f} {y * MM:.3f} {picture.width * MM:.3f} {picture.height * MM:.3f} re W n 1 j"]
    role, paint = "", "S"
    texts: list[Text] = []
    for shape in picture.shapes:
        if isinstance(shape, Text):
            texts.append(shape)
            continue
        if shape.role != role:
            role = shape.role
            look, paint = _look(role)
            out.append(look)
        if isinstance(shape, Path):
            out.append(_path(shape, dx, dy))
            out.append(
                ("s" if shape.closed else "S") if paint == "S" else ("b" if shape.closed else "B") if paint == "B" else "f"
            )
        else:
            drawn = f"{_circle(shape, dx, dy)}\n{_CLOSING[paint]}"
            out.append(f"q {clear} {drawn}\nQ" if role in _GAPS and clear else drawn)
    out.append("Q")
    canvas.addLiteral("\n".join(out))
    for text in texts:
        _text(canvas, text, dx, dy)


def _clear_of_words(picture: Picture, dx: float, dy: float) -> str:
    """A clipping path: the window without the boxes of its labels, which keep clear of each other."""
    boxes = [text_box(shape) for shape in picture.shapes if isinstance(shape, Text)]
    if not boxes:
        return ""
    window = (picture.left, picture.bottom, picture.left + picture.width, picture.bottom + picture.height)
    rectangles = [
        f"{(left + dx) * MM:.2f} {(low + dy) * MM:.2f} {(right - left) * MM:.2f} {(high - low) * MM:.2f} re"
        for left, low, right, high in (window, *boxes)
    ]
    return f"{' '.join(rectangles)} W* n"


@lru_cache(maxsize=256)
def _look(role: str) -> tuple[str, str]:
    """Operators that set line and fill of a role, and how it is painted: S line, f fill, B both."""
    look = ROLES[role]
    out = []
    if look.stroke:
        dash = " ".join(f"{d * MM:.2f}" for d in look.dash)
        out.append(f"{_rgb(PAPER[look.stroke])} RG {look.width * MM:.3f} w [{dash}] 0 d")
    if look.fill:
        # Tints are mixed with the paper of the lens beforehand: no transparency, which old printers handle badly.
        base = PAPER["lens"] if look.opacity < 1 else PAPER["sheet"]
        mixed = tuple(look.opacity * c + (1 - look.opacity) * p for c, p in zip(PAPER[look.fill], base, strict=True))
        out.append(f"{_rgb(mixed)} rg")
    return " ".join(out), "B" if look.stroke and look.fill else "S" if look.stroke else "f"


def _rgb(colour: Iterable[float]) -> str:
    return " ".join(f"{c:.3f}" for c in colour)


def _path(path: Path, dx: float, dy: float) -> str:
    first, *rest = path.points
    parts = [f"{(first[0] + dx) * MM:.3f} {(first[1] + dy) * MM:.3f} m"]
    parts += [f"{(x + dx) * MM:.3f} {(y + dy) * MM:.3f} l" for x, y in rest]
    return " ".join(parts)


def _circle(circle: Circle, dx: float, dy: float) -> str:
    x, y, r = (circle.x + dx) * MM, (circle.y + dy) * MM, circle.radius * MM
    k = r * _KAPPA
    return (
        f"{x + r:.3f} {y:.3f} m {x + r:.3f} {y + k:.3f} {x + k:.3f} {y + r:.3f} {x:.3f} {y + r:.3f} c "
        f"{x - k:.3f} {y + r:.3f} {x - r:.3f} {y + k:.3f} {x - r:.3f} {y:.3f} c "
        f"{x - r:.3f} {y - k:.3f} {x - k:.3f} {y - r:.3f} {x:.3f} {y - r:.3f} c "
        f"{x + k:.3f} {y - r:.3f} {x + r:.3f} {y - k:.3f} {x + r:.3f} {y:.3f} c"
    )


def _text(canvas: Canvas, text: Text, dx: float, dy: float) -> None:
    look = ROLES[text.role]
    put_line(
        canvas,
        text.x + dx,
        text.y + dy,
        printable(text.text),
        size=text.size * MM,
        bold=look.bold,
        colour=look.fill,
        anchor=text.anchor,
    )


def put_line(
    canvas: Canvas,
    x: float,
    y: float,
    text: str,
    *,
    size: float,
    bold: bool = False,
    colour: str = "ink",
    anchor: str = "start",
) -> None:
    """One line of printable text, its baseline at (x, y) mm from the lower left corner, `size` in points.

    Writes the text operators itself: a page has some two hundred short texts, and the canvas's own way takes three times as long.
    """
    name = face(bold)
    if anchor != "start":
        x -= width(text, size, bold=bold) * (1.0 if anchor == "end" else 0.5)
    document = canvas._doc
    plain = plain_codes(text) if prepared(document) else None
    if plain is not None:
        shown = f"{document.fontMapping[name]}+0 {size:.2f} Tf ({plain}) Tj"
    else:
        font = fonts()[name]
        shown = " ".join(
            f"{font.getSubsetInternalName(subset, document)} {size:.2f} Tf ({canvas._escape(codes)}) Tj"
            for subset, codes in font.splitString(as_seen(text), document)
        )
    canvas._code.append(f"{_paper(colour)} rg BT 1 0 0 1 {x * MM:.3f} {y * MM:.3f} Tm {shown} ET")


@lru_cache(maxsize=32)
def _paper(token: str) -> str:
    return _rgb(PAPER[token])
