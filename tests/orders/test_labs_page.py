"""The manager's page of a lab: tokens shown once, addresses, webhook, record text; every change audited."""

from __future__ import annotations

import io
import re
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.utils import timezone

from orders import labs
from orders.models import Lab, LabToken, Webhook, WebhookMessage
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.factories import PASSWORD, Cast
from tests.orders.conftest import labs_token
from tests.orders.test_crowd import together
from tests.practice.test_places import just_signed_in


@pytest.fixture
def manager(cast):
    """Who has just signed in by password."""
    client = Client()
    client.force_login(cast.manager)
    return just_signed_in(client)


def path(cast, rest: str = "") -> str:
    return f"/labs/{cast.lab.pk}/{rest}"


def seen(html: str) -> str:
    return re.search(r'name="seen" value="([0-9a-f]+)"', html)[1]


def actions() -> list[str]:
    return list(AuditEvent.objects.filter(action__startswith="lab.").order_by("pk").values_list("action", flat=True))


def test_the_list_says_how_each_lab_stands(cast, manager):
    used = labs.create_token(lab=cast.lab).row
    LabToken.objects.filter(pk=used.pk).update(last_used_at=timezone.now())
    labs.revoke_token(token=labs.create_token(lab=cast.lab).row)
    labs.create_token(lab=cast.lab)
    LabToken.objects.filter(pk=LabToken.objects.order_by("-pk").first().pk).update(expires_at=timezone.now())
    html = manager.get("/labs/").content.decode()
    assert cast.lab.name in html
    assert '<td class="num">1</td>' in html, "revoked and ended tokens are not valid"
    assert "never" not in html
    assert "disabled" not in html
    assert str(cast.foreign_lab.code) not in html


def test_a_disabled_webhook_is_said_on_both_pages(cast, manager):
    Webhook.objects.create(
        lab=cast.lab,
        url="https://lab.example/",
        salt="0",
        active=False,
        disabled_at=timezone.now(),
        disabled_why="answered 500",
    )
    for page in ("/labs/", path(cast)):
        html = manager.get(page).content.decode()
        assert "is-stop" in html
        assert "answered 500" in html
        assert "isabled" in html


def test_a_new_lab(cast, manager):
    made = manager.post(
        "/labs/new/", {"code": "kelp", "name": "Kelp Lane Lenses", "email": "in@kelp.example", "address": "1 Quay"}
    )
    lab = Lab.objects.get(group=cast.group, code="KELP")
    assert made.status_code == 302
    assert (lab.name, lab.email, lab.active, lab.record_text, lab.allowed_addresses) == (
        "Kelp Lane Lenses", "in@kelp.example", True, False, [],
    )  # fmt: skip
    assert actions() == ["lab.added"]
    again = manager.post("/labs/new/", {"code": "KELP", "name": "Other"})
    assert again.status_code == 200
    assert "Another lab has this code." in again.content.decode()
    assert 'value="Other"' in again.content.decode(), "what was typed stays"


def test_settings_are_saved_and_audited(cast, manager, door):
    values = {
        "seen": seen(manager.get(path(cast)).content.decode()),
        "name": "Tideglass",
        "active": "1",
        "record_text": "1",
        "allowed_addresses": "192.0.2.0/24\r\n 2001:DB8::5 , 192.0.2.0/24\n",
    }
    assert manager.post(path(cast), values).status_code == 302
    cast.lab.refresh_from_db()
    assert (cast.lab.name, cast.lab.record_text, cast.lab.allowed_addresses) == (
        "Tideglass", True, ["192.0.2.0/24", "2001:db8::5"],
    )  # fmt: skip
    event = AuditEvent.objects.get(action="lab.changed")
    assert event.after["allowed_addresses"] == ["192.0.2.0/24", "2001:db8::5"]
    assert event.after["record_text"] is True
    assert door.get("orders").status_code == 403, "in force at once"
    stale = manager.post(path(cast), values)
    assert "changed this lab since" in stale.content.decode()
    assert "unverified profile" in manager.get("/labs/").content.decode()


@pytest.mark.parametrize("bad", ["192.0.2.1/24", "lab.example", "300.1.1.1", "\n".join(f"10.0.0.{n}" for n in range(60))])
def test_bad_addresses_are_named_beside_the_field_and_nothing_is_saved(cast, manager, bad):
    values = {
        "seen": seen(manager.get(path(cast)).content.decode()),
        "name": "New name",
        "active": "1",
        "allowed_addresses": bad,
    }
    response = manager.post(path(cast), values)
    html = response.content.decode()
    assert response.status_code == 200
    assert 'id="f-allowed_addresses-error"' in html
    assert bad.splitlines()[0] in html
    cast.lab.refresh_from_db()
    assert cast.lab.name != "New name"
    assert actions() == []


