"""Issuing, cancelling and replacing an order. What is issued never changes: a correction is a new order that points to the old.

    dispense signed (or its dispenser may answer alone) ──issue──→ order at a lab ──cancel──→ dispense open to change again
                                                                       └────replace───→ cancelled, and a new order that says so

Each is one transaction. Rows are locked in one order everywhere (dispense, order, branch's number series, lab's feed, audit),
so that two of them cannot wait for each other for ever.
"""

from __future__ import annotations

import re
from typing import Any, TypeVar

from django.db import models, transaction
from django.utils import timezone

from dispensing import sign_off
from dispensing.assess import Assessment, assess_dispense
from dispensing.checks.thresholds import limits_in_force
from dispensing.models import Dispense
from orders import document as doc
from orders import unlike
from orders.errors import OrderRefused
from orders.models import FeedHead, Lab, NumberSeries, Order, OrderEvent
from orders.webhooks.outbox import announce
from practice import access, audit
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.hold import hold
from practice.models import Branch, Staff

Row = TypeVar("Row", bound=models.Model)
LONGEST_REASON = 400
CAUTIONS = (
    "Made to the ordered powers and centration. If figures here do not agree with each other, ask the branch before making.",
    "The law and the safety standards of the place where the spectacles are supplied come first.",
)
CANCELLABLE = (
    Order.State.ISSUED,
    Order.State.ACKNOWLEDGED,
    Order.State.IN_WORK,
    Order.State.CANNOT_MAKE,
    Order.State.REJECTED,
)
OVER = (Order.State.CANCELLED, Order.State.RETURNED)  # another order may stand in for one of these


# --- numbers and places in the feed ---------------------------------------------------------------------------------------


def _held(rows: models.Manager[Row], **key: Any) -> Row:
    """The one row of its kind, locked until the transaction ends; made the first time it is asked for."""
    held = rows.select_for_update().filter(**key).first()
    if held is None:
        rows.get_or_create(**key)
        held = rows.select_for_update().get(**key)
    return held


def take_number(branch: Branch) -> str:
    """The next order number of a branch: its code and a count without gaps. Held until the transaction ends.

    A code that another branch had before has numbers already: the count goes on after the last of them.
    """
    series = _held(NumberSeries.objects, branch=branch)
    series.last += 1
    prefix = _prefix(branch)
    given = Order.objects.filter(group=branch.group_id)
    if given.filter(number=_number(prefix, series.last)).exists():
        taken = given.filter(number__startswith=f"{prefix}-").values_list("number", flat=True)
        series.last = max(int(number.removeprefix(f"{prefix}-")) for number in taken) + 1
    series.save(update_fields=["last"])
    return _number(prefix, series.last)


def _number(prefix: str, count: int) -> str:
    return f"{prefix}-{count:06d}"


def _prefix(branch: Branch) -> str:
    """The branch's code as it can stand in an address and a barcode; one that had to be altered is kept apart by the branch's key."""
    plain = re.sub(r"[^A-Z0-9]", "", branch.code.upper())
    return plain if plain and plain == branch.code else f"{plain or 'B'}{branch.pk}"


def take_feed_position(lab: Lab) -> int:
    """The next place in a lab's feed.

    The lock is held until the transaction ends, so that places become visible in their order: a lab that has read up to a
    place has met everything before it.
    """
    head = _held(FeedHead.objects, lab=lab)
    head.last += 1
    head.save(update_fields=["last"])
    return head.last


def lock_ahead(branch: Branch | None, *labs: Lab) -> None:
    """Take the locks of a deed that needs several, in the one order that everybody keeps: series, then feeds by key."""
    if branch is not None:
        _held(NumberSeries.objects, branch=branch)
    for lab in sorted({lab.pk: lab for lab in labs}.values(), key=lambda each: each.pk):
        _held(FeedHead.objects, lab=lab)


# --- what would be sent ---------------------------------------------------------------------------------------------------


def live_order(dispense: Dispense) -> Order | None:
    return Order.objects.filter(dispense=dispense).exclude(state__in=OVER).select_related("lab").first()


def order_to_replace(dispense: Dispense) -> Order | None:
    """The last order of this dispense that was cancelled, or came back from its client, and that no other stands in for."""
    return (
        Order.objects.filter(dispense=dispense, state__in=OVER, replaced_by=None).order_by("-cancelled_at", "-pk").first()
    )


def labs_for(staff: Staff) -> models.QuerySet[Lab]:
    return access.scoped(Lab.objects.filter(active=True), staff).order_by("name")


