"""Tolerances of mounted spectacles that are not powers: position, size, thickness, tint. Data with source and confidence.

Powers, axes, additions and prism are in `dispensing.optics.tolerance`. No bought copy of a standard was at hand: every figure here is
from memory or from a summary and must be checked against the standard before it is relied on.
"""

from __future__ import annotations

from dataclasses import dataclass

from dispensing.optics.tolerance import Source, Standard

MUST_BE_CHECKED = (
    "The tolerance tables were written from memory and from summaries, not from a bought copy of the standard. "
    "Check them against your own copy before relying on a verdict."
)
ISO_PLACE = Source("ISO 21987:2017, position and orientation", "standard, from memory")
ANSI_PLACE = Source("ANSI Z80.1-2015, segments and fitting points", "standard, from a summary of the 2010 edition")
ISO_SEGMENT_SIZE = Source("ISO 8980-1:2017 segment size", "standard, from memory")
ANSI_SEGMENT_SIZE = Source("ANSI Z80.1 segment size", "standard, from a reprint of the 1999 edition")
ISO_THICKNESS = Source("ISO 21987:2017 centre thickness", "standard, from memory")
ANSI_THICKNESS = Source("ANSI Z80.1 centre thickness", "standard, from a reprint of the 1999 edition")
TINT_PAIR = Source("ISO 8980-3, match of a pair", "standard, from memory; 15 to 20 % relative, 20 taken")


@dataclass(frozen=True, slots=True)
class Places:
    """Allowances of one standard, mm and degrees, either way unless said."""

    height: float  # fitting cross or segment top against the order
    height_pair: float  # right minus left against what was ordered
    cross_pd: float  # fitting cross, monocular
    segment_pd: float  # both segments together against the near centration distance
    tilt: float  # marks or segment top against the horizontal, degrees
    segment_size: float
    segment_size_pair: float
    thickness: float
    place_source: Source
    size_source: Source
    thickness_source: Source


PLACES: dict[Standard, Places] = {
    "ISO 21987:2017": Places(1.0, 1.0, 1.0, 2.0, 2.0, 0.5, 0.7, 0.3, ISO_PLACE, ISO_SEGMENT_SIZE, ISO_THICKNESS),
    "ANSI Z80.1": Places(1.0, 1.0, 1.0, 2.5, 2.0, 0.5, 0.7, 0.3, ANSI_PLACE, ANSI_SEGMENT_SIZE, ANSI_THICKNESS),
}
TINT_PAIR_SHARE = 0.20  # of the mean of both lenses
