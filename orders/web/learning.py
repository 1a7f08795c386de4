"""What returns and rejections teach: rates with intervals, by cause, lab, design, method and branch; CSV to take away."""

from __future__ import annotations

import csv
from datetime import timedelta

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_safe

from orders import learning
from orders.models import Order
from orders.returns.pictures import share_bar
from practice import access
from practice.web.fields import Field
from practice.web.shell import branch_of

SPANS = {"90": "the last three months", "365": "the last year", "1826": "the last five years"}


def _may_see_people(request: HttpRequest) -> bool:
    branch = branch_of(request)
    return branch is not None and access.may(request.user, "learning.people", branch=branch)


def _tables(request: HttpRequest, days: int) -> list[learning.Table]:
    since = timezone.now() - timedelta(days=days)
    orders = access.scoped(Order.objects.all(), request.user)
    names = [n for n in learning.BY if n != "person" or _may_see_people(request)]
    return [
        learning.came_back(orders, since),
        learning.rejected(orders, since),
        learning.overridden(orders, since),
        *(learning.rates(orders, by=name, since=since) for name in names),
    ]


def _span(request: HttpRequest) -> str:
    asked = request.GET.get("days", "365")
    return asked if asked in SPANS else "365"


@require_safe
def learning_page(request: HttpRequest) -> HttpResponse:
    span = _span(request)
    shown = []
    for table in _tables(request, int(span)):
        top = max([0.05, *(r.interval.high for r in table.rows if r.interval)])
        rows = [
            {
                "row": r,
                "rate": f"{i.rate:.1%}" if i else "too few",
                "range": f"{i.low:.1%} to {i.high:.1%}" if i else "–",
                "bar": share_bar(i.low, i.rate, i.high, top, r.key) if i else None,
            }
            for r in table.rows
            for i in [r.interval]
        ]
        shown.append({"table": table, "rows": rows})
    context = {
        "tables": shown,
        "span": span,
        "field": Field(name="days", label="Pairs of", kind="select", value=span, choices=list(SPANS.items())),
        "fewest": learning.FEWEST,
        "labs": learning.lab_quality(
            access.scoped(Order.objects.all(), request.user), timezone.now() - timedelta(days=int(span))
        ),
    }
    return render(request, "orders/learning.html", context)


@require_safe
def learning_csv(request: HttpRequest, name: str) -> HttpResponse:
    """One table, every row, the interval given whenever there is at least one pair."""
    if name == "person" and not _may_see_people(request):
        raise PermissionDenied
    table = next((t for t in _tables(request, int(_span(request))) if t.name == name), None)
    if table is None:
        return HttpResponse(status=404)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    out = csv.writer(answer)
    out.writerow([table.by, table.of, "cases", "rate", "low 95 %", "high 95 %"])
    for row in table.rows:
        i = learning.wilson(row.cases, row.pairs) if row.pairs else None
        key = "'" + row.key if row.key[:1] in "=+-@\t" else row.key  # a table program must not take a name for a formula
        out.writerow([key, row.pairs, row.cases, *((f"{v:.5f}" for v in (i.rate, i.low, i.high)) if i else ("", "", ""))])
    return answer


urlpatterns = [
    path("learning/", learning_page, name="learning"),
    path("learning/<slug:name>.csv", learning_csv, name="learning_csv"),
]
