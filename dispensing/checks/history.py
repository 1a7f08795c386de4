"""Checks against earlier prescriptions of the same client: what no limit can see, the last pair can.

What was read back and matched, or came as data, was not mistyped: a pattern then only asks, and an ordinary change is silent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import radians, sin

from dispensing.case import EYES, Eye, PrescribedLens
from dispensing.checks.findings import Finder, Finding, Severity
from dispensing.checks.prescription import on_step
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import axis_word, dioptres, eye_word, power_word, prism_in_word, prism_up_word, signed
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
    """Why: a classic of transcription. Each eye gets the other's lens.
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


@check(
    "rx.changed",
    "note",
    "A power changed by more than is usual",
    family="prescription",
    source=_CHANGE,
    confidence="common practice",
    needs=(
        "person.age_years",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.balance",
        "prescription.read_back",
        "prescription.source",
        "earlier",
    ),
)
def changed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a digit slip (+1.25 as +1.75) is inside every limit. Against the last pair it stands out as a change, and only reading back
    tells the two apart.
    Fires: −1.25 two years ago, now −1.75, typed once; read back, only a change of more than 3 D is mentioned.
    Silent: −1.50; the same change once the powers were read back; a growing child's −1.00 in a year.
    """
    if not comparable(v) or v.rx is None:
        return
    limit = allowed_change(v)
    for eye in EYES:
        off, before = v.changed_by[eye], v.powers_before[eye]
        if off is None or before is None or v.rx.of(eye).balance:
            continue
        now = v.powers[eye]
        # half a dioptre of cylinder alone makes less blur than half a dioptre of sphere, and is as easily mistyped
        cylinder = abs(abs(now.cylinder) - abs(before.cylinder)) if now is not None else 0.0
        if v.fresh and off <= limit and cylinder < 0.5:
            continue
        if not v.fresh and off <= 3:
            continue
        yield found(
            f"{eye_word(eye)} power changed by {off:.2f} D.",
            f"prescription.{eye}.sphere",
            seen=(
                (f"{eye_word(eye)} now", power_word(v.rx.of(eye)), ""),
                (f"{eye_word(eye)} before", _written(before), ""),
            ),
            limit=f"{limit:.2f} D is taken as it is",
            consequence=f"If it is a slip, the eye would be about {off:.2f} D out.",
            resolution="Read the powers back: a slip would look the same.",
        )


@check(
    "rx.changed-unevenly",
    "note",
    "One eye changed and the other did not",
    family="prescription",
    source=_CHANGE,
    confidence="common practice",
    needs=(
        "person.age_years",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.balance",
        "prescription.read_back",
        "prescription.source",
        "earlier",
    ),
    explains=(),
)
def changed_unevenly(v: View, found: Finder) -> Iterator[Finding]:
    """Why: eyes mostly change together. One that moved by more than the other by 0.75 D may be a slip of a digit.
    Fires: R −1.25 → −1.00, L −1.50 → −2.25.
    Silent: both half a dioptre stronger.
    """
    if not comparable(v) or v.rx is None or not v.fresh:
        return
    limit = v.limit["rx.change.uneven"]
    moves = []
    for eye in EYES:
        now, before = v.powers[eye], v.powers_before[eye]
        if now is None or before is None or v.rx.of(eye).balance:
            return
        moves.append(now.mean_sphere - before.mean_sphere)
    if abs(moves[0] - moves[1]) > limit and max(abs(m) for m in moves) <= allowed_change(v):
        eye = EYES[0] if abs(moves[0]) > abs(moves[1]) else EYES[1]
        yield found(
            f"Right changed by {signed(moves[0])}, left by {signed(moves[1])}.",
            f"prescription.{eye}.sphere",
            seen=(
                ("Right change, mean sphere", round(moves[0], 2), "D"),
                ("Left change, mean sphere", round(moves[1], 2), "D"),
            ),
            limit=f"{limit:.2f} D between the eyes",
            resolution="Read the powers back: a slip would look the same.",
        )


@check(
    "rx.axis-changed",
    "note",
    "An axis changed by more than is usual",
    family="prescription",
    source="astigmatic axis is steady for years; blur of an axis error = cylinder × sine of the angle, Thibos 1997",
    confidence="derived",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.read_back",
        "prescription.source",
        "earlier",
    ),
)
def axis_changed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: an axis keeps still for years, the more so the stronger the cylinder. A typed digit does not.
    Fires: −1.50 × 10 before, −1.50 × 40 now, typed once.
    Silent: −0.25 × 10 and × 40; −1.50 × 10 and × 15.
    """
    if not comparable(v) or v.rx is None or not v.fresh:
        return
    limit = v.limit["rx.change.axis_blur"]
    for eye in EYES:
        now, before = v.powers[eye], v.powers_before[eye]
        if now is None or before is None or not now.cylinder or not before.cylinder:
            continue
        a, b = now.in_form("minus"), before.in_form("minus")
        turn = abs((a.axis - b.axis + 90) % 180 - 90)
        blur = min(abs(a.cylinder), abs(b.cylinder)) * sin(radians(turn))
        turned = any(abs(other - b.axis) <= 4 for other in transposed_axes(a.axis))
        if turn >= 8 and (blur > limit or (turned and min(abs(a.cylinder), abs(b.cylinder)) >= 0.5)):
            yield found(
                f"{eye_word(eye)} axis turned by {turn:.0f}.",
                f"prescription.{eye}.axis",
                seen=(
                    (f"{eye_word(eye)} axis now", a.axis, ""),
                    (f"{eye_word(eye)} axis before", b.axis, ""),
                    ("Cylinder", a.cylinder, "D"),
                ),
                limit=f"{limit:.2f} D of blur is taken as it is",
                consequence=f"If it is a slip, {blur:.2f} D of astigmatism would be left.",
                resolution="Read the powers back: a slip would look the same.",
            )


