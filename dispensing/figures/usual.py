"""Usual values, taken where nothing is on record; each use is written into `Figures.assumed`. And the notes that say so."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dispensing.case import Case

WORKING_MM = 400.0  # near task; common practice
ROTATION_MM = 27.0  # lens to centre of rotation where no vertex distance is known; UK teaching
READING_DROP_MM = 10.0  # reading level below the distance centre; 8-12, common practice
GAZE_DEG = 20.0  # an eye turns about this far before the head follows; common practice
SEGMENT_BELOW_BLANK_CENTRE_MM = 4.0  # segment top in a semi-finished blank; makers differ, common practice
POSITION_MM = 1.0  # fitting cross each way, segment top up and down; ISO 21987:2017 (from memory)
VERTEX_MATTERS_D = 5.0  # from here on a power needs its vertex distance; BS 2738-3 (from memory), ABDO advice
EDGE_MM: Mapping[str, float] = {"full_rim": 1.0, "grooved": 1.6, "drilled": 2.0}  # common practice
ASSUMED_SHAPE = "quadra_soft"
STAND_IN_POINTS = 200
NEAR_USES = frozenset({"near"})
NEARER_USES = frozenset({"near", "intermediate", "screens"})
FAILED = (ArithmeticError, ValueError)  # OpticsError is a ValueError: a value no lens can have; the checks say so


def usual_centre_mm(nd: float, glass: bool) -> float:
    """Least centre thickness where the maker states none, mm (common practice, published dispensing advice)."""
    return 2.0 if glass or nd < 1.525 else 1.5


class Notes:
    """What is missing and what was taken for granted, gathered while computing."""

    __slots__ = ("assumed", "unknown")

    def __init__(self) -> None:
        self.unknown: dict[str, tuple[str, ...]] = {}
        self.assumed: dict[str, str] = {}

    def lack(self, where: str, *paths: str) -> None:
        self.unknown[where] = tuple(dict.fromkeys(self.unknown.get(where, ()) + paths))


BEYOND = 1e4  # no millimetre, dioptre or degree of this trade is greater: such a value is as good as none


def number(value: float | None) -> float | None:
    """A value that can be reckoned with, or None: not on record, not a number, infinite or absurd."""
    return float(value) if value is not None and -BEYOND < value < BEYOND else None


def thinning(case: Case) -> float:
    """Prism thinning, base down, Δ; 0 for none."""
    return number(case.lens.prism_thinning_down) or 0.0


def drop_unreal(figures: dict[str, Any], where: str, notes: Notes) -> None:
    """The last net: a figure that came out infinite or not a number is no figure."""
    for name, value in figures.items():
        if isinstance(value, float) and not math.isfinite(value):
            figures[name] = None
            notes.lack(f"{where}{name}", "prescription", "frame", "lens")
