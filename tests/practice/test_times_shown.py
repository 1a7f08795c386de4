"""Moments are shown by the clock of a branch: Django shows them by that of the server (UTC) unless a template says otherwise."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.conf import settings
from django.db import transaction
from django.urls import reverse

from practice import audit

TEMPLATES = sorted(Path(settings.BASE_DIR).glob("*/templates/**/*.html"))
MOMENT = re.compile(r"\{\{\s*[\w.]*(?:_at|\bat)\s*\|(?P<filters>[^}]*)\}\}")


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_every_moment_says_by_which_clock(template):
    text = template.read_text(encoding="utf-8")
    for found in MOMENT.finditer(text):
        before = text[: found.start()]
        inside = before.count("{% timezone") > before.count("{% endtimezone")
        assert inside or "timezone:" in found["filters"] or not re.search(r"\b(date|time)\b", found["filters"]), found[0]


def test_the_audit_trail_is_shown_by_the_clock_it_names(cast, client, monkeypatch):
    cast.branch.time_zone = "Pacific/Auckland"
    cast.branch.save()
    at = datetime(2026, 11, 30, 13, 4, 5, tzinfo=UTC)
    monkeypatch.setattr("django.utils.timezone.now", lambda: at)
    with transaction.atomic():
        audit.record(
            actor=cast.manager,
            action="branch.changed",
            subject=f"branch {cast.branch.code}",
            group=cast.group,
            branch=cast.branch,
        )
    monkeypatch.undo()
    client.force_login(cast.manager)
    page = client.get(reverse("practice:audit")).content.decode()
    assert "Tuesday 1 December 2026" in page
    assert "02:04:05" in page
    assert "13:04:05" not in page
