"""The first manager of a group, who is there before anybody can invite: made from the server, let in by a link that is used once.

Only whoever can run commands on the server comes here. Everybody else is invited by a manager, in the site.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Model

from practice import audit, links, sign_in
from practice.errors import Invalid, Refused
from practice.models import Branch, Group, Post, Staff

COUNTS_FOR = links.PASSWORD_FOR
M = TypeVar("M", bound=Model)


def first_manager(
    *, group: str, branch: str, code: str, person: Mapping[str, str], time_zone: str = ""
) -> tuple[Staff, str]:
    """Make group, branch and manager where they are missing; the manager, and the token of the link by which they set a password.

    `person`: username, first_name, last_name, email. Asked again before the link is used, it gives a new link, and the old one
    counts no more. Raises Refused where the group has a manager already, Invalid for values that are none.
    """
    with transaction.atomic():
        in_group = Group.objects.filter(name=group.strip()).first() or _whole(Group(name=group.strip()))
        username = person.get("username", "").strip()
        row = Staff.objects.select_for_update(of=("self",)).filter(username__iexact=username).first()
        if row is not None and (row.group_id != in_group.pk or row.has_usable_password()):
            raise Refused("That name to sign in is taken, and its password was set: ask a manager for a link to a new one.")
        managers = Post.objects.filter(branch__group=in_group, role=Post.Role.MANAGER, staff__is_active=True)
        if managers.exclude(staff=row).exists():
            raise Refused("The group has a manager, who can invite others.")
        at = Branch.objects.filter(group=in_group, code=code.strip()).first()
        if at is None:
            values = {"time_zone": time_zone} if time_zone else {}
            at = _whole(Branch(group=in_group, name=branch.strip(), code=code.strip(), **values))
        if row is None:
            names = {name: person.get(name, "").strip() for name in ("first_name", "last_name", "email")}
            row = Staff(group=in_group, username=username, **names)
            row.set_unusable_password()
            row = _whole(row)
            Post.objects.create(staff=row, branch=at, role=Post.Role.MANAGER)
            audit.record(
                actor=None,
                actor_name="the server",
                action="staff.first_manager",
                subject=f"staff {row.username}",
                group=in_group,
                branch=at,
                after={"role": Post.Role.MANAGER, "username": row.username},
            )
        sign_in.links_end(person=row)  # one that was lost counts no more
        _, token = links._password_link(person=row, branch=at, made_by=None, counts_for=COUNTS_FOR)
        return row, token


def _whole(row: M) -> M:
    try:
        row.full_clean()
    except ValidationError as problem:
        raise Invalid({name: said[0] for name, said in problem.message_dict.items()}) from problem
    row.save()
    return row
