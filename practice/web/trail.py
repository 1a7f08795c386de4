"""The page on which the manager reads the audit trail: in plain words, by day; by client, person, part of the work, deed and time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from practice import access, deeds
from practice.models import AuditEvent
from practice.reports import reads_reports
from practice.web.fields import Field, with_errors
from practice.web.pager import Stretch
from practice.web.shell import branch_of
from practice.words import dates_meant, fold

A_PAGE = 50
ASKED = ("client", "person", "area", "what", "from", "to")


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One row of the trail as it is shown."""

    event: AuditEvent
    at: datetime  # by the branch's clock
    words: str
    differences: list[tuple[str, Any, Any]]  # name, before, after


def line_of(event: AuditEvent, zone: ZoneInfo) -> Line:
    before, after = event.before, event.after
    differences = [(n.replace("_", " "), before.get(n), after.get(n)) for n in {**before, **after}]
    return Line(event=event, at=event.at.astimezone(zone), words=deeds.words_of(event.action), differences=differences)


def by_day(lines: Iterable[Line]) -> list[tuple[date, list[Line]]]:
    return [(day, list(rows)) for day, rows in groupby(lines, key=lambda line: line.at.date())]


def _asked_for(events: QuerySet[AuditEvent], asked: dict[str, str]) -> QuerySet[AuditEvent]:
    if asked["client"]:
        text = asked["client"].upper()
        events = events.filter(
            Q(client__reference__in=[text, f"C-{text}"]) | Q(client__search_name__contains=fold(asked["client"]) or "\x01")
        )
    if asked["person"]:
        events = events.filter(actor_name__icontains=asked["person"])
    if asked["area"] in deeds.areas():
        events = events.filter(action__in=deeds.areas()[asked["area"]])
    if asked["what"]:
        events = events.filter(
            Q(action__in=deeds.meant_by(asked["what"]))
            | Q(action__startswith=asked["what"])
            | Q(subject__icontains=asked["what"])
        )
    return events


@require_safe
@reads_reports
def audit_page(request: HttpRequest) -> HttpResponse:
    """What was done, newest first."""
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "audit.read", branch=branch):
        raise PermissionDenied
    asked = {name: request.GET.get(name, "").strip()[:100] for name in ASKED}
    events = _asked_for(access.visible_audit(request.user), asked).select_related("actor", "client", "branch", "detail")
    zone, errors = ZoneInfo(branch.time_zone), {}
    for name, at, lookup in (("from", time.min, "at__gte"), ("to", time.max, "at__lte")):
        if asked[name]:
            meant = dates_meant(asked[name], branch.today())
            if meant:
                events = events.filter(**{lookup: datetime.combine(meant[0], at, tzinfo=zone)})
            else:
                errors[name] = "Day, month, year, such as 12/3/2026."
    page = Stretch(events.order_by("-at", "-pk"), A_PAGE, request.GET.get("page"))
    lines = [line_of(event, zone) for event in page]
    query = request.GET.copy()
    query.pop("page", None)
    fields = _fields(asked, errors)
    context = {
        "branch": branch,
        "zone": branch.time_zone,
        "page": page,
        "lines": lines,
        "days": by_day(lines),
        "query": query.urlencode(),
        "fields": fields,
        "errors": with_errors(fields),
        "narrowed": any(asked.values()),
    }
    return render(request, "practice/audit.html", context)


def _fields(asked: dict[str, str], errors: dict[str, str]) -> list[Field]:
    parts = [("", "any part"), *((title, title) for title in deeds.areas())]
    return [
        Field(name="client", label="Client", value=asked["client"], help="Name or reference", autocomplete="off"),
        Field(name="person", label="Who", value=asked["person"], help="Member of staff, or lab", autocomplete="off"),
        Field(name="area", label="Part of the work", kind="select", choices=parts, value=asked["area"]),
        Field(
            name="what",
            label="What",
            value=asked["what"],
            help="Words such as signed; client.seen, the name in the trail; or D-7F3K9QX, what it was done to",
            autocomplete="off",
        ),
        Field(
            name="from",
            label="From",
            value=asked["from"],
            error=errors.get("from", ""),
            help="A day, such as 12/3/2026",
            autocomplete="off",
        ),
        Field(
            name="to", label="To", value=asked["to"], error=errors.get("to", ""), help="That day too", autocomplete="off"
        ),
    ]


urlpatterns = [path("audit/", audit_page, name="audit")]
