"""Power bands for counting: data, with how they were chosen.

By the mean sphere (sphere plus half the cylinder) of the eye whose mean sphere is the larger in size. Bounds at 3.00 and 6.00 D: where
the power tables of ISO 21987:2017 step first, and 6.00 D is also where the International Myopia Institute lets high myopia begin
(Flitcroft et al. 2019, IOVS 60:M20: at or beyond -6.00 D). Within half a dioptre of plano minus and plus are one band: its sign is
often that of the last quarter. A power on a bound belongs to the stronger band.
"""

from __future__ import annotations

from collections.abc import Iterable

NEAR_PLANO = 0.5
BANDS: tuple[tuple[float, str], ...] = ((6.0, "6.00 and over"), (3.0, "3.00 to 5.99"), (NEAR_PLANO, "0.50 to 2.99"))
PLANO = "about plano, under 0.50"
ORDER = (*(f"minus {words}" for _, words in BANDS), PLANO, *(f"plus {words}" for _, words in reversed(BANDS)))


def band_of(powers: Iterable[tuple[float, float]]) -> str:
    """The band of a pair from (sphere, cylinder) of its lenses, D; "" when neither is known."""
    means = [sphere + cylinder / 2.0 for sphere, cylinder in powers]
    if not means:
        return ""
    strongest = max(means, key=abs)
    for least, words in BANDS:
        if abs(strongest) >= least - 1e-9:
            return f"{'minus' if strongest < 0 else 'plus'} {words}"
    return PLANO
