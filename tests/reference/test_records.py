"""The hundred records: what must be caught is caught, what must not be stopped is not."""

import pytest

from dispensing import figures as figs
from dispensing.checks import assess
from tests.reference.records import RECORDS

RANK = {"note": 0, "confirm": 1, "unknown": 2, "stop": 3}


def test_there_are_sixty_wrong_and_forty_right():
    assert sum(r.wrong for r in RECORDS) == 60
    assert sum(not r.wrong for r in RECORDS) == 40


@pytest.mark.parametrize("record", [r for r in RECORDS if r.wrong], ids=lambda r: r.name)
def test_wrong_record_is_caught(record):
    case = record.case()
    found = assess(case, figs.compute(case))
    worst = max((RANK[f.severity] for f in found), default=-1)
    assert worst >= RANK[record.least], [(f.check, f.severity) for f in found]


@pytest.mark.parametrize("record", [r for r in RECORDS if not r.wrong], ids=lambda r: r.name)
def test_unusual_record_is_not_stopped(record):
    case = record.case()
    found = assess(case, figs.compute(case))
    assert not [f.check for f in found if f.severity in ("stop", "unknown")], [(f.check, f.message) for f in found]
