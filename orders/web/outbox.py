"""A branch's orders: what needs somebody first, then all of them; many of them on paper; from when on an order is late."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from dispensing.models import Dispense
from orders import outbox, printing
from orders.models import Lab, Order, OrderEvent, OutboxLimits, Question
from practice import access, audit
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import Branch
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, fields_of, show_errors, whole_number
from practice.web.shell import branch_of
from practice.words import number_in

PAGE = 50
SEARCHED = 500
ABOVE = 20  # of each kind that needs somebody
State = Order.State
ASKED, LATE = "asked", "late"
STATES = [("", "any"), (ASKED, "the lab asks, or cannot make it"), (LATE, "late"), *State.choices]
AGES = [
    ("", "any"),
    ("1", "issued today or yesterday"),
    ("7", "in the last 7 days"),
    ("30", "in the last 30 days"),
    ("-7", "more than 7 days ago"),
    ("-14", "more than 14 days ago"),
    ("-30", "more than 30 days ago"),
]
COLUMNS = (
    "number", "state", "issued_at", "promised_on", "rejected_at", "branch_id", "lab_id", "lab__name", "branch__name",
    "dispense__client__given_name", "dispense__client__family_name",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page was asked for; whatever makes no sense is as if it had not been asked."""

    q: str
    branch: Branch | None
    lab: Lab | None
    state: str
    age: str


def read(request: HttpRequest, branches: list[Branch], labs: list[Lab]) -> Asked:
    query = request.GET
    given = query.get("branch")
    branch = branch_of(request) if given is None else next((b for b in branches if str(b.pk) == given), None)
    return Asked(
        q=query.get("q", "").strip()[:40].upper(),
        branch=branch,
        lab=next((each for each in labs if each.code == query.get("lab")), None),
        state=query.get("state", "") if query.get("state") in {s for s, _ in STATES} else "",
        age=query.get("age", "") if query.get("age") in {a for a, _ in AGES} else "",
    )


def place_of(request: HttpRequest, asked: Asked) -> QuerySet[Order]:
    """The orders of a branch, or of a lab, or those whose number begins so; in any state and of any age."""
    place = access.scoped(Order.objects.all(), request.user)
    if asked.q:
        dispense = (
            access.scoped(Dispense.objects.filter(reference=asked.q), request.user).values_list("pk", flat=True).first()
        )
        if dispense is not None:
            place = place.filter(dispense=dispense)
        else:  # keys first: a few of the many that "SM-" would fit, rather than all of them put in order
            begins = place.filter(number__startswith=asked.q).order_by()
            place = Order.objects.filter(pk__in=list(begins.values_list("pk", flat=True)[:SEARCHED]))
    elif asked.branch is not None:
        place = place.filter(branch=asked.branch)
    return place.filter(lab=asked.lab) if asked.lab is not None else place


def fitting(place: QuerySet[Order], asked: Asked, by: outbox.Standards, keys: list[int]) -> QuerySet[Order]:
    """Those in the state and of the age that was asked for; `keys`: those that the lab asks about."""
    rows = place
    if asked.state == ASKED:
        rows = Order.objects.filter(pk__in=keys)
    elif asked.state == LATE:
        rows = rows.filter(outbox.late(by))
    elif asked.state:
        rows = rows.filter(state=asked.state)
    if asked.age:
        edge = timezone.now() - timedelta(days=abs(int(asked.age)))
        rows = rows.filter(issued_at__lt=edge) if asked.age.startswith("-") else rows.filter(issued_at__gte=edge)
    return rows


