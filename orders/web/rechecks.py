"""What a changed limit or catalogue entry did to the work of a branch: progress while it is judged again, and what differs.

While something is waiting the page asks again by itself, and each time works off a slice through the same use case as
`manage.py recheck`, so that it comes to an end without a worker too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST, require_safe

from dispensing.checks.findings import ORDER
from dispensing.models import Dispense
from orders import recheck
from orders.models import Order, Recheck, RecheckChange, RecheckItem
from practice import access
from practice.errors import NotAllowed
from practice.models import Branch

SHOWN = 200  # dispenses of one re-check that are listed; those where something stops come first
TO_DO = {
    Dispense.State.SIGNED: "Signed before this: it is judged again before it can be ordered.",
    Dispense.State.WAITING: "Waiting for a signature: whoever signs sees this.",
}


@dataclass(slots=True)
class Changed:
    """What became of one dispense."""

    dispense: Dispense
    order: Order | None
    state: str
    lines: list[RecheckChange] = field(default_factory=list)

    @property
    def asks(self) -> bool:
        return any(c.now in ("stop", "unknown", "confirm") for c in self.lines)

    @property
    def to_do(self) -> str:
        if not self.asks:
            return ""
        if self.order is not None:
            return "The lab has not yet acknowledged it: the order can still be cancelled or replaced."
        return TO_DO.get(Dispense.State(self.state), "")


@dataclass(slots=True)
class Shown:
    row: Recheck
    changed: list[Changed]
    more: int
    troubled: list[RecheckItem]

    @property
    def count(self) -> int:
        """Dispenses of which something else is said."""
        return len(self.changed) + self.more


def _branch(request: HttpRequest, pk: int) -> Branch:
    return get_object_or_404(access.visible_branches(request.user), pk=pk)


def _shown(branch: Branch) -> list[Shown]:
    rows = list(recheck.rechecks_of(branch)[:20])
    by_recheck: dict[int, dict[int, Changed]] = {}
    for change in (
        RecheckChange.objects.filter(recheck__in=rows)
        .select_related("dispense__client", "order")
        .defer("order__document")
        .order_by("pk")
    ):
        there = by_recheck.setdefault(change.recheck_id, {})
        entry = there.setdefault(change.dispense_id, Changed(change.dispense, change.order, change.state))
        entry.lines.append(change)
    troubled: dict[int, list[RecheckItem]] = {}
    for item in RecheckItem.objects.filter(recheck__in=rows).exclude(trouble="").select_related("dispense__client"):
        troubled.setdefault(item.recheck_id, []).append(item)
    shown = []
    for row in rows:
        changed = sorted(
            by_recheck.get(row.pk, {}).values(), key=lambda c: min(ORDER.get(line.now, len(ORDER)) for line in c.lines)
        )
        shown.append(Shown(row, changed[:SHOWN], max(len(changed) - SHOWN, 0), troubled.get(row.pk, [])))
    return shown


def _context(request: HttpRequest, branch: Branch) -> dict[str, Any]:
    shown = _shown(branch)
    return {
        "branch": branch,
        "shown": shown,
        "running": any(s.row.finished_at is None for s in shown),
        "may_look": access.may(request.user, "dispense.change", branch=branch),
    }


@require_safe
def rechecks(request: HttpRequest, pk: int) -> HttpResponse:
    branch = _branch(request, pk)
    return render(request, "orders/rechecks.html", _context(request, branch))


@require_POST
def step(request: HttpRequest, pk: int) -> HttpResponse:
    """Work off a slice of this branch, then show where things are."""
    branch = _branch(request, pk)
    recheck.work_off(branch=branch, limit=recheck.SLICE, seconds=recheck.SLICE_SECONDS)
    if not getattr(request, "htmx", False):
        return redirect("orders:rechecks", branch.pk)
    return render(request, "orders/_rechecks.html", _context(request, branch))


@require_POST
def look(request: HttpRequest, pk: int, number: int) -> HttpResponse:
    branch = _branch(request, pk)
    row = get_object_or_404(Recheck, pk=number, branch=branch)
    try:
        done = recheck.look_at(actor=request.user, recheck=row)  # type: ignore[arg-type]
    except NotAllowed as problem:
        raise PermissionDenied from problem
    if done.looked_at is None:
        messages.info(request, "It is still being judged. Look again when it has ended.")
    return redirect("orders:rechecks", branch.pk)


urlpatterns = [
    path("branches/<int:pk>/rechecks/", rechecks, name="rechecks"),
    path("branches/<int:pk>/rechecks/step/", step, name="recheck_step"),
    path("branches/<int:pk>/rechecks/<int:number>/looked-at/", look, name="recheck_look"),
]
