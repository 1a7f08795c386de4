"""Checks of what changed since the earlier prescription, and reading back."""

from __future__ import annotations

from collections.abc import Iterator
from math import radians, sin

from dispensing.case import EYES, Eye
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.history import (
    _CHANGE,
    _EARLIER,
    _severity,
    _written,
    allowed_change,
    comparable,
    eyes_swapped,
    right_typed_twice,
    slip,
    transposed_axes,
)
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import day_word, eye_word, power_word, prism_in_word, prism_up_word, signed


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
    """Why: eyes mostly change together. One that moved and left the other behind may be a slip of a digit.
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
                f"{eye_word(eye)} axis turned by {turn:.0f} degrees.",
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
                seen=(("This one", day_word(v.rx.written_on), ""), ("Newer", day_word(old.written_on), "")),
                resolution="Use the newer one, or record why not.",
            )
            return


# --- reading back -----------------------------------------------------------------------------------------------------


@check(
    "rx.read-back-differs",
    "stop",
    "The powers that were read back are not those that were typed",
    family="prescription",
    source="two independent entries",
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
    source="two independent entries; data entry is about 7 % of returns, Freeman & Evans 2010",
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
