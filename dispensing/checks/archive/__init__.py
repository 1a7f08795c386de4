"""The checks that hold a figure against a limit, over columns of many dispenses at once: which of them want a closer look.

    columns = columns_of(cases)          once; an archive may keep them
    found = flags(columns, limits)       {identifier of a check: one bool a dispense}, hundreds of thousands a second
    for place, findings in findings_of(cases, found): ...      the ordinary checks, for those flagged only

A flag is no finding. It may be raised where the ordinary check is silent, because a reason on record, a converted height or a symptom
that another finding explains is looked at by the ordinary check alone. It is never silent where the ordinary check of a covered
identifier finds something: tests hold that over correct and slipped records. Checks that are not in `COVERED` (patterns across
several quantities, optics of the finished lens, who may do what) are not judged here at all.

Columns are float64 with NaN for what is not on record, so that every comparison with something unknown is False by itself.
Values that belong to an eye are two rows, right first. House units throughout.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from dispensing.case import Case
from dispensing.checks.archive import centration, frame, powers  # noqa: F401  importing a module registers its flags
from dispensing.checks.archive.base import FLAGS, Limits
from dispensing.checks.archive.columns import Bools, Columns, columns_of
from dispensing.checks.findings import Finding
from dispensing.checks.registry import assess
from dispensing.checks.thresholds import DEFAULTS
from dispensing.figures import compute

__all__ = ["COVERED", "Columns", "columns_of", "findings_of", "flagged", "flags"]

COVERED: tuple[str, ...] = tuple(FLAGS)
CHUNK = 4096  # dispenses at a time: their columns stay in the processor's cache


def flags(columns: Columns, limit: Limits = DEFAULTS) -> dict[str, Bools]:
    """For each covered check, which dispenses want its closer look. `limit` is that of `thresholds.limits`: one set for all of them."""
    count = len(columns)
    found = {name: np.empty(count, dtype=np.bool_) for name in FLAGS}
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        for start in range(0, count, CHUNK):
            stop = min(start + CHUNK, count)
            part = columns.part(start, stop)
            for name, rule in FLAGS.items():
                found[name][start:stop] = rule(part, limit)
    return found


def flagged(found: Mapping[str, Bools]) -> NDArray[np.intp]:
    """Places of the dispenses with any flag."""
    return np.flatnonzero(np.logical_or.reduce(list(found.values())))


def findings_of(cases: Sequence[Case], found: Mapping[str, Bools]) -> Iterator[tuple[int, tuple[Finding, ...]]]:
    """The ordinary findings of the dispenses with a flag, all of their checks run; where nothing remains, nothing is given."""
    for place in flagged(found):
        case = cases[int(place)]
        findings = assess(case, compute(case))
        if findings:
            yield int(place), findings