@require_safe
def order_list(request: HttpRequest) -> HttpResponse:
    """What needs somebody, then all that fit, fifty a page: newest first; what needs somebody, oldest first."""
    branches = list(access.visible_branches(request.user).order_by("name"))
    labs = list(access.scoped(Lab.objects.all(), request.user).order_by("name"))
    asked = read(request, branches, labs)
    by = outbox.standards([asked.branch] if asked.branch else branches, labs)
    place = place_of(request, asked)
    keys = outbox.asked_about(place)
    late = place.filter(outbox.late(by))
    oldest_first = asked.state in (ASKED, LATE)
    page = _page_of(fitting(place, asked, by, keys), request.GET.get("before", ""), oldest_first)
    counts = {ASKED: len(keys), LATE: outbox.capped(late)}
    wanting: list[Order] = []
    if not (request.GET.get("before") or asked.state or asked.age or asked.q):
        for few in (Order.objects.filter(pk__in=keys), late.exclude(pk__in=keys)):
            wanting += few.select_related(*_NEAR).only(*COLUMNS).order_by("issued_at", "pk")[:ABOVE]
    shown = page[:PAGE]
    said = _said([*wanting, *shown])
    context = {
        "wanting": [(o, said.get(o.pk) or by.why(o)) for o in wanting],
        "counts": [
            (ASKED, "asked or cannot be made", _number(counts[ASKED]), _link(request.GET, state=ASKED)),
            (LATE, "late", _number(counts[LATE]), _link(request.GET, state=LATE)),
        ],
        "standing": outbox.standing(place, labs) if not asked.q else None,
        "columns": [(s, State(s).label.partition(":")[0]) for s in outbox.UNFINISHED],
        "rows": [(o, said.get(o.pk) or by.why(o) if oldest_first else "") for o in shown],
        "printed": _printed(shown),
        "older": _link(request.GET, before=shown[-1].pk) if len(page) > PAGE else "",
        "newest": _link(request.GET, before=None) if request.GET.get("before") else "",
        "onward": "Next" if oldest_first else "Older",
        "filtered": bool(asked.q or asked.state or asked.lab or asked.age),
        "show_branch": asked.branch is None or bool(asked.q),
        "base": _link(request.GET, before=None, state=None, lab=None),
        "branch": asked.branch,
        "may_limit": asked.branch is not None and access.may(request.user, "branch.settings", branch=asked.branch),
        "fields": _fields(asked, branches, labs),
    }
    return render(request, "orders/list.html", context)


_NEAR = ("lab", "branch", "dispense__client")


def _page_of(rows: QuerySet[Order], before: str, oldest_first: bool) -> list[Order]:
    """The page that begins after the order `before`; one row more than it holds, where there is one."""
    if (key := number_in(before, digits=18)) is not None:
        edge = Order.objects.filter(pk=key).values("issued_at", "pk").first()
        if edge and oldest_first:
            rows = rows.filter(issued_at__gte=edge["issued_at"]).exclude(issued_at=edge["issued_at"], pk__lte=edge["pk"])
        elif edge:
            rows = rows.filter(issued_at__lte=edge["issued_at"]).exclude(issued_at=edge["issued_at"], pk__gte=edge["pk"])
    order = ("issued_at", "pk") if oldest_first else ("-issued_at", "-pk")
    return list(rows.select_related(*_NEAR).only(*COLUMNS).order_by(*order)[: PAGE + 1])


def _said(orders: list[Order]) -> dict[int, str]:
    """What the lab asks, or why it cannot make it, by order."""
    keys = {o.pk for o in orders}
    back = [o.pk for o in orders if o.state == State.CANNOT_MAKE]
    events = OrderEvent.objects.filter(order__in=back, kind="cannot_make").values_list("order", "note") if back else ()
    said = {order: f"The lab cannot make it: {note or 'no reason given'}" for order, note in events}
    asked = Question.objects.filter(order__in=keys, answered_at=None).order_by("-asked_at").values_list("order", "text")
    return said | {order: f"The lab asks: {text}" for order, text in asked}


def _printed(orders: list[Order]) -> dict[int, str]:
    """What was printed of each order."""
    words = {"sheet_printed": "sheet", "label_printed": "label"}
    events = OrderEvent.objects.filter(order__in=[o.pk for o in orders], kind__in=words).values_list("order", "kind")
    kinds: dict[int, set[str]] = {}
    for order, kind in events:
        kinds.setdefault(order, set()).add(words[kind])
    return {order: ", ".join(sorted(found, reverse=True)) for order, found in kinds.items()}


def _fields(asked: Asked, branches: list[Branch], labs: list[Lab]) -> list[Field]:
    every = [("all", "all branches"), *((b.pk, b.name) for b in branches)]
    names = [("", "any"), *((each.code, each.name) for each in labs)]
    return [
        Field(name="q", label="Order or dispense number", value=asked.q, kind="search", autocomplete="off"),
        Field(
            name="branch", label="Branch", kind="select", value=asked.branch.pk if asked.branch else "all", choices=every
        ),
        Field(name="lab", label="Lab", kind="select", value=asked.lab.code if asked.lab else "", choices=names),
        Field(name="state", label="State", kind="select", value=asked.state, choices=STATES),
        Field(name="age", label="Issued", kind="select", value=asked.age, choices=AGES),
    ]


