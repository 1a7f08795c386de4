"""What of the demo needs a database without it: starting again, and loading it years from now."""

from __future__ import annotations

from datetime import date

import pytest
from django.core.management import call_command
from django.db import DatabaseError

from orders.demo import people, scenario
from orders.demo.files import table
from practice.models import AuditEvent, Group
from tests.factories import BranchFactory


@pytest.mark.django_db(transaction=True)
def test_fresh_starts_again(monkeypatch):
    monkeypatch.setattr(scenario, "play", lambda stage: {})  # the scenario has its own tests
    call_command("load_demo", "--no-history", verbosity=0)
    Group.objects.get().branches.update(phone="changed")
    call_command("load_demo", "--no-history", "--fresh", verbosity=0)
    assert not Group.objects.get().branches.filter(phone="changed").exists()
    assert Group.objects.count() == 1
    with pytest.raises(DatabaseError, match="never changed"):
        AuditEvent.objects.all().update(action="x")


def test_everybody_keeps_their_age_whenever_the_demo_is_loaded(db):
    branches = {code: BranchFactory(code=code) for code in ("SM", "HR", "FG", "PC")}
    later = people.make_clients(branches["SM"].group, branches, date(2031, 3, 1))
    born = {r["key"]: date.fromisoformat(r["born"]) for r in table("clients")}
    for key, client in later.items():
        assert (date(2031, 3, 1) - client.date_of_birth) == (date(2026, 11, 25) - born[key])
