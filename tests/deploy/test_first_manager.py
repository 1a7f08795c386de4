"""From an empty database to a manager who is signed in, by one link."""

from __future__ import annotations

import re
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone

from practice.models import AuditEvent, Post, SignInLink, Staff

pytestmark = pytest.mark.django_db
WHO = (
    "--group",
    "Our opticians",
    "--branch",
    "High Street",
    "--code",
    "HS",
    "--name",
    "Robin",
    "--family",
    "Keller",
    "--username",
    "robin",
)
PASSWORD = "a long walnut sentence"


def link(*more: str) -> str:
    out = StringIO()
    call_command("first_manager", *WHO, *more, "--address", "https://practice.example/", stdout=out)
    return re.search(r"https://practice\.example(/\S+)", out.getvalue()).group(1)


def use(client: Client, path: str):
    page = client.get(path, follow=True)
    if not page.context.get("row"):
        return page
    return client.post(page.request["PATH_INFO"], {"password": PASSWORD, "again": PASSWORD}, follow=True)


def test_the_link_lets_the_first_manager_in_once(client: Client):
    path = link()
    assert not Staff.objects.get().has_usable_password()
    use(client, path)
    person = Staff.objects.get()
    assert person.check_password(PASSWORD)
    assert (person.group.name, Post.objects.get().role, Post.objects.get().branch.code) == (
        "Our opticians",
        "manager",
        "HS",
    )
    assert "staff.first_manager" in AuditEvent.objects.values_list("action", flat=True)
    again = use(Client(), path)
    assert again.context["row"] is None
    with pytest.raises(CommandError, match="password was set"):
        link()
    with pytest.raises(CommandError, match="has a manager"):
        link("--username", "wren")


def test_a_link_that_was_lost_is_replaced_and_an_old_one_is_over(client: Client):
    first, second = link(), link()
    assert first != second
    assert Staff.objects.count() == Post.objects.count() == 1
    assert use(client, first).context["row"] is None
    SignInLink.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert use(client, second).context["row"] is None
    assert not Staff.objects.get().has_usable_password()


def test_values_that_are_none_are_said(client: Client):
    with pytest.raises(CommandError, match="username"):
        link("--username", "two words!")
    with pytest.raises(CommandError, match="no time zone"):
        link("--time-zone", "Europe/Nowhere")
    assert not Staff.objects.exists()
