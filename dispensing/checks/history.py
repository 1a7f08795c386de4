"""Checks against earlier prescriptions of the same client: what no limit can see, the last pair can.

What was read back and matched, or came as data, was not mistyped: a pattern then only asks, and an ordinary change is silent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dispensing.case import EYES, Eye, PrescribedLens
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.prescription import on_step
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import axis_word, dioptres, eye_word, power_word, signed
from dispensing.optics.errors import OpticsError
from dispensing.optics.power import Power, axis_in_scale

_EARLIER = "comparison with the earlier prescription; power vectors, Thibos 1997"
_CHANGE = "usual change between two refractions, dispensing and refraction teaching"


def allowed_change(v: View) -> float:
    """Change of an eye's power in D that is taken as it is: more for a child, by the year."""
    adult = v.limit["rx.change.adult"]
    if v.age is not None and v.age < 18:
        return max(adult, v.limit["rx.change.child_a_year"] * min(v.years_since if v.years_since is not None else 1.0, 4.0))
    return adult


def comparable(v: View) -> bool:
    """There is an earlier prescription recent enough to compare with."""
    return v.earlier_rx is not None and (v.years_since is None or v.years_since <= v.limit["rx.earlier.years"])


def _severity(v: View, *, sure: bool) -> Severity:
    """A pattern that is plain stops what was typed once, and asks once it was read back. A weak one is worth knowing, and is a
    reason to read back."""
    if not sure:
        return "note"
    return "stop" if v.fresh and not v.rx_explained else "confirm"


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip that would make the typed power out of one like the earlier."""

    name: str  # in the words of the trade
    meant: str  # what was probably meant
    field: str
    before: float  # blur distance of the typed power from the earlier, D
    after: float  # the same once the slip is undone

    @property
    def sure(self) -> bool:
        """Too plain to be a change. A sphere near plano may change its sign by itself."""
        if self.name == "sign of the sphere":
            return self.before >= 1.0
        return self.before >= 0.75 or self.after <= 0.15 * self.before


def likely_slip(lens: PrescribedLens, now: Power, before: Power) -> Slip | None:
    """The single slip that explains best why this power is not like the earlier one; None when none explains it well."""
    off = now.distance_from(before)
    if off < 0.5:
        return None
    best: Slip | None = None
    for name, field, sphere, cylinder, axis in _undone(lens, before):
        try:
            power = Power(sphere, cylinder, axis)
        except OpticsError:
            continue
        left = power.distance_from(before)
        if best is None or left < best.after - 1e-6:
            meant = dioptres(sphere) + (f" / {signed(cylinder)} × {axis_word(axis)}" if cylinder else "")
            best = Slip(name=name, meant=meant, field=field, before=off, after=left)
    if best is None or best.after > 0.4 * off or best.after > 0.75:
        return None
    return best


def _undone(lens: PrescribedLens, before: Power) -> Iterator[tuple[str, str, float, float, float]]:
    sphere, cylinder = lens.sphere or 0.0, lens.cylinder or 0.0
    axis = axis_in_scale(lens.axis) if lens.axis else 180.0
    if abs(sphere) >= 0.25:
        yield "sign of the sphere", "sphere", -sphere, cylinder, axis
    # a lost point leaves a figure on a usual step; a strong power that merely changed does not
    if abs(sphere) >= 5 and on_step(sphere / 10):
        yield "decimal point of the sphere", "sphere", sphere / 10, cylinder, axis
    if 0 < abs(sphere) <= 2:
        yield "decimal point of the sphere", "sphere", sphere * 10, cylinder, axis
    if cylinder:
        yield "sign of the cylinder", "cylinder", sphere, -cylinder, axis
        yield "axis turned by 90", "axis", sphere, cylinder, axis_in_scale(axis + 90)
        yield "transposed without changing the powers", "sphere", sphere - cylinder, cylinder, axis_in_scale(axis + 90)
        if abs(cylinder) >= 2.5 and on_step(cylinder / 10):
            yield "decimal point of the cylinder", "cylinder", sphere, cylinder / 10, axis
        for other in transposed_axes(axis):
            yield "digits of the axis exchanged", "axis", sphere, cylinder, other
    elif abs(before.cylinder) >= 0.5:
        same = before.in_form("minus" if before.cylinder < 0 else "plus")
        yield "cylinder left out", "cylinder", sphere, same.cylinder, same.axis


def transposed_axes(axis: float) -> tuple[float, ...]:
    """The axes that differ from this one by two digits exchanged, or a nought lost or added: 15, 51, 150; 175, 157."""
    digits = f"{axis:.0f}"
    texts = {digits[:i] + digits[i + 1] + digits[i] + digits[i + 2 :] for i in range(len(digits) - 1)}
    texts.add(digits + "0")
    if digits.endswith("0"):
        texts.add(digits[:-1])
    found = {int(t) for t in texts if t and t != digits and 1 <= int(t) <= 180}
    return tuple(float(a) for a in sorted(found))


@check(
    "rx.eyes-swapped",
    "stop",
    "The powers of the two eyes are exchanged",
    family="prescription",
    source=_EARLIER,
    confidence="derived",
    needs=("person.notes", "prescription.right.sphere", "prescription.right.cylinder", "prescription.right.axis", "prescription.read_back", "prescription.remark", "prescription.source", "earlier"),
    explains=("rx.changed", "rx.slip", "rx.changed-unevenly", "rx.axis-changed", "rx.sphere-unusual", "rx.mirror-signs",
              "rx.right-typed-twice", "pattern.another-client"),
)  # fmt: skip
def eyes_swapped(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a classic of copying out. Each eye gets the other's lens.
    Fires: last three pairs R −5.00 L −2.00, now R −2.00 L −5.00.
    Silent: R −5.25 L −2.25; eyes that are nearly alike.
    """
    if not comparable(v):
        return
    evidence = v.swap
    if evidence < 0.4 or (evidence < 8 and not v.fresh):
        return
    rx, old = v.rx, v.earlier_rx
    if rx is None or old is None:
        return
    right, left = v.powers["right"], v.powers_before["right"]
    off = right.distance_from(left) if right is not None and left is not None else 0.0
    yield found(
        "The powers fit the earlier ones with the eyes exchanged.",
        "prescription.right.sphere",
        "prescription.left.sphere",
        seen=(
            ("Right", power_word(rx.right), ""),
            ("Left", power_word(rx.left), ""),
            ("Right before", power_word(old.right), ""),
            ("Left before", power_word(old.left), ""),
        ),
        severity=_severity(v, sure=evidence >= 8),
        consequence=f"Each eye would be about {off:.2f} D out.",
        resolution="Look at the prescription: which line is the right eye? Read the powers back.",
    )


