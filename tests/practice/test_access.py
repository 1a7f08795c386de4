"""Who may see and do what: every action for every role, here and elsewhere."""

from __future__ import annotations

from datetime import date

import pytest
from django.contrib.auth.models import AnonymousUser

from dispensing.models import Dispense
from orders.models import Lab
from practice import access, cover
from practice.errors import NotAllowed
from practice.models import Client, Post, Staff

ROLES = ("trainee", "dispenser", "supervisor", "manager")
EVERYBODY = set(ROLES)
# What the requirements say, written down once more by hand: a new action without a line here fails.
EXPECTED = {
    "client.create": EVERYBODY,
    "client.change": EVERYBODY,
    "client.export": {"supervisor", "manager"},
    "client.erase": {"manager"},
    "consent.note": EVERYBODY,
    "retention.read": {"manager"},
    "cover.set": {"supervisor", "manager"},
    "dispense.start": EVERYBODY,
    "dispense.change": EVERYBODY,
    "dispense.cancel": EVERYBODY,
    "dispense.put_forward": EVERYBODY,
    "reason.give": EVERYBODY,
    "dispense.take_over": {"dispenser", "supervisor", "manager"},
    "dispense.sign": {"supervisor", "manager"},
    "dispense.return": {"supervisor", "manager"},
    "dispense.remeasure": {"supervisor", "manager"},
    "order.issue": {"dispenser", "supervisor", "manager"},
    "order.cancel": {"dispenser", "supervisor", "manager"},
    "order.print": EVERYBODY,
    "order.replace": {"dispenser", "supervisor", "manager"},
    "receipt.record": EVERYBODY,
    "receipt.decide": {"dispenser", "supervisor", "manager"},
    "receipt.accept_outside": {"dispenser", "supervisor"},  # the manager of the cast is not registered
    "collection.record": EVERYBODY,
    "return.record": EVERYBODY,
    "return.decide": {"dispenser", "supervisor", "manager"},
    "learning.people": {"manager"},
    "branch.settings": {"manager"},
    "staff.change": {"manager"},
    "sign_in.rules": {"manager"},
    "device.change": {"supervisor", "manager"},
    "audit.read": {"manager"},
    "catalogue.change": {"manager"},
    "stock.change": EVERYBODY,
    "lab.change": {"manager"},
}


def test_every_action_has_its_line_in_the_matrix():
    assert set(access.ACTIONS) == set(EXPECTED)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("action", EXPECTED)
def test_action_by_role_at_ones_branch(cast, action, role):
    person = getattr(cast, role)
    why = access.why_not(person, action, branch=cast.branch)
    assert (why is None) == (role in EXPECTED[action])
    if why is not None:
        assert why.endswith(".")
        with pytest.raises(NotAllowed, match=why[:20]):
            access.require(person, action, branch=cast.branch)


@pytest.mark.parametrize("action", EXPECTED)
def test_nothing_is_open_without_a_post_at_the_branch(cast, action):
    for person in (cast.elsewhere, cast.foreigner, AnonymousUser()):
        assert not access.may(person, action, branch=cast.branch)
    cast.manager.is_active = False
    assert not access.may(cast.manager, action, branch=cast.branch)


def test_an_unknown_action_is_a_mistake_in_the_program(cast):
    with pytest.raises(KeyError):
        access.may(cast.manager, "client.chnage", branch=cast.branch)


@pytest.mark.parametrize("action", ["dispense.sign", "dispense.return"])
def test_nobody_decides_about_their_own(cast, action):
    own = Dispense(group=cast.group, branch=cast.branch, client=cast.client, dispenser=cast.supervisor)
    assert not access.may(cast.supervisor, action, branch=cast.branch, subject=own)
    assert access.may(cast.second_supervisor, action, branch=cast.branch, subject=own)


@pytest.mark.parametrize("action", ["dispense.sign", "order.issue"])
def test_a_restricted_client_needs_a_registered_person(cast, action):
    under = ("under 16",)
    assert cast.supervisor.registered
    assert not cast.manager.registered
    assert access.may(cast.supervisor, action, branch=cast.branch, restricted=under)
    assert not access.may(cast.manager, action, branch=cast.branch, restricted=under)
    assert access.may(cast.manager, action, branch=cast.branch, restricted=())


def test_an_unregistered_dispenser_issues_what_a_registered_person_signed(cast):
    facts = {"branch": cast.branch, "restricted": ("registered sight-impaired",)}
    assert not access.may(cast.unregistered, "order.issue", **facts)
    assert access.may(cast.unregistered, "order.issue", signed_by_registered=True, **facts)