def test_a_token_is_shown_once_and_works_until_it_is_revoked(cast, manager, client):
    response = manager.post(path(cast, "tokens/"), {"label": "night job", "scopes": "read", "ends": "30"})
    token = re.search(r"dl_[\w-]{43}", response.content.decode())[0]
    assert response["Cache-Control"] == "no-store"
    assert token not in manager.get(path(cast)).content.decode()
    row = LabToken.objects.get()
    assert (row.label, row.scopes) == ("night job", ["orders:read"])
    assert timedelta(days=29) < row.expires_at - timezone.now() <= timedelta(days=30)
    ask = {"headers": {"Authorization": f"Bearer {token}"}}
    assert client.get("/api/v1/orders", **ask).status_code == 200
    assert "night job" in manager.get(path(cast)).content.decode()
    assert manager.post(path(cast, f"tokens/{row.pk}/revoke/")).status_code == 302
    assert client.get("/api/v1/orders", **ask).status_code == 401
    assert actions() == ["lab.token_created", "lab.token_revoked"]


def test_a_key_is_made_only_by_who_proves_to_be_the_manager(cast, client):
    """As somebody who is here by PIN: quick to take away, slow to give."""
    client.force_login(cast.manager)
    row = labs.create_token(lab=cast.lab).row
    deeds = (
        ("tokens/", {"label": "x", "scopes": "read", "ends": "30"}),
        ("webhook/", {"deed": "save", "url": "https://lab.example/hook"}),
    )
    for rest, typed in deeds:
        for own in ({}, {"password": "402816"}):
            assert "password-error" in client.post(path(cast, rest), typed | own).content.decode()
    assert LabToken.objects.count() == 1
    assert not Webhook.objects.exists()
    assert client.post(path(cast, f"tokens/{row.pk}/revoke/")).status_code == 302
    for rest, typed in deeds:
        assert "shown this once" in client.post(path(cast, rest), typed | {"password": PASSWORD}).content.decode()


def test_another_labs_token_is_not_revoked_here(cast, manager):
    foreign = labs.create_token(lab=cast.foreign_lab).row
    assert manager.post(path(cast, f"tokens/{foreign.pk}/revoke/")).status_code == 404
    foreign.refresh_from_db()
    assert foreign.revoked_at is None


def test_the_webhook_is_set_up_on_the_page(cast, manager, make_order):
    bad = manager.post(path(cast, "webhook/"), {"deed": "save", "url": "http://127.0.0.1/x"})
    assert 'id="f-url-error"' in bad.content.decode()
    assert 'value="http://127.0.0.1/x"' in bad.content.decode()
    made = manager.post(path(cast, "webhook/"), {"deed": "save", "url": "https://lab.example/hook"})
    secret = re.search(r"whsec_[\w+/=]{44}", made.content.decode())[0]
    assert made["Cache-Control"] == "no-store"
    assert secret not in manager.get(path(cast)).content.decode()
    changed = manager.post(path(cast, "webhook/"), {"deed": "secret"})
    assert re.search(r"whsec_[\w+/=]{44}", changed.content.decode())[0] != secret
    make_order(issued_at=timezone.now() - timedelta(minutes=5))
    assert (
        'id="f-since-error"'
        in manager.post(path(cast, "webhook/"), {"deed": "replay", "since": "yesterday"}).content.decode()
    )
    assert manager.post(path(cast, "webhook/"), {"deed": "replay", "since": "2020-01-01 09:00"}).status_code == 302
    assert WebhookMessage.objects.count() == 1
    assert manager.post(path(cast, "webhook/"), {"deed": "off"}).status_code == 302
    assert not Webhook.objects.get().active
    assert actions() == ["lab.webhook_saved", "lab.webhook_secret_changed", "lab.webhook_replayed", "lab.webhook_off"]


