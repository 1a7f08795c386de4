"""Computed figures as they are read: a true minus, no nought that says nothing, ties away from zero."""

from __future__ import annotations

from dispensing.optics.notation import format_axis
from dispensing.optics.power import Power


def _decimals(value: float, digits: int) -> str:
    """Without its sign; ties away from zero, whatever little a binary fraction lies beside one (0.125, 2.675: 0.13, 2.68)."""
    return f"{abs(value) + 1e-12 * max(1.0, abs(value)):.{digits}f}"


def number(value: float, digits: int = 2) -> str:
    """A figure as it is read: minus sign, at most `digits` decimals, none that say nothing."""
    text = _decimals(value, digits)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return ("−" if value < 0 and float(text) else "") + text


def fixed(value: float, digits: int = 2) -> str:
    text = _decimals(value, digits)
    return ("−" if value < 0 and float(text) else "") + text


def signed(value: float, digits: int = 2) -> str:
    """A computed power with its sign, rounded: +1.12 for 1.124, +1.13 for 1.125. (`format_power` cuts eighths, as powers are written.)"""
    text = _decimals(value, digits)
    return text if not float(text) else ("−" if value < 0 else "+") + text


def put(value: float, digits: int = 2) -> str:
    """A figure put into a formula: in brackets when it is negative."""
    text = number(value, digits)
    return f"({text})" if text.startswith("−") else text


def exact_lens(power: Power, digits: int = 2) -> str:
    """A computed power, unrounded to any step: "−3.11/−2.02×74.8"."""
    if not float(_decimals(power.cylinder, digits)):
        return f"{signed(power.sphere, digits)} DS"
    return f"{signed(power.sphere, digits)}/{signed(power.cylinder, digits)}×{format_axis(power.axis)}"
