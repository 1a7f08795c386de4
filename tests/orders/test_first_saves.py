"""Two first saves of one thing at once: one is kept, the other is told so beside its field, and nothing of it is saved."""

from __future__ import annotations

import pytest
from django.test import Client

from orders import labs
from orders.models import Lab, Webhook
from orders.webhooks import signing
from practice import branches, staffing
from practice.audit import snapshot, token
from practice.errors import Invalid
from practice.models import AuditEvent, Branch, Staff
from tests.factories import PASSWORD
from tests.practice.test_places import just_signed_in


@pytest.fixture
def overtaken(monkeypatch):
    """overtaken(model, make): when the first row of `model` is saved, somebody else's was saved just before."""

    def arrange(model, make):
        save, done = model.save, []

        def later(self, *args, **kwargs):
            if not done:
                done.append(1)
                make()
            return save(self, *args, **kwargs)

        monkeypatch.setattr(model, "save", later)

    return arrange


def test_two_labs_of_one_code(cast, overtaken):
    overtaken(Lab, lambda: Lab.objects.bulk_create([Lab(group=cast.group, code="NEWLAB", name="The first")]))
    with pytest.raises(Invalid) as problem:
        labs.add_lab(actor=cast.manager, branch=cast.branch, code="newlab", values={"name": "The second"})
    assert problem.value.errors == {"code": labs.CODE_TAKEN}
    assert not Lab.objects.filter(name="The second").exists()
    assert not AuditEvent.objects.filter(action="lab.added").exists()


def test_two_webhooks_of_one_lab(cast, overtaken, settings):
    settings.WEBHOOKS_MAY_BE_PRIVATE = True
    first = Webhook(lab=cast.lab, url="https://first.example/hook", salt=signing.new_salt())
    overtaken(Webhook, lambda: Webhook.objects.bulk_create([first]))
    client = Client()
    client.force_login(cast.manager)
    just_signed_in(client)
    answer = client.post(f"/labs/{cast.lab.pk}/webhook/", {"deed": "save", "url": "https://second.example/hook"})
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "Somebody else has just saved an address for this lab" in page
    assert "https://second.example/hook" in page
    assert not Webhook.objects.filter(url="https://second.example/hook").exists()
    assert not AuditEvent.objects.filter(action="lab.webhook_saved").exists()


def test_two_people_of_one_name(cast, overtaken):
    overtaken(Staff, lambda: Staff.objects.bulk_create([Staff(username="newcomer", group=cast.group)]))
    with pytest.raises(Invalid) as problem:
        staffing.add_person(
            actor=cast.manager,
            branch=cast.branch,
            username="newcomer",
            password=PASSWORD,
            values={"first_name": "New", "last_name": "Comer", "role": "dispenser"},
        )
    assert problem.value.errors == {"username": staffing.NAME_TAKEN}
    assert not AuditEvent.objects.filter(action="staff.added").exists()


def test_two_branches_of_one_prefix(cast, overtaken):
    overtaken(Branch, lambda: Branch.objects.filter(pk=cast.other_branch.pk).update(code="ZZ"))
    seen = token(snapshot(cast.branch, branches.FIELDS))
    with pytest.raises(Invalid) as problem:
        branches.change_branch(actor=cast.manager, branch=cast.branch, seen=seen, values={"code": "ZZ"})
    assert problem.value.errors == {"code": branches.CODE_TAKEN}
