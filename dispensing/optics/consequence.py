"""What an error of measurement would do with this prescription, and how great an error still stays within the standard.

All errors are of one eye while everything else is right; the pair then departs by as much. An error of PD or of height is a shift of
the optical centre, so the full power matrix says what prism it makes: with oblique axes an error of PD makes vertical prism too.
Limits come from `tolerance.pair_prism_tolerance` and `tolerance.power_tolerance`. Search ends where a measurement cannot reach, and
None then says "no error that can happen matters".
Accuracy: prism 1e-12 Δ; greatest errors 0.001 mm, 0.001 degree.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from dispensing.optics.errors import OutOfRange, within
from dispensing.optics.power import Power
from dispensing.optics.prism import Eye, Prism, prism_from_decentration
from dispensing.optics.tilt import as_worn, to_order
from dispensing.optics.tolerance import (
    Along,
    Feed,
    Kind,
    PairTolerance,
    PowerTolerance,
    Standard,
    pair_prism_tolerance,
    power_tolerance,
)
from dispensing.optics.vertex import compensate

SHIFT_MATTERS_MM = 30.0  # no PD or height is wrong by more
VERTEX_MATTERS_MM = 15.0
TILT_MATTERS_DEG = 25.0


def prism_of_pd_error(power: Power, error_mm: float, eye: Eye) -> Prism:
    """Unwanted prism when this eye's lens is centred `error_mm` too far out (its PD too great by that much).

    The optical centre lies temporal of the line of sight: -6.00 D, 2 mm: 1.20 Δ in.
    """
    return prism_from_decentration(power, -within("error_mm", error_mm, -50.0, 50.0, "mm"), 0.0, eye)


def prism_of_height_error(power: Power, error_mm: float, eye: Eye) -> Prism:
    """Unwanted prism when this eye's lens is centred `error_mm` too high. -6.00 D, 2 mm: 1.20 Δ down."""
    return prism_from_decentration(power, 0.0, within("error_mm", error_mm, -50.0, 50.0, "mm"), eye)


def power_of_vertex_error(power: Power, fitted_mm: float, error_mm: float) -> Power:
    """The error of power at the eye when the lens sits `error_mm` further from the eye than the `fitted_mm` it was ordered for.

    A power to be added to what was meant, minus form: -10.00 at 14 instead of 12 mm: +0.20 D.
    """
    error = within("error_mm", error_mm, -30.0, 30.0, "mm")
    fitted = within("fitted_mm", fitted_mm, 0.0, 60.0, "mm")
    real = within("fitted_mm + error_mm", fitted + error, 0.0, 60.0, "mm")
    return compensate(power, real, fitted) - power


def power_of_tilt_error(
    power: Power, *, pantoscopic: float, face_form: float, index: float, eye: Eye,
    pantoscopic_error: float = 0.0, face_form_error: float = 0.0,
) -> Power:  # fmt: skip
    """The error of power at the eye when the lens was compensated for these angles but is worn at angles greater by the errors."""
    made = to_order(power, pantoscopic, face_form, index, eye)
    return as_worn(made, pantoscopic + pantoscopic_error, face_form + face_form_error, index, eye) - power


class ShiftNeed(NamedTuple):
    """How exact a PD and a height have to be for one eye: greatest error either way, mm; None: no error that can happen matters.

    prism_per_mm_*: prism made by 1 mm, Δ (resultant). limit: the tolerance it was held against.
    """

    pd_mm: float | None
    height_mm: float | None
    prism_per_mm_pd: float
    prism_per_mm_height: float
    limit: PairTolerance


def shift_need(
    right: Power,
    left: Power,
    eye: Eye,
    *,
    ordered_horizontal: float = 0.0,
    ordered_vertical: float = 0.0,
    standard: Standard = "ISO 21987:2017",
    kind: Kind = "single vision",
    feed: Feed = "weaker",
    along: Along = "meridian",
) -> ShiftNeed:
    """Greatest error of this eye's PD alone, and of its height alone, that keeps the pair's prism within the standard."""
    limit = pair_prism_tolerance(
        right, left, ordered_horizontal=ordered_horizontal, ordered_vertical=ordered_vertical,
        standard=standard, kind=kind, feed=feed, along=along,
    )  # fmt: skip
    return shift_need_within(right if eye == "right" else left, eye, limit)