@check(
    "rx.right-typed-twice",
    "stop",
    "One eye was typed for both",
    family="prescription",
    source=_EARLIER,
    confidence="derived",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
    explains=("rx.changed", "rx.slip", "rx.changed-unevenly", "rx.axis-changed"),
)
def right_typed_twice(v: View, found: Finder) -> Iterator[Finding]:
    """Why: two eyes that were unlike and are now exactly alike: one line was typed twice.
    Fires: last pair R −2.00 / −0.75 × 20, L −3.50 / −1.00 × 165; now both −2.00 / −0.75 × 20.
    Silent: eyes that were alike before; eyes that are alike by half a dioptre only.
    """
    if not comparable(v) or v.rx is None:
        return
    a, b = v.powers["right"], v.powers["left"]
    was = v.powers_before
    if a is None or b is None or was["right"] is None or was["left"] is None or a != b:
        return
    apart = was["right"].distance_from(was["left"])
    off_r, off_l = a.distance_from(was["right"]), b.distance_from(was["left"])
    if apart < 0.75 or min(off_r, off_l) > 0.5 * max(off_r, off_l):
        return
    wrong: Eye = "left" if off_l > off_r else "right"
    yield found(
        f"Both eyes have {power_word(v.rx.right)}; the {wrong} eye was different before.",
        f"prescription.{wrong}.sphere",
        seen=(
            ("Both eyes now", power_word(v.rx.right), ""),
            (f"{eye_word(wrong)} before", power_word(v.earlier_rx.of(wrong)) if v.earlier_rx else "", ""),
        ),
        severity=_severity(v, sure=apart >= 1.0),
        consequence=f"The {wrong} eye would be {max(off_r, off_l):.2f} D out.",
        resolution=f"Read the {wrong} eye again.",
    )


@check(
    "rx.slip",
    "stop",
    "One slip explains why a power is not like the earlier one",
    family="prescription",
    source=_EARLIER,
    confidence="derived",
    needs=("person.notes", "prescription.right.sphere", "prescription.right.cylinder", "prescription.right.axis", "prescription.right.balance", "prescription.read_back", "prescription.remark", "prescription.source", "earlier"),
    explains=("rx.changed", "rx.changed-unevenly", "rx.axis-changed", "rx.sphere-unusual", "rx.cylinder-unusual", "rx.mirror-signs",
              "rx.cylinder-forms-mixed"),
)  # fmt: skip
def slip(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a lost sign, a lost decimal point, exchanged digits of the axis or a form changed halfway make a power that undoing the slip
    turns into the earlier one again.
    Fires: last pair −4.25, now +4.25; last pair × 175, now × 157 with −2.00; last pair −2.50, now −25.00.
    Silent: −4.75 after −4.25; a change that no single slip explains (the change itself is asked about).
    """
    if not comparable(v) or v.rx is None:
        return
    for eye in EYES:
        now, before = v.powers[eye], v.powers_before[eye]
        if now is None or before is None or v.rx.of(eye).balance:
            continue
        if (v.changed_by[eye] or 0.0) < 0.5:
            continue
        slip = likely_slip(v.rx.of(eye), now, before)
        if slip is None:
            continue
        yield found(
            f"{eye_word(eye)} {power_word(v.rx.of(eye))}: {slip.name}? Before: {_written(before)}.",
            f"prescription.{eye}.{slip.field}",
            seen=(
                (f"{eye_word(eye)} now", power_word(v.rx.of(eye)), ""),
                (f"{eye_word(eye)} before", _written(before), ""),
                ("Change", round(slip.before, 2), "D"),
                ("Change with the slip undone", round(slip.after, 2), "D"),
            ),
            severity=_severity(v, sure=slip.sure),
            consequence=f"The eye would be about {slip.before:.2f} D out.",
            resolution=f"{slip.meant}? Look at the prescription, or read the powers back.",
        )


def _written(power: Power) -> str:
    text = dioptres(power.sphere)
    return text if not power.cylinder else f"{text} / {signed(power.cylinder)} × {axis_word(power.axis)}"
