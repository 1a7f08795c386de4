"""The one way in which a dispense is changed: locked, permitted, not over somebody else's change, audited."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from dispensing.models import Dispense
from practice import access, audit
from practice.audit import plain
from practice.errors import Conflict, Refused
from practice.hold import hold
from practice.models import Staff

ORDER_OF_PARTS = ("needs", "prescription", "frame", "fit", "readings", "lens")
PARTS = frozenset(ORDER_OF_PARTS)

_CLOSED = {
    Dispense.State.ORDERED: "This dispense is ordered. A change is a new order that replaces the old one.",
    Dispense.State.COLLECTED: "These spectacles are collected. Start a new dispense instead.",
    Dispense.State.CANCELLED: "This dispense is cancelled. Start a new one instead.",
}


class PartConflict(Conflict):
    """Somebody else changed the same part since it was read. `theirs` is the dispense as it is now; nothing was saved."""

    def __init__(self, part: str, theirs: Dispense) -> None:
        by = theirs.updated_by.initials if theirs.updated_by else "somebody"
        super().__init__(f"The {part} was changed by {by} while you were working on it. Nothing of yours was saved yet.")
        self.part = part
        self.theirs = theirs
        self.by = theirs.updated_by
        self.at: datetime = theirs.updated_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Saved:
    """What a use case did: the dispense as it is now, whether anything changed, and what else followed from it."""

    dispense: Dispense
    changed: bool = True
    said: tuple[str, ...] = ()


@dataclass(slots=True)
class Change:
    """One change under way. A use case fills `before` and `after` with what differs, and sets model fields by `put`."""

    dispense: Dispense
    actor: Staff
    part: str
    action: str
    content: bool = True  # whether what is signed becomes the actor's; a check by a second person does not
    before: dict[str, Any] = field(default_factory=dict)
    after: dict[str, Any] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)

    def put(self, **values: Any) -> None:
        """Set fields of the dispense; what is already so is left alone and leaves no trace."""
        for name, value in values.items():
            old = getattr(self.dispense, name)
            if old == value:
                continue
            self.before[name] = plain(old)
            self.after[name] = plain(value)
            setattr(self.dispense, name, value)
            self.touched.add(name)

    def note(self, name: str, before: Any, after: Any) -> None:
        """A change outside the dispense's own row."""
        self.before[name] = plain(before)
        self.after[name] = plain(after)

    @property
    def changed(self) -> bool:
        return self.before != self.after

    def saved(self) -> Saved:
        return Saved(dispense=self.dispense, changed=self.changed, said=tuple(self.said))


def part_version(dispense: Dispense, part: str) -> int:
    return int(dispense.part_versions.get(part, 0))


@contextmanager
def changing(
    *, actor: Staff, dispense: Dispense, part: str, version: int | None, action: str, permission: str = "dispense.change"
) -> Iterator[Change]:
    """Lock the dispense, check, hand out a Change, then write it down; all in one transaction.

    `version` is that of the part as the actor read it (`part_version`); None is for a deed that adds and overwrites
    nothing. Raises NotAllowed, Refused (the state forbids it) or PartConflict.
    """
    with transaction.atomic():
        row = lock(dispense)
        access.require(actor, permission, branch=row.branch, subject=row)
        refuse_closed(row)
        if version is not None and version != part_version(row, part):
            raise PartConflict(part, row)
        change = Change(row, actor, part, action)
        yield change
        if not change.changed:
            return
        lift_signature(change)
        row.version += 1
        row.part_versions = {**row.part_versions, part: part_version(row, part) + 1}
        row.content_by = actor if change.content else row.content_by or row.updated_by
        row.updated_by = actor
        row.save(
            update_fields=[*change.touched, "version", "part_versions", "content_by", "updated_by", "updated_at"],
        )
        audit.record(
            actor=actor,
            action=action,
            subject=f"dispense {row.reference}",
            group=row.group,
            branch=row.branch,
            client=row.client,
            before=change.before,
            after=change.after,
        )


def refuse_closed(dispense: Dispense) -> None:
    """Refused when the state of the dispense allows no change."""
    if dispense.state in _CLOSED:
        raise Refused(_CLOSED[Dispense.State(dispense.state)])


def lock(dispense: Dispense) -> Dispense:
    """The dispense's row, held until the end of the transaction (on SQLite the transaction already holds the file)."""
    with_its_own = ("group", "branch", "client", "dispenser", "updated_by", "fit_confirmed_by", "prescription")
    return hold(Dispense.objects.select_related(*with_its_own), pk=dispense.pk)


def lift_signature(change: Change) -> None:
    """What was signed, or put forward to be signed, is no longer what is there: say so and open it again."""
    if change.dispense.state not in (Dispense.State.SIGNED, Dispense.State.WAITING):
        return
    from dispensing import sign_off  # sign_off is a use case of the same floor and may come to use this module

    sign_off.lift_signature(actor=change.actor, dispense=change.dispense)
    change.touched.add("state")
    change.said.append("The signature is lifted: this has changed since. It needs to be put forward again.")


def now() -> datetime:
    return timezone.now()
