"""Whatever a Case may hold, the checks answer: one number at a time at its limits, one value at a time taken away."""

from __future__ import annotations

import copy

import pytest

from dispensing.case_json import CaseError, case_from_json, case_to_json
from dispensing.checks import assess
from dispensing.figures import compute
from tests.dispensing.checks.build import BIFOCAL, NEAR, PROGRESSIVE, before, changed, ordered

FULL = changed(
    PROGRESSIVE,
    {
        "lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.0), "R.near_sphere": 0.0, "R.prism_h": 1.0, "R.base_h": "in", "m.R.near_pd": 29.5,
        "m.L.near_pd": 30.0, "rx.read_back": None, "lens.blank_diameter_mm": 70.0, "frame.outline": tuple([26.0] * 24),
        "earlier": (before("-2/-0.75x85", "-4/-0.5x90", add=2.0, pd=(30.5, 33.0), height=(20.0, 21.0)),),
    },
)  # fmt: skip


def leaves(value, path=()):
    if isinstance(value, dict):
        for name, item in value.items():
            yield from leaves(item, (*path, name))
    elif isinstance(value, list):
        for index, item in enumerate(value[:2]):
            yield from leaves(item, (*path, index))
    else:
        yield path, value


def put(data, path, value):
    data = copy.deepcopy(data)
    at = data
    for part in path[:-1]:
        at = at[part]
    at[path[-1]] = value
    return data


@pytest.mark.parametrize("base", [FULL, BIFOCAL, NEAR], ids=["progressive", "bifocal", "near"])
def test_no_single_value_brings_it_down(base):
    data = case_to_json(base)
    tried = 0
    for path, value in leaves(data):
        if isinstance(value, bool) or path == ("today",):
            continue
        for other in (0, -1, 0.001, 1e6, -1e6, None) if isinstance(value, int | float) else (None, ""):
            try:
                case = case_from_json(put(data, path, other))
            except CaseError:
                continue
            for finding in assess(case, compute(case)):
                assert "nan" not in (finding.message + finding.consequence + finding.resolution).replace("nance", "")
                assert len(finding.key) <= 200
            tried += 1
    assert tried > 150