@check(
    "rx.add-changed",
    "note",
    "The addition changed by more than is usual",
    family="prescription",
    source=_CHANGE,
    confidence="common practice",
    needs=("prescription.right.add", "prescription.read_back", "prescription.source", "earlier"),
    explains=(),
)
def add_changed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the addition grows slowly and does not shrink. A jump or a step back is a slip, or the near sphere.
    Fires: +1.50 → +2.75; +2.25 → +1.25.
    Silent: +1.50 → +2.00; unchanged; read back and matching.
    """
    if not comparable(v) or v.rx is None or v.earlier_rx is None or not v.fresh:
        return
    limit = v.limit["rx.change.add"]
    for eye in EYES:
        now, before = v.rx.of(eye).add, v.earlier_rx.of(eye).add
        if not now or not before:
            continue
        if now - before > limit or before - now > limit / 2:
            yield found(
                f"{eye_word(eye)} addition {signed(now)}, before {signed(before)}.",
                f"prescription.{eye}.add",
                seen=((f"{eye_word(eye)} addition", now, "D"), ("Before", before, "D")),
                limit=f"{limit:.2f} D more, {limit / 2:.2f} D less",
                consequence=f"If it is a slip, near would be {abs(now - before):.2f} D out.",
                resolution="Read the powers back: a slip would look the same.",
            )


@check(
    "rx.base-reversed",
    "stop",
    "The base of a prism is reversed against the earlier pair",
    family="prescription",
    source=_EARLIER,
    confidence="derived",
    needs=(
        "person.notes",
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
    explains=("rx.prism-changed", "rx.prism-bases-cancel"),
)
def base_reversed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the same prism with its base the other way doubles the trouble it should cure.
    Fires: 3 Δ base in before, 3 Δ base out now.
    Silent: the same base; a prism that was not there before.
    """
    if not comparable(v) or v.rx is None or v.earlier_rx is None:
        return
    for eye in EYES:
        now, old = v.rx.of(eye), v.earlier_rx.of(eye)
        for name, a, b, word in (
            ("h", now.prism_in, old.prism_in, prism_in_word),
            ("v", now.prism_up, old.prism_up, prism_up_word),
        ):
            if a and b and a * b < 0 and abs(a + b) <= max(1.0, 0.5 * abs(b)):
                yield found(
                    f"{eye_word(eye)} prism is {word(a)}; before it was {word(b)}.",
                    f"prescription.{eye}.base_{name}",
                    seen=((f"{eye_word(eye)} now", word(a), ""), (f"{eye_word(eye)} before", word(b), "")),
                    severity=_severity(v, sure=True),
                    consequence=f"If it is a slip, the eye would be {abs(a - b):.2f} Δ out.",
                    resolution=f"{word(-a)}? Look at the prescription.",
                )


