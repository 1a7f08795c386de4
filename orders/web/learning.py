"""What returns and rejections teach: rates with intervals, over time and by everything they can be split by; CSV to take away."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from orders import learning
from orders.models_learning import ReturnWord
from orders.return_words import lists_of
from orders.web.learning_shown import OVER_TIME, chart_shown, standing_out, table_shown
from practice import access
from practice.models import Branch
from practice.reports import reads_reports
from practice.tables import csv_answer, harmless
from practice.web.fields import Field
from practice.web.shell import branch_of, desks_of

SPANS = {"3": "three months", "12": "twelve months", "24": "two years", "60": "five years"}


@dataclass(frozen=True)
class _Asked:
    """What is to be shown, of what was asked for what there is."""

    branch: Branch  # where the person works now
    only: Branch | None  # the sums of one branch
    months: int
    cases: learning.Cases
    people: bool
    today: date  # at the branch; for the whole group where it is latest: a month that has begun somewhere is shown

    @property
    def sums(self) -> learning.Sums:
        return learning.Sums(self.branch.group, self.only, learning.first_month(self.months, self.today))


def _asked(request: HttpRequest, branches: list[Branch]) -> _Asked | None:
    branch = branch_of(request)
    if branch is None:
        return None
    only = next((b for b in branches if b.code == request.GET.get("branch", "")), None)
    span = request.GET.get("months", "12")
    return _Asked(
        branch=branch,
        only=only,
        months=int(span) if span in SPANS else 12,
        cases="again" if request.GET.get("cases") == "again" else "back",
        # of the whole group only to who manages all of it: others choose their own branch
        today=only.today() if only else max(b.today() for b in [branch, *branches]),
        people={b.pk for b in ([only] if only else branches)} <= _managed(request),
    )


def _managed(request: HttpRequest) -> set[int]:
    """Keys of the branches whose people's rates somebody may see."""
    return {
        d.branch_id
        for d in desks_of(request)
        if access.why_not(request.user, "learning.people", branch=d.branch, known_role=d.role) is None
    }


def _tables(asked: _Asked, sums: learning.Sums) -> list[learning.Table]:
    names = [n for n in learning.BY if (n != "person" or asked.people) and (n != "branch" or asked.only is None)]
    return [
        sums.came_back(lists_of(asked.branch.group_id).words[ReturnWord.Kind.CAUSE]),
        *(sums.rates(name, asked.cases) for name in names),
        sums.rejected(),
        sums.overridden(asked.cases),
    ]


@require_safe
@reads_reports
def learning_page(request: HttpRequest) -> HttpResponse:
    branches = list(access.visible_branches(request.user).select_related("group").order_by("name", "pk"))
    asked = _asked(request, branches)
    if asked is None:
        return render(request, "orders/learning.html", {"nowhere": True})
    sums = asked.sums
    moment = learning.as_of(asked.branch.group)
    tables = _tables(asked, sums)
    alone = [t for t in tables if t.name == request.GET.get("table")]  # one table with every row, on a page of its own
    own = {"branch": {str(asked.branch.pk)}, "person": {str(request.user.pk)}}
    shown = [table_shown(t, own.get(t.name, ()), whole=bool(alone)) for t in alone or tables]
    charts = [] if alone else [chart_shown(name, chart) for name, chart in sums.over_time(asked.today).items()]
    context = {
        "tables": shown,
        "alone": alone[0] if alone else None,
        "charts": charts,
        "standing": standing_out(charts, shown),
        "fields": [
            Field(name="months", label="Pairs of the last", kind="select", value=str(asked.months), choices=list(SPANS.items())),
            Field(
                name="branch", label="At", kind="select", value=asked.only.code if asked.only else "",
                choices=[("", "the whole group"), *((b.code, b.name) for b in branches)],
            ),
            Field(name="cases", label="That", kind="select", value=asked.cases, choices=list(learning.CASES.items())),
        ],
        "query": f"months={asked.months}&branch={asked.only.code if asked.only else ''}&cases={asked.cases}",
        "fewest": learning.FEWEST,
        "labs": sums.lab_quality(),
        "as_of": moment,
        "since_then": learning.since_then(asked.branch.group, asked.only, moment) if moment else None,
        "zone": asked.branch.time_zone,
        "where": asked.only.name if asked.only else "the whole group",
        "people_at": asked.branch.name if not asked.people and not asked.only and asked.branch.pk in _managed(request) else "",
    }  # fmt: skip
    return render(request, "orders/learning.html", context)


@require_safe
@reads_reports
def learning_csv(request: HttpRequest, name: str) -> HttpResponse:
    """One table, every row, the interval given whenever there is at least one pair; months and labs have tables of their own."""
    asked = _asked(request, list(access.visible_branches(request.user).select_related("group")))
    if asked is None:
        return HttpResponse(status=404)
    if name == "person" and not asked.people:
        raise PermissionDenied
    rows = _rows(asked, name)
    return HttpResponse(status=404) if rows is None else csv_answer(rows, f"{name}.csv")


def _rows(asked: _Asked, name: str) -> list[list[object]] | None:
    """The heading and the rows of a table; None where there is none of that name."""
    out: list[list[object]] = []
    sums = asked.sums
    if name in OVER_TIME:
        chart = sums.over_time(asked.today)[name]
        out.append(["month", OVER_TIME[name][1], "cases", "rate", "lower limit", "upper limit"])
        for s in chart.steps if chart else ():
            out.append(
                [
                    s.label,
                    s.pairs,
                    s.cases,
                    *(f"{v:.5f}" if s.rate is not None else "" for v in (s.rate or 0.0, s.low, s.high)),
                ]
            )
        return out
    if name == "delivery":
        out.append(
            [
                "lab",
                "pairs measured",
                "greatest share of an allowance used, mean",
                "pairs dispatched",
                "days from order to dispatch, mean",
            ]
        )
        for q in sums.lab_quality():
            out.append([harmless(q.lab), q.pairs, *(f"{v:.3f}" if v is not None else "" for v in [q.used]), q.dispatched,
                          *(f"{v:.2f}" if v is not None else "" for v in [q.days])])  # fmt: skip
        return out
    table = next((t for t in _tables(asked, sums) if t.name == name), None)
    if table is None:
        return None
    out.append([table.by, table.of, "cases", "rate", "low 95 %", "high 95 %"])
    for row in table.rows:
        i = learning.wilson(row.cases, row.pairs) if row.pairs else None
        out.append(
            [
                harmless(row.shown),
                row.pairs,
                row.cases,
                *((f"{v:.5f}" for v in (i.rate, i.low, i.high)) if i else ("", "", "")),
            ]
        )
    return out


urlpatterns = [
    path("learning/", learning_page, name="learning"),
    path("learning/<slug:name>.csv", learning_csv, name="learning_csv"),
]
