"""The picture of a pair in words, and what of a lens is cut by the rim or left bare by its blank."""

from __future__ import annotations

from functools import lru_cache

from dispensing.case import EYES, Eye

from .geometry import EyeGeometry, PairGeometry, inside
from .numbers import from_centre, mm, prism_words
from .shapes import Point

NEAR_RADIUS = (
    4.0  # the near circle as it is stamped on progressives, about 8 mm across: a symbol, not the extent of the zone
)


def describe(geometry: PairGeometry) -> str:
    """The picture in words, right eye first."""
    words = ["Both lenses to scale as you face the client, right eye on the left."]
    if geometry.a is None or geometry.b is None or geometry.dbl is None:
        words.append("The frame is not known yet.")
    else:
        words.append(f"Box {mm(geometry.a)} by {mm(geometry.b)} mm, {mm(geometry.dbl)} mm between lenses.")
    for eye in EYES:
        words.append(_eye_words(geometry, eye))
    return " ".join(words)


def _eye_words(geometry: PairGeometry, eye: Eye) -> str:
    g = geometry.of(eye)
    parts = [
        f"{_pd_name(g)} not known" if g.from_nose is None else f"{_pd_name(g)} {mm(g.from_nose)} mm",
        f"{_height_name(g)} not known" if g.height is None else f"{_height_name(g)} {mm(g.height)} mm",
    ]
    x, y = geometry.fitting(eye)
    if x is not None and y is not None:
        parts.append(from_centre((x, y)))
        if geometry.outline and not inside(geometry.points, x, y):
            parts.append("outside the lens")
    state = near_state(geometry, eye)
    if state:
        parts.append(
            {"in": "near zone within the lens", "cut": "near zone cut by the rim", "out": "near point outside the lens"}[
                state
            ]
        )
    if g.blank_diameter is not None:
        covered = not uncovered(geometry, eye)
        parts.append(f"blank {mm(g.blank_diameter)} mm {'covers' if covered else 'does not cover'} the lens")
    prism = prism_words(g.prism_in, g.prism_up)
    if prism:
        parts.append(f"prism {prism}")
    return f"{'Right' if eye == 'right' else 'Left'}: " + ", ".join(parts) + "."


def _pd_name(g: EyeGeometry) -> str:
    return "far PD" if g.centred_for == "distance" else "near PD"


def _height_name(g: EyeGeometry) -> str:
    return "segment top height" if g.segmented else "height" if g.family in ("", "single_vision") else "fitting height"


def near_state(geometry: PairGeometry, eye: Eye) -> str:
    """Of a progressive or degressive lens: "in", "cut" or "out" of the outline; "" when there is nothing to say."""
    g = geometry.of(eye)
    if g.near is None or g.segmented or not geometry.outline:
        return ""
    points = geometry.points
    x, y = g.near
    if not inside(points, x, y):
        return "out"
    # Outline points lie closer together than the circle is wide: the nearest of them is near enough to the nearest of the curve.
    nearest = min([(px - x) ** 2 + (py - y) ** 2 for px, py in points])
    return "in" if nearest >= NEAR_RADIUS**2 else "cut"


def uncovered(geometry: PairGeometry, eye: Eye) -> tuple[bool, ...]:
    """For each outline point, whether it lies beyond the blank; empty when there is no blank or all is covered."""
    g = geometry.of(eye)
    if g.blank_diameter is None or g.blank_centre is None:
        return ()
    return _beyond(geometry.points, *g.blank_centre, g.blank_diameter / 2)


@lru_cache(maxsize=64)
def _beyond(points: tuple[Point, ...], x0: float, y0: float, radius: float) -> tuple[bool, ...]:
    square = radius * radius
    flags = tuple([(x - x0) ** 2 + (y - y0) ** 2 > square for x, y in points])
    return flags if any(flags) else ()
