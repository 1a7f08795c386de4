"""Figures as the trade writes them, for messages: sign always, two decimals always; no degree sign after an axis."""

from __future__ import annotations

from datetime import date

from dispensing.case import PrescribedLens

_EYE = {"right": "Right", "left": "Left", "both": "Both eyes"}


def eye_word(eye: str) -> str:
    return _EYE[eye]


def dioptres(value: float) -> str:
    """+1.25, −0.50, plano."""
    text = f"{abs(value):.2f}"
    if text == "0.00":
        return "plano"
    return ("−" if value < 0 else "+") + text


def signed(value: float) -> str:
    """As dioptres, with zero as 0.00: for additions and cylinders."""
    text = f"{abs(value):.2f}"
    return text if text == "0.00" else ("−" if value < 0 else "+") + text


def day_word(value: date | None, otherwise: str = "not known") -> str:
    """25 Nov 2026."""
    return otherwise if value is None else f"{value.day} {value:%b} {value.year}"


def choice_word(value: str) -> str:
    """A choice of the record as words: driving_day is driving by day."""
    return _CHOICES.get(value, value.replace("_", " "))


_CHOICES = {"driving_day": "driving by day", "driving_night": "driving at night", "all_round": "all-round wear"}


def axis_word(value: float) -> str:
    return f"{value:g}"


def power_word(lens: PrescribedLens) -> str:
    sphere = "?" if lens.sphere is None else dioptres(lens.sphere)
    if not lens.cylinder:
        return sphere
    axis = "?" if lens.axis is None else axis_word(lens.axis)
    return f"{sphere} / {signed(lens.cylinder)} × {axis}"


def mm(value: float) -> str:
    """33.5 mm: one decimal where there is one."""
    return f"{value:.1f}".removesuffix(".0").replace("-", "−") + " mm"


def prism_in_word(value: float) -> str:
    return f"{abs(value):.2f} Δ base {'in' if value >= 0 else 'out'}"


def prism_up_word(value: float) -> str:
    return f"{abs(value):.2f} Δ base {'up' if value >= 0 else 'down'}"
