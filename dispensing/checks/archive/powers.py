"""Flags of the prescription."""

# numpy types operators on arrays as Any
# mypy: disable-error-code="no-any-return"

from __future__ import annotations

import numpy as np

from dispensing.case import MULTIFOCAL
from dispensing.checks.additions import ADD_BANDS
from dispensing.checks.archive.base import Limits, either_eye, flag, given, known, off_step, outside
from dispensing.checks.archive.columns import HAIR, Bools, Columns


@flag("rx.cylinder-without-axis")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(given(c.both("cylinder")) & ~known(c.both("axis")))


@flag("rx.axis-without-cylinder")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(known(c.both("axis")) & ~given(c.both("cylinder")))


@flag("rx.axis-off-scale")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(outside(c.both("axis"), 0, 180))


@flag("rx.axis-cylinder-exchanged")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye((c.both("cylinder") >= 5) & (c.both("axis") <= 10))


@flag("rx.axis-half-degree")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye((np.mod(c.both("axis") * 2, 1) > 0) & given(c.both("cylinder")))


@flag("rx.cylinder-forms-mixed")
def _(c: Columns, k: Limits) -> Bools:
    right, left = c.both("cylinder")
    return (right * left < 0) & c.plain_rx


@flag("rx.power-step")
def _(c: Columns, k: Limits) -> Bools:
    return np.logical_or.reduce(off_step(c.rows("sphere", "add")))


@flag("rx.sphere-range")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(np.abs(c.both("sphere")) > k["rx.sphere.possible"])


@flag("rx.sphere-unusual")
def _(c: Columns, k: Limits) -> Bools:
    now = c.both("sphere")
    like_before = np.abs(c.both("earlier_sphere") - now) <= 2
    out = outside(now, k["rx.sphere.usual_least"], k["rx.sphere.usual_most"]) & ~like_before
    return either_eye(out) & c.truth("fresh") & c.plain_rx


@flag("rx.cylinder-range")
def _(c: Columns, k: Limits) -> Bools:
    return either_eye(np.abs(c.both("cylinder")) > k["rx.cylinder.possible"])


@flag("rx.cylinder-unusual")
def _(c: Columns, k: Limits) -> Bools:
    size = np.abs(c.both("cylinder"))
    like_before = np.abs(np.abs(c.both("earlier_cylinder")) - size) <= 1.5
    return either_eye((size > k["rx.cylinder.usual"]) & ~like_before) & c.truth("fresh") & c.plain_rx


@flag("rx.mirror-signs")
def _(c: Columns, k: Limits) -> Bools:
    right, left = c.both("sphere")
    alike = (right * left < 0) & (np.abs(right + left) <= 0.5 + HAIR)
    large = np.minimum(np.abs(right), np.abs(left)) >= k["rx.mirror.size"] - HAIR
    return alike & large & c.truth("fresh") & c.plain_rx


@flag("rx.add-missing")
def _(c: Columns, k: Limits) -> Bools:
    lacking = ~given(c.both("add")) & ~known(c.both("near_sphere")) & ~(c.both("balance") > 0)
    return either_eye(lacking) & c.truth("rx") & c.family(*MULTIFOCAL)


@flag("rx.add-one-eye")
def _(c: Columns, k: Limits) -> Bools:
    right, left = given(c.both("add"))
    alone: Bools = right != left
    return alone & ~c.truth("one_eye") & ~either_eye(c.both("balance") > 0) & c.plain_rx


@flag("rx.adds-unequal")
def _(c: Columns, k: Limits) -> Bools:
    right, left = c.both("add")
    apart = (np.abs(right - left) > 0.01 - HAIR) & given(right) & given(left)
    return apart & ~either_eye(c.both("balance") > 0) & c.plain_rx


@flag("rx.add-range")
def _(c: Columns, k: Limits) -> Bools:
    add = c.both("add")
    cannot = (add < 0) | (add > k["rx.add.possible"])
    unusual = given(add) & outside(add, k["rx.add.usual_least"], k["rx.add.usual_most"])
    return either_eye(cannot) | (either_eye(unusual) & ~c.truth("sight_impaired") & c.plain_rx)


@flag("rx.add-for-age")
def _(c: Columns, k: Limits) -> Bools:
    age, add, before = c.one("age"), c.both("add"), c.both("earlier_add")
    least, most = np.full(len(c), np.inf), np.full(len(c), -np.inf)
    for start, low, high in ADD_BANDS:
        of_this_age = age >= start
        least[of_this_age], most[of_this_age] = low, high
    out = (add > 0) & ((age < k["rx.add.reason_below_age"]) | outside(add, least, most))
    like_before = given(before) & (add - before >= -0.25 + HAIR) & (add - before <= 0.5 - HAIR)
    return either_eye(out & ~like_before) & known(age) & c.plain_rx & ~c.truth("sight_impaired")


