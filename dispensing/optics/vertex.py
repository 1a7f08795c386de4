"""Vertex distance, and vertex powers from surfaces.

    F₂ = F₁ / (1 − x·F₁)            x = old vertex distance − new, in metres: positive when the lens moves towards the eye
    𝐅₂ = 𝐅₁·(I − x·𝐅₁)⁻¹           the same for the whole dioptric power matrix
    F′v = F1/(1 − (t/n)·F1) + F2     back vertex power
    Fv  = F2/(1 − (t/n)·F2) + F1     front vertex power
    F   = F1 + F2 − (t/n)·F1·F2      equivalent power

F1, F2 are true surface powers in dioptres for the lens's own index; t is the centre thickness in mm, n the index.
Vertex distance: back surface of the lens to the corneal apex along the line of sight, mm. The formulas are exact for the
paraxial region (1e-12 D); a tested power applied to a lens of another thickness has no further error because both are back vertex
powers. Sources: ISO 13666 (terms); BS 2738-3 asks for the vertex distance from ±5.00 D (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from dispensing.optics.errors import Floats, OutOfRange, SingularPower, all_finite, within
from dispensing.optics.power import EntryArrays, Power

VERTEX_LIMIT = (0.0, 60.0)  # mm; 0 is the corneal plane, the upper end serves goggles and trial holders


def move(power: float, from_mm: float, to_mm: float) -> float:
    """One meridian: the power in dioptres needed at `to_mm` for the same effect as `power` at `from_mm`.

    −10.00 D from 12 mm to 15 mm is −10.31 D. Errors: NotFinite; OutOfRange (vertex distance not 0 to 60 mm, power over 200 D);
    SingularPower when the new lens would stand in the focal plane.
    """
    f = within("power", power, -200.0, 200.0, "D")
    x = (within("from_mm", from_mm, *VERTEX_LIMIT, "mm") - within("to_mm", to_mm, *VERTEX_LIMIT, "mm")) / 1000.0
    divisor = 1.0 - x * f
    if abs(divisor) < 1e-6:
        raise SingularPower("power", "at the new vertex distance the lens would stand in its own focal plane.")
    return f / divisor


def compensate(power: Power, from_mm: float, to_mm: float) -> Power:
    """Each principal meridian moved on its own; the axis and the cylinder form stay. Errors as `move`."""
    along_axis = move(power.sphere, from_mm, to_mm)
    across = move(power.sphere + power.cylinder, from_mm, to_mm)
    return Power(along_axis, across - along_axis, power.axis)


def compensate_matrix(matrix: ArrayLike, from_mm: float, to_mm: float) -> Floats:
    """𝐅·(I − x·𝐅)⁻¹ for a 2 x 2 matrix in dioptres: the same answer as `compensate`, by another way. Errors as `move`."""
    f = all_finite("matrix", matrix)
    if f.shape != (2, 2):
        raise OutOfRange("matrix", f.shape, "must have two rows and two columns.")
    x = (within("from_mm", from_mm, *VERTEX_LIMIT, "mm") - within("to_mm", to_mm, *VERTEX_LIMIT, "mm")) / 1000.0
    through = np.eye(2) - x * f
    if abs(np.linalg.det(through)) < 1e-9:
        raise SingularPower("matrix", "at the new vertex distance the lens would stand in its own focal plane.")
    result: Floats = f @ np.linalg.inv(through)
    return result


def compensate_entries(entries: EntryArrays, from_mm: ArrayLike, to_mm: ArrayLike) -> EntryArrays:
    """Many matrices at once, by the closed inverse of a 2 x 2 matrix. Errors as `move`."""
    a, b, d = (all_finite(name, values) for name, values in zip(("f11", "f12", "f22"), entries, strict=True))
    x = (all_finite("from_mm", from_mm) - all_finite("to_mm", to_mm)) / 1000.0
    # F(I − xF)⁻¹ = (F − x·det F·I) / det(I − xF)
    det_f = a * d - b * b
    det = 1.0 - x * (a + d) + x * x * det_f
    if (np.abs(det) < 1e-9).any():
        raise SingularPower("power", "at the new vertex distance a lens would stand in its own focal plane.")
    return EntryArrays((a - x * det_f) / det, b / det, (d - x * det_f) / det)


def approximate_change(power: float, from_mm: float, to_mm: float) -> float:
    """The rule of thumb x·F², dioptres, signed as a change of the written power; shown beside the exact value.

    Within 0.03 D of the exact change up to ±12 D and 4 mm.
    """
    f = within("power", power, -200.0, 200.0, "D")
    return (within("from_mm", from_mm, *VERTEX_LIMIT, "mm") - within("to_mm", to_mm, *VERTEX_LIMIT, "mm")) / 1000.0 * f * f


# ── surfaces ───────────────────────────────────────────────────────────────


def index_of(argument: str, index: float) -> float:
    """A refractive index, 1.3 to 2.5."""
    return within(argument, index, 1.3, 2.5)


def _reduced(thickness_mm: float, index: float) -> float:
    return within("thickness_mm", thickness_mm, 0.0, 60.0, "mm") / 1000.0 / index_of("index", index)


def _through(power: float, reduced: float, argument: str) -> float:
    divisor = 1.0 - reduced * power
    if abs(divisor) < 1e-6:
        raise SingularPower(argument, "light from this surface comes to a focus on the other one.")
    return power / divisor


def nominal_power(front: float, back: float) -> float:
    """F1 + F2, dioptres: thin-lens power."""
    return within("front", front, -100.0, 100.0, "D") + within("back", back, -100.0, 100.0, "D")


def back_vertex_power(front: float, back: float, thickness_mm: float, index: float) -> float:
    """F′v in dioptres from surface powers. +15.00, −6.00, 6.5 mm, 1.523: +10.03 D. Errors: NotFinite, OutOfRange, SingularPower."""
    nominal_power(front, back)
    return _through(front, _reduced(thickness_mm, index), "front") + back


def front_vertex_power(front: float, back: float, thickness_mm: float, index: float) -> float:
    """Fv in dioptres from surface powers. Errors as `back_vertex_power`."""
    nominal_power(front, back)
    return _through(back, _reduced(thickness_mm, index), "back") + front


def equivalent_power(front: float, back: float, thickness_mm: float, index: float) -> float:
    """F in dioptres from surface powers. Errors as `back_vertex_power`."""
    return nominal_power(front, back) - _reduced(thickness_mm, index) * front * back


def back_surface(wanted: float, front: float, thickness_mm: float, index: float) -> float:
    """The back surface power in dioptres that gives the wanted back vertex power with this front surface."""
    within("wanted", wanted, -100.0, 100.0, "D")
    within("front", front, -100.0, 100.0, "D")
    return wanted - _through(front, _reduced(thickness_mm, index), "front")


def vertex_allowance(front: float, thickness_mm: float, index: float) -> float:
    """What the thickness adds to the front power at the back vertex, dioptres: F1/(1 − (t/n)·F1) − F1."""
    within("front", front, -100.0, 100.0, "D")
    return _through(front, _reduced(thickness_mm, index), "front") - front


def curve_in_index(curve: float, index: float, scale_index: float = 1.53) -> float:
    """True surface power of a curve that was read or stated on another scale: F·(n − 1)/(n₀ − 1).

    Front curves of frames and blanks are stated for 1.53 (common practice). +6.00 on a 1.53 gauge is +7.47 D in 1.66.
    """
    return (
        within("curve", curve, -100.0, 100.0, "D")
        * (index_of("index", index) - 1.0)
        / (index_of("scale_index", scale_index) - 1.0)
    )


def radius_mm(surface_power: float, index: float) -> float:
    """Radius 1000·(n − 1)/F of a surface, mm, with the sign of the power. OutOfRange for a plane."""
    f = within("surface_power", surface_power, -100.0, 100.0, "D")
    if f == 0.0:
        raise OutOfRange("surface_power", f, "a plane surface has no radius.")
    return 1000.0 * (index_of("index", index) - 1.0) / f
