"""Tolerances of mounted spectacles: ISO 21987:2017 and ANSI Z80.1, as data with source and confidence.

No bought copy of a standard was at hand: the ISO figures of power, cylinder and prism are from memory (they agree with each other
at every break and with national adoptions where those were seen); the ANSI figures are from summaries of Z80.1-2015. Check them
against the standard before relying on one. Tolerances hold for what was **ordered**: where a maker states compensated values, for those.

The pair's prism is judged as right minus left, horizontal and vertical on their own. Which lens of an unequal pair feeds the formula
is not settled in any text seen: it is the parameter `feed`, by default the weaker lens, which gives the tighter figure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from dispensing.optics.errors import OutOfRange, finite, within
from dispensing.optics.power import Power

Standard = Literal["ISO 21987:2017", "ANSI Z80.1"]
Kind = Literal["single vision", "multifocal", "progressive"]
Feed = Literal["weaker", "stronger", "mean"]
Along = Literal["meridian", "highest"]
STANDARDS: tuple[Standard, ...] = ("ISO 21987:2017", "ANSI Z80.1")
_SLACK = 1e-9  # a float that stands for 3.00 belongs to the row "up to 3.00"

INF = float("inf")


@dataclass(frozen=True, slots=True)
class Source:
    text: str
    confidence: str


ISO_POWER = Source("ISO 21987:2017 Table 1 (single vision and multifocals)", "standard, from memory")
ISO_POWER_PROGRESSIVE = Source(
    "ISO 21987:2017 Table 2 (progressive and other power-variation lenses)", "standard, from memory"
)
ISO_AXIS = Source("ISO 21987:2017 Table 3", "standard; end points seen in a summary, middle rows from memory")
ISO_ADD = Source("ISO 21987:2017 Table 4", "standard, from memory")
ISO_PRISM = Source("ISO 21987:2017 prism imbalance; as carried in GB 13511.1-2011 Table 4", "standard, from memory")
ANSI_POWER = Source("ANSI Z80.1-2015 power tables", "standard, from a quick-reference sheet")
ANSI_AXIS = Source("ANSI Z80.1-2015 axis table", "standard, from a quick-reference sheet")
ANSI_ADD = Source("ANSI Z80.1-2015 addition table", "standard, from a quick-reference sheet")
ANSI_PRISM = Source(
    "ANSI Z80.1-2015 prism imbalance and PRP location, mounted pair", "standard, from a quick-reference sheet"
)
ANSI_PRISM_PROGRESSIVE = Source(
    "ANSI Z80.1-2015 prism imbalance and PRP location, mounted progressives",
    "standard, from summaries that disagree on the horizontal break: 3.375 taken, 3.75 also printed",
)

# Rows: (greatest size of the stronger principal power, each principal power, cylinder up to 0.75, 4.00, 6.00, above).
ISO_POWER_ROWS = (
    (
        3.0,
        0.12,
        (0.09, 0.12, 0.18, 0.25),
    ),  # no cylinder above 6.00 is possible in this row; the last figure closes the table
    (6.0, 0.12, (0.12, 0.12, 0.18, 0.25)),
    (9.0, 0.12, (0.12, 0.18, 0.18, 0.25)),
    (12.0, 0.18, (0.12, 0.18, 0.25, 0.25)),
    (20.0, 0.25, (0.18, 0.25, 0.25, 0.25)),
    (INF, 0.37, (0.25, 0.25, 0.37, 0.37)),
)
ISO_POWER_ROWS_PROGRESSIVE = (
    (6.0, 0.12, (0.12, 0.18, 0.18, 0.25)),
    (9.0, 0.18, (0.18, 0.18, 0.18, 0.25)),
    (12.0, 0.18, (0.18, 0.18, 0.25, 0.25)),
    (20.0, 0.25, (0.18, 0.25, 0.25, 0.25)),
    (INF, 0.37, (0.25, 0.25, 0.37, 0.37)),
)
ISO_CYLINDER_STEPS = (0.75, 4.0, 6.0, INF)
ISO_AXIS_ROWS = ((0.25, 16.0), (0.5, 9.0), (0.75, 6.0), (1.5, 4.0), (2.5, 3.0), (INF, 2.0))  # from 0.125 D
ISO_AXIS_FROM = 0.125
ANSI_AXIS_ROWS = ((0.25, 14.0), (0.5, 7.0), (0.75, 5.0), (1.5, 3.0), (INF, 2.0))  # from 0.12 D
ANSI_AXIS_FROM = 0.12
ADD_ROWS = ((4.0, 0.12), (INF, 0.18))  # both standards
# Rows: (greatest ordered prism, fixed tolerance, what is added to the prism of the shift once the power is above the break).
ISO_PRISM_HORIZONTAL = ((2.0, 0.67, 0.0), (10.0, 1.0, 0.33), (INF, 1.25, 0.58))
ISO_PRISM_VERTICAL = ((2.0, 0.5, 0.0), (10.0, 0.75, 0.25), (INF, 1.0, 0.5))
ISO_BREAK_HORIZONTAL, ISO_SHIFT_HORIZONTAL = 3.25, 2.0  # D, mm
ISO_BREAK_VERTICAL, ISO_SHIFT_VERTICAL = 5.0, 1.0


class PowerTolerance(NamedTuple):
    """Allowed either way, D: each principal power, and the cylinder. Both must be met."""

    principal: float
    cylinder: float
    source: Source


def _row(rows: tuple[tuple[float, float], ...], size: float) -> float:
    return next(value for top, value in rows if size <= top + _SLACK)


def power_tolerance(ordered: Power, standard: Standard = "ISO 21987:2017", kind: Kind = "single vision") -> PowerTolerance:
    """Back vertex power of the distance portion. ISO looks up the row of the stronger principal meridian.

    -4.00/-1.00x90: 0.12 and 0.12 D. ANSI above 6.50 D (8.00 progressive) is 2 % of the meridian. OutOfRange: unknown standard or kind.
    """
    _known(standard, kind)
    strongest, cylinder = abs(ordered.strongest.power), abs(ordered.cylinder)
    progressive = kind == "progressive"
    if standard == "ANSI Z80.1":
        return _ansi_power(strongest, cylinder, progressive)
    rows = ISO_POWER_ROWS_PROGRESSIVE if progressive else ISO_POWER_ROWS
    principal, cylinders = next((a, b) for top, a, b in rows if strongest <= top + _SLACK)
    place = next(i for i, top in enumerate(ISO_CYLINDER_STEPS) if cylinder <= top + _SLACK)
    return PowerTolerance(principal, cylinders[place], ISO_POWER_PROGRESSIVE if progressive else ISO_POWER)


def _ansi_power(strongest: float, cylinder: float, progressive: bool) -> PowerTolerance:
    limit, fixed, small, middle, top, share = (
        (8.0, 0.16, 0.16, 0.18, 3.5, 0.05) if progressive else (6.5, 0.13, 0.13, 0.15, 4.5, 0.04)
    )
    principal = fixed if strongest <= limit + _SLACK else 0.02 * strongest
    if cylinder <= 2.0 + _SLACK:
        allowed = small
    elif cylinder <= top + _SLACK:
        allowed = middle
    else:
        allowed = share * cylinder
    return PowerTolerance(principal, allowed, ANSI_POWER)


class Tolerance(NamedTuple):
    """Allowed either way, in the unit of the quantity; None where the standard sets none."""

    value: float | None
    source: Source


def axis_tolerance(cylinder: float, standard: Standard = "ISO 21987:2017") -> Tolerance:
    """Degrees for the ordered cylinder, either sign; None below 0.125 D (ISO) or 0.12 D (ANSI): no axis is judged."""
    _known(standard)
    size = abs(within("cylinder", cylinder, -200.0, 200.0, "D"))
    iso = standard == "ISO 21987:2017"
    source = ISO_AXIS if iso else ANSI_AXIS
    if size < (ISO_AXIS_FROM if iso else ANSI_AXIS_FROM) - _SLACK:
        return Tolerance(None, source)
    return Tolerance(_row(ISO_AXIS_ROWS if iso else ANSI_AXIS_ROWS, size), source)


def add_tolerance(add: float, standard: Standard = "ISO 21987:2017") -> Tolerance:
    """Addition or variation power: 0.12 D up to 4.00, 0.18 D above."""
    _known(standard)
    return Tolerance(
        _row(ADD_ROWS, abs(within("add", add, -20.0, 20.0, "D"))), ISO_ADD if standard == "ISO 21987:2017" else ANSI_ADD
    )


class PairTolerance(NamedTuple):
    """Allowed departure of the pair's prism (right minus left) from what was ordered, Δ, and how each figure came about."""

    horizontal: float
    vertical: float
    horizontal_basis: str
    vertical_basis: str
    source: Source


