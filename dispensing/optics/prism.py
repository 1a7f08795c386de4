"""Prism: from decentration by the full power matrix and back, composed, resolved, for one eye and for the pair, and ray traced.

Frame of reference of one eye: x towards the nose, y up, mm; base in and base up positive, Δ. The power matrix is stated facing the
wearer with x to the observer's right, which is nasal for a right eye and temporal for a left one: f12 changes sign for the left.

    𝐏 = 𝐅·𝐝/10          𝐝 = optical centre as seen from the point looked through, mm; 𝐏 points to the base
    base, 0 to 360, anticlockwise facing the wearer (ISO 8429):   right in 0, up 90, out 180, down 270;   left out 0, in 180

Accuracy: 1e-12 Δ as Prentice's rule in two dimensions. Against a real lens and a turned eye Prentice's rule itself is 8 to 22 % low at
the edge of strong lenses; `exact_prism` gives the traced value beside it.
Sources: Long 1976 (matrix form); Prentice 1890; ISO 13666 (prismatic effect); ISO 8429 (scale).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from dispensing.optics.errors import Floats, OutOfRange, RayLost, SingularPower, all_finite, within
from dispensing.optics.power import Entries, Power, entries_of
from dispensing.optics.realray import Back, RealLens, Vector, lens_of, refract, trace, unit

Eye = Literal["right", "left"]
PRISM_LIMIT = 200.0  # Δ
SHIFT_LIMIT = 100.0  # mm


def nasal(eye: Eye) -> float:
    """+1 where nasal is to the observer's right (right eye), −1 for the left. OutOfRange for anything else."""
    if eye == "right":
        return 1.0
    if eye == "left":
        return -1.0
    raise OutOfRange("eye", eye, 'must be "right" or "left".')


def nasal_entries(power: Power, eye: Eye) -> Entries:
    """The power matrix in the nasal frame of this eye."""
    f11, f12, f22 = power.entries()
    return Entries(f11, f12 * nasal(eye), f22)


@dataclass(frozen=True, slots=True)
class Prism:
    """One eye's prism in Δ: base in positive, base up positive, each up to 200. Errors: NotFinite, OutOfRange."""

    base_in: float = 0.0
    base_up: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "base_in", within("base_in", self.base_in, -PRISM_LIMIT, PRISM_LIMIT, "Δ"))
        object.__setattr__(self, "base_up", within("base_up", self.base_up, -PRISM_LIMIT, PRISM_LIMIT, "Δ"))

    @property
    def amount(self) -> float:
        """Resultant √(in² + up²), Δ."""
        return math.hypot(self.base_in, self.base_up)

    def base(self, eye: Eye) -> float:
        """Base setting, 0 up to but not 360 degrees, facing the wearer. 0 where there is no prism."""
        if self.amount < 1e-12:
            return 0.0
        degrees = math.degrees(math.atan2(self.base_up, self.base_in * nasal(eye))) % 360.0
        return 0.0 if degrees > 360.0 - 1e-9 else degrees

    @classmethod
    def at_base(cls, amount: float, base: float, eye: Eye) -> Prism:
        """From an amount in Δ (0 to 200) and a base setting of 0 to 360 degrees."""
        p = within("amount", amount, 0.0, PRISM_LIMIT, "Δ")
        b = math.radians(within("base", base, 0.0, 360.0, "degrees"))
        return cls(_clean(p * math.cos(b) * nasal(eye)), _clean(p * math.sin(b)))

    def along(self, direction: float, eye: Eye) -> float:
        """The part with its base along a direction of 0 to 360 degrees, Δ."""
        b = math.radians(within("direction", direction, 0.0, 360.0, "degrees"))
        return self.base_in * nasal(eye) * math.cos(b) + self.base_up * math.sin(b)

    def __add__(self, other: Prism) -> Prism:
        return Prism(self.base_in + other.base_in, self.base_up + other.base_up)

    def __sub__(self, other: Prism) -> Prism:
        return Prism(self.base_in - other.base_in, self.base_up - other.base_up)

    def __neg__(self) -> Prism:
        return Prism(-self.base_in, -self.base_up)


def _clean(value: float) -> float:
    """Takes cos(90°) = 6e-17 for the zero it stands for."""
    return 0.0 if abs(value) < 1e-12 else value


