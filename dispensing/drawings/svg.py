"""Picture to SVG: classes by role and nothing inline, viewBox in millimetres, y turned once.

Coordinates are rounded to 0.01 mm. A curve is thinned so that it stays within 0.01 mm of where it was, with the points that
touch its bounding box kept: 400 points of an outline become about 100.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from html import escape
from itertools import pairwise
from zlib import crc32

from .shapes import Circle, Path, Picture, Point, Shape, Text

TOLERANCE_MM = 0.01


def svg(picture: Picture, *, css_class: str = "", ident: str = "", beside_figures: bool = False) -> str:
    """The picture as one SVG element.

    `beside_figures`: the same figures stand beside it as text, so that it is hidden from those who have it read to them.
    `css_class` is added to the class "pic"; `ident` makes the ids of title and description unique on a page and lets a script
    find the picture.
    """
    classes = " ".join(("pic", css_class)).strip()
    ids = f"{ident or 'pic'}-{crc32(picture.description.encode()):x}"  # two pictures of a page differ in what they say
    ident_attribute = f' id="{escape(ident)}"' if ident else ""
    box = " ".join(_n(v) for v in (picture.left, -(picture.bottom + picture.height), picture.width, picture.height))
    if beside_figures:
        return f'<svg class="{escape(classes)}"{ident_attribute} viewBox="{box}" aria-hidden="true">{"".join(_elements(picture.shapes))}</svg>'
    title = f'<title id="{escape(ids)}-t">{escape(picture.title)}</title>' if picture.title else ""
    labelled = f"{ids}-t {ids}-d" if picture.title else f"{ids}-d"
    out = [
        f'<svg class="{escape(classes)}"{ident_attribute} viewBox="{box}" role="img" aria-labelledby="{escape(labelled)}">'
        f'{title}<desc id="{escape(ids)}-d">{escape(picture.description)}</desc>'
    ]
    out.extend(_elements(picture.shapes))
    out.append("</svg>")
    return "".join(out)


def _elements(shapes: Iterable[Shape]) -> Iterable[str]:
    role, parts = "", list[str]()  # unnamed paths of one role that follow each other share an element
    for shape in shapes:
        if parts and not (isinstance(shape, Path) and not shape.name and shape.role == role):
            yield f'<path class="{role}" d="{"".join(parts)}"/>'
            parts = []
        if isinstance(shape, Path):
            if shape.name:
                yield f'<path class="{shape.role}" data-part="{escape(shape.name)}" d="{_d(shape)}"/>'
            else:
                role = shape.role
                parts.append(_d(shape))
        elif isinstance(shape, Circle):
            yield (
                f'<circle class="{shape.role}"{_part(shape.name)} cx="{_n(shape.x)}" cy="{_n(-shape.y)}" r="{_n(shape.radius)}"/>'
            )
        else:
            yield _text(shape)
    if parts:
        yield f'<path class="{role}" d="{"".join(parts)}"/>'


def _text(shape: Text) -> str:
    anchor = "" if shape.anchor == "start" else f' text-anchor="{shape.anchor}"'
    return (
        f'<text class="{shape.role}"{_part(shape.name)} x="{_n(shape.x)}" y="{_n(-shape.y)}" font-size="{_n(shape.size)}"'
        f"{anchor}>{escape(shape.text)}</text>"
    )


def _part(name: str) -> str:
    return f' data-part="{escape(name)}"' if name else ""


@lru_cache(maxsize=512)
def _d(path: Path) -> str:
    """The data of a path. Kept: while somebody types, most curves of a picture are those of the picture before."""
    points = thinned(path.points, closed=path.closed)
    # Whole hundredths, relative moves: differences of rounded values add up to the rounded values again, so nothing drifts.
    grid = [(round(x * 100), round(-y * 100)) for x, y in points]
    (x0, y0), rest = grid[0], grid[1:]
    out = [f"M{_h(x0)}{_join(_h(y0))}"]
    if rest:
        out.append("l")
        first = True
        for x, y in rest:
            dx, dy = _h(x - x0), _h(y - y0)
            out.append(dx if first else _join(dx))
            out.append(_join(dy))
            x0, y0, first = x, y, False
    if path.closed:
        out.append("z")
    return "".join(out)


@lru_cache(maxsize=16384)
def _h(hundredths: int) -> str:
    return _n(hundredths / 100)


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    if text in ("-0", ""):
        return "0"
    if text.startswith("0."):
        return text[1:]
    if text.startswith("-0."):
        return "-" + text[2:]
    return text


def _join(number: str) -> str:
    return number if number[0] == "-" else " " + number


def thinned(points: Sequence[Point], *, closed: bool = False, tolerance: float = TOLERANCE_MM) -> list[Point]:
    """Fewer points, none of the dropped ones further than `tolerance` (mm) from the line that is left.

    The points that reach furthest in each direction always stay, so that a box drawn round the curve is unchanged.
    """
    n = len(points)
    if n < 8:
        return list(points)
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    keep = {0, n - 1, xs.index(min(xs)), xs.index(max(xs)), ys.index(min(ys)), ys.index(max(ys))}
    anchors = sorted(keep)
    stack = list(pairwise(anchors))
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        (x1, y1), (x2, y2) = points[first], points[last]
        dx, dy = x2 - x1, y2 - y1
        length = (dx * dx + dy * dy) ** 0.5
        worst, at = -1.0, first
        for i in range(first + 1, last):
            px, py = xs[i] - x1, ys[i] - y1
            off = abs(px * dy - py * dx) / length if length else (px * px + py * py) ** 0.5
            if off > worst:
                worst, at = off, i
        if worst > tolerance:
            keep.add(at)
            stack += [(first, at), (at, last)]
    return [points[i] for i in sorted(keep)]
