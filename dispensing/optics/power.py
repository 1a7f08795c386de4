"""Sphero-cylindrical powers: either form, power vector, dioptric power matrix, rounding.

Frame of reference: facing the wearer, x to the observer's right, y up; axes anticlockwise from x, 1 to 180 (ISO 8429), the
same for both eyes. `prism.py` turns this into the nasal frame of each eye.

    curvature form          F(θ) = S + C·sin²(θ − A)
    power vector            M = S + C/2,  J0 = −(C/2)·cos 2A,  J45 = −(C/2)·sin 2A
    dioptric power matrix   f11 = S + C·sin²A,  f12 = f21 = −C·sin A·cos A,  f22 = S + C·cos²A

f11 is the power along the horizontal, f22 along the vertical, f12 the torsional part. Thin lenses in contact add in either form.
Sources: Thibos, Wheeler & Horner 1997 (Optom Vis Sci 74:367); Long 1976; Keating 1980; Harris 1988.
Accuracy: closed forms in double precision, 1e-12 D. Dioptres and degrees everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, InvalidOperation
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from dispensing.optics.errors import Floats, NotFinite, OpticsError, OutOfRange, all_finite, within

Form = Literal["minus", "plus"]
POWER_LIMIT = 200.0  # D; far outside any spectacle lens, kept so that sums and vertex changes of strong lenses still pass


class PowerVector(NamedTuple):
    """Mean sphere and the two crossed cylinders, all in dioptres."""

    m: float
    j0: float
    j45: float

    @property
    def length(self) -> float:
        """Blur strength B = √(M² + J0² + J45²), dioptres (Thibos 1997)."""
        return math.sqrt(self.m**2 + self.j0**2 + self.j45**2)


class Entries(NamedTuple):
    """The three different entries of the symmetrical dioptric power matrix, dioptres."""

    f11: float
    f12: float
    f22: float


class Principal(NamedTuple):
    """One principal meridian: the direction in which the power acts, and that power in dioptres."""

    meridian: float
    power: float


def axis_in_scale(degrees: float) -> float:
    """Any direction in degrees as an axis above 0 and up to 180; horizontal is 180, never 0 (common practice)."""
    axis = degrees % 180.0
    return 180.0 if axis < 1e-9 or axis > 180.0 - 1e-9 else axis


@dataclass(frozen=True, slots=True)
class Power:
    """A sphero-cylindrical power as written.

    sphere, cylinder: dioptres, either sign, size up to 200. axis: degrees 0 to 180, 0 is kept as 180; it has no meaning when the
    cylinder is 0. Errors: NotFinite, OutOfRange.
    """

    sphere: float
    cylinder: float = 0.0
    axis: float = 180.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "sphere", within("sphere", self.sphere, -POWER_LIMIT, POWER_LIMIT, "D"))
        object.__setattr__(self, "cylinder", within("cylinder", self.cylinder, -POWER_LIMIT, POWER_LIMIT, "D"))
        object.__setattr__(self, "axis", axis_in_scale(within("axis", self.axis, 0.0, 180.0, "degrees")))

    # ── other ways to write the same lens ──────────────────────────────────

    def transposed(self) -> Power:
        """The other cylinder form: sphere + cylinder, cylinder with the other sign, axis turned by 90 degrees."""
        return Power(self.sphere + self.cylinder, -self.cylinder, axis_in_scale(self.axis + 90.0))

    def in_form(self, form: Form) -> Power:
        """Written with a minus (or plus) cylinder."""
        wrong = self.cylinder > 0 if form == "minus" else self.cylinder < 0
        return self.transposed() if wrong else self

    def entries(self) -> Entries:
        """f11, f12, f22 of the dioptric power matrix, as plain floats."""
        a = math.radians(self.axis)
        s, c = math.sin(a), math.cos(a)
        return Entries(self.sphere + self.cylinder * s * s, -self.cylinder * s * c, self.sphere + self.cylinder * c * c)

    def matrix(self) -> Floats:
        """The dioptric power matrix, shape (2, 2)."""
        f11, f12, f22 = self.entries()
        return np.array([[f11, f12], [f12, f22]])

    def vector(self) -> PowerVector:
        """The power vector (M, J0, J45)."""
        a = math.radians(2.0 * self.axis)
        half = -self.cylinder / 2.0
        return PowerVector(self.sphere - half, half * math.cos(a), half * math.sin(a))

    @classmethod
    def from_entries(cls, f11: float, f12: float, f22: float, form: Form = "minus") -> Power:
        """From matrix entries. A cylinder below 1e-9 D is taken as none, so that its axis is not noise."""
        return cls.from_vector((f11 + f22) / 2.0, (f11 - f22) / 2.0, f12, form)

    @classmethod
    def from_matrix(cls, matrix: ArrayLike, form: Form = "minus") -> Power:
        """From a symmetrical 2 x 2 matrix in dioptres. Errors: NotFinite; OutOfRange if the shape or the symmetry is wrong.

        An unsymmetrical matrix (thick obliquely crossed systems) is no spectacle lens power and is refused.
        """
        m = all_finite("matrix", matrix)
        if m.shape != (2, 2):
            raise OutOfRange("matrix", m.shape, "must have two rows and two columns.")
        if abs(m[0, 1] - m[1, 0]) > 1e-6:
            raise OutOfRange("matrix", matrix, "must be symmetrical: f12 and f21 differ.")
        return cls.from_entries(float(m[0, 0]), float(m[0, 1] + m[1, 0]) / 2.0, float(m[1, 1]), form)

    @classmethod
    def from_vector(cls, m: float, j0: float, j45: float, form: Form = "minus") -> Power:
        """C = ∓2·√(J0² + J45²), S = M − C/2, A = ½·atan2(J45, J0) for the minus form."""
        for name, value in (("m", m), ("j0", j0), ("j45", j45)):
            within(name, value, -POWER_LIMIT, POWER_LIMIT, "D")
        half = math.hypot(j0, j45)
        if half < 5e-10:
            return cls(m)
        axis = math.degrees(math.atan2(j45, j0)) / 2.0
        if form == "minus":
            return cls(m + half, -2.0 * half, axis_in_scale(axis))
        return cls(m - half, 2.0 * half, axis_in_scale(axis + 90.0))

    @classmethod
    def from_principal(cls, meridian: float, power: float, other: float, form: Form = "minus") -> Power:
        """From the power along one principal meridian and the power at right angles to it."""
        return cls(power, other - power, axis_in_scale(meridian)).in_form(form)

    # ── sums ───────────────────────────────────────────────────────────────

    def __add__(self, other: Power) -> Power:
        """Thin lenses in contact, any axes; in minus-cylinder form."""
        a, b = self.vector(), other.vector()
        return Power.from_vector(a.m + b.m, a.j0 + b.j0, a.j45 + b.j45)

    def __sub__(self, other: Power) -> Power:
        """The lens that, added to `other`, makes this one; in minus-cylinder form."""
        return self + (-other)

    def __neg__(self) -> Power:
        return Power(-self.sphere, -self.cylinder, self.axis)

    # ── what it does ───────────────────────────────────────────────────────

    def along(self, meridian: float) -> float:
        """Power in dioptres along a meridian in degrees: S + C·sin²(meridian − axis)."""
        t = math.radians(within("meridian", meridian, -360.0, 360.0, "degrees") - self.axis)
        return self.sphere + self.cylinder * math.sin(t) ** 2

    @property
    def horizontal(self) -> float:
        """f11, the power along 180."""
        return self.entries().f11

    @property
    def vertical(self) -> float:
        """f22, the power along 90: what counts for vertical imbalance."""
        return self.entries().f22

    @property
    def mean_sphere(self) -> float:
        return self.sphere + self.cylinder / 2.0

    @property
    def principals(self) -> tuple[Principal, Principal]:
        """Power along the axis, and at right angles to it."""
        return (
            Principal(self.axis, self.sphere),
            Principal(axis_in_scale(self.axis + 90.0), self.sphere + self.cylinder),
        )

    @property
    def strongest(self) -> Principal:
        """The principal meridian of greater absolute power (ISO 21987 looks up its tables by it)."""
        return max(self.principals, key=lambda p: abs(p.power))

    @property
    def weakest(self) -> Principal:
        return min(self.principals, key=lambda p: abs(p.power))

    def mirrored(self) -> Power:
        """The same lens seen in a mirror: axis 180 − A. Turns a right-eye case into the like left-eye case."""
        return Power(self.sphere, self.cylinder, axis_in_scale(180.0 - self.axis))

    def distance_from(self, other: Power) -> float:
        """Blur strength of the difference, dioptres: one figure for how unlike two powers are."""
        a, b = self.vector(), other.vector()
        return PowerVector(a.m - b.m, a.j0 - b.j0, a.j45 - b.j45).length


# ── rounding ───────────────────────────────────────────────────────────────

Rule = Literal["ties away from zero", "ties to even"]


def round_to_step(value: Decimal | float | str, step: Decimal | float | str, rule: Rule = "ties away from zero") -> Decimal:
    """`value` to the nearest multiple of `step`, exactly, as a Decimal with as many places as the step.

    The house rule is ties away from zero: −2.375 in steps of 0.25 is −2.50. A float is first taken to nine decimal places, so that
    a computed 2.3749999999999996 counts as the tie that it is. Errors: NotFinite, OutOfRange (step not positive).
    """
    number, unit = _decimal("value", value), _decimal("step", step)
    if unit <= 0:
        raise OutOfRange("step", step, "must be greater than 0.")
    if abs(number) > 10**9:
        raise OutOfRange("value", value, "must be between -1000000000 and 1000000000.")
    how = ROUND_HALF_UP if rule == "ties away from zero" else ROUND_HALF_EVEN  # Decimal's HALF_UP is away from zero
    rounded = (number / unit).quantize(Decimal(1), rounding=how) * unit
    return rounded + Decimal(0)  # never "-0.00"


def _decimal(argument: str, value: Decimal | float | str) -> Decimal:
    try:
        number = Decimal(f"{value:.9f}") if isinstance(value, float) else Decimal(value)
    except (InvalidOperation, TypeError, ValueError):
        raise NotFinite(argument, value) from None
    if not number.is_finite():
        raise NotFinite(argument, value)
    return number


def round_power(power: Power, step: float = 0.25, axis_step: float = 1.0, form: Form | None = None) -> Power:
    """The power of the step scale that is optically nearest ("nearest rule"), in `form` (None: as given).

    Rounding sphere and cylinder each on its own can leave an error of almost a step in one meridian. Here the neighbours on the
    scale are compared by the blur strength of what is left over, in either form; equal ones are settled by rounding each figure
    with ties away from zero. Errors: OutOfRange for a step that is not positive.
    """
    if step <= 0 or axis_step <= 0:
        raise OutOfRange("step", min(step, axis_step), "must be greater than 0.")
    given = power if form is None else power.in_form(form)
    sphere = float(round_to_step(given.sphere, step))
    cylinder = float(round_to_step(given.cylinder, step))
    axis = axis_in_scale(float(round_to_step(given.axis, axis_step)))
    best = Power(sphere, cylinder, axis)
    least = best.distance_from(given)
    for ds in (0.0, -step, step):
        for dc in (0.0, -step, step):
            c = cylinder + dc
            if c * given.cylinder < 0:
                continue
            candidate = Power(sphere + ds, c, axis)
            away = candidate.distance_from(given)
            if away < least - 1e-9:
                best, least = candidate, away
    return best if best.cylinder else Power(best.sphere)


# ── arrays: the same, many at a time ───────────────────────────────────────


class EntryArrays(NamedTuple):
    """f11, f12, f22 of many lenses, equal shapes, dioptres."""

    f11: Floats
    f12: Floats
    f22: Floats


class PowerArrays(NamedTuple):
    """Sphere, cylinder, axis of many lenses, equal shapes."""

    sphere: Floats
    cylinder: Floats
    axis: Floats


def entries_of(sphere: ArrayLike, cylinder: ArrayLike, axis: ArrayLike) -> EntryArrays:
    """Matrix entries of many powers at once; arguments are broadcast. Errors: NotFinite (names the place), OutOfRange."""
    s, c, a = _checked(sphere, cylinder, axis)
    r = np.radians(a)
    sin, cos = np.sin(r), np.cos(r)
    cs = c * sin
    return EntryArrays(s + cs * sin, -cs * cos, s + c * cos * cos)


def powers_from(f11: ArrayLike, f12: ArrayLike, f22: ArrayLike, form: Form = "minus") -> PowerArrays:
    """Sphere, cylinder and axis of many matrices at once, as `Power.from_entries`."""
    a, b, d = all_finite("f11", f11), all_finite("f12", f12), all_finite("f22", f22)
    m, j0 = (a + d) / 2.0, (a - d) / 2.0
    half = np.hypot(j0, b)
    none = half < 5e-10
    half = np.where(none, 0.0, half)
    axis = np.degrees(np.arctan2(b, j0)) / 2.0 + (0.0 if form == "minus" else 90.0)
    axis = np.where(none, 180.0, axis % 180.0)
    axis = np.where((axis < 1e-9) | (axis > 180.0 - 1e-9), 180.0, axis)
    sign = 1.0 if form == "minus" else -1.0
    return PowerArrays(m + sign * half, -2.0 * sign * half, axis)


def along_many(sphere: ArrayLike, cylinder: ArrayLike, axis: ArrayLike, meridian: ArrayLike) -> Floats:
    """Power along a meridian of many lenses at once, dioptres."""
    s, c, a = _checked(sphere, cylinder, axis)
    along: Floats = s + c * np.sin(np.radians(all_finite("meridian", meridian) - a)) ** 2
    return along


def _checked(sphere: ArrayLike, cylinder: ArrayLike, axis: ArrayLike) -> tuple[Floats, Floats, Floats]:
    s, c, a = all_finite("sphere", sphere), all_finite("cylinder", cylinder), all_finite("axis", axis)
    for name, values in (("sphere", s), ("cylinder", c)):
        if (np.abs(values) > POWER_LIMIT).any():
            raise OutOfRange(name, float(np.abs(values).max()), f"must be between -{POWER_LIMIT:g} and {POWER_LIMIT:g} D.")
    if ((a < 0) | (a > 180)).any():
        raise OutOfRange(
            "axis", float(a[(a < 0) | (a > 180)].ravel()[0] if a.ndim else a), "must be between 0 and 180 degrees."
        )
    try:
        np.broadcast_shapes(s.shape, c.shape, a.shape)
    except ValueError:
        raise OpticsError("sphere, cylinder, axis", "must have the same length.") from None
    return s, c, a
