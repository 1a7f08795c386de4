"""Finding the dispense of an address, and putting its sheet together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.http import HttpRequest
from django.shortcuts import get_object_or_404

from dispensing.assess import assess_case
from dispensing.case import Case
from dispensing.forms import Entry, Parsed, filled
from dispensing.gather import Rows, case_of, fetch, for_case
from dispensing.models import Dispense
from dispensing.sign_off import open_remarks
from dispensing.web.sheet.entries import entries_of
from dispensing.web.sheet.present import Sheet
from dispensing.web.sheet.readings import Desk
from practice import access

CLOSED = (Dispense.State.ORDERED, Dispense.State.COLLECTED, Dispense.State.CANCELLED)


def load(request: HttpRequest, reference: str) -> Dispense:
    """The dispense at this address; one that may not be seen does not exist (404)."""
    return get_object_or_404(for_case(access.scoped(Dispense.objects.all(), request.user)), reference=reference)


def again(dispense: Dispense) -> Dispense:
    """The same dispense as it is now."""
    return for_case(Dispense.objects.all()).get(pk=dispense.pk)


@dataclass(frozen=True, slots=True)
class Loaded:
    sheet: Sheet
    desk: Desk
    rows: Rows
    recorded: Case


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
            path = "readings.height_instrument" if row.quantity == "height" else "readings.pd_instrument"
            entries[path] = filled(entries[path].spec, row.instrument)
    for part in (parsed or {}).values():
        entries.update(part.entries)
    remarks = open_remarks(dispense)
    for remark in remarks:
        if entry := entries.get(remark.path):
            entries[remark.path] = replace(entry, remark=f"{entry.remark} {remark.text}".strip())
    found = assess_case(over(case) if over else case, reasons=list(dispense.reasons.select_related("by")))
    sheet = Sheet(
        dispense=dispense,
        found=found,
        entries=entries,
        allowed=why_not is None and dispense.state not in CLOSED,
        why_not=why_not or "",
        remarks=remarks,
    )
    return Loaded(sheet=sheet, desk=Desk(dispense, found, entries, rows), rows=rows, recorded=case)


def why_not_change(request: HttpRequest, dispense: Dispense) -> str | None:
    return access.why_not(request.user, "dispense.change", branch=dispense.branch, subject=dispense)
