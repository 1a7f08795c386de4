"""A branch: where it is, and the rules that differ from country to country and from house to house."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from practice import access, audit
from practice.errors import Conflict, Invalid
from practice.models import Branch, Staff
from practice.signals import limit_changed
from practice.unique import taken

FIELDS = (
    "name",
    "code",
    "address",
    "phone",
    "time_zone",
    "tolerance_standard",
    "cylinder_form",
    "restricted_below_age",
    "prescription_valid_months",
    "registered_may_use_expired",
    "idle_minutes",
    "keep_adult_years",
    "keep_child_until_age",
    "adult_from_age",
    "groove_mm",
    "name_on_lab_documents",
    "impact_statement",
    "prism_feed",
)
SHORTEST_REASON = 10
CODE_TAKEN = "Another branch of this group uses that prefix."


def _locked(branch: Branch) -> Branch:
    return Branch.objects.select_for_update(of=("self",)).select_related("group").get(pk=branch.pk)


def change_branch(*, actor: Staff, branch: Branch, seen: str, values: Mapping[str, Any]) -> Branch:
    """Change address and rules. `seen` is `audit.token` of what the page showed. NotAllowed, Invalid or Conflict."""
    with transaction.atomic():
        row = _locked(branch)
        access.require(actor, "branch.settings", branch=row)
        if seen != audit.token(audit.snapshot(row, FIELDS)):
            raise Conflict("Somebody else changed this branch since you opened the page. Nothing of yours was saved yet.")
        before = audit.snapshot(row, FIELDS)
        for name in FIELDS:
            if name in values:
                setattr(row, name, values[name])
        if Branch.objects.filter(group=row.group, code=row.code).exclude(pk=row.pk).exists():
            raise Invalid({"code": CODE_TAKEN})
        try:
            row.full_clean(validate_unique=False, validate_constraints=False)
        except ValidationError as problem:
            raise Invalid({name: messages[0] for name, messages in problem.message_dict.items()}) from problem
        old, new = audit.changed(before, audit.snapshot(row, FIELDS))
        if new:
            with taken("code", CODE_TAKEN):
                row.save(update_fields=FIELDS)
            _told(row, actor, "branch.settings_changed", old, new)
        return row


def change_limit(*, actor: Staff, branch: Branch, name: str, value: Decimal | None, reason: str) -> Branch:
    """Set a threshold of the checks for this branch, or take it back to the published default (`value` None).

    A reason is always asked for: somebody will want to know in a year why this branch judges differently.
    """
    reason = " ".join(reason.split())
    if len(reason) < SHORTEST_REASON:
        raise Invalid({"reason": "Say why this branch differs, in a sentence."})
    if len(reason) > 400:
        raise Invalid({"reason": f"At most 400 characters; this is {len(reason)}."})
    with transaction.atomic():
        row = _locked(branch)
        access.require(actor, "branch.settings", branch=row)
        before = row.limits.get(name)
        limits = {k: v for k, v in row.limits.items() if k != name}
        if value is not None:
            limits[name] = {"value": str(value), "reason": reason, "by": actor.display_name, "on": _moment(timezone.now())}
        if before is None and value is None:
            return row
        row.limits = limits
        row.save(update_fields=["limits"])
        _told(row, actor, "branch.limit_changed", {name: before}, {name: limits.get(name), "reason": reason})
        limit_changed.send(
            Branch,
            branch=row,
            actor=actor,
            name=name,
            before=_limit(before),
            after=_limit(limits.get(name)),
            reason=reason,
        )
        return row


def _limit(kept: Any) -> float | None:
    if kept is None:
        return None
    return float(kept["value"] if isinstance(kept, Mapping) else kept)


def _moment(at: datetime) -> str:
    return at.isoformat(timespec="seconds")


def _told(row: Branch, actor: Staff, action: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    audit.record(
        actor=actor, action=action, subject=f"branch {row.code}", group=row.group, branch=row, before=before, after=after
    )
