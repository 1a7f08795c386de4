"""Signing in and out, guessing slowed, the password, colours, the branch one works at; and no page without signing in."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.contrib.auth import get_user
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.urls import reverse
from django.utils import timezone

from deploy import settings as real
from practice import links, sign_in
from practice.models import AuditEvent, Post, SignInTry
from tests.factories import PASSWORD

NEW = "barge-lantern-quoin-88"


def post(client, person, password=PASSWORD, **more):
    return client.post(reverse("practice:sign_in"), {"username": person.username, "password": password, **more})


def actions():
    return list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))


def test_signing_in_and_out_is_in_the_trail(client, cast):
    answer = post(client, cast.trainee)
    assert answer.status_code == 302
    assert get_user(client) == cast.trainee
    client.post(reverse("practice:sign_out"))
    assert not get_user(client).is_authenticated
    assert actions() == ["staff.signed_in", "staff.signed_out"]


def test_a_link_does_not_sign_anybody_out(client, cast):
    client.force_login(cast.trainee)
    assert client.get(reverse("practice:sign_out")).status_code == 405
    assert get_user(client).is_authenticated


def test_one_goes_on_to_where_one_wanted_to_go_and_nowhere_else(client, cast):
    assert post(client, cast.trainee, next="/clients/")["Location"] == "/clients/"
    for elsewhere in (
        "https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example/", "\\\\elsewhere.example", "javascript:alert(1)",
        "https:elsewhere.example", "\t//elsewhere.example/", "http://testserver@elsewhere.example/",
    ):  # fmt: skip
        client.logout()
        assert post(client, cast.trainee, next=elsewhere)["Location"] == "/"


@pytest.mark.parametrize("who", ["wrong password", "unknown", "closed"])
def test_a_refusal_does_not_say_what_was_wrong(client, cast, who):
    person, password = cast.trainee, PASSWORD
    if who == "wrong password":
        password = "wrong"
    elif who == "closed":
        person.is_active = False
        person.save()
    name = "nobody" if who == "unknown" else person.username
    answer = client.post(reverse("practice:sign_in"), {"username": name, "password": password})
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "Name and password do not belong together." in page
    assert f'value="{name}"' in page  # what was typed is kept, the password is not
    assert password not in page.replace(name, "")
    assert not get_user(client).is_authenticated


def test_guessing_is_slowed_and_told_even_with_the_right_password(client, cast):
    for _ in range(5):
        post(client, cast.trainee, "guess")
    answer = post(client, cast.trainee)
    assert "Too many tries. Wait" in answer.content.decode()
    assert not get_user(client).is_authenticated
    assert post(client, cast.dispenser).status_code == 302  # somebody else is not kept waiting
    assert actions().count("staff.sign_in_refused") == 5


def test_after_the_wait_the_right_password_works_and_is_forgiven(client, cast):
    for _ in range(5):
        post(client, cast.trainee, "guess")
    SignInTry.objects.update(wait_until=timezone.now() - timedelta(seconds=1))
    assert post(client, cast.trainee).status_code == 302
    assert sign_in.seconds_to_wait(name=cast.trainee.username, address="127.0.0.1") == 0
    assert SignInTry.objects.count() == 1  # the address is still counted


def test_waits_double_up_to_a_quarter_of_an_hour():
    waits = [sign_in.wait_for(n, 5).total_seconds() for n in range(4, 16)]
    assert waits == [0, 15, 30, 60, 120, 240, 480, 900, 900, 900, 900, 900]


def test_many_names_from_one_address_are_slowed_too(client, cast):
    now = timezone.now()
    for n in range(40):
        sign_in.failed(name=f"name{n}", address="192.0.2.7", now=now)
    assert sign_in.seconds_to_wait(name="somebody", address="192.0.2.7", now=now) == 15
    assert sign_in.seconds_to_wait(name="somebody", address="192.0.2.8", now=now) == 0


def test_failures_are_forgotten_after_a_day(client, cast):
    now = timezone.now()
    for _ in range(4):
        sign_in.failed(name="tilly", address="a", now=now - timedelta(days=2))
    sign_in.failed(name="tilly", address="a", now=now)
    assert sign_in.seconds_to_wait(name="tilly", address="a", now=now) == 0


def test_neither_names_nor_addresses_are_kept(cast):
    sign_in.failed(name=cast.trainee.username, address="192.0.2.7")
    for row in SignInTry.objects.all():
        assert cast.trainee.username not in row.key
        assert "192.0.2.7" not in row.key


@pytest.mark.parametrize("username", ["", "x" * 10_000, "<script>alert(1)</script>", "a\x00b", "١٢٣"])
def test_odd_names_are_refused_and_shown_back_safely(client, db, username):
    answer = client.post(reverse("practice:sign_in"), {"username": username, "password": "x"})
    assert answer.status_code == 200
    assert "<script>alert" not in answer.content.decode()


def test_changing_the_password(client, cast):
    post(client, cast.trainee)
    page = reverse("practice:password")
    for typed, says in (
        ({"old_password": "wrong", "new_password1": NEW, "new_password2": NEW}, "old password"),
        ({"old_password": PASSWORD, "new_password1": "short", "new_password2": "short"}, "12 characters"),
        ({"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW + "x"}, "match"),
        ({"old_password": "", "new_password1": "", "new_password2": ""}, "required"),
    ):
        answer = client.post(page, typed)
        assert answer.status_code == 200
        assert says in answer.content.decode()
        assert NEW not in answer.content.decode()
    assert client.post(page, {"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW}).status_code == 302
    assert get_user(client).is_authenticated
    cast.trainee.refresh_from_db()
    assert cast.trainee.check_password(NEW)
    assert actions() == ["staff.signed_in", "staff.sign_in_refused", "staff.password_changed"]


def test_guessing_the_password_on_its_own_page_is_slowed_too(client, cast):
    """Whoever is here by PIN, or finds a page open, does not know the password."""
    client.force_login(cast.trainee)
    new = {"new_password1": NEW, "new_password2": NEW}
    for n in range(5):
        client.post(reverse("practice:password"), {"old_password": f"guess {n}", **new})
    answer = client.post(reverse("practice:password"), {"old_password": PASSWORD, **new})
    assert "Too many tries" in answer.content.decode()
    cast.trainee.refresh_from_db()
    assert cast.trainee.check_password(PASSWORD)


def test_with_a_new_password_a_link_to_one_counts_no_more(client, cast):
    _, token = links.way_to_password(actor=cast.manager, person=cast.trainee, branch=cast.branch)
    client.force_login(cast.trainee)
    typed = {"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW}
    assert client.post(reverse("practice:password"), typed).status_code == 302
    assert links.find(token) is None


def test_passwords_are_kept_with_argon2():
    assert real.PASSWORD_HASHERS == ["django.contrib.auth.hashers.Argon2PasswordHasher"]
    assert Argon2PasswordHasher().encode(PASSWORD, "saltsaltsalt").startswith("argon2$argon2id$")


def test_a_fragment_is_not_replaced_by_the_sign_in_page(client, cast):
    answer = client.get(reverse("practice:clients"), headers={"HX-Request": "true"}, follow=True)
    assert answer.status_code == 403
    assert b"<form" not in answer.content


# --- colours and branch -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_colours_one_chose_are_on_every_page(client, db, look):
    answer = client.post(reverse("practice:look"), {"look": look, "next": reverse("practice:sign_in")})
    assert answer["Location"] == reverse("practice:sign_in")
    assert f'<html lang="en" data-look="{look}">' in client.get(reverse("practice:sign_in")).content.decode()
    client.post(reverse("practice:look"), {"look": ""})
    assert '<html lang="en">' in client.get(reverse("practice:sign_in")).content.decode()


def test_a_look_that_is_none_is_left_out(client, db):
    client.post(reverse("practice:look"), {"look": '"><script>'})
    client.cookies["look"] = '"><script>'
    assert "<script>" not in client.get(reverse("practice:sign_in")).content.decode().split("<body")[0].replace(
        "<script src", ""
    )


def test_the_branch_one_works_at_now(client, cast):
    Post.objects.create(staff=cast.dispenser, branch=cast.other_branch, role="supervisor")
    client.force_login(cast.dispenser)
    choose = reverse("practice:choose_branch")
    client.post(choose, {"branch": cast.branch.pk})
    assert client.get("/").context["shell_post"].branch == cast.branch
    client.post(choose, {"branch": cast.other_branch.pk, "next": "/clients/"})
    assert client.get("/").context["shell_post"].branch == cast.other_branch
    for other in (cast.foreign_branch.pk, "x", ""):
        client.post(choose, {"branch": other})
        assert client.get("/").context["shell_post"].branch == cast.other_branch


def test_somebody_without_a_post_can_sign_in_and_sees_nothing(client, cast):
    Post.objects.filter(staff=cast.dispenser).delete()
    client.force_login(cast.dispenser)
    page = client.get("/")
    assert page.status_code == 200
    assert "no post at a branch" in page.content.decode()
    assert client.get(reverse("dispensing:client", args=[cast.client.reference])).status_code == 404


# --- what the browser is told ---------------------------------------------------------------------------------------------


def test_pages_carry_a_strict_policy_and_nothing_inline(client, cast):
    client.force_login(cast.manager)
    for url in ("/", reverse("practice:clients"), reverse("practice:new_client"), reverse("practice:audit")):
        answer = client.get(url)
        policy = answer["Content-Security-Policy"]
        assert "default-src 'self'" in policy
        assert "unsafe" not in policy
        page = answer.content.decode()
        assert "style=" not in page
        assert "<style" not in page
        assert "onclick=" not in page
        assert all("src=" in tag.split(">")[0] for tag in page.split("<script")[1:])
        assert answer["X-Frame-Options"] == "DENY"
        assert answer["X-Content-Type-Options"] == "nosniff"