def _number(count: int) -> str:
    return f"more than {outbox.COUNTED:,}" if count > outbox.COUNTED else f"{count:,}"


def _link(asked: QueryDict, **changes: Any) -> str:
    query = asked.copy()
    query.pop("before", None)
    for name, value in changes.items():
        query.pop(name, None)
        if value is not None:
            query[name] = str(value)
    return "?" + query.urlencode()


# --- on paper -------------------------------------------------------------------------------------------------------------


@require_POST
def print_many(request: HttpRequest) -> HttpResponse:
    """The PDF; or the page that says what was printed before, and asks."""
    what = request.POST.get("what", "")
    numbers = [n for n in dict.fromkeys(request.POST.getlist("order")) if n and "\x00" not in n][: printing.MOST + 1]
    orders = list(
        access.scoped(Order.objects.all(), request.user)
        .filter(number__in=numbers)
        .select_related("lab", "dispense__client")
    )
    back = request.POST.get("back", "")
    here = branch_of(request)
    context: dict[str, Any] = {
        "what": what,
        "back": back if back.startswith("?") else "",
        "orders": orders,
        "zone": here.time_zone if here else "UTC",
    }
    if what in printing.KINDS and orders and "again" not in request.POST:
        earlier = printing.printed_before(orders, "sheets" if what == "sheets" else "labels")
        if earlier and "rest" not in request.POST:
            return render(request, "orders/print.html", context | {"earlier": earlier, "fresh": len(orders) - len(earlier)})
    try:
        made = printing.print_orders(actor=request.user, orders=orders, what=what, again="again" in request.POST)  # type: ignore[arg-type]
    except (Invalid, NotAllowed) as problem:
        words = " ".join(problem.errors.values()) if isinstance(problem, Invalid) else problem.message
        return render(request, "orders/print.html", context | {"trouble": words})
    name = f"{made.orders[0].number}{'' if len(made.orders) == 1 else f'-and-{len(made.orders) - 1}'}-{what}.pdf"
    headers = {"Content-Disposition": f'inline; filename="{name}"', "Cache-Control": "private, no-store"}
    return HttpResponse(made.body, content_type="application/pdf", headers=headers)


# --- from when on an order is late ----------------------------------------------------------------------------------------


class LimitsForm(forms.Form):
    usual_days = Read(
        whole_number(*outbox.USUAL_DAYS), needed="Type a number of days.", label="Days that labs usually take"
    )
    unanswered_hours = Read(
        whole_number(*outbox.UNANSWERED_HOURS),
        needed="Type a number of hours.",
        label="Hours until a lab has said that it has an order",
    )

    def shown(self) -> list[Field]:
        return fields_of(
            self,
            usual_days={
                "kind": "figure",
                "unit": "days",
                "inputmode": "numeric",
                "help": "From issue to dispatch, where the lab has promised no day and has no days of its own.",
            },
            unanswered_hours={"kind": "figure", "unit": "hours", "inputmode": "numeric"},
        )


def limits(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "branch.settings", branch=branch):
        raise PermissionDenied
    row = OutboxLimits.objects.filter(branch=branch).first() or OutboxLimits(branch=branch)
    kept = audit.snapshot(row, outbox.LIMIT_FIELDS)
    form = LimitsForm(request.POST or None, initial=kept)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        try:
            outbox.change_limits(
                actor=request.user,  # type: ignore[arg-type]
                branch=branch,
                seen=request.POST.get("seen", ""),
                **form.cleaned_data,
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("orders:list")
    fields = form.shown()
    labs = access.scoped(Lab.objects.filter(active=True), request.user).order_by("name")
    context = {
        "branch": branch,
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
        "labs": labs,
        "seen": request.POST.get("seen") or audit.token(kept),
    }
    return render(request, "orders/outbox_limits.html", context)


urlpatterns = [
    path("orders/", order_list, name="list"),
    path("orders/print/", print_many, name="print"),
    path("orders/limits/", limits, name="outbox_limits"),
]
