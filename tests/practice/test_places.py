"""The branch, its staff and the audit page: for the manager, with a trail, and refused in words."""

from __future__ import annotations

import time

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from practice import audit, branches, links, sessions, staffing
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent, Branch, Post, Staff
from tests.factories import PASSWORD

WORDS = "barge-lantern-quoin-88"


def just_signed_in(client):
    """A session made by force, as if it had begun with the password: doors do not ask for it again."""
    session = client.session
    session[sessions.FULL] = int(time.time())
    session.save()
    return client


@pytest.fixture
def web(client, cast):
    """The manager, who has just signed in by password."""
    client.force_login(cast.manager)
    return just_signed_in(client)


# --- branch -------------------------------------------------------------------------------------------------------------


def branch_form(web, branch, **changed):
    page = web.get(reverse("practice:branch", args=[branch.pk]))
    values = {f.name: f.value for _, fields in page.context["parts"] for f in fields}
    values = {k: "" if v is None else v for k, v in values.items() if v is not False}
    return {**values, "seen": page.context["seen"], **changed}


def test_the_manager_changes_rules_and_it_is_in_the_trail(web, cast):
    url = reverse("practice:branch", args=[cast.branch.pk])
    answer = web.post(url, branch_form(web, cast.branch, restricted_below_age="18", time_zone="Europe/Oslo"))
    assert answer.status_code == 302
    cast.branch.refresh_from_db()
    assert (cast.branch.restricted_below_age, cast.branch.time_zone) == (18, "Europe/Oslo")
    event = AuditEvent.objects.get(action="branch.settings_changed")
    assert event.before == {"time_zone": "Europe/London", "restricted_below_age": 16}
    assert event.after == {"time_zone": "Europe/Oslo", "restricted_below_age": 18}


def test_an_empty_age_means_that_there_is_no_such_rule(web, cast):
    url = reverse("practice:branch", args=[cast.branch.pk])
    assert web.post(url, branch_form(web, cast.branch, restricted_below_age="")).status_code == 302
    cast.branch.refresh_from_db()
    assert cast.branch.restricted_below_age is None


BAD = ["", "qwrtz", "1e9", "-12", "١٢", "<script>alert(1)</script>", "x" * 10_000]
FINE = {
    "name": {"qwrtz", "1e9", "-12", "١٢"},
    "code": {"qwrtz"},
    "phone": {""},
    "time_zone": set(),
    "tolerance_standard": set(),
    "cylinder_form": set(),
    "restricted_below_age": {""},
    "prescription_valid_months": {""},
    "keep_adult_years": set(),
    "keep_child_until_age": set(),
    "groove_mm": set(),
}


@pytest.mark.parametrize("typed", BAD, ids=["empty", "letters", "exponent", "negative", "unicode", "script", "long"])
@pytest.mark.parametrize("field", FINE)
def test_bad_settings_are_told_beside_their_field_and_change_nothing(web, cast, field, typed):
    answer = web.post(reverse("practice:branch", args=[cast.branch.pk]), branch_form(web, cast.branch, **{field: typed}))
    if typed in FINE[field]:
        assert answer.status_code == 302
        return
    assert answer.status_code == 200
    page = answer.content.decode()
    assert f'id="f-{field}-error"' in page
    assert "<script>alert" not in page
    shown = {f.name: f.value for _, fields in answer.context["parts"] for f in fields}
    assert shown[field] == typed
    assert not AuditEvent.objects.exists()


def test_two_managers_do_not_overwrite_each_other_unseen(cast):
    seen = audit.token(audit.snapshot(cast.branch, branches.FIELDS))
    branches.change_branch(actor=cast.manager, branch=cast.branch, seen=seen, values={"name": "Saltmarsh Quay"})
    with pytest.raises(Conflict):
        branches.change_branch(actor=cast.manager, branch=cast.branch, seen=seen, values={"name": "Saltmarsh Bridge"})
    assert Branch.objects.get(pk=cast.branch.pk).name == "Saltmarsh Quay"


def test_a_prefix_is_used_once_in_a_group(web, cast):
    url = reverse("practice:branch", args=[cast.branch.pk])
    answer = web.post(url, branch_form(web, cast.branch, code=cast.other_branch.code))
    assert answer.status_code == 200
    assert "uses that prefix" in answer.content.decode()


@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor", "elsewhere"])
def test_others_read_the_settings_and_change_nothing(client, cast, who):
    client.force_login(getattr(cast, who))
    url = reverse("practice:branch", args=[cast.branch.pk])
    page = client.get(url)
    assert page.status_code == 200
    assert "Save</button>" not in page.content.decode()
    assert client.post(url, {"name": "Mine"}).status_code == 403
    assert client.get(reverse("practice:branch", args=[cast.foreign_branch.pk])).status_code == 404


