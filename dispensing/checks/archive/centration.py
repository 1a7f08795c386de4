"""Flags of pupillary distances, heights, and what of the lens hangs on them."""

# numpy types operators on arrays as Any
# mypy: disable-error-code="no-any-return"

from __future__ import annotations

import numpy as np

from dispensing.case import SEGMENTED
from dispensing.checks.archive.base import Limits, either_eye, flag, known, outside
from dispensing.checks.archive.columns import HAIR, Bools, Columns

# pupillary distances


@flag("pd.centimetres")
def _(c: Columns, k: Limits) -> Bools:
    return (
        either_eye(c.both("far_pd") < 12)
        | either_eye(c.both("near_pd") < 12)
        | (c.one("both_far") < 12)
        | (c.one("both_near") < 12)
    )


@flag("pd.binocular-in-monocular")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(c.both("far_pd") >= 44) | either_eye(c.both("near_pd") >= 44)


@flag("pd.parts-do-not-sum")
def _(c: Columns, k: Limits) -> Bools:
    limit = k["pd.sum"] - HAIR
    out = np.zeros(len(c), dtype=np.bool_)
    for parts, whole in (("far_pd", "both_far"), ("near_pd", "both_near")):
        total = c.both(parts).sum(axis=0)
        for held in (whole, f"{whole}_least", f"{whole}_most"):
            out |= np.abs(c.one(held) - total) > limit
    return out


@flag("pd.adult-range")
def _(c: Columns, k: Limits) -> Bools:
    total = c.far_pd
    return outside(total, k["pd.adult.usual_least"], k["pd.adult.usual_most"]) & c.adult


@flag("pd.child-range")
def _(c: Columns, k: Limits) -> Bools:
    age, total = c.one("age"), c.far_pd
    boy, girl = 43.36 + 1.663 * age - 0.034 * age * age, 41.76 + 1.891 * age - 0.052 * age * age
    expected = np.where(c.truth("male"), boy, np.where(c.truth("female"), girl, (boy + girl) / 2))
    return (np.abs(total - expected) > k["pd.child.usual"] - HAIR) & (age < 16)


@flag("pd.near-not-less")
def _(c: Columns, k: Limits) -> Bools:
    off = c.near_pd - c.far_pd
    excused = c.truth("explained") | c.truth("rx_explained") | c.truth("one_eye")
    return (off > 0.25 - HAIR) | ((off >= -0.25 - HAIR) & ~excused)


@flag("pd.near-difference")
def _(c: Columns, k: Limits) -> Bools:
    off, distance = c.far_pd - c.near_pd, c.one("working")
    least, most = k["pd.near.least"], k["pd.near.most"]
    lower = np.where(distance > 450, np.maximum(least * 400 / distance - 0.5, 0.25), least)
    upper = np.where(distance < 330, most * 330 / np.maximum(distance, 100), most)
    out = (off > 0.25 - HAIR) & outside(off, lower + HAIR, upper - HAIR)
    return out & c.plain & ~c.truth("one_eye")


@flag("pd.unequal")
def _(c: Columns, k: Limits) -> Bools:
    right, left = c.both("far_pd")
    before = c.both("earlier_far_pd")
    off = right - left
    as_before = np.abs((before[0] - before[1]) - off) <= 1.5 - HAIR
    return (np.abs(off) > k["pd.unequal"] - HAIR) & ~as_before & c.plain


@flag("pd.off-readings")
def _(c: Columns, k: Limits) -> Bools:
    out = np.zeros(len(c), dtype=np.bool_)
    for name in ("far_pd", "near_pd"):
        value = c.both(name)
        out |= either_eye(outside(value, c.both(f"{name}_least") - 0.3 + HAIR, c.both(f"{name}_most") + 0.3 - HAIR))
    return out


@flag("pd.repeats-disagree")
def _(c: Columns, k: Limits) -> Bools:
    limit = k["pd.repeat"]
    out = np.zeros(len(c), dtype=np.bool_)
    for name in ("far_pd", "near_pd"):
        two_agree = c.both(f"{name}_second") <= limit / 2 - HAIR
        out |= either_eye((c.both(f"{name}_most") - c.both(f"{name}_least") > limit - HAIR) & ~two_agree)
    return out


@flag("pd.changed")
def _(c: Columns, k: Limits) -> Bools:
    off, years = c.both("far_pd") - c.both("earlier_far_pd"), c.one("earlier_pd_years")
    growing = c.one("age") < 18
    growth = np.where(growing, k["pd.growth_a_year"] * np.minimum(years, 6.0) / 2, 0.0)
    return either_eye(outside(off, -k["pd.change"] + HAIR, growth + k["pd.change"] - HAIR)) & c.plain


