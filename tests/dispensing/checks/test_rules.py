"""Every check against its named cases: firing, silent, and both sides of each boundary."""

from __future__ import annotations

import pytest

from dispensing.checks import registry
from dispensing.checks.findings import ORDER, Finder
from dispensing.checks.view import View
from dispensing.figures import compute
from tests.dispensing.checks.build import BASES, changed
from tests.dispensing.checks.cases import ALL

ROWS = [
    pytest.param(identifier, base, expected, changes, id=f"{identifier}: {name}")
    for identifier, (base, rows) in ALL.items()
    for expected, name, changes in rows
]


@pytest.mark.parametrize(("identifier", "base", "expected", "changes"), ROWS)
def test_case(identifier, base, expected, changes):
    check = registry()[identifier]
    case = changed(BASES[base], changes)
    found = list(check.rule(View(case, compute(case)), Finder(identifier, check.severity, check.source)))
    severities = {f.severity for f in found}
    assert severities == (set() if expected is None else {expected}), [f.message for f in found]
    for finding in found:
        assert finding.check == identifier
        assert finding.message
        assert finding.message.rstrip()[-1] in ".?"
        assert finding.subjects
        assert len(finding.key) <= 200
        assert finding.severity == "unknown" or ORDER[finding.severity] >= ORDER[check.severity], (
            "graver than the check declares"
        )
        assert finding.seen or finding.missing or check.identifier in WITHOUT_FIGURES, "which figures did it see?"
        assert "None" not in finding.message + finding.resolution + finding.consequence
        assert "nan" not in finding.message + finding.consequence


# a fact about the record, not a figure
WITHOUT_FIGURES = {
    "rx.nothing-prescribed", "rx.read-back", "rx.read-back-differs", "order.copy-of-open", "frame.no-drill-points", "lens.corridor-unknown"
}  # fmt: skip


def test_every_check_has_cases():
    assert set(ALL) == set(registry())


@pytest.mark.parametrize("identifier", sorted(ALL))
def test_cases_show_both_sides(identifier):
    _, rows = ALL[identifier]
    assert sum(1 for r in rows if r[0] is not None) >= 1
    assert sum(1 for r in rows if r[0] is None) >= 2


def test_most_cases_are_silent():
    rows = [r for _, rows in ALL.values() for r in rows]
    assert sum(1 for r in rows if r[0] is None) > len(rows) / 2
