"""The limits of a branch by part of the work, with a filter."""

from __future__ import annotations

import pytest
from django.urls import reverse

from dispensing.checks import THRESHOLDS
from dispensing.web.limits import PARTS, part_of


def test_every_limit_has_its_part_and_every_part_has_limits():
    assert {part_of(name) for name in THRESHOLDS} == {title for title, _ in PARTS}
    for name in THRESHOLDS:
        assert sum(name.startswith(starts) for _, starts in PARTS) == 1, name


@pytest.fixture
def page(client, cast):
    client.force_login(cast.manager)

    def get(**asked):
        return client.get(reverse("dispensing:limits", args=[cast.branch.pk]), asked)

    return get


def names(answer):
    return [row["threshold"].name for _, rows, _ in answer.context["parts"] for row in rows]


def test_all_are_there_closed_by_part(page):
    answer = page()
    assert sorted(names(answer)) == sorted(THRESHOLDS)
    html = answer.content.decode()
    assert html.count("limit-part") == len(PARTS)
    assert 'limit-part" open' not in html


def test_the_filter_reads_words_name_source_and_part(page):
    assert set(names(page(q="USUAL sphere"))) == {"rx.sphere.usual_least", "rx.sphere.usual_most"}
    assert names(page(q="rx.add.possible")) == ["rx.add.possible"]
    assert all(n.startswith("tint.") for n in names(page(q="tints")))
    assert 'limit-part" open' in page(q="tints").content.decode()
    assert "No limit has these words" in page(q="zebra").content.decode()
    fixed, changeable = names(page(only="fixed")), names(page(only="changeable"))
    assert fixed
    assert sorted(fixed + changeable) == sorted(THRESHOLDS)
    assert sorted(names(page(only="nonsense", q="x" * 5000))) == []


def test_what_this_branch_changed_is_open_and_counted(page, cast):
    cast.branch.limits = {
        "tint.night": {"value": "80", "reason": "Our roads are dark.", "by": "E. M.", "on": "2026-01-02T10:00"}
    }
    cast.branch.save()
    html = page().content.decode()
    assert html.count('limit-part" open') == 1
    assert "1 changed here" in html
    assert names(page(only="changed")) == ["tint.night"]