def compose(*prisms: Prism) -> Prism:
    """All of them in front of the same eye, as one prism."""
    return Prism(math.fsum(p.base_in for p in prisms), math.fsum(p.base_up for p in prisms))


class PairPrism(NamedTuple):
    """What both eyes together meet, Δ. Horizontal: base in positive, the eyes add. Vertical: right base up minus left base up."""

    horizontal: float
    vertical: float


def net(right: Prism, left: Prism) -> PairPrism:
    """Binocular difference: base in in both eyes adds, base up in one and down in the other adds, yoked prism cancels."""
    return PairPrism(right.base_in + left.base_in, right.base_up - left.base_up)


# ── decentration and prism ─────────────────────────────────────────────────


def prism_at(power: Power, x: float, y: float, eye: Eye) -> Prism:
    """Prism at the point (x nasal, y up) mm from the optical centre.

    -6.25/-2.00x25 of a right eye, 2.5 in and 10 below the centre: 2.42 in, 8.08 down. Errors: NotFinite, OutOfRange (over 100 mm).
    """
    return prism_from_decentration(power, -x, -y, eye)


def prism_from_decentration(power: Power, x: float, y: float, eye: Eye) -> Prism:
    """Prism before the eye when the optical centre lies (x nasal, y up) mm from the point looked through."""
    dx = within("x", x, -SHIFT_LIMIT, SHIFT_LIMIT, "mm")
    dy = within("y", y, -SHIFT_LIMIT, SHIFT_LIMIT, "mm")
    f11, f12, f22 = nasal_entries(power, eye)
    return Prism((f11 * dx + f12 * dy) / 10.0, (f12 * dx + f22 * dy) / 10.0)


class Shift(NamedTuple):
    """Where the optical centre goes, mm from the point looked through: nasal and up positive."""

    x: float
    y: float


def decentration_for(power: Power, prism: Prism, eye: Eye) -> Shift:
    """𝐝 = 10·𝐅⁻¹·𝐏: where the optical centre has to be for this prism, mm.

    Errors: SingularPower where a principal meridian has less than 0.005 D, so that no useful shift gives prism along it (grind the
    prism instead); OutOfRange for a shift of more than 100 mm.
    """
    weak = power.weakest
    if abs(weak.power) < 0.005:
        if prism.amount < 1e-12:
            return Shift(0.0, 0.0)
        raise SingularPower(
            "power",
            f"has no power along {weak.meridian:g}, so decentration gives no prism there: the prism must be worked.",
        )
    f11, f12, f22 = nasal_entries(power, eye)
    det = f11 * f22 - f12 * f12
    x = 10.0 * (f22 * prism.base_in - f12 * prism.base_up) / det
    y = 10.0 * (f11 * prism.base_up - f12 * prism.base_in) / det
    if math.hypot(x, y) > SHIFT_LIMIT:
        raise OutOfRange(
            "prism", prism, f"would need the optical centre {math.hypot(x, y):.0f} mm away: the prism must be worked."
        )
    return Shift(x, y)


def prisms_at(
    sphere: ArrayLike, cylinder: ArrayLike, axis: ArrayLike, x: ArrayLike, y: ArrayLike, left: ArrayLike = False
) -> tuple[Floats, Floats]:
    """`prism_at` for many lenses at once: (base in, base up) in Δ. `left` is True where the lens is a left one."""
    f11, f12, f22 = entries_of(sphere, cylinder, axis)
    px, py = all_finite("x", x), all_finite("y", y)
    f12 = np.where(left, -f12, f12)
    return -(f11 * px + f12 * py) / 10.0, -(f12 * px + f22 * py) / 10.0


def decentrations_for(
    sphere: ArrayLike, cylinder: ArrayLike, axis: ArrayLike, base_in: ArrayLike, base_up: ArrayLike, left: ArrayLike = False
) -> tuple[Floats, Floats]:
    """`decentration_for` for many lenses at once, mm; NaN where the power is singular (that is an answer here, not an error)."""
    f11, f12, f22 = entries_of(sphere, cylinder, axis)
    h, v = all_finite("base_in", base_in), all_finite("base_up", base_up)
    f12 = np.where(left, -f12, f12)
    det = f11 * f22 - f12 * f12
    half = np.hypot((f11 - f22) / 2.0, f12)
    mean = (f11 + f22) / 2.0
    weak = np.minimum(np.abs(mean + half), np.abs(mean - half))
    safe = np.where(weak < 0.005, np.nan, det)
    return 10.0 * (f22 * h - f12 * v) / safe, 10.0 * (f11 * v - f12 * h) / safe


