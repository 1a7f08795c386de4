"""What an error of so many millimetres does with these lenses, in one sentence. The figures are computed elsewhere."""

from __future__ import annotations

from dispensing.case import MULTIFOCAL, Eye
from dispensing.checks.view import View
from dispensing.checks.words import mm
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power


def _made(v: View, eye: Eye) -> Power | None:
    """The power of the lens that is to be made: of a pair for near that may be plus where the prescription is minus."""
    ordered = v.figures.of(eye).ordered
    if ordered is None:
        return v.powers[eye]
    try:
        return Power(ordered.sphere, ordered.cylinder, ordered.axis if ordered.axis and ordered.cylinder else 180.0)
    except OpticsError:
        return None


def of_pd_error(v: View, eye: Eye, off_mm: float, *, too_far_out: bool | None = None) -> str:
    """Prism from a horizontal error. `too_far_out`: the recorded PD is more than the true one; None = not known which."""
    lens = v.figures.of(eye)
    per_mm = lens.prism_per_mm_h
    if per_mm is None:
        return _position(v, off_mm)
    prism = abs(off_mm) * abs(per_mm)
    power = _made(v, eye)
    base = ""
    if too_far_out is not None and power is not None and prism >= 0.05:
        # the eye looks nasal of the optical centre when that lies too far out: base out with plus, base in with minus
        base = " base out" if too_far_out == (power.horizontal > 0) else " base in"
    tolerance = v.figures.prism_tolerance_h
    text = f"{mm(abs(off_mm))} here is {prism:.2f} Δ{base} with these lenses"
    text += f"; tolerance {tolerance:.2f} Δ for the pair." if tolerance is not None else "."
    return " ".join(part for part in (text, _position(v, off_mm)) if part)


def of_pds_exchanged(v: View, apart_mm: float) -> str:
    """What it does when the PDs of both eyes, this far apart, change places: both lenses go the same way, so that like powers cancel."""
    words = f"Both lenses would sit {mm(abs(apart_mm))} off, towards one side of the face"
    right, left = _made(v, "right"), _made(v, "left")
    if right is None or left is None:
        return words + "."
    between = abs(right.horizontal - left.horizontal) * abs(apart_mm) / 10
    tolerance = v.figures.prism_tolerance_h
    text = f"{words}: {between:.2f} Δ between the eyes with these lenses"
    text += f"; tolerance {tolerance:.2f} Δ for the pair." if tolerance is not None else "."
    return " ".join(part for part in (text, _position(v, apart_mm)) if part)


def of_heights_exchanged(v: View, apart_mm: float) -> str:
    """The same for heights: one lens goes up and the other down, so that like powers add."""
    words = f"One lens would sit {mm(abs(apart_mm))} too high and the other as much too low"
    right, left = _made(v, "right"), _made(v, "left")
    if right is None or left is None:
        return words + "."
    between = abs(right.vertical + left.vertical) * abs(apart_mm) / 10
    tolerance = v.figures.prism_tolerance_v
    text = f"{words}: {between:.2f} Δ vertically between the eyes with these lenses"
    text += f"; tolerance {tolerance:.2f} Δ for the pair." if tolerance is not None else "."
    return " ".join(part for part in (text, _position(v, apart_mm)) if part)


def of_height_error(v: View, eye: Eye, off_mm: float) -> str:
    """Vertical prism from an error of height, and where it puts the reading area."""
    per_mm = v.figures.of(eye).prism_per_mm_v
    if per_mm is None:
        return _position(v, off_mm)
    tolerance = v.figures.prism_tolerance_v
    text = f"{mm(abs(off_mm))} here is {abs(off_mm) * abs(per_mm):.2f} Δ vertically with these lenses"
    text += f"; tolerance {tolerance:.2f} Δ for the pair." if tolerance is not None else "."
    return " ".join(part for part in (text, _position(v, off_mm)) if part)


def _position(v: View, off_mm: float) -> str:
    if v.family in MULTIFOCAL and abs(off_mm) > 1.0:
        return f"The fitting point or segment would be {mm(abs(off_mm))} off; tolerance 1 mm."
    return ""
