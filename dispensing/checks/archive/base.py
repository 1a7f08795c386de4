"""What the flags are written in: the register, and comparisons in which what is not known is never a hit."""

# numpy types operators on arrays as Any
# mypy: disable-error-code="no-any-return"

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from dispensing.checks.archive.columns import HAIR, Bools, Columns, Floats
from dispensing.checks.prescription import _STEPS

Limits = Mapping[str, float]
Flag = Callable[[Columns, Limits], Bools]
FLAGS: dict[str, Flag] = {}


def flag(identifier: str) -> Callable[[Flag], Flag]:
    """Register the flag of a check: true wherever the check could find something."""

    def register(rule: Flag) -> Flag:
        FLAGS[identifier] = rule
        return rule

    return register


def either_eye(pair: Bools) -> Bools:
    either: Bools = pair[0] | pair[1]
    return either


def given(values: Floats) -> Bools:
    """On record and not nought."""
    there: Bools = np.abs(values) > 0
    return there


def known(values: Floats) -> Bools:
    return ~np.isnan(values)


def outside(values: Floats, least: Any, most: Any) -> Bools:
    out: Bools = (values < least) | (values > most)
    return out


_ON_STEP = np.zeros(101, dtype=np.bool_)
_ON_STEP[[*_STEPS, 100]] = True


def off_step(values: Floats) -> Bools:
    """In no quarter and no eighth of a dioptre, whole, cut or rounded (`prescription.on_step`)."""
    hundredths = np.abs(values) * 100
    part = np.mod(hundredths, 100)
    near = np.rint(part)
    on = _ON_STEP[np.nan_to_num(near).astype(np.intp)] & (np.abs(part - near) < HAIR / 2)
    on |= np.mod(hundredths / 12.5, 1) < HAIR / 2
    return known(values) & ~on