_FEEDS: dict[str, Callable[[float, float], float]] = {
    "weaker": min,
    "stronger": max,
    "mean": lambda a, b: (a + b) / 2.0,
}


def pair_prism_tolerance(
    right: Power,
    left: Power,
    *,
    ordered_horizontal: float = 0.0,
    ordered_vertical: float = 0.0,
    standard: Standard = "ISO 21987:2017",
    kind: Kind = "single vision",
    feed: Feed = "weaker",
    along: Along = "meridian",
) -> PairTolerance:
    """Prism imbalance of the mounted pair.

    ordered_*: net prism ordered for the pair, Δ, either sign. feed: which lens of an unequal pair gives the power (not settled: see
    the module). along: "meridian" takes the power along the horizontal for the horizontal figure and along the vertical for the vertical;
    "highest" takes the stronger principal power for both. A pair of -6.00 with no prism: ISO 1.20 Δ horizontal, 0.60 Δ vertical.
    """
    _known(standard, kind)
    if feed not in _FEEDS:
        raise OutOfRange("feed", feed, 'must be "weaker", "stronger" or "mean".')
    if along not in ("meridian", "highest"):
        raise OutOfRange("along", along, 'must be "meridian" or "highest".')
    if along == "meridian":
        sizes_h = abs(right.horizontal), abs(left.horizontal)
        sizes_v = abs(right.vertical), abs(left.vertical)
    else:
        sizes_h = sizes_v = abs(right.strongest.power), abs(left.strongest.power)
    h, v = _FEEDS[feed](*sizes_h), _FEEDS[feed](*sizes_v)
    if standard == "ANSI Z80.1":
        progressive = kind == "progressive"
        break_h, shift_h = (3.375, 2.0) if progressive else (2.75, 2.5)
        fixed_h, basis_h = _ansi_prism(h, 0.67, break_h, shift_h)
        fixed_v, basis_v = _ansi_prism(v, 0.33, 3.375, 1.0)
        return PairTolerance(fixed_h, fixed_v, basis_h, basis_v, ANSI_PRISM_PROGRESSIVE if progressive else ANSI_PRISM)
    horizontal, basis_h = _iso_prism(
        h, ordered_horizontal, ISO_PRISM_HORIZONTAL, ISO_BREAK_HORIZONTAL, ISO_SHIFT_HORIZONTAL
    )
    vertical, basis_v = _iso_prism(v, ordered_vertical, ISO_PRISM_VERTICAL, ISO_BREAK_VERTICAL, ISO_SHIFT_VERTICAL)
    return PairTolerance(horizontal, vertical, basis_h, basis_v, ISO_PRISM)


