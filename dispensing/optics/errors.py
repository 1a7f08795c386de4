"""Every error the optics raise. All are `ValueError`s; each says which argument is wrong and why.

OpticsError
├── NotFinite       not a number, or infinite
├── OutOfRange      finite, but outside what the function is documented for
├── NotStated       an argument that has no usual value and was left out
├── TooFew          fewer values than the sum can be done with
├── SingularPower   the power matrix cannot be inverted: no decentration gives that prism, no image plane, ...
├── RayLost         a real ray misses a surface or is totally reflected
├── BadOutline      an outline that is empty, crosses itself or does not hold its own centre
├── BadPoints       points placed on a picture that cannot be a face behind a frame
└── NotationError   text that is not a figure in the trade's notation
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class OpticsError(ValueError):
    """`argument` names the argument, `why` says in one plain sentence what is wrong with it."""

    def __init__(self, argument: str, why: str) -> None:
        super().__init__(f"{argument}: {why}" if argument else why)
        self.argument = argument
        self.why = why

    @property
    def message(self) -> str:
        """The sentence alone, for a screen that already shows which field it belongs to."""
        return self.why


class NotFinite(OpticsError):
    def __init__(self, argument: str, value: object = None) -> None:
        super().__init__(argument, "must be a finite number.")
        self.value = value


class OutOfRange(OpticsError):
    def __init__(self, argument: str, value: object, why: str) -> None:
        super().__init__(argument, why)
        self.value = value


class NotStated(OpticsError):
    pass


class TooFew(OpticsError):
    def __init__(self, argument: str, needed: int, given: int) -> None:
        super().__init__(argument, f"needs at least {needed} values, {given} given.")
        self.needed = needed
        self.given = given


class SingularPower(OpticsError):
    pass


class RayLost(OpticsError):
    pass


class BadOutline(OpticsError):
    pass


class BadPoints(OpticsError):
    """`argument` is the point's name (`pupil.right`, `rim.left.bottom`, ...) or the pair's (`reference`)."""


class NotationError(OpticsError):
    """`text` is what was typed, cut to 40 characters so that it can be shown again."""

    def __init__(self, text: str, why: str, argument: str = "") -> None:
        super().__init__(argument, why)
        self.text = text[:40]


def finite(argument: str, value: float) -> float:
    """`value` as a float; NotFinite if it is not a finite number (text, None, NaN, infinity)."""
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        raise NotFinite(argument, value) from None
    if not math.isfinite(number):
        raise NotFinite(argument, value)
    return number


def within(argument: str, value: float, low: float, high: float, unit: str = "") -> float:
    """`value` as a float, both limits allowed; NotFinite or OutOfRange otherwise."""
    number = finite(argument, value)
    if not low <= number <= high:
        space = f" {unit}" if unit else ""
        raise OutOfRange(argument, value, f"must be between {low:g} and {high:g}{space}, not {number:g}.")
    return number


def all_finite(argument: str, values: ArrayLike | Iterable[float]) -> Floats:
    """`values` as an array of floats; NotFinite names the first place that is not a finite number."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise NotFinite(argument, values) from None
    bad = ~np.isfinite(array)
    if bad.any():
        place = int(np.flatnonzero(bad.ravel())[0])
        raise NotFinite(f"{argument}[{place}]" if array.ndim else argument, array.ravel()[place])
    return array