# --- limits ---------------------------------------------------------------------------------------------------------------


def test_a_limit_is_changed_with_a_reason_and_taken_back(web, cast):
    from dispensing.gather import rules_of

    url = reverse("dispensing:limit", args=[cast.branch.pk, "weight.note"])
    assert web.get(url).status_code == 200
    answer = web.post(url, {"value": "30", "reason": "Many of our clients have had nasal surgery."})
    assert answer.status_code == 302
    cast.branch.refresh_from_db()
    assert rules_of(cast.branch).limits == (("weight.note", 30.0),)
    kept = cast.branch.limits["weight.note"]
    assert (kept["by"], kept["reason"]) == (cast.manager.display_name, "Many of our clients have had nasal surgery.")
    assert "30" in web.get(reverse("dispensing:limits", args=[cast.branch.pk])).content.decode()
    web.post(url, {"deed": "default", "reason": "The surgeon has left the town."})
    cast.branch.refresh_from_db()
    assert cast.branch.limits == {}
    first, second = AuditEvent.objects.filter(action="branch.limit_changed").order_by("pk")
    assert first.after["weight.note"]["value"] == "30"
    assert second.before["weight.note"]["value"] == "30"


@pytest.mark.parametrize(
    ("value", "reason", "field"),
    [("", "A good reason.", "value"), ("abc", "A good reason.", "value"), ("1e9", "A good reason.", "value"),
     ("-5", "A good reason.", "value"), ("٣٠", "A good reason.", "value"), ("1000", "A good reason.", "value"),
     ("<script>", "A good reason.", "value"), ("9" * 10_000, "A good reason.", "value"), ("30", "", "reason"),
     ("30", "why", "reason"), ("30", "x" * 10_000, "reason")],
)  # fmt: skip
def test_a_limit_beyond_its_bounds_or_without_a_reason_is_refused(web, cast, value, reason, field):
    url = reverse("dispensing:limit", args=[cast.branch.pk, "weight.note"])
    answer = web.post(url, {"value": value, "reason": reason})
    assert answer.status_code == 200
    assert f'id="f-{field}-error"' in answer.content.decode()
    cast.branch.refresh_from_db()
    assert cast.branch.limits == {}


def test_what_comes_from_a_standard_is_not_changed_here(web, cast):
    for name in ("tint.road", "no.such.limit"):
        assert web.get(reverse("dispensing:limit", args=[cast.branch.pk, name])).status_code == 404
    web.force_login(cast.supervisor)
    assert web.get(reverse("dispensing:limit", args=[cast.branch.pk, "weight.note"])).status_code == 403
    assert web.get(reverse("dispensing:limits", args=[cast.branch.pk])).status_code == 200


# --- staff ----------------------------------------------------------------------------------------------------------------

NEW = {
    "first_name": "Osric",
    "last_name": "Vane-Holm",
    "registration_number": "",
    "role": "trainee",
    "username": "osric",
    "password": WORDS,
}


def test_a_new_trainee_with_their_supervisor(web, cast, client):
    answer = web.post(reverse("practice:new_person"), NEW | {"supervisor": cast.supervisor.pk})
    assert answer.status_code == 302
    made = Staff.objects.get(username="osric")
    post = made.posts.get()
    assert (post.branch, post.role, post.supervisor, made.group) == (cast.branch, "trainee", cast.supervisor, cast.group)
    assert made.check_password(WORDS)
    assert not made.is_staff
    assert not made.is_superuser
    event = AuditEvent.objects.get(action="staff.added")
    assert WORDS not in str(event.after)
    assert "osric" in web.get(reverse("practice:person", args=[made.pk])).content.decode()


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"first_name": ""}, "first_name"),
        ({"last_name": "R2"}, "last_name"),
        ({"last_name": "x" * 10_000}, "last_name"),
        ({"registration_number": "<script>"}, "registration_number"),
        ({"role": ""}, "role"),
        ({"role": "owner"}, "role"),
        ({"role": "trainee", "supervisor": ""}, "supervisor"),
        ({"supervisor": "1e9"}, "supervisor"),
        ({"username": ""}, "username"),
        ({"username": "os ric"}, "username"),
        ({"username": "١٢٣"}, "username"),
        ({"username": "x" * 10_000}, "username"),
        ({"password": ""}, "password"),
        ({"password": "short"}, "password"),
        ({"password": "password1234"}, "password"),
    ],
)
def test_a_person_who_cannot_be_is_refused_beside_the_field(web, cast, changed, field):
    answer = web.post(reverse("practice:new_person"), NEW | {"supervisor": cast.supervisor.pk} | changed)
    assert answer.status_code == 200
    assert f'id="f-{field}-error"' in answer.content.decode()
    assert not Staff.objects.filter(first_name="Osric").exists()


