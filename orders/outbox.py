"""A branch's orders by what has to be done about them: which the lab asks about, which are late and why, how many there are of each.

Late is judged by two limits of the branch (`OutboxLimits`) and one of the lab (`Lab.usual_days`): a lab that has not said for so many
hours that it has an order, a day that was promised and has passed, and without a promise the days that this lab usually takes. What is
at the branch already, cancelled, or on its way is never late.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet
from django.db.models.functions import TruncDate
from django.utils import timezone

from orders.models import Lab, Order, OutboxLimits, Question
from practice import access, audit
from practice.errors import Conflict, Invalid
from practice.models import Branch, Staff

State = Order.State
AT_LAB = (State.ISSUED, State.ACKNOWLEDGED, State.IN_WORK, State.REJECTED)  # the lab is to do something
ASKING = (*AT_LAB, State.DISPATCHED)  # a lab may ask until the branch has the pair
UNFINISHED = (*AT_LAB, State.CANNOT_MAKE, State.DISPATCHED, State.RECEIVED, State.PASSED)
MOST_COUNTED = 10_000  # not finished, oldest first
COUNTED = 1000  # a number that is larger is said to be larger
USUAL_DAYS, UNANSWERED_HOURS = (1, 120), (1, 240)


@dataclass(frozen=True, slots=True)
class Standards:
    """What counts as late at some branches, now."""

    now: datetime
    todays: Mapping[int, date]  # by branch: a promised day has passed where it has passed at the branch
    days: Mapping[int, int]  # by branch
    hours: Mapping[int, int]  # by branch
    lab_days: Mapping[int, int]  # by lab, where the lab has its own

    def days_of(self, order: Order) -> int:
        return self.lab_days.get(order.lab_id, self.days.get(order.branch_id, 10))

    def why(self, order: Order) -> str:
        """Why an order is late, in words; empty when it is not."""
        if order.state not in AT_LAB:
            return ""
        if _promise_holds(order) and order.promised_on:
            today = self.todays.get(order.branch_id, next(iter(self.todays.values()), None))
            late = (today - order.promised_on).days if today else 0
            if late > 0:
                return f"{_days(late)} past the day the lab promised."
        else:
            begun, words = (
                (order.rejected_at, "sent back") if order.state == State.REJECTED else (order.issued_at, "at the lab")
            )
            usual = self.days_of(order)
            if begun and begun < self.now - timedelta(days=usual):
                return f"{words.capitalize()} {_days((self.now - begun).days)} ago and no day promised; {_days(usual)} are usual."
        hours = self.hours.get(order.branch_id, 24)
        if (
            order.state == State.ISSUED
            and order.promised_on is None
            and order.issued_at < self.now - timedelta(hours=hours)
        ):
            return f"The lab has not said for {hours} hours that it has it."
        return ""


def _days(count: int) -> str:
    return f"{count} day{'s' * (count != 1)}"


def _promise_holds(order: Order) -> bool:
    """A day that was promised before the finished pair went back says nothing about the next try."""
    if order.promised_on is None:
        return False
    return (
        order.state != State.REJECTED
        or order.rejected_at is None
        or order.promised_on >= order.rejected_at.astimezone(UTC).date()
    )


def standards(branches: Sequence[Branch], labs: Iterable[Lab]) -> Standards:
    """One query."""
    kept = {row.branch_id: row for row in OutboxLimits.objects.filter(branch__in=[b.pk for b in branches])}
    plain = OutboxLimits()
    rows = {b.pk: kept.get(b.pk, plain) for b in branches}
    return Standards(
        now=timezone.now(),
        todays={b.pk: b.today() for b in branches},
        days={pk: row.usual_days for pk, row in rows.items()},
        hours={pk: row.unanswered_hours for pk, row in rows.items()},
        lab_days={lab.pk: lab.usual_days for lab in labs if lab.usual_days is not None},
    )


# --- which ----------------------------------------------------------------------------------------------------------------


def asked_about(rows: QuerySet[Order]) -> list[int]:
    """Keys of those of `rows` that the lab waits for words about, or cannot make; at most COUNTED + 1 of each kind.

    Keys, and not a condition: from the few open questions to their orders, never from every order to its questions.
    """
    asked = Question.objects.filter(answered_at=None, order__in=rows.filter(state__in=ASKING)).order_by()
    back = rows.filter(state=State.CANNOT_MAKE).order_by()
    keys = [
        *asked.values_list("order", flat=True)[: COUNTED + 1],
        *back.values_list("pk", flat=True)[: COUNTED + 1],
    ]
    return list(dict.fromkeys(keys))


def late(by: Standards) -> Q:
    """The same as `Standards.why`, for the database."""
    promised = _promised_days_passed(by)
    waiting, begun_again = Q(), Q()
    for branches, labs, days in _groups(by):
        cut = by.now - timedelta(days=days)
        where = Q(branch__in=branches) & labs
        waiting |= where & Q(issued_at__lt=cut)
        begun_again |= where & Q(rejected_at__lt=cut)
    unanswered = Q()
    for hours in sorted(set(by.hours.values())):
        branches = [pk for pk, each in by.hours.items() if each == hours]
        unanswered |= Q(branch__in=branches, issued_at__lt=by.now - timedelta(hours=hours))
    at_work = [s for s in AT_LAB if s != State.REJECTED]
    never_promised = Q(promised_on=None) & waiting
    promise_counts = Q(promised_on__gte=TruncDate("rejected_at", tzinfo=UTC)) | Q(rejected_at=None)
    promise_is_old = Q(promised_on=None) | Q(promised_on__lt=TruncDate("rejected_at", tzinfo=UTC))
    back = Q(state=State.REJECTED) & ((promised & promise_counts) | (promise_is_old & begun_again))
    return Q(state__in=AT_LAB) & (
        (Q(state__in=at_work) & (promised | never_promised)) | (Q(state=State.ISSUED, promised_on=None) & unanswered) | back
    )


def _promised_days_passed(by: Standards) -> Q:
    days = set(by.todays.values())
    if len(days) == 1:
        return Q(promised_on__lt=days.pop())
    passed = Q(pk__in=[])
    for day in sorted(days):
        passed |= Q(branch__in=[pk for pk, each in by.todays.items() if each == day], promised_on__lt=day)
    return passed


def _groups(by: Standards) -> list[tuple[list[int], Q, int]]:
    """Branches and labs that share a number of usual days."""
    own = list(by.lab_days)
    groups = []
    for days in sorted(set(by.lab_days.values())):
        groups.append((list(by.days), Q(lab__in=[pk for pk, each in by.lab_days.items() if each == days]), days))
    for days in sorted(set(by.days.values())):
        groups.append(([pk for pk, each in by.days.items() if each == days], ~Q(lab__in=own) if own else Q(), days))
    return groups


# --- how many -------------------------------------------------------------------------------------------------------------


def capped(rows: QuerySet[Order]) -> int:
    """How many there are, counted to COUNTED + 1."""
    return int(rows.order_by().values("pk")[: COUNTED + 1].count())


@dataclass(frozen=True, slots=True)
class Standing:
    """What is not finished, by lab and state."""

    labs: list[tuple[Lab, list[int]]]  # counts in the order of UNFINISHED
    totals: list[int]
    more: bool  # than were counted


def standing(rows: QuerySet[Order], labs: Sequence[Lab]) -> Standing:
    few = rows.filter(state__in=UNFINISHED).order_by("issued_at", "pk").values_list("lab", "state")[:MOST_COUNTED]
    counted = Counter(few)  # the index has both: counted here, the database need not look at a single order
    lines = [(lab, [counted[lab.pk, s] for s in UNFINISHED]) for lab in labs if any(counted[lab.pk, s] for s in UNFINISHED)]
    totals = [sum(line[i] for _, line in lines) for i in range(len(UNFINISHED))]
    return Standing(lines, totals, sum(totals) >= MOST_COUNTED)


# --- the limits -----------------------------------------------------------------------------------------------------------


@transaction.atomic
def change_limits(*, actor: Staff, branch: Branch, seen: str, usual_days: int, unanswered_hours: int) -> OutboxLimits:
    """From when on an order of this branch is late. `seen`: what the page showed (`audit.token`).

    Raises NotAllowed, Invalid or Conflict.
    """
    access.require(actor, "branch.settings", branch=branch)
    errors = {}
    for name, value, (low, high) in (
        ("usual_days", usual_days, USUAL_DAYS),
        ("unanswered_hours", unanswered_hours, UNANSWERED_HOURS),
    ):
        if not low <= value <= high:
            errors[name] = f"From {low} to {high}."
    if errors:
        raise Invalid(errors)
    OutboxLimits.objects.get_or_create(branch=branch)
    row = OutboxLimits.objects.select_for_update().get(branch=branch)
    before = audit.snapshot(row, LIMIT_FIELDS)
    if seen != audit.token(before):
        raise Conflict("Somebody has changed these limits since you looked. Nothing was saved.")
    row.usual_days, row.unanswered_hours = usual_days, unanswered_hours
    old, new = audit.changed(before, audit.snapshot(row, LIMIT_FIELDS))
    if new:
        row.save(update_fields=LIMIT_FIELDS)
        audit.record(
            actor=actor,
            action="branch.outbox_limits_changed",
            subject=f"branch {branch.code}",
            group=branch.group,
            branch=branch,
            before=old,
            after=new,
        )
    return row


LIMIT_FIELDS = ("usual_days", "unanswered_hours")