@check(
    "rx.prism-changed",
    "note",
    "Prism came, went or changed",
    family="prescription",
    source=_EARLIER,
    confidence="derived",
    needs=(
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "prescription.read_back",
        "prescription.source",
        "earlier",
    ),
)
def prism_changed(v: View, found: Finder) -> Iterator[Finding]:
    """Why: prism stays from pair to pair unless the prescriber says why. A field that was passed over looks the same.
    Fires: 2 Δ base in each eye before, none now; none in one eye only.
    Silent: 2 Δ and 2.5 Δ; read back and matching.
    """
    if not comparable(v) or v.rx is None or v.earlier_rx is None or not v.fresh:
        return
    for eye in EYES:
        now, old = v.rx.of(eye), v.earlier_rx.of(eye)
        for name, a, b in (("h", now.prism_in, old.prism_in), ("v", now.prism_up, old.prism_up)):
            if a is not None and b is not None and abs(a - b) >= (1.0 if a and b else 0.5):
                yield found(
                    f"{eye_word(eye)} prism {abs(a):.2f} Δ, before {abs(b):.2f} Δ.",
                    f"prescription.{eye}.prism_{name}",
                    seen=((f"{eye_word(eye)} prism", abs(a), "Δ"), ("Before", abs(b), "Δ")),
                    limit="0.50 Δ",
                    consequence=f"If it is a slip, the eye would be {abs(a - b):.2f} Δ out.",
                    resolution="Read the powers back: a slip would look the same.",
                )


@check(
    "rx.superseded",
    "confirm",
    "A newer prescription is on record",
    family="prescription",
    source="comparison with the earlier prescription",
    confidence="derived",
    needs=("prescription.written_on", "earlier"),
)
def superseded(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the last one counts. An older paper may have been handed over.
    Fires: this one of March, another of June on record with other powers.
    Silent: this is the newest.
    """
    if v.rx is None or v.rx.written_on is None:
        return
    for pair in v.case.earlier:
        old = pair.prescription
        if old is None or old.written_on is None or old.written_on <= v.rx.written_on:
            continue
        if (old.right, old.left) != (v.rx.right, v.rx.left):
            yield found(
                "A newer prescription is on record.",
                "prescription.written_on",
                seen=(("This one", v.rx.written_on.isoformat(), ""), ("Newer", old.written_on.isoformat(), "")),
                resolution="Use the newer one, or record why not.",
            )
            return


# --- reading back -----------------------------------------------------------------------------------------------------


@check(
    "rx.read-back-differs",
    "stop",
    "The powers that were read back are not those that were typed",
    family="prescription",
    source="two independent transcriptions",
    confidence="derived",
    needs=("prescription.read_back",),
    explains=("rx.read-back",),
)
def read_back_differs(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the same paper read twice gave two results; one of them is wrong.
    Fires: typed +1.75, read back +1.25.
    Silent: both the same.
    """
    if v.rx is not None and v.rx.read_back == "differs":
        yield found(
            "Read back, the powers differ from those typed.",
            "prescription.read_back",
            consequence="One of the two is wrong, and either may be.",
            resolution="Look at the prescription, correct the powers, and read them back again.",
        )


_ASKS = (
    eyes_swapped,
    right_typed_twice,
    slip,
    changed,
    changed_unevenly,
    axis_changed,
    add_changed,
    base_reversed,
    prism_changed,
)


def _moved(v: View, eye: Eye) -> bool:
    """Whether this eye's power or addition is another than in the last pair, by more than a step."""
    apart = v.changed_by[eye]
    if apart is None or v.rx is None or v.earlier_rx is None:
        return False
    limit = v.limit["rx.change.read_back"]
    added, earlier = v.rx.of(eye).add, v.earlier_rx.of(eye).add
    return apart > limit or (added is not None and earlier is not None and abs(added - earlier) > limit)


@check(
    "rx.read-back",
    "confirm",
    "Only reading back could show a typing slip here",
    family="prescription",
    source="two independent transcriptions; data entry is about 7 % of returns, Freeman & Evans 2010",
    confidence="derived",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.add",
        "prescription.read_back",
        "prescription.source",
        "earlier",
    ),
    explains=("rx.sphere-unusual", "rx.cylinder-unusual", "rx.mirror-signs", "rx.prism-one-eye", "rx.prism-large"),
)
def read_back(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a slip of a digit in a new client's power has nothing to be compared with; against an earlier pair it looks like a change.
    Typing the powers again without looking takes ten seconds and shows it. Asked only where nothing else could.
    Fires: typed once with no earlier prescription, or with one from which a power or the addition changed by more than a quarter dioptre.
    Silent: imported; read back; the last pair's powers within a step; a plain slip was found already.
    """
    if v.rx is None or not v.fresh or v.powers["right"] is None or v.powers["left"] is None:
        return
    message = "Nothing on record could show a typing slip."
    if comparable(v) and all(v.powers_before[eye] is not None for eye in EYES):
        finder = Finder("rx.read-back", "note", "")
        said = [finding for rule in _ASKS for finding in rule(v, finder)]
        if any(finding.severity == "stop" for finding in said):
            return
        if not said and not any(_moved(v, eye) for eye in EYES):
            return
        message = "Something changed since the last pair; a typing slip would look the same."
    yield found(
        message,
        "prescription.read_back",
        resolution="Read back: type the powers again without looking at these.",
    )
