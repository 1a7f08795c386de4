"""The group's rules for signing in: whose role needs a second factor, and how long a PIN counts on a shared device."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import transaction

from practice import access, audit
from practice.errors import Conflict, Invalid
from practice.models import Branch, Group, Post, Staff

FIELDS = ("second_factor_roles", "pin_hours")
LONGEST_PIN_HOURS = 12


def change_rules(
    *, actor: Staff, branch: Branch, seen: str, second_factor_roles: Iterable[str], pin_hours: int | None
) -> Group:
    """Set the rules of the whole group of `branch`. `pin_hours` None: no switching by PIN. `seen`: `audit.token` of what was shown."""
    with transaction.atomic():
        access.require(actor, "sign_in.rules", branch=branch)
        row = Group.objects.select_for_update().get(pk=branch.group_id)
        before = audit.snapshot(row, FIELDS)
        if seen != audit.token(before):
            raise Conflict("Somebody else changed these rules since you opened the page. Nothing of yours was saved yet.")
        wanted = set(second_factor_roles)
        if wanted - set(Post.Role.values):
            raise Invalid({"second_factor_roles": "Choose from the list."})
        if pin_hours is not None and not 1 <= pin_hours <= LONGEST_PIN_HOURS:
            raise Invalid({"pin_hours": f"From 1 to {LONGEST_PIN_HOURS} hours, or empty."})
        row.second_factor_roles = [role for role in Post.Role.values if role in wanted]
        row.pin_hours = pin_hours
        old, new = audit.changed(before, audit.snapshot(row, FIELDS))
        if new:
            row.save(update_fields=FIELDS)
            audit.record(
                actor=actor, action="group.sign_in_rules", subject=f"group {row.pk}", group=row, before=old, after=new
            )
        return row
