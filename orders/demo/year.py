"""A year of the group's life before today: pairs ordered, made, measured, handed over and some of them back again.

Templates are the scenario's own orders, which went through the use cases; each is copied in bulk with another client, dates, number,
people and readings. Documents, digests, traces and the audit chain are true to one another (`verify_orders`, `verify_audit`).

The figures are invented, shaped by what is published: about 2 % of pairs not within tolerance (1.8 %, Freeman & Evans 2010; 2.3 %, Beesley
et al. 2022); of the pairs that come back dispensing causes 13 to 22 % and data entry about 7 % (Freeman & Evans 2010; Bist et al. 2021),
the rest mostly the prescription itself. Seasons, labs and methods differ as a story needs it: a third lab was left in the summer.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from zoneinfo import ZoneInfo

from dispensing.models import Dispense
from orders import document as doc
from orders.demo.hours import BRANCH, LAB
from orders.demo.year_people import BATCH, make_clients, make_dispenses
from orders.demo.year_templates import Look, Template, fitting, templates_of
from orders.handover.points import FIT
from orders.models import Collection, FeedHead, Lab, NumberSeries, Order, OrderEvent, ReceiptCheck, ReturnVisit
from orders.receipt.points import points_for
from orders.receipt.typed import understand
from orders.returns.explain import explain
from orders.returns.explain import to_json as explained_json
from orders.returns.typed import understand as understand_worn
from practice import audit
from practice.models import AuditEvent, AuditHead, Branch, Group, Staff

PAIRS = {"SM": 390, "HR": 350, "PC": 240, "FG": 220}
SERIES = 450  # numbers kept free at each branch for the year: more than any branch needs with its re-makes
SEASON = (1.05, 0.95, 1.0, 1.05, 1.0, 0.95, 0.8, 0.7, 1.25, 1.2, 1.1, 0.85)  # January to December
LEFT_LAB = {
    "code": "SALTPAN",
    "name": "Saltpan Lens Shop",
    "address": "3 Drying Ground\nSaltmarsh",
    "email": "desk@saltpan.example",
}
LEFT_DAYS_AGO = 150
LABS = {
    "TIDE": (0.5, 0.014, 4.0),
    "NORTH": (0.36, 0.018, 5.0),
    "SALTPAN": (0.14, 0.07, 7.5),
}  # share, rejected, days to dispatch
BACK = {"single_vision": 0.035, "progressive": 0.085, "degressive": 0.07}
BACK_OTHERWISE = 0.05
CAUSES = {
    "prescription": 52, "measurement": 7, "fit": 8, "design": 5, "entry": 7, "making": 4, "adaptation": 9, "expectation": 3, "damage": 2, "unknown": 3,
}  # fmt: skip
SAYS = {
    "prescription": ("far_blurred", "tired"), "measurement": ("near_blurred", "posture"), "fit": ("slides", "near_blurred"),
    "design": ("side_blurred", "swim"), "entry": ("far_blurred", "one_eye"), "making": ("one_eye", "double"), "adaptation": ("swim", "size"),
    "expectation": ("looks",), "damage": ("damage",), "unknown": ("tired",),
}  # fmt: skip
OUTCOMES = {
    "prescription": ("refer", "remake", "adapt"), "measurement": ("remake",), "fit": ("adjust",), "design": ("remake", "adapt"), "entry": ("remake",),
    "making": ("remake",), "adaptation": ("adapt",), "expectation": ("nothing", "adjust"), "damage": ("adjust", "nothing"), "unknown": ("adapt", "nothing"),
}  # fmt: skip
BEARS = {"prescription": "prescriber", "making": "lab"}


State = Order.State


@dataclass(slots=True)
class _Rows:
    """Everything to write, in the order in which it can be written."""

    orders: list[Order] = field(default_factory=list)
    events: list[OrderEvent] = field(default_factory=list)
    checks: list[ReceiptCheck] = field(default_factory=list)
    collections: list[Collection] = field(default_factory=list)
    visits: list[ReturnVisit] = field(default_factory=list)
    audited: list[AuditEvent] = field(default_factory=list)


def reserve_numbers(branches: Mapping[str, Branch]) -> None:
    """The year's orders have smaller numbers than those of today, which are issued first."""
    for code in PAIRS:
        NumberSeries.objects.update_or_create(branch=branches[code], defaults={"last": SERIES})