def _iso_prism(
    power: float, ordered: float, rows: tuple[tuple[float, float, float], ...], break_d: float, shift: float
) -> tuple[float, str]:
    size = abs(finite("ordered prism", ordered))
    fixed, extra = next((a, b) for top, a, b in rows if size <= top + _SLACK)
    if power <= break_d + _SLACK:
        return fixed, f"{fixed:g} Δ up to {break_d:g} D"
    plus = f"{extra:g} Δ and " if extra else ""
    return extra + shift * power / 10.0, f"{plus}prism of {shift:g} mm at {power:.2f} D"


def _ansi_prism(power: float, fixed: float, break_d: float, shift: float) -> tuple[float, str]:
    if power <= break_d + _SLACK:
        return fixed, f"{fixed:g} Δ up to {break_d:g} D"
    return shift * power / 10.0, f"prism of {shift:g} mm at {power:.2f} D"


# ── held against a reading ─────────────────────────────────────────────────


class PowerVerdict(NamedTuple):
    """What was read against what was ordered: departures in D and degrees, what is allowed, and whether all is within."""

    principal: float  # the greater departure of the two principal powers, by size
    cylinder: float
    axis: float | None  # None where no axis is judged
    allowed: PowerTolerance
    axis_allowed: float | None
    within: bool


def judge_power(
    ordered: Power, read: Power, standard: Standard = "ISO 21987:2017", kind: Kind = "single vision"
) -> PowerVerdict:
    """Readings of one lens against the order, in the order's cylinder form. A departure equal to the tolerance is within it.

    Figures are compared at 0.001 D and 0.01 degree, so that a printed 0.12 is not lost to binary fractions.
    """
    want = ordered.in_form("minus")
    got = read.in_form("minus")
    allowed = power_tolerance(ordered, standard, kind)
    axis = axis_tolerance(ordered.cylinder, standard)
    first = got.sphere - want.sphere
    second = (got.sphere + got.cylinder) - (want.sphere + want.cylinder)
    principal = max(first, second, key=abs)
    cylinder = abs(got.cylinder) - abs(want.cylinder)
    turned: float | None = None
    if axis.value is not None:
        turned = abs((got.axis - want.axis + 90.0) % 180.0 - 90.0) if got.cylinder else 90.0
    fine = round(abs(principal), 3) <= allowed.principal + _SLACK and round(abs(cylinder), 3) <= allowed.cylinder + _SLACK
    if turned is not None and axis.value is not None:
        fine = fine and round(turned, 2) <= axis.value + _SLACK
    return PowerVerdict(principal, cylinder, turned, allowed, axis.value, fine)


def _known(standard: str, kind: str = "single vision") -> None:
    if standard not in STANDARDS:
        raise OutOfRange("standard", standard, 'must be "ISO 21987:2017" or "ANSI Z80.1".')
    if kind not in ("single vision", "multifocal", "progressive"):
        raise OutOfRange("kind", kind, 'must be "single vision", "multifocal" or "progressive".')