@pytest.mark.parametrize(
    ("born", "limit", "impaired", "expected"),
    [
        (date(2010, 11, 26), 16, False, ("under 16",)),  # sixteen tomorrow
        (date(2010, 11, 25), 16, False, ()),  # sixteen today
        (date(2010, 11, 26), 18, False, ("under 18",)),
        (date(2010, 11, 26), None, False, ()),  # a country without an age rule
        (date(1950, 1, 1), 16, True, ("registered sight-impaired",)),
        (date(2020, 1, 1), 16, True, ("under 16", "registered sight-impaired")),
    ],
)
def test_restrictions_follow_the_branchs_rules(cast, born, limit, impaired, expected):
    cast.client.date_of_birth, cast.client.sight_impaired = born, impaired
    cast.branch.restricted_below_age = limit
    assert access.restrictions(cast.client, cast.branch, date(2026, 11, 25)) == expected


def test_age_counts_completed_years_and_a_leap_day_birthday_on_the_first_of_march():
    born = date(2008, 2, 29)
    assert access.age_on(born, date(2026, 2, 28)) == 17
    assert access.age_on(born, date(2026, 3, 1)) == 18


def test_a_group_sees_all_its_branches_and_nothing_of_another(cast):
    for person in (cast.trainee, cast.elsewhere):
        assert set(access.visible_clients(person)) == {cast.client}
        assert set(access.visible_branches(person)) == {cast.branch, cast.other_branch}
        assert cast.foreigner not in access.visible_staff(person)
        assert set(access.scoped(Lab.objects.all(), person)) == {cast.lab}
    assert set(access.visible_clients(cast.foreigner)) == {cast.foreign_client}


@pytest.mark.parametrize("who", ["no post", "closed", "nobody", "no group"])
def test_who_works_nowhere_sees_nothing(cast, who):
    person = cast.dispenser
    if who == "no post":
        Post.objects.filter(staff=person).delete()
    elif who == "closed":
        person.is_active = False
    elif who == "no group":
        person.group = None
    else:
        person = AnonymousUser()
    for queryset in (access.visible_clients(person), access.visible_branches(person), access.visible_audit(person)):
        assert not queryset.exists()
    assert access.posts_of(person) == []


def test_a_post_in_another_group_gives_nothing(cast):
    """A mistake in the data: somebody of one group with a post in another must not look across."""
    Post.objects.create(staff=cast.trainee, branch=cast.foreign_branch, role="manager")
    assert set(access.visible_clients(cast.trainee)) == {cast.client}
    assert not access.may(cast.trainee, "branch.settings", branch=cast.foreign_branch)
    assert [p.branch for p in access.posts_of(cast.trainee)] == [cast.branch]


@pytest.mark.parametrize("now", ["dispenser", "gone"])
def test_who_supervises_no_more_reads_no_trainees_record(cast, now):
    """The trainee is still put down under them; they work elsewhere in the group, or here as something else."""
    assert cast.trainee in access.trains(cast.supervisor)
    post = cast.supervisor.posts.get()
    if now == "gone":
        post.branch = cast.other_branch
    else:
        post.role = "dispenser"
    post.save()
    assert cast.trainee not in access.trains(cast.supervisor)
    assert cast.trainee not in access.visible_training(cast.supervisor)


def test_a_cover_ends_with_either_post(cast):
    today = cast.branch.today()
    cover.set_cover(
        actor=cast.manager,
        branch=cast.branch,
        absent=cast.supervisor,
        by=cast.second_supervisor,
        from_on=today,
        to_on=today,
    )
    assert cast.trainee in access.trains(cast.second_supervisor)
    assert cover.covering_for(cast.second_supervisor, cast.trainee, cast.branch) == cast.supervisor
    cast.supervisor.posts.update(role="dispenser")
    assert cast.trainee not in access.trains(cast.second_supervisor)
    assert cover.covering_for(cast.second_supervisor, cast.trainee, cast.branch) is None


def test_scoped_refuses_a_model_that_leads_to_no_group(cast):
    from django.contrib.sessions.models import Session

    with pytest.raises(TypeError):
        access.scoped(Session.objects.all(), cast.manager)


def test_only_managers_read_the_audit_trail(cast):
    from practice import audit

    for branch in (cast.branch, cast.other_branch, None):
        audit.record(actor=cast.manager, action="test.done", subject="x", group=cast.group, branch=branch)
    audit.record(actor=None, action="test.done", subject="x", group=cast.foreign_branch.group)
    assert {e.branch for e in access.visible_audit(cast.manager)} == {cast.branch, None}
    assert not access.visible_audit(cast.supervisor).exists()
    assert {e.group for e in access.visible_audit(cast.foreigner)} == {cast.foreign_branch.group}


def test_models_of_staff_and_clients_are_not_found_by_their_key_across_groups(cast):
    assert not access.visible_clients(cast.manager).filter(pk=cast.foreign_client.pk).exists()
    assert Client.objects.filter(pk=cast.foreign_client.pk).exists()
    assert Staff.objects.filter(pk=cast.foreigner.pk).exists()