def test_a_name_to_sign_in_belongs_to_one_person(web, cast):
    name = cast.trainee.username.upper()
    answer = web.post(reverse("practice:new_person"), NEW | {"supervisor": cast.supervisor.pk, "username": name})
    assert "under that name already" in answer.content.decode()


def edit(web, person, **changed):
    Staff.objects.filter(pk=person.pk).update(last_name="Adeyemi-Holt")  # the cast is numbered, and a name has no digits
    page = web.get(reverse("practice:person", args=[person.pk]))
    values = {f.name: f.value for f in page.context["fields"]}
    values = {k: v for k, v in values.items() if v is not False and v is not None}
    return web.post(reverse("practice:person", args=[person.pk]), {**values, "seen": page.context["seen"], **changed})


def test_a_trainee_who_qualified(web, cast):
    assert edit(web, cast.trainee, role="dispenser", supervisor="", registration_number="D-20001").status_code == 302
    post = cast.trainee.posts.get()
    assert (post.role, post.supervisor) == ("dispenser", None)
    event = AuditEvent.objects.get(action="staff.changed")
    assert event.before == {"registration_number": "", "role": "trainee", "supervisor_id": cast.supervisor.pk}


def test_who_leaves_is_closed_and_not_deleted(web, cast, client):
    assert edit(web, cast.dispenser, is_active="").status_code == 302
    cast.dispenser.refresh_from_db()
    assert not cast.dispenser.is_active
    web.logout()
    web.post(reverse("practice:sign_in"), {"username": cast.dispenser.username, "password": PASSWORD})
    assert web.get("/").status_code == 302


def test_the_last_manager_stays(web, cast):
    for changed in ({"role": "dispenser"}, {"role": ""}, {"is_active": ""}):
        answer = edit(web, cast.manager, **changed)
        assert answer.status_code == 200
        assert "only manager" in answer.content.decode()
    assert cast.manager.posts.get().role == "manager"
    Post.objects.filter(staff=cast.supervisor).update(role="manager")
    assert edit(web, cast.manager, role="dispenser").status_code == 302


def test_changes_of_people_wait_for_each_other(cast):
    """Two managers who end each other's posts at once would leave nobody. On SQLite there is one writer at a time."""
    shown = staffing.shown_of(cast.dispenser, cast.branch)
    with CaptureQueriesContext(connection) as asked:
        staffing.change_person(
            actor=cast.manager,
            person=cast.dispenser,
            branch=cast.branch,
            seen=audit.token(shown),
            values={"role": "dispenser", "first_name": "Wren"},
        )
    locks = [q["sql"] for q in asked if "FOR NO KEY UPDATE" in q["sql"] and 'FROM "practice_group"' in q["sql"]]
    assert locks or not connection.features.has_select_for_no_key_update


def test_nobody_supervises_themselves_or_from_elsewhere(cast):
    for supervisor, says in (
        (cast.trainee, "themselves"),
        (cast.elsewhere, "of this branch"),
        (cast.foreigner, "of this branch"),
    ):
        with pytest.raises(Invalid) as problem:
            staffing.change_person(
                actor=cast.manager,
                person=cast.trainee,
                branch=cast.branch,
                seen=audit.token(staffing.shown_of(cast.trainee, cast.branch)),
                values={"role": "trainee", "supervisor": supervisor},
            )
        assert says in problem.value.errors["supervisor"]


def test_a_new_password_from_the_manager(web, cast):
    url = reverse("practice:person", args=[cast.trainee.pk])
    assert "12 characters" in web.post(url, {"new_password": "short"}).content.decode()
    assert web.post(url, {"new_password": WORDS}).status_code == 302
    cast.trainee.refresh_from_db()
    assert cast.trainee.check_password(WORDS)
    event = AuditEvent.objects.get(action="staff.password_set")
    assert (event.before, event.after) == ({}, {})


