"""The calculations of the Bench, the API and the command: one registry. See `registry`."""

from dispensing.calculations import fit, need, place, powers, prisms, repeats, seeing, substance
from dispensing.calculations.registry import (
    GROUPS,
    Answer,
    BadInputs,
    Calculation,
    Input,
    Value,
    all_calculations,
    find,
    result,
)

__all__ = [
    "GROUPS",
    "Answer",
    "BadInputs",
    "Calculation",
    "Input",
    "Value",
    "all_calculations",
    "find",
    "fit",
    "need",
    "place",
    "powers",
    "prisms",
    "repeats",
    "result",
    "seeing",
    "substance",
]
