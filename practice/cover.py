"""Cover: while a supervisor is away, somebody else with a supervisor's rights at the branch answers for their trainees.

A cover gives no right that its holder has not already: whoever covers must be able to sign at the branch, and still signs
nothing of their own. It says whose trainees are theirs for the time, and is written into what they sign. It ends by itself
after its last day, counted at the branch, and stops counting as soon as either of the two loses the post.
"""

from __future__ import annotations

from datetime import date, timedelta

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from practice import access, audit
from practice.errors import Invalid, Refused
from practice.models import Branch, Cover, Post, Staff
from practice.words import long_date

LONGEST = timedelta(days=366)
SIGNERS = (Post.Role.SUPERVISOR, Post.Role.MANAGER)


def in_force(branch: Branch, on: date | None = None) -> QuerySet[Cover]:
    """Covers that count at a branch today (or on a day there)."""
    day = on or branch.today()
    signers = Post.objects.filter(branch=branch, role__in=SIGNERS)
    return Cover.objects.filter(
        branch=branch,
        from_on__lte=day,
        to_on__gte=day,
        ended_at=None,
        by__is_active=True,
        by__posts__in=signers,
        absent__posts__in=signers,
    ).select_related("absent", "by")


def covers_of(staff: Staff, branch: Branch) -> list[Cover]:
    """For whom somebody answers at a branch today besides their own trainees."""
    return list(in_force(branch).filter(by=staff))


def covering_for(staff: Staff, trainee: Staff, branch: Branch) -> Staff | None:
    """Whose place somebody takes when they decide about this trainee's work; None when it is their own trainee or nobody's.

    Never for oneself: whoever covers and has made the work themselves covers nobody in it.
    """
    if staff.pk == trainee.pk:
        return None
    post = Post.objects.filter(staff=trainee, branch=branch).first()
    if post is None or post.supervisor_id is None or post.supervisor_id == staff.pk:
        return None
    cover = in_force(branch).filter(by=staff, absent=post.supervisor_id).first()
    return cover.absent if cover else None


def known(branch: Branch) -> list[Cover]:
    """Those that run or are still to come, the earliest first."""
    return list(
        Cover.objects.filter(branch=branch, ended_at=None, to_on__gte=branch.today()).select_related(
            "absent", "by", "set_by"
        )
    )


def set_cover(*, actor: Staff, branch: Branch, absent: Staff, by: Staff, from_on: date, to_on: date) -> Cover:
    """Let `by` answer for the trainees of `absent` at a branch from one day to another, both included.

    NotAllowed, or Invalid ("absent", "by", "from_on", "to_on").
    """
    with transaction.atomic():
        held = Branch.objects.select_for_update(of=("self",)).select_related("group").get(pk=branch.pk)
        access.require(actor, "cover.set", branch=held)
        errors: dict[str, str] = {}
        if access.signing_role(absent, held) is None:
            errors["absent"] = "Choose a supervisor or manager of this branch."
        if access.signing_role(by, held) is None:
            errors["by"] = "Only somebody who may sign at this branch can cover."
        elif by.pk == absent.pk:
            errors["by"] = "Nobody covers for themselves."
        elif Post.objects.filter(staff=by, branch=held, supervisor=absent).exists():
            errors["by"] = "A trainee of theirs cannot cover for them."
        if from_on < held.today():
            errors["from_on"] = "From today or later."
        if to_on < from_on:
            errors["to_on"] = "Not before the first day."
        elif to_on - from_on > LONGEST:
            errors["to_on"] = "At most a year."
        if errors:
            raise Invalid(errors)
        others = Cover.objects.filter(branch=held, ended_at=None, from_on__lte=to_on, to_on__gte=from_on)
        if (same := others.filter(absent=absent).select_related("by").first()) is not None:
            raise Invalid({"from_on": f"{same.by.display_name} covers for them until {long_date(same.to_on)} already."})
        if others.filter(absent=by).exists():
            raise Invalid({"by": f"{by.display_name} is away then, and covered for."})
        made = Cover.objects.create(
            branch=held, absent=absent, by=by, from_on=from_on, to_on=to_on, set_by=actor, set_at=timezone.now()
        )
        _told(made, actor, "cover.set")
        return made


def end_cover(*, actor: Staff, cover: Cover) -> Cover:
    """End a cover before its last day. NotAllowed, or Refused when it is over already."""
    with transaction.atomic():
        row = Cover.objects.select_for_update(of=("self",)).select_related("branch__group", "absent", "by").get(pk=cover.pk)
        access.require(actor, "cover.set", branch=row.branch)
        if row.ended_at is not None or row.to_on < row.branch.today():
            raise Refused("This cover is over already.")
        row.ended_at, row.ended_by = timezone.now(), actor
        row.save(update_fields=["ended_at", "ended_by"])
        _told(row, actor, "cover.ended")
        return row


def _told(row: Cover, actor: Staff, action: str) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"staff {row.absent.username}",
        group=row.branch.group,
        branch=row.branch,
        after={"by": row.by.username, "from_on": row.from_on, "to_on": row.to_on},
    )