@flag("pd.frame-fit")
def _(c: Columns, k: Limits) -> Bools:
    centres, total = c.one("a") + c.one("dbl"), c.far_pd
    return outside(total - centres, -k["pd.frame.narrower"] + HAIR, k["pd.frame.wider"] - HAIR)


@flag("pd.decentration")
def _(c: Columns, k: Limits) -> Bools:
    least, most = c.decentration
    return either_eye(outside(least, -5 + HAIR, 5 - HAIR) | outside(most, -5 + HAIR, 5 - HAIR))


# heights


@flag("height.outside-box")
def _(c: Columns, k: Limits) -> Bools:
    low, high = c.in_box
    return either_eye((low <= 0) | (high >= c.one("b")))


@flag("height.from-datum-line")
def _(c: Columns, k: Limits) -> Bools:
    low, high = c.in_box
    lowest = k["height.datum_lowest"] - np.where(c.family(*SEGMENTED), 6.0, 0.0)
    return either_eye((high > 0) & (low < c.one("b") / 2 + lowest) & (c.both("reference") != 1))


@flag("height.pupil-position")
def _(c: Columns, k: Limits) -> Bools:
    low, high = c.in_box
    segmented, pupil, half = c.family(*SEGMENTED), c.both("pupil_height"), c.one("b") / 2
    low, high = np.where(segmented, pupil, low), np.where(segmented, pupil, high)
    out = (low - half < k["height.datum_least"] + HAIR) | (high - half > k["height.datum_most"] - HAIR)
    return either_eye(out) & c.plain


@flag("height.unequal")
def _(c: Columns, k: Limits) -> Bools:
    low, high = c.in_box
    widest = np.maximum(high[0] - low[1], high[1] - low[0])
    exact = (c.both("reference") <= 1).all(axis=0)
    before = c.both("earlier_height")
    as_before = exact & (np.abs((before[0] - before[1]) - (low[0] - low[1])) <= 1.0 - HAIR)
    return (widest > k["height.unequal"] - HAIR) & ~as_before & c.plain


@flag("height.off-readings")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(outside(c.both("height"), c.both("height_least") - 0.3 + HAIR, c.both("height_most") + 0.3 - HAIR))


# lens


@flag("lens.height-under-minimum")
def _(c: Columns, k: Limits) -> Bools:
    low, _ = c.in_box
    return either_eye(low < c.one("min_height"))


@flag("lens.corridor-cut")
def _(c: Columns, k: Limits) -> Bools:
    low, _ = c.in_box
    short = either_eye(low - c.one("corridor") < k["lens.below_corridor"])
    return short & ~known(c.one("min_height")) & c.family("progressive", "degressive")


@flag("segment.above-middle")
def _(c: Columns, k: Limits) -> Bools:
    _, high = c.in_box
    above = (
        either_eye(high > c.one("b") / 2 + k["segment.above_middle"] - HAIR)
        & c.family("round_bifocal", "flat_top_bifocal")
        & c.adult
    )
    return above & c.plain & c.plain_rx


@flag("segment.reading-depth")
def _(c: Columns, k: Limits) -> Bools:
    low, _ = c.in_box
    return either_eye(low < k["segment.depth"]) & c.family(*SEGMENTED)


@flag("lens.blank-too-small")
def _(c: Columns, k: Limits) -> Bools:
    """By a bound: no point of a shape is further from what the blank is centred on than half its effective diameter and the way from
    there to the boxed centre together."""
    least, most = c.decentration
    sideways = np.maximum(np.abs(least), np.abs(most))
    a, b = (np.where(np.isnan(c.one(n)), c.one(f"box_{n}"), c.one(n)) for n in ("a", "b"))
    own, traced, corner = c.one("ed"), c.one("box_ed"), np.hypot(a, b)
    low, high = c.in_box
    middle = b / 2 - c.one("blank_shift")
    upright = np.nan_to_num(np.fmax(np.abs(low - middle), np.abs(high - middle)))
    off = 2 * np.hypot(sideways, upright)
    # without an outline a shape with the frame's box stands in, and the rule of thumb is looked at too
    supposed = np.fmax(corner + off, np.where(np.isnan(own), corner, own) + 2 * sideways + 2.0)
    needed = np.where(known(traced), traced + off, supposed)
    return either_eye(needed > c.one("blank") + 0.05 - k["blank.margin"] - HAIR)
