"""A group's own words: added, renamed, retired by a manager, used at the visit and in learning; built-in entries stay."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.urls import reverse

from orders import issue, learning, return_visit, return_words
from orders.models_learning import ReturnWord
from orders.returns.words import CAUSES, COMPLAINTS
from orders.summarise import summarise
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.orders.ready import collected_order, ready_dispense


def add(cast, kind, text, like="", actor=None):
    return return_words.add_word(actor=actor or cast.manager, branch=cast.branch, kind=kind, text=text, like=like)


def test_only_a_manager_adds_and_every_deed_is_audited(cast):
    with pytest.raises(NotAllowed):
        add(cast, "cause", "Dropped by the client", actor=cast.dispenser)
    word = add(cast, "cause", "  Dropped by   the client ")
    assert (word.text, word.code) == ("Dropped by the client", "own_dropped_by_the_client")
    return_words.rename_word(actor=cast.manager, branch=cast.branch, word=word, text="Dropped")
    return_words.retire_word(actor=cast.manager, branch=cast.branch, word=word)
    with pytest.raises(Conflict):
        return_words.retire_word(actor=cast.manager, branch=cast.branch, word=word)
    return_words.retire_word(actor=cast.manager, branch=cast.branch, word=word, back=True)
    told = AuditEvent.objects.filter(subject=f"return word {word.code}").order_by("sequence")
    assert [e.action for e in told] == [f"return_word.{d}" for d in ("added", "renamed", "retired", "brought_back")]


@pytest.mark.parametrize(
    ("kind", "text", "like", "field"),
    [
        ("cause", "x", "", "text"),
        ("cause", "Measured Wrongly", "", "text"),  # a built-in entry, whatever the case
        ("complaint", "y" * 61, "", "text"),
        ("complaint", "Eyes water", "nothing", "like"),
        ("outcome", "Given a voucher", "", "like"),
        ("colour", "Red", "", "text"),
    ],
)
def test_what_cannot_be_an_entry(cast, kind, text, like, field):
    with pytest.raises(Invalid) as problem:
        add(cast, kind, text, like)
    assert list(problem.value.errors) == [field]
    assert not ReturnWord.objects.exists()


def test_own_words_at_a_visit_and_in_learning(cast, client):
    complaint = add(cast, "complaint", "The book swims", like="swim")
    cause = add(cast, "cause", "Wrong pair handed out")
    outcome = add(cast, "outcome", "Exercises given", like="adapt")
    order = collected_order(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))
    visit = return_visit.record_visit(
        actor=cast.dispenser,
        order=order,
        complaints=[complaint.code],
        said="",
        typed={"right.height": "26", "left.height": "22"},
    )
    assert any(c["fits"] for c in visit.explained)  # explained like the built-in complaint it is like
    with pytest.raises(Invalid) as problem:  # an own outcome asks what the one it works as asks
        return_visit.decide_visit(actor=cast.dispenser, visit=visit, outcome=outcome.code, cause=cause.code)
    assert list(problem.value.errors) == ["look_again_on"]
    day = cast.branch.today() + timedelta(days=14)
    visit = return_visit.decide_visit(
        actor=cast.dispenser, visit=visit, outcome=outcome.code, cause=cause.code, look_again_on=day
    )
    assert (visit.outcome, visit.outcome_word, visit.cause) == ("adapt", outcome.code, cause.code)
    return_words.rename_word(actor=cast.manager, branch=cast.branch, word=cause, text="Another client's pair")
    return_words.retire_word(actor=cast.manager, branch=cast.branch, word=cause)
    summarise(cast.group)
    words = return_words.lists_of(cast.group)
    rows = learning.Sums(cast.group, None, date(2000, 1, 1)).came_back(words.words["cause"]).rows
    assert [(r.key, r.cases) for r in rows] == [("any cause", 1), ("Another client's pair", 1)]
    client.force_login(cast.dispenser)
    page = client.get(reverse("orders:visit", args=[order.number, visit.pk])).content.decode()
    assert "Exercises given" in page
    assert "Another client&#x27;s pair" in page
    second = return_visit.record_visit(actor=cast.dispenser, order=order, complaints=["tired"], said="", typed={})
    with pytest.raises(Invalid) as problem:
        return_visit.decide_visit(actor=cast.dispenser, visit=second, outcome="nothing", cause=cause.code)
    assert list(problem.value.errors) == ["cause"]  # retired


def test_another_group_has_its_own(cast):
    add(cast, "cause", "Dropped by the client")
    lists = return_words.lists_of(cast.foreign_branch.group)
    assert lists.words["cause"] == CAUSES
    assert lists.words["complaint"] == COMPLAINTS


def test_the_page(cast, client):
    client.force_login(cast.manager)
    at = reverse("orders:return_words")
    assert (
        client.post(at, {"deed": "add", "kind": "outcome", "text": "Given a voucher", "like": "nothing"}).status_code == 302
    )
    word = ReturnWord.objects.get()
    answer = client.post(at, {"deed": "rename", "word": word.pk, "text": "z"})
    assert answer.status_code == 200
    assert 'value="z"' in answer.content.decode()
    assert "2 to 60 characters" in answer.content.decode()
    answer = client.post(at, {"deed": "add", "kind": "cause", "text": "Prescription"})
    assert "This list has an entry of that name." in answer.content.decode()
    assert client.post(at, {"deed": "retire", "word": word.pk}).status_code == 302
    word.refresh_from_db()
    assert word.retired_at is not None
    assert client.post(at, {"deed": "retire", "word": "9" * 30}).status_code == 404
    client.force_login(cast.dispenser)
    assert "New entry" not in client.get(at).content.decode()
    client.force_login(cast.foreigner)
    assert "voucher" not in client.get(at).content.decode()
