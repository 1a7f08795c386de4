"""Flags over columns never miss what the ordinary rule finds, and seldom flag what it does not."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from dispensing.case import Case
from dispensing.checks import assess, registry
from dispensing.checks.archive import COVERED, columns_of, findings_of, flagged, flags
from dispensing.checks.findings import Finder
from dispensing.checks.thresholds import limits
from dispensing.checks.view import View
from dispensing.figures import compute
from tests.dispensing.checks.build import BASES, changed
from tests.dispensing.checks.cases import ALL
from tests.reference.population import Source, draw, with_ordered
from tests.reference.slips import SLIPS

CORRECT = 40


def found_by_rules(case: Case) -> set[str]:
    """Covered checks whose rule finds something, before symptoms are left out: the stricter comparison."""
    view = View(case, compute(case))
    checks = registry()
    return {i for i in COVERED if any(True for _ in checks[i].rule(view, Finder(i, checks[i].severity, "")))}


def missed(cases: list[Case]) -> list[tuple[int, str]]:
    found = flags(columns_of(cases))
    return [(i, name) for i, case in enumerate(cases) for name in found_by_rules(case) if not found[name][i]]


@pytest.fixture(scope="module")
def drawn() -> list[Case]:
    rng, source, cases = np.random.default_rng(71), Source(), []
    while len(cases) < CORRECT:
        case = draw(rng, source, with_history=len(cases) % 2 == 0)
        if case is not None:
            cases.append(case)
    return cases


@pytest.fixture(scope="module")
def slipped(drawn) -> list[Case]:
    rng, out = np.random.default_rng(72), []
    for i, case in enumerate(drawn):
        for slip in SLIPS:
            wrong = slip.apply(case, drawn[(i + 1) % len(drawn)], rng)
            if wrong is not None and wrong != case:
                out.append(with_ordered(wrong) if slip.typed else wrong)
    return out


def test_covered_are_checks_there_are():
    assert set(COVERED) <= set(registry())
    assert len(COVERED) >= 60


def test_no_hit_of_a_named_case_is_missed():
    """Every firing case and both sides of every boundary of every check."""
    cases = [changed(BASES[base], changes) for base, rows in ALL.values() for _, _, changes in rows]
    assert missed(cases) == []


def test_no_hit_among_correct_records_is_missed(drawn):
    assert missed(drawn) == []


def test_no_hit_among_slipped_records_is_missed(slipped):
    assert len(slipped) > 20 * CORRECT
    assert missed(slipped) == []


def test_slips_reach_the_covered_checks(slipped):
    """The comparison is not empty: most covered checks do find something somewhere."""
    reached = set().union(*(found_by_rules(case) for case in slipped[::3]))
    assert len(reached) > len(COVERED) / 2


def test_flags_leave_most_correct_records_alone(drawn):
    found = flags(columns_of(drawn))
    wider = {name: float(v.mean()) for name, v in found.items()}
    # wide by nature: a bound instead of the exact shape, a reason that only the ordinary check weighs
    assert {name: share for name, share in wider.items() if share > 0.25} == {}


def test_findings_are_built_for_hits_alone_and_are_the_ordinary_ones(drawn, slipped):
    cases = [*drawn[:10], *slipped[:30]]
    found = flags(columns_of(cases))
    told = dict(findings_of(cases, found))
    assert set(told) <= set(flagged(found).tolist())
    for place, findings in told.items():
        assert findings == assess(cases[place], compute(cases[place]))


def test_another_set_of_limits_moves_the_flags(drawn):
    case = dataclasses.replace(drawn[0], frame=dataclasses.replace(drawn[0].frame, side=152.0))
    columns = columns_of([case])
    assert not flags(columns)["frame.side"][0]
    assert flags(columns, limits((("frame.side.most", 150.0),)))["frame.side"][0]


def test_nothing_and_next_to_nothing(drawn):
    assert all(len(v) == 0 for v in flags(columns_of([])).values())
    empty = Case(today=drawn[0].today)
    found = flags(columns_of([empty]))
    assert {name for name, v in found.items() if v[0]} == set()


def test_more_than_a_chunk_is_as_one_by_one(drawn):
    many = columns_of(drawn * 120)
    found = flags(many)
    few = flags(columns_of(drawn))
    for name in COVERED:
        assert (found[name].reshape(120, len(drawn)) == few[name]).all()