def load_year(
    group: Group,
    branches: Mapping[str, Branch],
    now: datetime,
    *,
    pairs: Mapping[str, int] = PAIRS,
    first: int = 1,
    seed: int = 9,
) -> int:
    """`pairs` at each branch, numbered from `first`; how many. To be called inside the transaction that loads the scenario, after it."""
    draw = random.Random(seed)  # noqa: S311  (invented figures)
    labs = {lab.code: lab for lab in group.labs.all()}
    labs["SALTPAN"] = Lab.objects.create(group=group, active=False, **LEFT_LAB)
    templates = list(templates_of(group, draw))
    people = {
        code: [p.staff for p in b.posts.exclude(role="trainee").select_related("staff").order_by("pk")]
        for code, b in branches.items()
    }
    plan = sorted(
        (
            (_day(draw, now, branches[code].time_zone), branches[code], draw.choice(fitting(templates, code)))
            for code, n in pairs.items()
            for _ in range(n)
        ),
        key=lambda p: p[0],
    )
    clients = make_clients(draw, group, plan)
    dispenses = make_dispenses(draw, plan, clients, people)
    numbers = {code: count(first) for code in pairs}
    feeds = {lab.pk: FeedHead.objects.get_or_create(lab=lab)[0] for lab in labs.values()}
    rows = _Rows()
    for (at, branch, template), dispense in zip(plan, dispenses, strict=True):
        _pair(draw, rows, template, dispense, branch, labs, at, now, numbers[branch.code], feeds)
    Order.objects.bulk_create((o for o in rows.orders if o.replaces is None), batch_size=BATCH)
    second = [o for o in rows.orders if o.replaces is not None]
    for order in second:
        order.replaces = order.replaces  # its key is known now
    Order.objects.bulk_create(second, batch_size=BATCH)
    FeedHead.objects.bulk_update(feeds.values(), ["last"])
    later: list[tuple[Any, list[Any]]] = [
        (OrderEvent, rows.events),
        (ReceiptCheck, rows.checks),
        (Collection, rows.collections),
        (ReturnVisit, rows.visits),
    ]
    for model, made in later:
        for row in made:
            row.order = row.order  # its key is known now
        model._default_manager.bulk_create(made, batch_size=BATCH)
    _last_touched(dispenses, rows.events)
    _chain(group, rows.audited)
    return len(plan)


def _last_touched(dispenses: list[Dispense], events: list[OrderEvent]) -> None:
    """The database layer sets the moment of the last change to now; these dispenses ended when their pair was handed over."""
    for event in sorted(events, key=lambda e: e.at):
        event.order.dispense.updated_at = event.at
    Dispense.objects.bulk_update(dispenses, ["updated_at"], batch_size=BATCH)


# --- when -------------------------------------------------------------------------------------------------------------


def _day(draw: random.Random, now: datetime, zone: str) -> datetime:
    """A moment of the last year at which an order was issued: busy and quiet months, opening hours with time for the fitting before."""
    while True:
        at = (now - timedelta(days=draw.randint(12, 372))).astimezone(ZoneInfo(zone))
        at = at.replace(hour=draw.randint(9, 16), minute=draw.randint(0, 59), second=draw.randint(0, 59), microsecond=0)
        if at.weekday() < 6 and draw.random() < SEASON[at.month - 1] / max(SEASON):
            return BRANCH.within(at, zone, before=45, after=10).astimezone(UTC)