def shift_need_within(power: Power, eye: Eye, limit: PairTolerance) -> ShiftNeed:
    """`shift_need` against a limit that is already known: one look into the tables does for both eyes."""
    pd, height = prism_of_pd_error(power, 1.0, eye), prism_of_height_error(power, 1.0, eye)
    return ShiftNeed(_most(pd, limit), _most(height, limit), pd.amount, height.amount, limit)


def _most(per_mm: Prism, limit: PairTolerance) -> float | None:
    """Prism grows with the shift in proportion, so the nearer limit decides."""
    found = min(
        (
            allowed / abs(made)
            for made, allowed in ((per_mm.base_in, limit.horizontal), (per_mm.base_up, limit.vertical))
            if abs(made) > 1e-12
        ),
        default=math.inf,
    )
    return found if found <= SHIFT_MATTERS_MM else None


def vertex_need(
    power: Power, fitted_mm: float, standard: Standard = "ISO 21987:2017", kind: Kind = "single vision"
) -> float | None:
    """Greatest error of the vertex distance either way, mm, before a principal power or the cylinder leaves the tolerance."""
    allowed = power_tolerance(power, standard, kind)
    fitted = within("fitted_mm", fitted_mm, 0.0, 60.0, "mm")
    first, second = power.sphere, power.sphere + power.cylinder

    def change(meridian: float, error_mm: float) -> float:
        """e·F²/(1 − e·F): what `power_of_vertex_error` gives along one meridian."""
        e = error_mm / 1000.0
        return e * meridian * meridian / (1.0 - e * meridian)

    def fine(error: float) -> bool:
        for e in (error, -error):
            if not 0.0 <= fitted + e <= 60.0:
                continue
            a, b = change(first, e), change(second, e)
            if max(abs(a), abs(b)) > allowed.principal or abs(b - a) > allowed.cylinder:
                return False
        return True

    # along one meridian e·F²/(1 − e·F) = ±t has the closed solution |e| = t/(F² + t·|F|); it holds where the cylinder allows it too
    t = allowed.principal
    closed = min((1000.0 * t / (f * f + t * abs(f)) for f in (first, second) if abs(f) > 0.01), default=math.inf)
    if closed < min(VERTEX_MATTERS_MM, fitted) and fine(closed * (1.0 - 1e-9)):
        return closed
    return _greatest(fine, VERTEX_MATTERS_MM)


class TiltNeed(NamedTuple):
    """Greatest error either way, degrees; None: no error that can happen matters."""

    pantoscopic: float | None
    face_form: float | None


def tilt_need(
    power: Power, *, pantoscopic: float, face_form: float, index: float, eye: Eye,
    standard: Standard = "ISO 21987:2017", kind: Kind = "single vision",
) -> TiltNeed:  # fmt: skip
    """How exact the as-worn angles have to be when the lens is compensated for them."""
    allowed = power_tolerance(power, standard, kind)
    if not (-5.0 <= pantoscopic <= 20.0 and -5.0 <= face_form <= 20.0):
        raise OutOfRange("pantoscopic, face_form", (pantoscopic, face_form), "must both be between -5 and 20 degrees here.")

    def fine(panto: float, face: float) -> bool:
        return all(
            _stays(
                power,
                power
                + power_of_tilt_error(
                    power, pantoscopic=pantoscopic, face_form=face_form, index=index, eye=eye,
                    pantoscopic_error=sign * panto, face_form_error=sign * face,
                ),
                allowed,
            )
            for sign in (1.0, -1.0)
        )  # fmt: skip

    return TiltNeed(
        _greatest(lambda e: fine(e, 0.0), TILT_MATTERS_DEG),
        _greatest(lambda e: fine(0.0, e), TILT_MATTERS_DEG),
    )


def _stays(meant: Power, got: Power, allowed: PowerTolerance) -> bool:
    want, have = meant.in_form("minus"), got.in_form("minus")
    first = abs(have.sphere - want.sphere)
    second = abs(have.sphere + have.cylinder - want.sphere - want.cylinder)
    return max(first, second) <= allowed.principal and abs(have.cylinder - want.cylinder) <= allowed.cylinder


def _greatest(fine: Callable[[float], bool], most: float) -> float | None:
    """Where `fine` stops holding, by bisection; it holds at 0 and, once lost, stays lost for a measurement error of this kind."""
    if fine(most):
        return None
    low, high = 0.0, most
    while high - low > 5e-4:
        middle = (low + high) / 2.0
        if fine(middle):
            low = middle
        else:
            high = middle
    return low
