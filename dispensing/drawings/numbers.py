"""Numbers and words as they stand in drawings: one decimal, a second one only when it is there; a true minus sign."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

from .shapes import Point


def mm(value: float) -> str:
    """A length as recorded: 31.5, 22.0, 31.25. Rounded to 0.01, ties away from zero."""
    rounded = Decimal(repr(round(value, 6))).quantize(Decimal("0.01"), ROUND_HALF_UP)
    text = f"{abs(rounded):.2f}"
    return ("−" if rounded < 0 else "") + (text[:-1] if text.endswith("0") else text)


def mm1(value: float) -> str:
    """A computed length, to 0.1 mm, ties away from zero."""
    rounded = Decimal(repr(round(value, 6))).quantize(Decimal("0.1"), ROUND_HALF_UP)
    return ("−" if rounded < 0 else "") + f"{abs(rounded):.1f}"


def prism_words(prism_in: float, prism_up: float) -> str:
    """ "2.00 Δ in, 1.00 Δ up"; an empty text for no prism."""
    parts = []
    if round(abs(prism_in), 2):
        parts.append(f"{abs(prism_in):.2f} Δ {'in' if prism_in > 0 else 'out'}")
    if round(abs(prism_up), 2):
        parts.append(f"{abs(prism_up):.2f} Δ {'up' if prism_up > 0 else 'down'}")
    return ", ".join(parts)


def from_centre(point: Point) -> str:
    """ "3.5 in, 1.9 above the datum line"."""
    x, y = point
    across = "on the boxed centre" if not round(x, 1) else f"{mm1(abs(x))} {'in' if x > 0 else 'out'}"
    if not round(y, 1):
        return f"{across}, on the datum line"
    return f"{across}, {mm1(abs(y))} {'above' if y > 0 else 'below'} the datum line"