# --- one pair ---------------------------------------------------------------------------------------------------------


def _pair(
    draw: random.Random, rows: _Rows, template: Template, dispense: Dispense, branch: Branch, labs: Mapping[str, Lab], at: datetime,
    now: datetime, numbers: Iterator[int], feeds: Mapping[int, FeedHead],
) -> None:  # fmt: skip
    weights = {code: share for code, (share, _, _) in LABS.items() if code != "SALTPAN" or (now - at).days > LEFT_DAYS_AGO}
    lab = labs[draw.choices(list(weights), list(weights.values()))[0]]
    order = _order(rows, template, dispense, branch, lab, at, numbers, feeds, None)
    at = _made(draw, rows, template, order, at, now)
    family = template.document["lens"]["design"]["family"]
    again = [r.method for r in template.readings if r.quantity == "far_pd"]
    chance = BACK.get(family, BACK_OTHERWISE) * (1.3 if branch.code == "FG" else 1.0) * (1.15 if "rule" in again else 1.0)
    if order.state != State.COLLECTED:
        _not_yet(dispense)
    if order.state != State.COLLECTED or draw.random() >= chance:
        return
    visit_at = at + timedelta(days=draw.randint(3, 30), minutes=draw.randint(0, 50))
    visit_at = BRANCH.within(visit_at, branch.time_zone, after=60)
    if visit_at > now - timedelta(hours=2):
        return
    cause = draw.choices(list(CAUSES), list(CAUSES.values()))[0]
    outcome = draw.choice(OUTCOMES[cause])
    _visit(draw, rows, template, order, cause, outcome, visit_at)
    if outcome == "remake":
        order.state, order.cancel_reason = State.RETURNED, "Made again after a return visit."
        second = _order(rows, template, dispense, branch, lab, visit_at + timedelta(minutes=30), numbers, feeds, order)
        _made(draw, rows, template, second, visit_at + timedelta(minutes=30), now)
        if second.state != State.COLLECTED:
            _not_yet(dispense)


def _not_yet(dispense: Dispense) -> None:
    """The pair is not handed over: the dispense was written as if it were."""
    dispense.state = Dispense.State.ORDERED
    Dispense.objects.filter(pk=dispense.pk).update(state=dispense.state)