def document_for(
    *, dispense: Dispense, found: Assessment, lab: Lab, actor: Staff, number: str, replaces: Order | None
) -> dict[str, Any]:
    """The document as it would be issued now. Raises Refused when something an order cannot do without is not known."""
    branch, client = dispense.branch, dispense.client
    signature = sign_off.current_signature(dispense)
    confirmed = [
        doc.Confirmed(finding=f, reason=r.text, by=r.by.display_name, at=r.at)
        for f in found.findings
        if (r := found.reasons.get(f.key)) is not None
    ]
    meta = doc.OrderMeta(
        number=number,
        issued_at=timezone.now(),
        dispense=dispense.reference,
        branch=doc.Place(
            code=branch.code,
            name=branch.name,
            address=branch.address,
            phone=branch.phone,
            time_zone=branch.time_zone,
        ),
        lab=doc.Place(code=lab.code, name=lab.name, address=lab.address),
        client_reference=client.reference,
        client_name=client.full_name if branch.name_on_lab_documents else None,
        dispensed_by=_signatory(dispense.dispenser, branch),
        signed_by=_signatory(signature.by, branch) if signature else None,
        issued_by=_signatory(actor, branch),
        replaces=doc.Replaced(number=replaces.number, reason=replaces.cancel_reason) if replaces else None,
        cautions=CAUTIONS,
    )
    try:
        return doc.build(found.case, found.figures, confirmed, meta)
    except doc.CannotDocument as error:
        raise Refused(f"The order cannot be written yet. Not known: {', '.join(error.missing)}.") from error


def unlike_signed(
    *, dispense: Dispense, content: dict[str, Any], lab: Lab, actor: Staff, replaces: Order | None
) -> unlike.Unlike | None:
    """Why a document that would be sent is not what the signature of its dispense covers; None when it is, or nothing is signed."""

    def write(found: Assessment) -> dict[str, Any]:
        number = content["order"]["number"]
        return document_for(dispense=dispense, found=found, lab=lab, actor=actor, number=number, replaces=replaces)

    return unlike.unlike_signed(sign_off.current_signature(dispense), content, write)


def _signatory(person: Staff, branch: Branch) -> doc.Signatory:
    return doc.Signatory(
        name=person.display_name,
        role=access.role_at(person, branch) or "",
        registration_number=person.registration_number,
    )


# --- deeds ----------------------------------------------------------------------------------------------------------------


@transaction.atomic
def issue_order(*, actor: Staff, dispense: Dispense, lab: Lab, version: int | None = None) -> Order:
    """Send a dispense to a lab. Issued twice (a double click, a repeated request), it is the same order.

    The checks run again here, on what is recorded now: no stop, nothing blocking unknown, every confirm with its reason.
    `version` is that of the dispense as the page showed it. Raises NotAllowed, Conflict, Invalid (field "lab") or Refused.
    """
    row = _lock_dispense(dispense)
    if lab.group_id != row.group_id or not lab.active:
        raise Invalid({"lab": "Choose one of your labs."})
    there = live_order(row)
    if there is not None:
        signature = sign_off.current_signature(row)
        access.require(
            actor,
            "order.issue",
            branch=row.branch,
            subject=row,
            restricted=sign_off.restricted(row),
            signed_by_registered=bool(signature and signature.by.registered),
        )
        if there.lab_id != lab.pk:
            raise Refused(f"This dispense is already at {there.lab.name} as order {there.number}.")
        return there
    if version is not None and version != row.version:
        raise Conflict("This dispense has changed since you looked at it. Look again before it is ordered.")
    return _issue(actor=actor, row=row, lab=lab)


@transaction.atomic
def cancel_order(*, actor: Staff, order: Order, reason: str, version: int | None = None) -> Order:
    """Take an order back. The lab meets it again in its feed, cancelled; the dispense is open to change.

    Cancelling twice is the same as once. Raises NotAllowed, Conflict, Invalid (field "reason") or Refused (dispatched).
    """
    dispense, row = _lock_both(order)
    access.require(actor, "order.cancel", branch=row.branch, subject=dispense)
    if row.state == Order.State.CANCELLED:
        return row
    return _cancel(actor=actor, dispense=dispense, row=row, reason=reason, version=version)


@transaction.atomic
def replace_order(*, actor: Staff, order: Order, lab: Lab, reason: str, version: int | None = None) -> Order:
    """Cancel an order and issue the dispense anew, as it is recorded now, to this or another lab; both or neither."""
    dispense, row = _lock_both(order)
    access.require(actor, "order.replace", branch=row.branch, subject=dispense)
    if lab.group_id != row.group_id or not lab.active:
        raise Invalid({"lab": "Choose one of your labs."})
    if row.state == Order.State.CANCELLED:
        later = Order.objects.filter(replaces=row).select_related("lab", "issued_by").first()
        if later is None:
            raise Refused("This order is already cancelled. Issue the dispense again from its sheet.")
        if later.lab_id != lab.pk:
            raise Refused(
                f"{later.issued_by.display_name} has sent it to {later.lab.name} already, as order {later.number}."
                " Nothing more was sent."
            )
        return later
    lock_ahead(row.branch, row.lab, lab)
    _cancel(actor=actor, dispense=dispense, row=row, reason=reason, version=version)
    return _issue(actor=actor, row=dispense, lab=lab)


