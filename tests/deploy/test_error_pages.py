"""What somebody is told when something fails: in plain words, with what the log knows it by."""

from __future__ import annotations

import pytest
from django.db import OperationalError
from django.test import Client
from django.urls import reverse

from practice.web import clients


def fails_with(monkeypatch, error):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr(clients.access, "visible_clients", fail)


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (RuntimeError("secret detail"), 500, "The fault is ours"),
        (OperationalError("database is locked"), 503, "Somebody else is saving the same record"),
    ],
)
def test_a_fault_is_told_with_the_number_the_log_has(cast, monkeypatch, error, status, words):
    browser = Client(raise_request_exception=False)
    browser.force_login(cast.dispenser)
    fails_with(monkeypatch, error)
    answer = browser.get(reverse("practice:clients"), {"q": "Quillfeather"})
    page = answer.content.decode()
    assert answer.status_code == status
    assert words in page
    assert "secret detail" not in page
    assert f"<code>{answer['X-Request-ID']}</code>" in page


def test_what_is_not_open_says_to_whom(client, cast):
    client.force_login(cast.trainee)
    page = client.get(reverse("practice:staff"))
    assert page.status_code == 403
    assert f"not open to you as trainee at {cast.branch.name}" in page.content.decode()


def test_what_is_not_there_offers_a_way_on_to_whoever_is_signed_in(client, cast):
    assert "Look for a client" not in client.get("/nowhere/", follow=True).content.decode()
    client.force_login(cast.trainee)
    answer = client.get("/nowhere/")
    assert answer.status_code == 404
    assert "Look for a client" in answer.content.decode()
