"""Several weak signs together: one finding that names the likely slip, in place of those that name its symptoms."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import EYES, Pair
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.history import comparable, likely_slip
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import mm, power_word

_TOGETHER = "log likelihood ratio over powers, PDs and heights against the earlier pair"
_RX = (
    "rx.changed",
    "rx.slip",
    "rx.changed-unevenly",
    "rx.axis-changed",
    "rx.add-changed",
    "rx.prism-changed",
    "rx.base-reversed",
)


def _swap(now: tuple[float | None, float | None], before: Pair[float | None], spread: float) -> float:
    """How much better two values fit the earlier ones exchanged than straight; log likelihood ratio."""
    (a, b), c, d = now, before.right, before.left
    if a is None or b is None or c is None or d is None:
        return 0.0
    return ((a - c) ** 2 + (b - d) ** 2 - (a - d) ** 2 - (b - c) ** 2) / (2 * spread**2)


@check(
    "pattern.record-swapped",
    "stop",
    "Right and left are exchanged throughout",
    family="prescription",
    source=_TOGETHER,
    confidence="derived",
    needs=(
        "person.notes",
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.read_back",
        "prescription.remark",
        "prescription.source",
        "measurements.right.far_pd",
        "measurements.right.height",
        "earlier",
    ),
    explains=(
        "pattern.another-client",
        "rx.eyes-swapped",
        "pd.swapped",
        "pd.changed",
        "height.unequal",
        "height.exchanged",
        *_RX,
    ),
    same_question=("rx.eyes-swapped", "pd.swapped"),
)
def record_swapped(v: View, found: Finder) -> Iterator[Finding]:
    """Why: powers a little unlike, PDs a little uneven, heights a little uneven: each alone proves nothing. All three the other way round
    than last time is one slip.
    Fires: last pair R −1.00 30.5 L −1.75 32; now R −1.75 32 L −1.00 30.5.
    Silent: the same sides as before; eyes that are alike.
    """
    if v.rx is None:
        return
    m = v.case.measurements
    pair = v.earlier_pair_with("far_pd")
    high = v.earlier_pair_with("height")
    parts = [v.swap if comparable(v) else 0.0]
    parts.append(_swap((m.right.far_pd, m.left.far_pd), pair.far_pd, 0.8) if pair else 0.0)
    heights = (v.in_box("right"), v.in_box("left"))
    if high is not None and heights[0] is not None and heights[1] is not None:
        # only the difference between the eyes carries over from frame to frame
        shift = (heights[0] + heights[1] - (high.height.right or 0) - (high.height.left or 0)) / 2
        parts.append(_swap((heights[0] - shift, heights[1] - shift), high.height, 0.9))
    if sum(p > 0.7 for p in parts) >= 2 and sum(parts) > 4 and min(parts) > -1:
        yield found(
            "Powers and measurements fit the earlier pair with right and left exchanged.",
            "prescription.right.sphere",
            "prescription.left.sphere",
            "measurements.right.far_pd",
            seen=(
                ("Right", power_word(v.rx.right), ""),
                ("Left", power_word(v.rx.left), ""),
                ("Right PD", m.right.far_pd if m.right.far_pd is not None else "", "mm"),
                ("Left PD", m.left.far_pd if m.left.far_pd is not None else "", "mm"),
            ),
            severity="stop" if sum(parts) > 7 and v.fresh and not v.rx_explained else "confirm",
            consequence="Each eye would get the other's lens.",
            resolution="Look at prescription and readings: which is the right eye?",
        )


@check(
    "pattern.another-client",
    "confirm",
    "This looks like another client's record",
    family="prescription",
    source="comparison of powers, PD and age with the earlier pair",
    confidence="derived",
    needs=("person.age_years", "person.notes", "prescription.right.sphere", "prescription.right.cylinder", "prescription.right.axis", "prescription.read_back", "prescription.remark", "prescription.source", "measurements.right.far_pd", "earlier"),
    explains=("rx.changed", "rx.changed-unevenly", "rx.axis-changed", "rx.add-changed", "pd.changed", "rx.add-for-age", "pd.swapped",
              "rx.prism-changed"),
)  # fmt: skip
def another_client(v: View, found: Finder) -> Iterator[Finding]:
    """Why: when the powers of both eyes are unlike the last pair, and more so with the PD or the additions, the simplest reason is that
    they are somebody else's. Reading back does not show it: the paper itself is the wrong one.
    Fires: last pair −4.00 and −4.25, PD 61; now +1.50 and +1.75, PD 67.
    Silent: one eye changed after surgery; both changed by three quarters; a remark that explains it.
    """
    if v.rx is None or not comparable(v) or v.earlier_rx is None or v.rx_explained:
        return
    limit = v.limit["rx.change.stranger"] if v.adult else 2 * v.limit["rx.change.stranger"]
    right, left = v.changed_by["right"], v.changed_by["left"]
    if right is None or left is None:
        return
    changes = (right, left)
    if v.fresh and any(
        likely_slip(v.rx.of(eye), now, old) for eye in EYES if (now := v.powers[eye]) and (old := v.powers_before[eye])
    ):
        return  # the slip is named; only if that is not it does this question arise
    m = v.case.measurements
    signs = []
    if min(changes) > limit:
        signs += ["both powers"]
    pair = v.earlier_pair_with("far_pd")
    pd_off = 0.0
    if (
        pair is not None
        and m.right.far_pd is not None
        and m.left.far_pd is not None
        and (v.adult or (v.years_since or 9) < 1)
    ):
        pd_off = m.right.far_pd + m.left.far_pd - (pair.far_pd.right or 0) - (pair.far_pd.left or 0)
        if abs(pd_off) > 2.5:
            signs.append("PD")
    adds = [(v.rx.of(e).add or 0.0) - (v.earlier_rx.of(e).add or 0.0) for e in EYES]
    if min(abs(a) for a in adds) > 0.75:
        signs.append("additions")
    if min(changes) > limit or (len(signs) >= 2 and min(changes) > limit / 2):
        yield found(
            f"{' and '.join(signs)} are unlike the earlier pair: another client's?".capitalize().replace("Pd", "PD"),
            "prescription.right.sphere",
            "prescription.left.sphere",
            "measurements.right.far_pd",
            seen=(
                ("Right now", power_word(v.rx.right), ""),
                ("Right before", power_word(v.earlier_rx.right), ""),
                ("Left now", power_word(v.rx.left), ""),
                ("Left before", power_word(v.earlier_rx.left), ""),
                ("PD against before", round(pd_off, 1), "mm"),
            ),
            consequence="The spectacles would be made for somebody else.",
            resolution="Compare name and date of birth on the prescription with this client.",
        )


@check(
    "pattern.measurements-copied",
    "confirm",
    "All measurements are exactly those of the earlier pair",
    family="measurements",
    source="comparison with the earlier pair; a reading rarely repeats in every digit",
    confidence="derived",
    needs=("frame.b", "frame.name", "measurements.right.far_pd", "measurements.right.height", "earlier"),
    explains=("height.as-before",),
    same_question=("height.as-before",),
)
def measurements_copied(v: View, found: Finder) -> Iterator[Finding]:
    """Why: PD and heights the same in every digit in another frame were copied, not measured.
    Fires: last pair PD 31.5/32, heights 21/21.5, b 34; now the same in a frame with b 40.
    Silent: the same frame; heights that differ.
    """
    pair = v.earlier_pair_with("height")
    frame = v.frame
    if pair is None or frame is None or pair.frame is None or frame.b is None or pair.frame.b is None:
        return
    m = v.case.measurements
    now = (m.right.far_pd, m.left.far_pd, m.right.height, m.left.height)
    before = (pair.far_pd.right, pair.far_pd.left, pair.height.right, pair.height.left)
    if None in now or now != before or (frame.name and frame.name == pair.frame.name):
        return
    if abs(frame.b - pair.frame.b) >= 1.5:
        yield found(
            "PD and heights are exactly those of the earlier pair, in another frame.",
            "measurements.right.height",
            "measurements.left.height",
            seen=(
                ("Right height", m.right.height or 0.0, "mm"),
                ("Left height", m.left.height or 0.0, "mm"),
                ("b", frame.b, "mm"),
                ("b of the earlier frame", pair.frame.b, "mm"),
            ),
            consequence=f"The heights would be about {mm(abs(frame.b - pair.frame.b) / 2)} off.",
            resolution="Measure on this frame.",
        )