def test_the_use_cases_ask_for_the_right_themselves(cast):
    for person, branch in (
        (cast.supervisor, cast.branch),
        (cast.manager, cast.other_branch),
        (cast.foreigner, cast.foreign_branch),
    ):
        with pytest.raises(NotAllowed):
            labs.create_token(lab=cast.lab, actor=person, branch=branch)
        with pytest.raises(NotAllowed):
            labs.change_lab(actor=person, branch=branch, lab=cast.lab, seen="", values={"name": "x"})
    with pytest.raises(NotAllowed):
        labs.create_token(lab=cast.lab, actor=cast.manager)
    with pytest.raises(Conflict):
        labs.change_lab(actor=cast.manager, branch=cast.branch, lab=cast.lab, seen="", values={"name": "x"})
    with pytest.raises(Invalid):
        labs.add_lab(actor=cast.manager, branch=cast.branch, code="no good", values={"name": "x"})
    assert labs_token(cast.lab, actor=cast.manager, branch=cast.branch).startswith("dl_")


# --- two tokens at a time


def test_a_third_token_is_refused_until_one_is_chosen_that_ends(cast, manager):
    first, second = (labs.create_token(lab=cast.lab, label=name).row for name in ("day", "night"))
    html = manager.get(path(cast)).content.decode()
    assert 'name="instead_of"' in html
    assert f"{first.prefix}…, day, never used" in html
    asked = {"label": "kept & shown", "scopes": "read", "ends": "30"}
    html = manager.post(path(cast, "tokens/"), asked).content.decode()
    assert "Choose the one that ends when this one is made." in html
    assert "kept &amp; shown" in html
    assert LabToken.objects.count() == 2
    for nonsense in ("x", "999999", str(labs.create_token(lab=cast.foreign_lab).row.pk), "9" * 30):
        assert (
            "Choose the one that ends"
            in manager.post(path(cast, "tokens/"), asked | {"instead_of": nonsense}).content.decode()
        )
    assert LabToken.objects.filter(lab=cast.lab, revoked_at=None).count() == 2
    html = manager.post(path(cast, "tokens/"), asked | {"instead_of": str(first.pk)}).content.decode()
    assert "new-token" in html
    assert labs.valid_tokens(cast.lab)[0] == second
    assert len(labs.valid_tokens(cast.lab)) == 2
    assert actions()[-2:] == ["lab.token_revoked", "lab.token_created"]


def test_one_that_has_ended_or_is_revoked_takes_no_place(cast, manager):
    ended, revoked = (labs.create_token(lab=cast.lab).row for _ in range(2))
    LabToken.objects.filter(pk=ended.pk).update(expires_at=timezone.now())
    labs.revoke_token(token=revoked)
    labs.create_token(lab=cast.lab)
    assert 'name="instead_of"' not in manager.get(path(cast)).content.decode()
    keep = labs.create_token(lab=cast.lab, instead_of=ended.pk).row  # nothing has to end: nothing does
    assert keep in labs.valid_tokens(cast.lab)
    assert len(labs.valid_tokens(cast.lab)) == 2


def test_more_than_two_from_before_this_rule_go_on_but_make_no_new_one(cast):
    rows = [labs.create_token(lab=cast.lab).row for _ in range(2)]
    rows.append(LabToken.objects.create(lab=cast.lab, prefix="dl_old", digest="0" * 64, scopes=[labs.READ]))
    with pytest.raises(Invalid) as refused:
        labs.create_token(lab=cast.lab, instead_of=rows[0].pk)
    assert "3 tokens are valid" in refused.value.errors["instead_of"]
    labs.revoke_token(token=rows[0])
    labs.create_token(lab=cast.lab, instead_of=rows[1].pk)


def test_the_command_names_what_ends(cast):
    first = labs.create_token(lab=cast.lab).row
    call_command("lab_token", cast.lab.code, stdout=io.StringIO())
    with pytest.raises(CommandError, match=r"2 tokens are valid already.*--instead-of PREFIX"):
        call_command("lab_token", cast.lab.code)
    out = io.StringIO()
    call_command("lab_token", cast.lab.code, instead_of=first.prefix, stdout=out)
    assert out.getvalue().startswith(labs.MARK)
    assert first not in labs.valid_tokens(cast.lab)


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite lets one writer in at a time")
@pytest.mark.django_db(transaction=True)
def test_four_who_make_a_token_at_once_leave_two():
    cast = Cast()

    def make() -> bool:
        try:
            labs.create_token(lab=cast.lab)
        except Invalid:
            return False
        return True

    assert sorted(together(make, make, make, make)) == [False, False, True, True]
    assert len(labs.valid_tokens(cast.lab)) == 2
