"""Small pictures for the Bench, in the roles that every drawing uses. Facing the wearer, mm, y up."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dispensing.calculations.written import fixed, signed
from dispensing.drawings.shapes import Circle, Path, Picture, Point, Shape, Text
from dispensing.optics.boxing import Box
from dispensing.optics.power import Power
from dispensing.optics.prism import Eye, Prism, nasal

SIZE = 3.0
_SCALE = 24.0  # mm, radius of the axis scale


def arrow(role: str, start: Point, end: Point, head: float = 2.2) -> tuple[Shape, ...]:
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    if length < 1e-6:
        return ()
    ux, uy = dx / length, dy / length
    head = min(head, length / 2)
    base = end[0] - ux * head, end[1] - uy * head
    side = head * 0.45
    return (
        Path(role, (start, base)),
        Path(
            role, (end, (base[0] - uy * side, base[1] + ux * side), (base[0] + uy * side, base[1] - ux * side)), closed=True
        ),
    )


def _dial(step: int, full: bool) -> list[Shape]:
    """The scale facing the wearer: 0 at the right, anticlockwise."""
    shapes: list[Shape] = [Circle("box", 0, 0, _SCALE)]
    for degrees in range(0, 360 if full else 181, step):
        if not full and degrees == 0:
            continue
        a = math.radians(degrees)
        c, s = math.cos(a), math.sin(a)
        shapes.append(Path("dim", ((c * _SCALE, s * _SCALE), (c * (_SCALE + 1.5), s * (_SCALE + 1.5)))))
        shapes.append(Text("dim-text", c * (_SCALE + 5.2), s * (_SCALE + 4.2) - 1.0, str(degrees), SIZE))
    return shapes


def power_cross(power: Power, words: str) -> Picture:
    """Both principal meridians on the axis scale, each with the power that acts along it."""
    shapes = _dial(30, full=False)
    for i, (meridian, strength) in enumerate(power.principals if abs(power.cylinder) > 1e-9 else power.principals[:1]):
        a = math.radians(meridian)
        c, s = math.cos(a), math.sin(a)
        role = "datum" if i == 0 else "outline-open"
        if abs(power.cylinder) > 1e-9:
            shapes.append(Path(role, ((-c * _SCALE, -s * _SCALE), (c * _SCALE, s * _SCALE))))
        along, aside = 0.62 * _SCALE, 2.6 + 5.4 * abs(s)
        x, y = c * along - s * aside, s * along + c * aside
        if abs(power.cylinder) <= 1e-9:
            x, y = 0.0, 4.0
        shapes.append(Text("eye-text", x, y - 1.2, signed(strength), 3.6))
    shapes.append(Circle("optical-centre", 0, 0, 0.7))
    return Picture(-34, -31, 68, 62, tuple(shapes), words, "Power cross")


def prism_dial(prism: Prism, eye: Eye, words: str, parts: Sequence[Prism] = ()) -> Picture:
    """The base as an arrow on the 0-360 scale; the parts it is made of as thinner lines from tip to tail."""
    shapes = _dial(30, full=True)
    nose = nasal(eye)
    longest = max([prism.amount, *(math.hypot(p.base_in, p.base_up) for p in parts), 1e-9])
    scale = 0.85 * _SCALE / longest
    x = y = 0.0
    for part in parts:
        nx, ny = x + part.base_in * nose * scale, y + part.base_up * scale
        shapes.append(Path("sight", ((x, y), (nx, ny))))
        x, y = nx, ny
    shapes.extend(arrow("prism", (0, 0), (prism.base_in * nose * scale, prism.base_up * scale), 3.0))
    shapes.append(Text("note-text", 17.0 * nose, -_SCALE - 9.5, "nose →" if nose > 0 else "← nose", SIZE))
    return Picture(-34, -36, 68, 67, tuple(shapes), words, "Base of the prism")


def lens_point(eye: Eye, x: float, y: float, prism: Prism, words: str) -> Picture:
    """A round lens with its optical centre, the point looked through (x nasal, y up of the centre) and the base there."""
    nose = nasal(eye)
    reach = max(25.0, 1.35 * math.hypot(x, y))
    px, py = x * nose, y
    shapes: list[Shape] = [
        Circle("outline", 0, 0, reach),
        Path("datum", ((-reach, 0), (reach, 0))),
        Path("optical-centre", ((-1.5, 0), (1.5, 0))),
        Path("optical-centre", ((0, -1.5), (0, 1.5))),
        Circle("pupil", px, py, 2.0),
    ]
    if prism.amount > 0.005:
        length = reach * 0.35
        tip = px + prism.base_in * nose / prism.amount * length, py + prism.base_up / prism.amount * length
        shapes.extend(arrow("prism", (px, py), tip))
    size = reach / 8
    shapes.append(Text("note-text", 0.75 * reach * nose, -reach - 1.6 * size, "nose →" if nose > 0 else "← nose", size))
    edge = reach * 1.3
    return Picture(-edge, -edge, 2 * edge, 2 * edge, tuple(shapes), words, "Point looked through")


def eye_and_lens(lines: Sequence[tuple[float, str, bool]], words: str, tilt: float = 0.0) -> Picture:
    """From the side: an eye and lenses at distances in mm from the cornea; (distance, words, heavy)."""
    shapes: list[Shape] = [Circle("skin", 12.0, 0, 12.0), Path("sight", ((-38, 0), (24, 0)))]
    shapes.append(Circle("pupil", 3.0, 0, 0.8))
    shapes.append(Circle("optical-centre", 13.5, 0, 0.6))
    t = math.radians(tilt)
    for i, (distance, label, heavy) in enumerate(lines):
        points = []
        for k in range(-10, 11):
            h = k * 1.7
            bow = 0.006 * h * h
            points.append((-distance + bow - h * math.sin(t), h * math.cos(t)))  # bottom nearer the cheeks
        shapes.append(Path("outline-open" if not heavy else "tool", tuple(points)))
        if not label:
            continue
        y = -22.0 - 4.0 * i
        shapes.append(Path("dim", ((-distance, y), (0, y))))
        shapes.append(Text("dim-text", -distance - 1, y - 1, label, SIZE, "end"))
        shapes.append(Path("extension", ((-distance, 0), (-distance, y - 0.8))))
    below = 20.0
    if any(label for _, label, _ in lines):
        below = 24.0 + 4.0 * len(lines)
        shapes.append(Path("extension", ((0, 0), (0, -below + 1.0))))
    return Picture(-40, -below, 68, below + 20, tuple(shapes), words, "Eye and lens from the side")


def box_picture(
    shape: Box, eye: Eye, words: str, *, at: Point | None = None, blank: float | None = None, needs: Point | None = None,
    heights: Sequence[tuple[float, str]] = (),
) -> Picture:  # fmt: skip
    """An outline in its box with datum line; point, blank circle round it, and heights above the lower tangent, as asked."""
    nose = nasal(eye)
    points = tuple((float(x) * nose, float(y)) for x, y in zip(shape.x, shape.y, strict=True))
    w, h = shape.a / 2, shape.b / 2
    reach_x = max(w + 5, (blank or 0) / 2 + abs(at[0] if at else 0) + 2)
    if heights:
        reach_x = w + 10 + 11 * len(heights)
    size = reach_x / 14
    shapes: list[Shape] = []
    if blank and at:
        shapes.append(Circle("blank", at[0] * nose, at[1], blank / 2))
    shapes += [
        Path("outline", points, closed=True),
        Path("box", ((-w, -h), (w, -h), (w, h), (-w, h)), closed=True),
        Path("datum", ((-w - 3, 0), (w + 3, 0))),
        Path("box-centre", ((-1.2, -1.2), (1.2, 1.2))),
        Path("box-centre", ((-1.2, 1.2), (1.2, -1.2))),
    ]
    if at:
        shapes += [
            Path("fitting", ((at[0] * nose - 2, at[1]), (at[0] * nose + 2, at[1]))),
            Path("fitting", ((at[0] * nose, at[1] - 2), (at[0] * nose, at[1] + 2))),
        ]
        if needs:
            shapes.append(Path("sight", ((at[0] * nose, at[1]), (needs[0] * nose, needs[1]))))
    for i, (bottom, label) in enumerate(heights):
        if not at:
            break
        x = -(w + 5 + 11 * i) * nose
        shapes += [
            Path("dim", ((x, bottom), (x, at[1]))),
            Path("extension", ((x - 1.5, bottom), (at[0] * nose, bottom))),
            Path("extension", ((x - 1.5, at[1]), (at[0] * nose, at[1]))),
            Text("dim-text", x - 1.0, (bottom + at[1]) / 2, label, size, "end"),
        ]
    reach_y = max(h + 2.2 * size, (blank or 0) / 2 + abs(at[1] if at else 0) + 2)
    shapes.append(Text("note-text", (w - 6) * nose, -h - 1.5 * size, "nose →" if nose > 0 else "← nose", size))
    return Picture(-reach_x, -reach_y - 1, 2 * reach_x, 2 * reach_y + 1, tuple(shapes), words, "The lens in its box")


def lines_of_sight(pd: float, working_mm: float, near: float, words: str) -> Picture:
    """From above: both eyes turned to a near point. Distances along the line of sight are drawn at a quarter."""
    depth = working_mm / 4
    shapes: list[Shape] = []
    for side in (-1, 1):
        x = side * pd
        shapes += [
            Circle("skin", x, -7.0, 12.0),
            Path("sight", ((x, -7.0), (x, depth))),
            Path("datum", ((x, -7.0), (side * near, 20.0), (0.0, depth))),
            Path("section", ((x - 14, 20.0), (x + 14, 20.0))),
            Circle("fitting", side * near, 20.0, 1.0),
        ]
    shapes.append(Circle("reading", 0, depth, 1.6))
    wide = pd + 22
    return Picture(-wide, -22, 2 * wide, depth + 28, tuple(shapes), words, "Lines of sight from above")


def section(profile: Sequence[tuple[float, float, float]], words: str) -> Picture:
    """A cut through a lens: (x, front z, back z) in mm, front up."""
    front = [(x, f) for x, f, _ in profile]
    back = [(x, b) for x, _, b in reversed(profile)]
    xs = [p[0] for p in front]
    zs = [p[1] for p in front + back]
    left, width = min(xs) - 3, max(xs) - min(xs) + 6
    bottom, height = min(zs) - 6, max(zs) - min(zs) + 10
    shapes: list[Shape] = [Path("section", tuple(front + back), closed=True)]
    for x, f, b in (profile[0], profile[-1]):
        shapes.append(Text("dim-text", x, min(f, b) - 4, fixed(f - b, 1), SIZE))
    return Picture(left, bottom, width, height, tuple(shapes), words, "Horizontal section")


def agreement_plot(
    means: Sequence[float], differences: Sequence[float], lines: Sequence[tuple[float, str]], words: str
) -> Picture:
    """Differences against means, with the bias and the limits of agreement."""
    width, height = 90.0, 50.0
    low_x, high_x = min(means), max(means)
    span_x = high_x - low_x or 1.0
    marks = [*differences, *(v for v, _ in lines)]
    low_y, high_y = min(marks), max(marks)
    pad = (high_y - low_y or 1.0) * 0.12
    low_y, high_y = low_y - pad, high_y + pad

    def at(x: float, y: float) -> Point:
        return (x - low_x) / span_x * width, (y - low_y) / (high_y - low_y) * height

    shapes: list[Shape] = [Path("box", ((-3, 0), (width + 3, 0), (width + 3, height), (-3, height)), closed=True)]
    for value, label in lines:
        y = at(low_x, value)[1]
        role = "datum" if label == "bias" else "limit"
        shapes.append(Path(role, ((-3, y), (width + 3, y))))
        shapes.append(Text("dim-text", width + 4.5, y - 1.0, f"{label} {fixed(value)}", 4.4, "start"))
    shapes += [Circle("reading", *at(x, y), 1.0) for x, y in zip(means, differences, strict=True)]
    shapes.append(Text("note-text", width / 2, -6.0, "mean of both methods", 4.4))
    return Picture(-6, -9, width + 44, height + 12, tuple(shapes), words, "Differences against means")