@flag("rx.near-sphere-as-add")
def _(c: Columns, k: Limits) -> Bools:
    sphere, add, near = c.both("sphere"), c.both("add"), c.both("near_sphere")
    written = either_eye(given(sphere) & given(add) & (np.abs(near - add) < 0.01 + HAIR))
    less = add - sphere
    least, most = min(0.5, k["rx.add.usual_least"]), max(3.5, k["rx.add.usual_most"])
    alike = (np.abs(add[0] - add[1]) > 0.2 - HAIR) & (np.abs(less[0] - less[1]) < 0.01 + HAIR)
    alike &= given(add[0]) & given(add[1]) & (less[0] > least - HAIR) & (less[0] < most + HAIR)
    return written | (alike & ~either_eye(known(near)) & c.plain_rx)


@flag("rx.near-row")
def _(c: Columns, k: Limits) -> Bools:
    add = c.both("add")
    return either_eye(given(add) & (np.abs(c.both("sphere") + add - c.both("near_sphere")) > 0.02 - HAIR))


@flag("rx.intermediate-add")
def _(c: Columns, k: Limits) -> Bools:
    near, between = c.both("add"), c.both("intermediate_add")
    share = between / near
    out = (between >= near) | (between < 0) | outside(share, 0.3 + HAIR, 0.8 - HAIR)
    return either_eye(given(between) & given(near) & out)


_PRISMS = (
    ("prism_h", "base_h"),
    ("prism_v", "base_v"),
    ("near_prism_h", "near_base_h"),
    ("near_prism_v", "near_base_v"),
)


@flag("rx.prism-without-base")
def _(c: Columns, k: Limits) -> Bools:
    return np.logical_or.reduce([either_eye(given(c.both(amount)) & ~known(c.both(base))) for amount, base in _PRISMS])


@flag("rx.prism-negative")
def _(c: Columns, k: Limits) -> Bools:
    return np.logical_or.reduce([either_eye(c.both(amount) < 0) for amount, _ in _PRISMS])


@flag("rx.prism-bases-cancel")
def _(c: Columns, k: Limits) -> Bools:
    h, v = c.both("prism_h") * c.both("base_h"), c.both("prism_v") * c.both("base_v")
    return ((h[0] * h[1] < 0) | (v[0] * v[1] > 0)) & c.plain_rx


@flag("rx.prism-one-eye")
def _(c: Columns, k: Limits) -> Bools:
    out = np.zeros(len(c), dtype=np.bool_)
    for name in ("prism_h", "prism_v"):
        amount = c.both(name)
        there = given(amount)
        out |= (there[0] != there[1]) & either_eye(amount > k["rx.prism.one_eye"])
    return out & c.truth("fresh") & c.plain_rx & ~c.truth("one_eye")


@flag("rx.prism-large")
def _(c: Columns, k: Limits) -> Bools:
    size = np.hypot(np.nan_to_num(c.both("prism_h")), np.nan_to_num(c.both("prism_v")))
    out = either_eye(size > k["rx.prism.eye"] - HAIR) | (size.sum(axis=0) > k["rx.prism.total"] - HAIR)
    return out & c.truth("fresh") & c.plain_rx


def _strong(c: Columns, k: Limits) -> Bools:
    sphere = c.both("sphere")
    least = k["rx.vertex.needed_from"] - HAIR
    return either_eye((np.abs(sphere) >= least) | (np.abs(sphere + np.nan_to_num(c.both("cylinder"))) >= least))


@flag("rx.vertex-missing")
def _(c: Columns, k: Limits) -> Bools:
    return _strong(c, k) & ~known(c.one("rx_vertex"))


@flag("rx.vertex-implausible")
def _(c: Columns, k: Limits) -> Bools:
    value = c.one("rx_vertex")
    unusual = outside(value, k["vertex.usual_least"], k["vertex.usual_most"]) & _strong(c, k)
    return unusual | outside(value, k["vertex.possible_least"], k["vertex.possible_most"])


@flag("rx.written-in-future")
def _(c: Columns, k: Limits) -> Bools:
    return c.one("written_days") < 0


@flag("rx.out-of-date")
def _(c: Columns, k: Limits) -> Bools:
    # no run of n months is shorter than n times 30.4 days less two
    return (c.one("expires_days") < 0) | (c.one("written_days") >= c.one("valid_months") * 30.4 - 2)


@flag("rx.changed")
def _(c: Columns, k: Limits) -> Bools:
    apart = c.both("changed_by")
    years = np.nan_to_num(c.one("earlier_years"), nan=1.0)
    child = c.one("age") < 18
    adult = k["rx.change.adult"]
    allowed = np.where(child, np.maximum(adult, k["rx.change.child_a_year"] * np.minimum(years, 4.0)), adult)
    now, before = np.nan_to_num(c.both("cylinder")), np.nan_to_num(c.both("earlier_cylinder"))
    cylinder = np.abs(np.abs(now) - np.abs(before)) >= 0.5 - HAIR
    fresh = c.truth("fresh")
    out = np.where(fresh, (apart > allowed - HAIR) | (known(apart) & cylinder), apart > 3 - HAIR)
    old = c.one("earlier_years") > k["rx.earlier.years"]
    return either_eye(out & ~(c.both("balance") > 0)) & ~old
