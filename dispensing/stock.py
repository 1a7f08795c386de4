"""Which branch has how many of a frame."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import transaction

from dispensing.models import CatalogueFrame, FrameStock
from practice import access, audit
from practice.errors import Invalid
from practice.models import Branch, Staff

MOST = 999


def stock_of(frame: CatalogueFrame) -> dict[int, int]:
    """{branch key: count}; a branch that does not keep it is not there."""
    return dict(FrameStock.objects.filter(frame=frame).values_list("branch_id", "count"))


def set_stock(*, actor: Staff, frame: CatalogueFrame, counts: Mapping[Branch, int | None]) -> bool:
    """How many each of these branches has; None: it does not keep the frame. Raises NotAllowed or Invalid (by branch key).

    Anybody who works at a branch may count there; other branches are left alone unless they change. True: something changed.
    """
    errors = {
        str(branch.pk): f"A whole number from 0 to {MOST}, or nothing."
        for branch, count in counts.items()
        if count is not None and not 0 <= count <= MOST
    }
    if any(branch.group_id != frame.group_id for branch in counts):
        errors["branch"] = "That is not a branch of this group."
    if errors:
        raise Invalid(errors)
    with transaction.atomic():
        CatalogueFrame.objects.select_for_update().get(pk=frame.pk)
        there, moved = stock_of(frame), False
        for branch, count in counts.items():
            was = there.get(branch.pk)
            if was == count:
                continue
            access.require(actor, "stock.change", branch=branch)
            moved = True
            if count is None:
                FrameStock.objects.filter(frame=frame, branch=branch).delete()
            else:
                FrameStock.objects.update_or_create(frame=frame, branch=branch, defaults={"count": count})
            audit.record(
                actor=actor,
                action="catalogue.stock_changed",
                subject=f"frame {frame.code}",
                group=frame.group,
                branch=branch,
                before={"stock": was},
                after={"stock": count},
            )
    return moved