def test_an_account_is_made_and_changed_only_by_who_proves_to_be_the_manager(client, cast):
    """As somebody who is here by PIN, or at a page left open: no sign-in of one's own is made by the way of another's account."""
    client.force_login(cast.manager)
    Staff.objects.filter(pk=cast.supervisor.pk).update(last_name="Adeyemi-Holt")
    new, one = reverse("practice:new_person"), reverse("practice:person", args=[cast.supervisor.pk])
    page = client.get(one)
    shown = {f.name: f.value for f in page.context["fields"] if f.value not in (False, None)}
    deeds = (
        (new, NEW | {"supervisor": cast.supervisor.pk}),
        (one, shown | {"seen": page.context["seen"], "role": "manager"}),
        (one, {"new_password": WORDS}),
    )
    for url, typed in deeds:
        for own in ({}, {"own_password": "402816"}):
            answer = client.post(url, typed | own)
            assert answer.status_code == 200
            assert "own_password-error" in answer.content.decode()
    assert not Staff.objects.filter(username="osric").exists()
    cast.supervisor.refresh_from_db()
    assert cast.supervisor.check_password(PASSWORD)
    assert cast.supervisor.posts.get().role == "supervisor"
    for url, typed in deeds:
        assert client.post(url, typed | {"own_password": PASSWORD}).status_code == 302
    cast.supervisor.refresh_from_db()
    assert cast.supervisor.check_password(WORDS)


def test_the_only_manager_of_another_branch_is_not_closed(web, cast):
    Post.objects.create(staff=cast.dispenser, branch=cast.other_branch, role="manager")
    others = Post.objects.filter(branch=cast.other_branch, role="manager").exclude(staff=cast.dispenser)
    others.update(role="dispenser")
    answer = edit(web, cast.dispenser, is_active="")
    assert f"only manager of {cast.other_branch.name}" in answer.content.decode()
    cast.dispenser.refresh_from_db()
    assert cast.dispenser.is_active


@pytest.mark.parametrize("how", ["the manager sets one", "closed and opened again"])
def test_a_link_to_a_new_password_does_not_outlive_what_made_it_needless(cast, how):
    _, token = links.way_to_password(actor=cast.manager, person=cast.trainee, branch=cast.branch)
    if how == "the manager sets one":
        staffing.set_password(actor=cast.manager, person=cast.trainee, branch=cast.branch, password=WORDS)
    else:
        for is_active in (False, True):
            person = Staff.objects.get(pk=cast.trainee.pk)
            staffing.change_person(
                actor=cast.manager,
                person=person,
                branch=cast.branch,
                seen=audit.token(staffing.shown_of(person, cast.branch)),
                values={"role": "trainee", "supervisor": cast.supervisor, "is_active": is_active},
            )
    with pytest.raises(Refused):
        links.set_password(token=token, password="lantern over the quoin")


def test_staff_of_other_branches_and_groups_are_not_there(web, cast):
    for person in (cast.elsewhere, cast.foreigner):
        assert web.get(reverse("practice:person", args=[person.pk])).status_code == 404
    with pytest.raises(NotAllowed):
        staffing.set_password(actor=cast.supervisor, person=cast.trainee, branch=cast.branch, password=WORDS)


@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor"])
@pytest.mark.parametrize("name", ["practice:staff", "practice:new_person", "practice:audit"])
def test_pages_for_the_manager_alone(client, cast, who, name):
    client.force_login(getattr(cast, who))
    assert client.get(reverse(name)).status_code == 403


# --- the audit page -------------------------------------------------------------------------------------------------------


def test_the_trail_is_read_by_client_person_deed_and_day(web, cast):
    audit.record(actor=cast.trainee, action="client.changed", subject="client C-1", group=cast.group, branch=cast.branch,
                 client=cast.client, before={"phone": "1"}, after={"phone": "<b>2</b>"})  # fmt: skip
    audit.record(
        actor=cast.dispenser, action="dispense.signed", subject="dispense D-9", group=cast.group, branch=cast.branch
    )
    audit.record(actor=None, action="far.away", subject="x", group=cast.foreign_branch.group)
    url = reverse("practice:audit")

    def found(**asked):
        return [line.event.action for line in web.get(url, asked).context["lines"]]

    assert found() == ["dispense.signed", "client.changed"]
    assert found(client=cast.client.reference) == ["client.changed"]
    assert found(client=cast.client.family_name.upper()) == ["client.changed"]
    assert found(client="%") == []
    assert found(person=cast.dispenser.last_name) == ["dispense.signed"]
    assert found(what="client.") == ["client.changed"]
    assert found(what="D-9") == ["dispense.signed"]
    assert found(to="1/1/2020") == []
    assert found(**{"from": "1/1/2020"}) == ["dispense.signed", "client.changed"]
    page = web.get(url, {"from": "32/1/2020"}).content.decode()
    assert 'id="f-from-error"' in page
    assert "&lt;b&gt;2" in page
    for odd in ("x" * 10_000, "<script>alert(1)</script>", "١"):
        assert (
            "<script>alert" not in web.get(url, {"client": odd, "person": odd, "what": odd, "from": odd}).content.decode()
        )


def test_a_nul_in_an_address_is_refused_before_any_database_sees_it(web, cast):
    for url in ("/clients/?q=%00", "/clients/C-%00/", "/audit/?client=a%00b"):
        assert web.get(url).status_code == 400
