"""Checks of prescribed prism."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, signed

_TEACHING = "dispensing teaching"


@check(
    "rx.prism-without-base",
    "stop",
    "A prism has no base direction",
    family="prescription",
    source="ISO 13666:2019, prism base setting",
    confidence="standard",
    needs=(
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "prescription.right.near_prism_h",
        "prescription.right.near_base_h",
        "prescription.right.near_prism_v",
        "prescription.right.near_base_v",
    ),
)
def prism_without_base(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a prism with its base the wrong way doubles the trouble it should cure.
    Fires: R 3.00 Δ, base blank.
    Silent: R 3.00 Δ base in; no prism.
    """
    for eye, lens, _ in v.lenses():
        for amount, base, name, choices in (
            (lens.prism_h, lens.base_h, "base_h", "in or out"),
            (lens.prism_v, lens.base_v, "base_v", "up or down"),
            (lens.near_prism_h, lens.near_base_h, "near_base_h", "in or out"),
            (lens.near_prism_v, lens.near_base_v, "near_base_v", "up or down"),
        ):
            if amount and base is None:
                yield found(
                    f"{eye_word(eye)} prism {abs(amount):.2f} Δ without a base direction.",
                    f"prescription.{eye}.{name}",
                    seen=((f"{eye_word(eye)} prism", amount, "Δ"),),
                    consequence=f"With the base the wrong way the eye would be {2 * abs(amount):.2f} Δ out.",
                    resolution=f"Base {choices}: from the prescription.",
                )


@check(
    "rx.prism-negative",
    "stop",
    "A prism amount is negative",
    family="prescription",
    source="ISO 13666:2019: amount and base are given apart",
    confidence="standard",
    needs=(
        "prescription.right.prism_h",
        "prescription.right.prism_v",
        "prescription.right.near_prism_h",
        "prescription.right.near_prism_v",
    ),
)
def prism_negative(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the amount of a prism has no sign; its base says the direction. A minus sign leaves open which was meant.
    Fires: prism −1.50 Δ base in.
    Silent: prism 1.50 Δ base out.
    """
    for eye, lens, _ in v.lenses():
        for amount, name in (
            (lens.prism_h, "prism_h"),
            (lens.prism_v, "prism_v"),
            (lens.near_prism_h, "near_prism_h"),
            (lens.near_prism_v, "near_prism_v"),
        ):
            if amount is not None and amount < 0:
                yield found(
                    f"{eye_word(eye)} prism {signed(amount)} Δ has a sign.",
                    f"prescription.{eye}.{name}",
                    seen=((f"{eye_word(eye)} prism", amount, "Δ"),),
                    resolution="Enter the amount without a sign, and the base.",
                )


@check(
    "rx.prism-bases-cancel",
    "confirm",
    "The prisms of the two eyes work against each other",
    family="prescription",
    source="net prism of a pair, dispensing teaching",
    confidence="published",
    needs=(
        "person.notes",
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "prescription.remark",
    ),
    explains=("rx.prism-one-eye",),
)
def prism_bases_cancel(v: View, found: Finder) -> Iterator[Finding]:
    """Why: base in with base out, or up with up, leaves little net prism. It is meant for a gaze palsy or a field loss, and else a slip.
    Fires: R 2 Δ in, L 2 Δ out, no remark.
    Silent: in and in; up and down; the same with the remark "yoked prism, hemianopia".
    """
    rx = v.rx
    if rx is None or v.rx_explained:
        return
    pairs = (
        ("h", rx.right.prism_in, rx.left.prism_in, -1, "base in on one eye and base out on the other"),
        ("v", rx.right.prism_up, rx.left.prism_up, 1, "the same way up on both eyes"),
    )
    for name, right, left, sign, words in pairs:
        if right and left and (right * left > 0) == (sign > 0):
            net = right + left if name == "h" else right - left
            yield found(
                f"Prism is {words}.",
                f"prescription.right.base_{name}",
                f"prescription.left.base_{name}",
                seen=(("Right prism", right, "Δ"), ("Left prism", left, "Δ"), ("Net", abs(net), "Δ")),
                consequence=f"Only {abs(net):.2f} Δ of {abs(right) + abs(left):.2f} Δ acts between the eyes.",
                resolution="Read both bases again, or record that yoked prism is meant.",
            )


@check(
    "rx.prism-one-eye",
    "confirm",
    "More prism in one eye than is usual",
    family="prescription",
    source="prism is mostly split between the eyes, dispensing teaching",
    confidence="common practice",
    needs=(
        "person.notes",
        "person.useful_eye",
        "prescription.right.prism_h",
        "prescription.right.prism_v",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "earlier",
    ),
)
def prism_one_eye(v: View, found: Finder) -> Iterator[Finding]:
    """Why: beyond a small amount prism is split between the eyes, so one eye alone may mean that the other was not typed.
    Fires: R 4 Δ base out, L none, typed once.
    Silent: R 2 Δ out, L 2 Δ out; R 1 Δ up alone; read back and matching; the last pair was the same.
    """
    rx = v.rx
    if rx is None or not v.fresh or v.rx_explained or v.single_eye:
        return
    most = v.limit["rx.prism.one_eye"]
    for right, left, name in (
        (rx.right.prism_h, rx.left.prism_h, "prism_h"),
        (rx.right.prism_v, rx.left.prism_v, "prism_v"),
    ):
        given = right or left or 0.0
        if bool(right) != bool(left) and given > most:
            blank = "left" if right else "right"
            if v.earlier_rx is not None and not getattr(v.earlier_rx.of("left" if right else "right"), name):
                continue
            yield found(
                f"{given:.2f} Δ in one eye and none in the other.",
                f"prescription.{blank}.{name}",
                seen=(("Prism in one eye", given, "Δ"),),
                limit=f"{most:.2f} Δ in one eye alone",
                resolution="Look whether the other eye has prism too.",
            )


@check(
    "rx.prism-large",
    "confirm",
    "More prism than is usual",
    family="prescription",
    source=_TEACHING,
    confidence="common practice",
    needs=(
        "person.notes",
        "prescription.right.prism_h",
        "prescription.right.prism_v",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
    ),
)
def prism_large(v: View, found: Finder) -> Iterator[Finding]:
    """Why: more than about 6 Δ in a lens makes it thick and coloured at the edge; more than 10 Δ in all is rare enough to read again.
    Fires: 12 Δ base out in one eye.
    Silent: 3 Δ in each eye; read back and matching.
    """
    rx = v.rx
    if rx is None or not v.fresh or v.rx_explained:
        return
    one, total = v.limit["rx.prism.eye"], v.limit["rx.prism.total"]
    sizes = [((lens.prism_h or 0.0) ** 2 + (lens.prism_v or 0.0) ** 2) ** 0.5 for lens in (rx.right, rx.left)]
    if max(sizes) > one or sum(sizes) > total:
        eye = "right" if sizes[0] >= sizes[1] else "left"
        yield found(
            f"{sum(sizes):.2f} Δ in all, {max(sizes):.2f} Δ in one lens.",
            f"prescription.{eye}.prism_h",
            seen=(("Right prism", sizes[0], "Δ"), ("Left prism", sizes[1], "Δ")),
            limit=f"{one:g} Δ a lens, {total:g} Δ in all",
            resolution=f"{max(sizes) / 10:.2f} Δ? If it is meant, split it and tell the client of the thickness.",
        )
