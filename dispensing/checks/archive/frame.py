"""Flags of the frame's own figures and of the final fit."""

# numpy types operators on arrays as Any
# mypy: disable-error-code="no-any-return"

from __future__ import annotations

import numpy as np

from dispensing.checks.archive.base import Limits, flag, given, known, outside
from dispensing.checks.archive.columns import HAIR, Bools, Columns


@flag("frame.side-as-dbl")
def _(c: Columns, k: Limits) -> Bools:
    side = c.one("side")
    return (c.one("dbl") >= 80) | (known(c.one("dbl")) & (side <= 40) & (side > 0))


@flag("frame.a-not-over-dbl")
def _(c: Columns, k: Limits) -> Bools:
    return (c.one("a") <= c.one("dbl")) & (c.one("dbl") < 80)


@flag("frame.b-over-a")
def _(c: Columns, k: Limits) -> Bools:
    return c.one("b") > c.one("a") + 0.5 - HAIR


@flag("frame.a")
def _(c: Columns, k: Limits) -> Bools:
    child = c.truth("child_frame")
    small = child | (c.one("age") < 13)
    least = np.where(small, k["frame.a.child_least"], k["frame.a.least"])
    return outside(c.one("a"), least, np.where(child, k["frame.a.child_most"], k["frame.a.most"]))


@flag("frame.b")
def _(c: Columns, k: Limits) -> Bools:
    return outside(c.one("b"), k["frame.b.least"], k["frame.b.most"])


@flag("frame.dbl")
def _(c: Columns, k: Limits) -> Bools:
    return outside(c.one("dbl"), k["frame.dbl.least"], k["frame.dbl.most"])


@flag("frame.side")
def _(c: Columns, k: Limits) -> Bools:
    return outside(c.one("side"), k["frame.side.least"], k["frame.side.most"])


@flag("frame.ed-under-box")
def _(c: Columns, k: Limits) -> Bools:
    return c.one("ed") < np.maximum(c.one("a"), c.one("b")) - 0.5 + HAIR


@flag("frame.ed-over-diagonal")
def _(c: Columns, k: Limits) -> Bools:
    return c.one("ed") > np.hypot(c.one("a"), c.one("b")) + 0.5 - HAIR


@flag("frame.outline-against-box")
def _(c: Columns, k: Limits) -> Bools:
    limit = k["frame.outline.box"] - HAIR
    off_a, off_b = np.abs(c.one("box_a") - c.one("a")), np.abs(c.one("box_b") - c.one("b"))
    return ((off_a > limit) & known(off_b)) | ((off_b > limit) & known(off_a))


@flag("frame.outline-against-ed")
def _(c: Columns, k: Limits) -> Bools:
    return np.abs(c.one("box_ed") - c.one("ed")) > 1.5 * k["frame.outline.box"] - HAIR


@flag("frame.child-size")
def _(c: Columns, k: Limits) -> Bools:
    return (c.one("age") <= k["frame.child_age"]) & (c.one("a") > k["frame.a.child_most"])


@flag("frame.groove")
def _(c: Columns, k: Limits) -> Bools:
    groove = c.one("groove")
    return outside(groove, 0, 1.5) | (given(groove) & c.truth("drilled"))


@flag("frame.curve-against-wrap")
def _(c: Columns, k: Limits) -> Bools:
    return (c.one("front_curve") <= 6) & (c.one("frame_face_form") > k["face_form.flat_most"])


@flag("fit.vertex-range")
def _(c: Columns, k: Limits) -> Bools:
    return outside(c.one("vertex"), k["vertex.usual_least"], k["vertex.usual_most"])


@flag("fit.pantoscopic-range")
def _(c: Columns, k: Limits) -> Bools:
    return outside(c.one("pantoscopic"), k["pantoscopic.least"], k["pantoscopic.most"])


@flag("fit.face-form-range")
def _(c: Columns, k: Limits) -> Bools:
    most = np.where(c.one("front_curve") <= 6, k["face_form.flat_most"], k["face_form.most"])
    return outside(c.one("face_form"), -2, most)


@flag("fit.face-form-against-frame")
def _(c: Columns, k: Limits) -> Bools:
    return np.abs(c.one("face_form") - c.one("frame_face_form")) > k["face_form.off"] - HAIR
