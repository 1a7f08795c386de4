"""The demo started again in a database that already holds it: on its own, since it empties every table."""

from __future__ import annotations

import pytest
from django.core.management import call_command
from django.db import DatabaseError

from orders.demo import scenario
from practice.models import AuditEvent, Group


@pytest.mark.django_db(transaction=True)
def test_fresh_starts_again(monkeypatch):
    monkeypatch.setattr(scenario, "play", lambda stage: {})  # the scenario has its own tests
    call_command("load_demo", verbosity=0)
    Group.objects.get().branches.update(phone="changed")
    call_command("load_demo", "--fresh", verbosity=0)
    assert not Group.objects.get().branches.filter(phone="changed").exists()
    assert Group.objects.count() == 1
    with pytest.raises(DatabaseError, match="never changed"):
        AuditEvent.objects.all().update(action="x")
