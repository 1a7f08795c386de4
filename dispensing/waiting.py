"""What waits for whom: the lists of the start page and of the sign-off desk. Reads only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, OuterRef, QuerySet, Subquery
from django.utils import timezone

from dispensing.case import MULTIFOCAL
from dispensing.models import Dispense, PrescriptionEye, Signature
from dispensing.own_work import own_work
from practice import access, cover
from practice.models import Branch, Post, Staff
from practice.words import how_long

HIGH_POWER_D = 6.0  # common practice: from here a millimetre of centration or vertex distance matters
State = Dispense.State


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """One dispense in a list, with why it deserves a closer look."""

    dispense: Dispense
    since: datetime
    risks: tuple[str, ...] = ()
    said: str = ""  # the last comment, of whoever returned or put it forward
    said_by: str = ""
    own_trainee: bool = False
    covering_for: str = ""  # the trainee's own supervisor, who is away and whom the reader covers
    no: str | None = None  # why this person cannot sign it

    @property
    def waited(self) -> str:
        return how_long(timezone.now() - self.since)

    @property
    def weight(self) -> float:
        """Riskiest and oldest first: a day of waiting weighs as much as one risk."""
        return len(self.risks) + (timezone.now() - self.since).total_seconds() / 86400


def _with_last_decision(queryset: QuerySet[Dispense]) -> QuerySet[Any]:
    last = Signature.objects.filter(dispense=OuterRef("pk")).order_by("-at", "-id")
    return queryset.select_related("client", "branch", "dispenser", "prescription", "lens_option__lens").annotate(
        last_at=Subquery(last.values("at")[:1]),
        last_comment=Subquery(last.values("comment")[:1]),
        last_by_first=Subquery(last.values("by__first_name")[:1]),
        last_by_last=Subquery(last.values("by__last_name")[:1]),
        reason_count=Count("reasons", distinct=True),
    )


# `role`: the reader's own, when the rows are judged for signing
def _rows(queryset: QuerySet[Dispense], staff: Staff, *, role: str | None = None) -> list[Waiting]:
    dispenses = list(_with_last_decision(queryset.prefetch_related("adoptions", "readings") if role else queryset))
    eyes: dict[int, list[PrescriptionEye]] = {}
    if role:
        for eye in PrescriptionEye.objects.filter(prescription__in=[d.prescription_id for d in dispenses]):
            eyes.setdefault(eye.prescription_id, []).append(eye)
    trainees = set(staff.supervises.values_list("staff_id", "branch_id")) if role else set()
    covered = _covered(dispenses, staff) if role else {}
    rows = []
    for d in dispenses:
        on = d.branch.today()
        restricted = access.restrictions(d.client, d.branch, on)
        rows.append(
            Waiting(
                dispense=d,
                since=d.last_at or d.updated_at,
                risks=(*restricted, *_risks(d, eyes.get(d.prescription_id or 0, ()))) if role else (),
                said=d.last_comment or "",
                said_by=f"{d.last_by_first or ''} {d.last_by_last or ''}".strip(),
                own_trainee=(d.dispenser_id, d.branch_id) in trainees,
                covering_for=covered.get((d.dispenser_id, d.branch_id), ""),
                no=access.why_not(
                    staff,
                    "dispense.sign",
                    branch=d.branch,
                    subject=d,
                    known_role=role,
                    restricted=restricted,
                    own_work=own_work(staff, d),
                )
                if role
                else None,
            )
        )
    return rows


def _covered(dispenses: Iterable[Any], staff: Staff) -> dict[tuple[int, int], str]:
    """Whose trainees the reader answers for today in somebody's place: (trainee, branch) and whom they cover."""
    found: dict[tuple[int, int], str] = {}
    for branch in {d.branch_id: d.branch for d in dispenses}.values():
        absent = {c.absent_id: c.absent for c in cover.covers_of(staff, branch)}
        for post in Post.objects.filter(branch=branch, supervisor__in=absent).exclude(staff=staff):
            found[post.staff_id, branch.pk] = absent[post.supervisor_id or 0].display_name
    return found


def _risks(dispense: Any, eyes: Iterable[PrescriptionEye]) -> list[str]:
    found = []
    if dispense.stops:
        found.append(f"{dispense.stops} to clear")
    if dispense.confirms:
        found.append(f"{dispense.confirms} to confirm")
    count = dispense.reason_count
    if count:
        found.append(f"{count} reason{'s' * (count != 1)} given")
    powers = [
        p for e in eyes for p in (e.sphere, None if e.sphere is None else e.sphere + (e.cylinder or 0)) if p is not None
    ]
    if powers and max(abs(p) for p in powers) >= HIGH_POWER_D:
        found.append("high power")
    if any(e.prism_h or e.prism_v or e.near_prism_h or e.near_prism_v for e in eyes):
        found.append("prism")
    lens = dispense.lens_option.lens if dispense.lens_option else None
    if lens is not None and lens.family in MULTIFOCAL:
        found.append(lens.get_family_display())
    return found


def to_sign(staff: Staff, branch: Branch) -> list[Waiting]:
    """What waits for a signature at a branch; riskiest and oldest first. Empty for somebody who never signs there."""
    role = access.signing_role(staff, branch)
    if role is None:
        return []
    rows = _rows(Dispense.objects.filter(branch=branch, state=State.WAITING), staff, role=role)
    return sorted(rows, key=lambda w: (w.no is not None, -w.weight))


def to_sign_elsewhere(staff: Staff, branch: Branch) -> list[tuple[Branch, int]]:
    """The other branches at which somebody signs and something waits, most first: a desk shows one branch only."""
    others = {b.pk: b for b in access.branches_where(staff, "dispense.sign") if b.pk != branch.pk}
    if not others:
        return []
    waiting = Dispense.objects.filter(branch__in=others, state=State.WAITING).exclude(dispenser=staff)
    counts = waiting.values_list("branch").annotate(n=Count("pk")).order_by("-n", "branch__name")
    return [(others[pk], n) for pk, n in counts]


def returned_to(staff: Staff) -> list[Waiting]:
    """What was returned to somebody, oldest first."""
    return sorted(_rows(Dispense.objects.filter(dispenser=staff, state=State.RETURNED), staff), key=lambda w: w.since)


def open_of(staff: Staff, most: int = 20) -> list[Waiting]:
    """What somebody is preparing, last touched first."""
    return _rows(Dispense.objects.filter(dispenser=staff, state=State.OPEN).order_by("-updated_at")[:most], staff)


def put_forward_by(staff: Staff) -> list[Waiting]:
    """What of somebody's waits for another's signature."""
    return sorted(_rows(Dispense.objects.filter(dispenser=staff, state=State.WAITING), staff), key=lambda w: w.since)


def signed_at(staff: Staff, branch: Branch) -> list[Waiting]:
    """What is signed at a branch and not ordered yet, oldest first."""
    return sorted(_rows(Dispense.objects.filter(branch=branch, state=State.SIGNED), staff), key=lambda w: w.since)