def _order(
    rows: _Rows, template: Template, dispense: Dispense, branch: Branch, lab: Lab, at: datetime, numbers: Iterator[int],
    feeds: Mapping[int, FeedHead], replaces: Order | None,
) -> Order:  # fmt: skip
    number = f"{branch.code}-{next(numbers):06d}"
    who = dispense.dispenser
    name = who.display_name
    person = {"name": name, "registration_number": who.registration_number or None, "role": "dispenser"}
    changed = {
        "order": {
            **template.document["order"], "number": number, "dispense": dispense.reference,
            "issued_at": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "replaces": None if replaces is None else {"number": replaces.number, "reason": "Made again after a return visit."},
        },
        "client": {**template.document["client"], "name": dispense.client.full_name if branch.name_on_lab_documents else None, "reference": dispense.client.reference},
        "branch": {
            **template.document["branch"], "code": branch.code, "name": f"{branch.group.name}, {branch.name}", "address": branch.address,
            "phone": branch.phone, "time_zone": branch.time_zone,
        },
        "lab": {**template.document["lab"], "code": lab.code, "name": lab.name, "address": lab.address},
        "people": {"dispensed_by": person, "issued_by": person, "signed_by": None},
        "prescription": {**template.document["prescription"], "written_on": dispense.prescription.written_on.isoformat()},  # type: ignore[union-attr]
        "reasons": [
            {**r, "by": name, "at": (at - timedelta(minutes=8)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")} for r in template.document["reasons"]
        ],
    }  # fmt: skip
    text = _canonical(template, changed)
    head = feeds[lab.pk]
    head.last += 1
    order = Order(
        group=branch.group, branch=branch, lab=lab, dispense=dispense, dispense_version=dispense.version, number=number, state=State.COLLECTED,
        feed_position=head.last, waiting=False, document=text, document_sha256=doc.digest(text), schema_version=doc.SCHEMA_VERSION, issued_at=at,
        issued_by=who, replaces=replaces, fetched_at=at + timedelta(minutes=40), version=6,
    )  # fmt: skip
    rows.orders.append(order)
    rows.events.append(OrderEvent(order=order, at=at, kind="issued", by_staff=who, data={"sha256": order.document_sha256}))
    _told(rows, order, who, "order.issued", at, {"sha256": order.document_sha256})
    return order


def _canonical(template: Template, changed: Mapping[str, Any]) -> str:
    """The text `doc.canonical` gives of the template's document with these parts changed: canonical JSON is that of its members in the
    order of their names, so that the parts that stay are written once."""
    if not template.fragments:
        template.fragments = {k: doc.canonical(v) for k, v in template.document.items() if k not in changed}
    members = {**template.fragments, **{k: doc.canonical(v) for k, v in changed.items()}}
    return "{" + ",".join(f"{json.dumps(k)}:{members[k]}" for k in sorted(members)) + "}"


def _made(draw: random.Random, rows: _Rows, template: Template, order: Order, at: datetime, now: datetime) -> datetime:
    """Made, measured, perhaps sent back once, handed over; the moment of the last deed. Stops where today is."""
    _, rejected, days = LABS[order.lab.code]
    staff, zone = order.issued_by, order.branch.time_zone
    today = now - timedelta(hours=3)
    bad = draw.random() < rejected
    looks = [(draw.choice(template.bad), False)] if bad else []
    looks.append((draw.choice(template.good), True))
    taken = LAB.within(at + timedelta(hours=1), zone)
    begun = LAB.within(taken + timedelta(hours=19), zone)
    moment = at
    order.state, at_the_lab = State.ISSUED, [(State.ACKNOWLEDGED, taken), (State.IN_WORK, begun)]
    for look, last in looks:
        sent = LAB.within(
            max(moment + timedelta(hours=24 * draw.uniform(0.6, 1.6) * days), begun + timedelta(hours=3)), zone
        )
        came = BRANCH.within(sent + timedelta(hours=draw.uniform(20, 30)), zone, after=20)
        for state, when in [*at_the_lab, (State.DISPATCHED, sent)]:
            if when > today:
                return moment
            rows.events.append(OrderEvent(order=order, at=when, kind=state.value, by_lab=order.lab))
            order.state, moment = state, when
        if came > today:
            return moment
        _check(rows, template, order, look, came, staff, last)
        order.state = State.PASSED if last else State.REJECTED
        moment, at_the_lab = came + timedelta(minutes=9), []
    collected = BRANCH.within(moment + timedelta(hours=draw.uniform(20, 120)), zone, after=30)
    if collected > today:
        return moment
    order.state = State.COLLECTED
    rows.collections.append(
        Collection(
            order=order, at=collected, by=staff, fit_points=[p.code for p in FIT], marks_rechecked="yes", acuity={"both": "6/6", "near": "N5"}, advice=["clean", "keep"]
        )
    )  # fmt: skip
    rows.events.append(OrderEvent(order=order, at=collected, kind="collected", by_staff=staff))
    _told(rows, order, staff, "collection.recorded", collected, {"dispense": "collected"})
    return collected


def _check(rows: _Rows, template: Template, order: Order, look: Look, at: datetime, staff: Staff, passed: bool) -> None:
    decided, kind = at + timedelta(minutes=6), "passed" if passed else "rejected"
    reason = "" if passed else "Outside tolerance."
    points = [p.code for p in points_for(template.document, statement=order.branch.impact_statement)]
    rows.checks.append(
        ReceiptCheck(
            order=order, at=at, by=staff, standard=look.verdict.standard, typed=look.typed, readings=look.values, verdict=look.stored,
            outcome=look.verdict.outcome, copied=look.verdict.copied, most_used=look.used, points=points, decision=kind, reason=reason,
            statement=order.branch.impact_statement if "impact" in points else "", decided_at=decided, decided_by=staff,
        )
    )  # fmt: skip
    rows.events += [
        OrderEvent(order=order, at=at, kind="received", by_staff=staff),
        OrderEvent(
            order=order,
            at=at,
            kind="checked",
            by_staff=staff,
            data={"outcome": look.verdict.outcome, "standard": look.verdict.standard},
        ),
        OrderEvent(order=order, at=decided, kind=kind, by_staff=staff, note=reason),
    ]
    if not passed:
        order.rejected_at, order.reject_reason = decided, reason
    _told(rows, order, staff, f"receipt.{kind}", decided, {"state": kind, "outcome": look.verdict.outcome})


def _visit(
    draw: random.Random, rows: _Rows, template: Template, order: Order, cause: str, outcome: str, at: datetime
) -> None:
    typed: dict[str, str] = {}
    slip = {"fit": 3.0, "measurement": 3.5, "entry": 2.0}.get(cause, 0.5)
    for eye in ("right", "left"):
        c = template.document["lenses"][eye]["centration"]
        if c["height"]:
            typed[f"{eye}.height"] = f"{float(c['height']) + slip:.1f}"
        if c["far_pd"]:
            typed[f"{eye}.pd"] = f"{float(c['far_pd']) + (1.5 if cause == 'measurement' else 0.0):.1f}"
    measured = understand_worn(typed)
    said = list(SAYS[cause])
    found = explain(
        template.document,
        readings=understand(template.document, template.good[0].typed).readings,
        now=measured.now,
        complaints=tuple(said),
    )
    decided = at + timedelta(minutes=20)
    rows.visits.append(
        ReturnVisit(
            order=order, at=at, by=order.issued_by, complaints=said, typed=typed, measured=measured.values, explained=explained_json(found), outcome=outcome,
            cause=cause, bears=BEARS.get(cause, "branch") if outcome == "remake" else "", note="Looked at together." if outcome in ("remake", "refer") else "",
            look_again_on=(at + timedelta(days=14)).date() if outcome == "adapt" else None, decided_at=decided, decided_by=order.issued_by,
        )
    )  # fmt: skip
    rows.events += [
        OrderEvent(order=order, at=at, kind="return_visit", by_staff=order.issued_by),
        OrderEvent(
            order=order,
            at=decided,
            kind="return_decided",
            by_staff=order.issued_by,
            data={"outcome": outcome, "cause": cause},
        ),
    ]
    _told(rows, order, order.issued_by, "return.decided", decided, {"outcome": outcome})


# --- audit ------------------------------------------------------------------------------------------------------------


def _told(rows: _Rows, order: Order, staff: Staff, action: str, at: datetime, after: dict[str, Any]) -> None:
    rows.audited.append(
        AuditEvent(
            group=order.group, branch=order.branch, client=order.dispense.client, at=at, actor=staff, actor_name=staff.display_name[:160],
            action=action, subject=f"order {order.number}"[:80], before={}, after=after,
        )
    )  # fmt: skip


def _chain(group: Group, events: list[AuditEvent]) -> None:
    """What `audit.record` does, for many rows under one lock. They hold states and digests only, so nothing is kept beside the chain."""
    head = AuditHead.objects.select_for_update().get(group=group)
    events.sort(key=lambda e: e.at)
    for event in events:
        event.sequence, event.previous_digest = head.sequence + 1, head.digest
        event.digest = audit.digest_of(event)
        head.sequence, head.digest = event.sequence, event.digest
    AuditEvent.objects.bulk_create(events, batch_size=BATCH)
    head.save(update_fields=["sequence", "digest"])
