"""Finding the dispense of an address, and putting its sheet together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from types import SimpleNamespace
from typing import Any

from django.db.models import QuerySet
from django.http import Http404, HttpRequest

from dispensing.assess import SETTLED, Assessment, assess_case, assess_to_answer
from dispensing.case import HEIGHTS, Case
from dispensing.forms import Entry, Parsed, filled
from dispensing.gather import Rows, case_of, fetch, for_case, for_key
from dispensing.models import Dispense, Reason
from dispensing.prepared import Prepared
from dispensing.sign_off import open_remarks
from dispensing.web.sheet.entries import entries_of, typed_values
from dispensing.web.sheet.present import Sheet
from dispensing.web.sheet.readings import Desk
from practice import access
from practice.models import Staff
from practice.web.seen import opened

CLOSED = (Dispense.State.ORDERED, Dispense.State.COLLECTED, Dispense.State.CANCELLED)


def _visible(staff: int, group: int, reference: str) -> QuerySet[Dispense]:
    asking = SimpleNamespace(pk=staff, group_id=group, is_authenticated=True, is_active=True)
    return for_case(access.scoped(Dispense.objects.filter(reference=reference), asking))


_VISIBLE = Prepared(_visible, "staff", "group", texts=("reference",))
_REASONS = Prepared(lambda dispense: Reason.objects.filter(dispense=dispense).select_related("by"), "dispense")


def load(request: HttpRequest, reference: str) -> Dispense:
    """The dispense at this address, and on record that somebody opened it; one that may not be seen does not exist (404)."""
    staff = request.user
    if not (isinstance(staff, Staff) and staff.is_active and staff.group_id):
        raise Http404
    found = _VISIBLE.rows(staff=staff.pk, group=staff.group_id, reference=reference)
    if not found:
        raise Http404
    opened(request, found[0].client, f"dispense {found[0].reference}")
    return found[0]


def again(dispense: Dispense) -> Dispense:
    """The same dispense as it is now."""
    return for_key(dispense.pk)


@dataclass(frozen=True)
class Loaded:
    sheet: Sheet
    desk: Desk
    rows: Rows
    recorded: Case
    reasons: list[Reason]

    @cached_property
    def to_answer(self) -> Assessment:
        """What has to be answered before the next step, of what is on record: the same that the step itself asks."""
        return assess_to_answer(self.sheet.dispense, case=self.recorded, reasons=self.reasons)


def whole(
    dispense: Dispense, *, parsed: Mapping[str, Parsed] | None = None, over: Any = None, why_not: str | None = None
) -> Loaded:
    """The sheet of a dispense. `parsed` parts show what was typed instead of what is on record; `over` maps the recorded Case
    to the one that is assessed (typing, not saved)."""
    rows = fetch(dispense)
    case = case_of(dispense, rows=rows)
    entries: dict[str, Entry] = entries_of(dispense, case)
    for row in rows.readings:  # the instrument last used here is not typed again for every reading
        if row.instrument:
            path = "readings.height_instrument" if row.quantity in HEIGHTS else "readings.pd_instrument"
            entries[path] = filled(entries[path].spec, row.instrument)
    for part in (parsed or {}).values():
        entries.update(part.entries)
    remarks = open_remarks(dispense)
    for remark in remarks:
        if entry := entries.get(remark.path):
            entries[remark.path] = replace(entry, remark=f"{entry.remark} {remark.text}".strip())
    reasons = _REASONS.rows(dispense=dispense.pk)
    settled = not over and dispense.state in SETTLED
    found = assess_case(over(case) if over else case, reasons=reasons, settled=settled)
    sheet = Sheet(
        dispense=dispense,
        found=found,
        entries=entries,
        allowed=why_not is None and dispense.state not in CLOSED,
        why_not=why_not or "",
        remarks=remarks,
        recorded=case if over else None,
        typed=typed_values(parsed or {}) if over else {},
    )
    return Loaded(sheet=sheet, desk=Desk(dispense, found, entries, rows), rows=rows, recorded=case, reasons=reasons)


def why_not_change(request: HttpRequest, dispense: Dispense) -> str | None:
    return access.why_not(request.user, "dispense.change", branch=dispense.branch, subject=dispense)