# --- their common part ----------------------------------------------------------------------------------------------------


def _lock_dispense(dispense: Dispense) -> Dispense:
    return hold(Dispense.objects.select_related("group", "branch", "client", "dispenser"), pk=dispense.pk)


def _lock_both(order: Order) -> tuple[Dispense, Order]:
    dispense = _lock_dispense(order.dispense)
    row = Order.objects.select_for_update(of=("self",)).select_related("group", "branch", "lab").get(pk=order.pk)
    return dispense, row


def _issue(*, actor: Staff, row: Dispense, lab: Lab) -> Order:
    found = assess_dispense(row)
    no = sign_off.why_not_issue(actor=actor, dispense=row, found=found)
    if no is not None:
        allowed = access.may(actor, "order.issue", branch=row.branch, subject=row, signed_by_registered=True)
        raise Refused(no) if allowed else NotAllowed(no)
    replaces = order_to_replace(row)
    number = take_number(row.branch)
    with access.looked_up_once():  # what is written, of the same people twice; what is allowed was asked before
        content = document_for(dispense=row, found=found, lab=lab, actor=actor, number=number, replaces=replaces)
        other = unlike_signed(dispense=row, content=content, lab=lab, actor=actor, replaces=replaces)
    if other is not None:
        raise Refused(other.message)
    text = doc.canonical(content)
    now = timezone.now()
    order = Order.objects.create(
        group=row.group,
        branch=row.branch,
        lab=lab,
        dispense=row,
        dispense_version=row.version,
        number=number,
        feed_position=take_feed_position(lab),
        document=text,
        document_sha256=doc.digest(text),
        schema_version=doc.SCHEMA_VERSION,
        issued_at=now,
        issued_by=actor,
        replaces=replaces,
    )
    judged_by = limits_in_force(found.case.rules.limits)
    OrderEvent.objects.create(
        order=order, at=now, kind="issued", by_staff=actor, data={"sha256": order.document_sha256, "judged_by": judged_by}
    )
    if replaces is not None:
        OrderEvent.objects.create(order=replaces, at=now, kind="replaced", by_staff=actor, data={"by": number})
    announce(order, "issued", now)
    before, row.state = row.state, Dispense.State.ORDERED
    row.save(update_fields=["state", "updated_at"])
    _told(
        actor,
        "order.issued",
        order,
        row,
        {"dispense": before},
        {
            "dispense": row.state,
            "lab": lab.code,
            "sha256": order.document_sha256,
            "judged_by": judged_by,
            **({"replaces": replaces.number} if replaces else {}),
        },
    )
    return order


def _cancel(*, actor: Staff, dispense: Dispense, row: Order, reason: str, version: int | None) -> Order:
    words = " ".join(reason.split())
    if len(words) < 4 or len(words) > LONGEST_REASON or "\x00" in words:
        raise Invalid({"reason": f"Say why, in 4 to {LONGEST_REASON} characters: the lab reads it."})
    if version is not None and version != row.version:
        raise Conflict("The lab or somebody here has moved this order on since you looked. Look again.")
    if row.state not in CANCELLABLE:
        raise OrderRefused("order-further-on", f"This order is {row.get_state_display()}: it cannot be cancelled any more.")
    before = row.state
    now = timezone.now()
    row.state, row.waiting = Order.State.CANCELLED, True
    row.cancelled_at, row.cancel_reason = now, words
    row.feed_position = take_feed_position(row.lab)
    row.version += 1
    row.save(update_fields=["state", "waiting", "cancelled_at", "cancel_reason", "feed_position", "version"])
    OrderEvent.objects.create(order=row, at=now, kind="cancelled", by_staff=actor, note=words, data={"was": before})
    announce(row, "cancelled", now)
    if dispense.state == Dispense.State.ORDERED:
        signed = sign_off.current_signature(dispense) is not None
        dispense.state = Dispense.State.SIGNED if signed else Dispense.State.OPEN
        dispense.save(update_fields=["state", "updated_at"])
    _told(
        actor,
        "order.cancelled",
        row,
        dispense,
        {"state": before},
        {"state": row.state, "reason": words, "dispense": dispense.state},
    )
    return row


def _told(
    actor: Staff, action: str, order: Order, dispense: Dispense, before: dict[str, Any], after: dict[str, Any]
) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"order {order.number}",
        group=dispense.group,
        branch=dispense.branch,
        client=dispense.client,
        before=before,
        after=after,
    )
