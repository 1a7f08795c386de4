"""Goals: what a trainee works on next. Set by whoever answers for the training; met or dropped, never deleted."""

from __future__ import annotations

from datetime import date

from django.db import transaction
from django.utils import timezone

from dispensing.models import Goal
from practice import access, audit
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Staff

SHORTEST, LONGEST = 5, 300
NOT_YOURS = "Goals are set by the trainee's supervisor or the manager of their branch."


def set_goal(*, actor: Staff, trainee: Staff, text: str, due_on: date | None = None) -> Goal:
    """A new goal. NotAllowed, or Invalid ("text", "due_on")."""
    text = " ".join(text.split())
    errors = {}
    if len(text) < SHORTEST:
        errors["text"] = "Say what is to be reached."
    elif len(text) > LONGEST:
        errors["text"] = f"At most {LONGEST} characters; this is {len(text)}."
    elif "\x00" in text:
        errors["text"] = "That contains a character that cannot be kept."
    if due_on is not None and due_on < _today(trainee):
        errors["due_on"] = "A day that is still to come."
    if errors:
        raise Invalid(errors)
    with transaction.atomic():
        _require(actor, trainee)
        goal = Goal.objects.create(trainee=trainee, text=text, due_on=due_on, set_by=actor, set_at=timezone.now())
        _told(actor, goal, "training.goal_set", {"text": text, "due_on": due_on})
        return goal


def close_goal(*, actor: Staff, goal: Goal, met: bool) -> Goal:
    """Reached, or dropped. NotAllowed, or Refused when it is closed already."""
    with transaction.atomic():
        row = Goal.objects.select_for_update(of=("self",)).select_related("trainee__group").get(pk=goal.pk)
        _require(actor, row.trainee)
        if row.met_at or row.dropped_at:
            raise Refused("That goal is closed already.")
        if met:
            row.met_at, row.met_by = timezone.now(), actor
        else:
            row.dropped_at = timezone.now()
        row.save(update_fields=["met_at", "met_by", "dropped_at"])
        _told(actor, row, "training.goal_met" if met else "training.goal_dropped", {"text": row.text})
        return row


def _today(trainee: Staff) -> date:
    """The date where they work; of branches on both sides of midnight the earlier."""
    return min((p.branch.today() for p in trainee.posts.select_related("branch")), default=timezone.localdate())


def may_set(actor: Staff, trainee: Staff) -> bool:
    return access.trains(actor).filter(pk=trainee.pk).exists()


def _require(actor: Staff, trainee: Staff) -> None:
    if not may_set(actor, trainee):
        raise NotAllowed(NOT_YOURS)


def _told(actor: Staff, goal: Goal, action: str, after: dict[str, object]) -> None:
    assert goal.trainee.group is not None
    audit.record(
        actor=actor, action=action, subject=f"staff {goal.trainee.username}", group=goal.trainee.group, after=after
    )