# ── the real lens ──────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True)
class ExactPrism:
    """The prism of a real lens along one line of sight, and what Prentice's rule says there."""

    prism: Prism
    prentice: Prism

    @property
    def parted(self) -> float:
        """By how much they part, Δ. Worth showing from 0.25 Δ."""
        return (self.prism - self.prentice).amount


def exact_prism(
    power: Power,
    x: float,
    y: float,
    eye: Eye,
    *,
    front: float,
    thickness_mm: float,
    index: float,
    rotation_centre_mm: float = 27.0,
    line: Literal["turned eye", "parallel"] = "turned eye",
) -> ExactPrism:
    """Exact trace at the point (x nasal, y up) mm from the optical centre.

    front: true front surface power, D, for `index`; thickness_mm at the centre; power: back vertex power.
    "turned eye": the line of sight runs through the centre of rotation, `rotation_centre_mm` behind the back vertex (27 mm, UK
    teaching), and meets the back surface at the point. "parallel": the ray runs parallel to the lens axis outside the lens and meets the
    front surface at the point (as in a focimeter held square). The prism is 100·tan of the whole deviation, base where the light is
    bent to, resolved at right angles to the line of sight. Object far away.
    Accuracy: 1e-9 Δ for these surfaces. Errors: NotFinite, OutOfRange, RayLost.
    """
    px = within("x", x, -SHIFT_LIMIT, SHIFT_LIMIT, "mm") * nasal(eye)
    py = within("y", y, -SHIFT_LIMIT, SHIFT_LIMIT, "mm")
    lens = lens_of(power, front, thickness_mm, index)
    behind = within("rotation_centre_mm", rotation_centre_mm, 1.0, 100.0, "mm")
    back = Back(lens)
    if line == "parallel":
        seen, out = _parallel(lens, back, px, py)
    else:
        z = back.at(px, py)[0]
        seen = unit(px, py, z + behind)
        out = trace(lens, (0.0, 0.0, -behind), seen, back=back).out
    return ExactPrism(deviation(seen, out, eye), prism_at(power, x, y, eye))


def _parallel(lens: RealLens, back: Back, x: float, y: float) -> tuple[Vector, Vector]:
    """A ray arriving along the lens axis at the front surface at (x, y): (direction towards the object as seen, and outside)."""
    c = lens.front / (1000.0 * (lens.index - 1.0))
    rim = 1.0 - c * c * (x * x + y * y)
    if rim <= 0.0:
        raise RayLost("point", "lies beyond the edge of the front surface.")
    depth = c * (x * x + y * y) / (1.0 + math.sqrt(rim))
    at_front = (x, y, lens.thickness_mm - depth)
    inside = refract((0.0, 0.0, -1.0), unit(c * x, c * y, 1.0 - c * depth), 1.0 / lens.index)
    at_back = back.meet(at_front, inside)
    _, zx, zy = back.at(at_back[0], at_back[1])
    out = refract(inside, unit(-zx, -zy, 1.0), lens.index)
    return (-out[0], -out[1], -out[2]), (0.0, 0.0, 1.0)


def deviation(seen: Vector, out: Vector, eye: Eye) -> Prism:
    """From the direction in which the eye looks and the direction in which the object lies, both unit and away from the eye.

    Light is bent towards the base, so the object lies further towards the base than it is seen.
    """
    cosine = sum(a * b for a, b in zip(seen, out, strict=True))
    across = tuple(o - cosine * s for s, o in zip(seen, out, strict=True))
    bx, by = _square_on(seen, across)
    size = math.hypot(bx, by)
    if size < 1e-15:
        return Prism()
    tangent = 100.0 * math.sqrt(max(0.0, 1.0 - cosine * cosine)) / cosine if cosine < 0.999 else 100.0 * size / cosine
    return Prism(_clean(tangent * bx / size * nasal(eye)), _clean(tangent * by / size))


def _square_on(seen: Vector, across: tuple[float, ...]) -> tuple[float, float]:
    """`across` in the frame of the turned eye: the shortest turn that takes the line of sight straight ahead (Listing)."""
    x, y, z = seen
    k = (x * across[0] + y * across[1]) / (1.0 + z)
    return across[0] - k * x - x * across[2], across[1] - k * y - y * across[2]
