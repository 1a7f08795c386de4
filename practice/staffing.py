"""Staff: who works where, as what, and who supervises a trainee. People who leave are closed, never deleted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction

from practice import access, audit, devices, sessions, sign_in
from practice.errors import Conflict, Invalid, Refused
from practice.models import Branch, Group, Post, Staff
from practice.unique import taken

PERSON = ("first_name", "last_name", "registration_number", "is_active")
POST = ("role", "supervisor_id")
NAME_TAKEN = "Somebody signs in under that name already."
Role = Post.Role


def supervisors_at(branch: Branch) -> list[Staff]:
    """Who may answer for a trainee there."""
    return list(
        Staff.objects.filter(
            posts__branch=branch, posts__role__in=[Role.SUPERVISOR, Role.MANAGER], is_active=True
        ).order_by("last_name", "first_name")
    )


def shown_of(person: Staff, branch: Branch) -> dict[str, Any]:
    """What a page shows of somebody at a branch."""
    post = person.posts.filter(branch=branch).first()
    return audit.snapshot(person, PERSON) | (audit.snapshot(post, POST) if post else {"role": None, "supervisor_id": None})


def add_person(*, actor: Staff, branch: Branch, username: str, password: str, values: Mapping[str, Any]) -> Staff:
    """A new member of staff with a post at `branch`. `values`: first_name, last_name, registration_number, role,
    supervisor (for a trainee)."""
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        errors = {}
        person = Staff(username=username, group=branch.group)
        if not username:
            errors["username"] = "Type the name they sign in with."
        elif Staff.objects.filter(username__iexact=username).exists():
            errors["username"] = NAME_TAKEN
        for name in ("first_name", "last_name", "registration_number"):
            setattr(person, name, values.get(name, ""))
        try:
            validate_password(password, person)
        except ValidationError as problem:
            errors["password"] = problem.messages[0]
        errors |= post_errors(person, branch, values)
        if errors:
            raise Invalid(errors)
        person.set_password(password)
        try:
            person.full_clean(validate_unique=False)
        except ValidationError as problem:
            raise Invalid({n: m[0] for n, m in problem.message_dict.items()}) from problem
        with taken("username", NAME_TAKEN):
            person.save()
        Post.objects.create(staff=person, branch=branch, role=values["role"], supervisor=_supervisor_for(values))
        _told(person, branch, actor, "staff.added", {}, shown_of(person, branch) | {"username": username})
        return person


def change_person(*, actor: Staff, person: Staff, branch: Branch, seen: str, values: Mapping[str, Any]) -> Staff:
    """Change somebody with a post at `branch`: name, registration, whether the account is open, role, supervisor.

    `values["role"]` empty ends the post here. `seen` is `audit.token` of `shown_of` as the page showed it.
    """
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        # one change of people at a time in a group: two managers who end each other's posts at once would leave nobody
        Group.objects.select_for_update(no_key=True).get(pk=branch.group_id)
        row = Staff.objects.select_for_update(of=("self",)).select_related("group").get(pk=person.pk)
        if row.group_id != branch.group_id:
            raise Refused("That person belongs to another group.")
        if seen != audit.token(shown_of(row, branch)):
            raise Conflict("Somebody else changed this person since you opened the page. Nothing of yours was saved yet.")
        before = shown_of(row, branch)
        for name in PERSON:
            if name in values:
                setattr(row, name, values[name])
        errors = post_errors(row, branch, values) if values.get("role") else {}
        if not errors and _last_manager(row, branch) and (values.get("role") != Role.MANAGER or not row.is_active):
            errors["role"] = "This is the only manager of the branch: make somebody else manager first."
        if not errors and before["is_active"] and not row.is_active and (alone := _managed_alone(row, but=branch)):
            errors["is_active"] = f"This is the only manager of {alone}: somebody else has to be made manager there first."
        if errors:
            raise Invalid(errors)
        try:
            row.full_clean(validate_unique=False, exclude=["password"])
        except ValidationError as problem:
            raise Invalid({n: m[0] for n, m in problem.message_dict.items()}) from problem
        row.save(update_fields=PERSON)
        if not row.is_active:
            sessions.end_all(person=row)
            devices.forget_person(row)
            sign_in.links_end(person=row)
        if values.get("role"):
            Post.objects.update_or_create(
                staff=row, branch=branch, defaults={"role": values["role"], "supervisor": _supervisor_for(values)}
            )
        else:
            Post.objects.filter(staff=row, branch=branch).delete()
        old, new = audit.changed(before, shown_of(row, branch))
        if new:
            _told(row, branch, actor, "staff.changed", old, new)
        return row


def set_password(*, actor: Staff, person: Staff, branch: Branch, password: str) -> None:
    """A new first password from the manager, for somebody who cannot sign in any more."""
    try:
        validate_password(password, person)
    except ValidationError as problem:
        raise Invalid({"password": problem.messages[0]}) from problem
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        row = Staff.objects.select_for_update(of=("self",)).select_related("group").get(pk=person.pk)
        if not row.posts.filter(branch=branch).exists():
            raise Refused("That person has no post at this branch.")
        row.set_password(password)
        row.save(update_fields=["password"])
        sessions.end_all(person=row)
        devices.forget_person(row)
        sign_in.links_end(person=row)
        _told(row, branch, actor, "staff.password_set", {}, {})


def _supervisor_for(values: Mapping[str, Any]) -> Staff | None:
    return values.get("supervisor") if values.get("role") == Role.TRAINEE else None


def post_errors(person: Staff, branch: Branch, values: Mapping[str, Any]) -> dict[str, str]:
    """What is wrong with the post somebody is to have at a branch."""
    role, supervisor = values.get("role"), values.get("supervisor")
    if role not in Role.values:
        return {"role": "Choose what they do here."}
    if role != Role.TRAINEE:
        return {}
    if supervisor is None:
        return {"supervisor": "A trainee needs somebody who supervises them."}
    if supervisor.pk == person.pk:
        return {"supervisor": "Nobody supervises themselves."}
    if access.role_at(supervisor, branch) not in {Role.SUPERVISOR, Role.MANAGER}:
        return {"supervisor": "Choose a supervisor or manager of this branch."}
    return {}


def _last_manager(person: Staff, branch: Branch) -> bool:
    managers = set(
        Post.objects.filter(branch=branch, role=Role.MANAGER, staff__is_active=True).values_list("staff", flat=True)
    )
    return managers == {person.pk}


def _managed_alone(person: Staff, *, but: Branch) -> str:
    """The name of another branch that would be left without a manager; empty when there is none."""
    posts = Post.objects.filter(staff=person, role=Role.MANAGER).exclude(branch=but).select_related("branch")
    return next((post.branch.name for post in posts if _last_manager(person, post.branch)), "")


def _told(
    person: Staff, branch: Branch, actor: Staff, action: str, before: Mapping[str, Any], after: Mapping[str, Any]
) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"staff {person.username}",
        group=branch.group,
        branch=branch,
        before=before,
        after=after,
    )
