"""The manual page of every check has its parts, and the pages show them."""

from __future__ import annotations

import dataclasses
import re
from typing import Any, get_args, get_origin, get_type_hints

import pytest
from django.test import Client
from django.urls import reverse

from dispensing.case import Case
from dispensing.checks import MODULES, THRESHOLDS, assess, registry
from dispensing.checks.findings import CONFIDENCE, FAMILIES
from dispensing.checks.registry import DuplicateCheck, check
from dispensing.checks.thresholds import DEFAULTS, limits
from dispensing.figures import compute
from tests.dispensing.checks.build import PROGRESSIVE, SINGLE, TODAY, changed

CHECKS = list(registry().values())


def paths_of(kind: Any, before: str = "") -> set[str]:
    """Every path of a Case, from its types; a list is one path."""
    found: set[str] = set()
    for name, hint in get_type_hints(kind).items():
        path = before + name
        found.add(path)
        if get_origin(hint) is not tuple:
            for inner in (hint, *get_args(hint)):
                if isinstance(inner, type) and dataclasses.is_dataclass(inner):
                    found |= paths_of(inner, path + ".")
    return found


CASE_PATHS = paths_of(Case)


def test_the_paths_of_a_case_are_real():
    assert {"prescription.right.sphere", "frame.outline", "measurements.left.far_pd", "earlier", "today"} <= CASE_PATHS
    assert "frame.depth" not in CASE_PATHS


def test_a_manual_page_says_what_its_check_reads(client, cast):
    client.force_login(cast.dispenser)
    page = client.get(reverse("dispensing:check", args=["pd.frame-fit"])).content.decode()
    assert "frame: a, distance between lenses; measurements: PD, binocular PD" in page


@pytest.mark.parametrize("one", CHECKS, ids=lambda c: c.identifier)
def test_manual_page_has_its_parts(one):
    parts = one.manual_parts()
    assert set(parts) == {"Why", "Fires", "Silent"}
    for text in parts.values():
        assert 3 <= len(text) <= 500
        assert text.endswith((".", "?", ")"))
        assert ".." not in text
    assert re.fullmatch(r"[a-z]+\.[a-z0-9-]+", one.identifier)
    assert one.summary[0].isupper()
    assert not one.summary.endswith(".")
    assert len(one.summary) <= 90
    assert one.source
    assert one.confidence in CONFIDENCE
    assert one.family in FAMILIES
    assert set(one.explains) <= set(registry()), "explains a check that does not exist"
    assert one.identifier not in one.explains
    assert one.needs, "says nothing of what it reads"
    assert set(one.needs) <= CASE_PATHS
    assert not any(".left" in path for path in one.needs), "the right eye stands for both"


def test_there_are_enough_and_in_a_fixed_order():
    assert len(CHECKS) >= 80
    rules = [one.rule.__module__ for one in CHECKS]
    assert list(dict.fromkeys(rules)) == [m.__name__ for m in MODULES]


def test_a_second_check_of_one_name_stops_start_up():
    with pytest.raises(DuplicateCheck):
        check("rx.read-back", "stop", "Again", family="prescription", source="none", confidence="derived")(CHECKS[0].rule)


def test_a_bare_case_is_assessed():
    case = Case(today=TODAY)
    assert [f.missing for f in assess(case, compute(case))] == [("prescription",)]


# --- limits -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("threshold", THRESHOLDS.values(), ids=lambda t: t.name)
def test_every_limit_has_source_and_sensible_bounds(threshold):
    assert threshold.source
    assert threshold.confidence in CONFIDENCE
    assert (threshold.least is None) == (threshold.most is None)
    if threshold.least is not None:
        assert threshold.least <= threshold.value <= threshold.most
        assert threshold.confidence not in ("standard", "law"), "a standard is not changed by a branch"


def test_every_limit_is_used_somewhere():
    from pathlib import Path

    folder = Path(MODULES[0].__file__).parent
    text = "".join(p.read_text(encoding="utf-8") for p in folder.glob("*.py") if p.name != "thresholds.py")
    assert [name for name in THRESHOLDS if f'"{name}"' not in text] == []


def test_a_changed_limit_is_kept_within_its_bounds():
    assert limits(()) is DEFAULTS
    assert limits((("pd.unequal", 5.0),))["pd.unequal"] == 5.0
    assert limits((("pd.unequal", 50.0),))["pd.unequal"] == THRESHOLDS["pd.unequal"].most
    assert limits((("tint.night", 10.0),))["tint.night"] == 75.0
    assert limits((("no.such", 1.0),)) == DEFAULTS


def test_a_changed_limit_changes_the_finding():
    uneven = {"m.R.height": 20.0, "m.L.height": 22.5, "m.readings": ()}
    usual = changed(PROGRESSIVE, uneven)
    wider = changed(PROGRESSIVE, {**uneven, "rules.limits": (("height.unequal", 3.0),)})
    assert "height.unequal" in [f.check for f in assess(usual, compute(usual))]
    assert "height.unequal" not in [f.check for f in assess(wider, compute(wider))]


# --- pages ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def signed_in(cast):
    client = Client()
    client.force_login(cast.dispenser)
    return client


@pytest.mark.django_db
def test_the_list_shows_every_check(signed_in):
    page = signed_in.get(reverse("dispensing:checks"))
    text = page.content.decode()
    for one in CHECKS:
        assert f'href="{reverse("dispensing:check", args=[one.identifier])}"' in text


@pytest.mark.django_db
def test_the_list_can_be_searched(signed_in):
    page = signed_in.get(reverse("dispensing:checks"), {"q": "blank small"})
    text = page.content.decode()
    assert "lens.blank-too-small" in text
    assert "rx.read-back-differs" not in text
    notes = signed_in.get(reverse("dispensing:checks"), {"can": "note"}).content.decode()
    assert "lens.corridor-spare" in notes
    assert "lens.blank-too-small" not in notes
    nothing = signed_in.get(reverse("dispensing:checks"), {"q": "<script>alert(1)</script>", "can": "'"})
    assert nothing.status_code == 200
    assert "<script>alert" not in nothing.content.decode()


@pytest.mark.django_db
def test_each_page_shows_manual_limits_and_neighbours(signed_in):
    text = signed_in.get(reverse("dispensing:check", args=["pd.unequal"])).content.decode()
    for words in ("Why it matters", "Stays silent", "Arenas 2014", "2.5 to 6", "pd.unequal"):
        assert words in text
    for one in CHECKS[:: len(CHECKS) // 12]:
        assert signed_in.get(reverse("dispensing:check", args=[one.identifier])).status_code == 200
    assert signed_in.get("/checks/no.such/").status_code == 404


@pytest.mark.django_db
def test_the_pages_are_for_people_who_signed_in(client):
    assert client.get(reverse("dispensing:checks")).status_code in (302, 403)


def test_the_order_of_findings_is_the_order_of_the_registry():
    case = changed(SINGLE, {"R.axis": None, "L.cylinder": None, "f.ed": 48.0, "f.dbl": 38.0})
    order = list(registry())
    stops = [order.index(f.check) for f in assess(case, compute(case)) if f.severity == "stop"]
    assert len(stops) >= 4
    assert stops == sorted(stops)
