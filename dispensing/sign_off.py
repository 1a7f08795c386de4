"""Sign-off: a dispense is put forward, and somebody else answers for it or returns it.

    open ──put forward──→ waiting ──sign──→ signed ──issue──→ ordered
      ↑                      │                 │
      └──────── change ──────┴──── return ─────┴→ returned ──put forward──→ waiting

What a signature covers is frozen with it: the Case, the figures, the findings and the reasons as canonical JSON with its
SHA-256. Any later change lifts the signature (`lift_signature`, called by whatever changes a dispense).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils import timezone

from dispensing.assess import (
    Assessment,
    assess_as_signed,
    assess_dispense,
    keep_counts,
    needs_signature,
    restricted,
)
from dispensing.models import Dispense, Remark, Signature
from dispensing.own_work import own_work
from dispensing.prepared import Prepared
from dispensing.record.base import ORDER_OF_PARTS
from dispensing.snapshot import seal
from practice import access, audit, cover, proof
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.hold import hold
from practice.models import Staff

__all__ = [
    "current_signature",
    "lift_signature",
    "may_issue",
    "needs_signature",
    "newest_decision",
    "open_remarks",
    "put_forward",
    "remark_places",
    "restricted",
    "return_to_dispenser",
    "sign",
    "take_over",
    "why_not_issue",
    "why_not_sign",
]

LONGEST_COMMENT = 2000
LONGEST_REMARK = 400
State = Dispense.State
Decision = Signature.Decision


_LAST = Prepared(
    lambda dispense: Signature.objects.filter(dispense=dispense).select_related("by").order_by("-at", "-id")[:1], "dispense"
)


# --- questions --------------------------------------------------------------------------------------------------------


def current_signature(dispense: Dispense) -> Signature | None:
    """The signature that covers the dispense exactly as it is now, if there is one."""
    last = _LAST.rows(dispense=dispense.pk)
    if not last or last[0].decision != Decision.SIGNED or last[0].dispense_version != dispense.version:
        return None
    return last[0]


def remark_places() -> frozenset[str]:
    """What a comment can be tied to: every field of the sheet, and each part as a whole."""
    from dispensing import forms  # built on the use cases of this floor

    return frozenset(forms.all_specs()) | frozenset(ORDER_OF_PARTS)


def open_remarks(dispense: Dispense) -> list[Remark]:
    """What the last return said of single fields, while the dispense is still returned. No query in any other state."""
    if dispense.state != State.RETURNED:
        return []
    last = dispense.signatures.filter(decision=Decision.RETURNED).last()
    return list(last.remarks.select_related("signature__by")) if last else []


def why_not_issue(*, actor: Staff, dispense: Dispense, found: Assessment | None = None) -> str | None:
    """Why this dispense cannot be ordered by this person now; None when it can.

    The dispense is assessed again unless `found` is given. Order: permission, signature, what the checks say.
    """
    signature = current_signature(dispense)
    no = access.why_not(
        actor,
        "order.issue",
        branch=dispense.branch,
        subject=dispense,
        restricted=restricted(dispense),
        signed_by_registered=bool(signature and signature.by.registered),
    )
    if no is not None:
        return no
    if dispense.state not in {State.OPEN, State.RETURNED, State.SIGNED}:
        return f"This dispense is {dispense.get_state_display()}."
    must = needs_signature(dispense)
    if must is not None and (dispense.state != State.SIGNED or signature is None):
        return must
    return _unanswered(found or assess_dispense(dispense), "ordered")


def why_not_sign(*, actor: Staff, dispense: Dispense) -> str | None:
    """Why this person may not answer for this dispense, whatever its state; None when they may."""
    return access.why_not(
        actor,
        "dispense.sign",
        branch=dispense.branch,
        subject=dispense,
        restricted=restricted(dispense),
        own_work=own_work(actor, dispense),
    )


def may_issue(*, actor: Staff, dispense: Dispense, found: Assessment | None = None) -> bool:
    return why_not_issue(actor=actor, dispense=dispense, found=found) is None


def _unanswered(found: Assessment, done: str) -> str | None:
    stops, confirms = len(found.open_stops), len(found.open_confirms)
    if stops:
        return f"It cannot be {done} yet: {stops} finding{'s' * (stops != 1)} must be cleared first. {found.open_stops[0].message}"
    if confirms:
        return f"It cannot be {done} yet: {confirms} finding{'s' * (confirms != 1)} need{'s' * (confirms == 1)} a recorded reason."
    return None


# --- deeds ------------------------------------------------------------------------------------------------------------


def put_forward(
    *, actor: Staff, dispense: Dispense, version: int, comment: str = "", last_seen: int | None = None
) -> Signature:
    """Ask for a signature. Refused while something stops it: a supervisor is asked about judgement, not about gaps.

    `last_seen`, here and below: the newest decision that the page showed (its key; 0 for none). Where somebody has decided since,
    nothing is done (Conflict, with who and what): two who decide at once are never both heard.
    """
    comment = _comment(comment)
    with transaction.atomic():
        row = _locked(dispense, version, actor, last_seen)
        access.require(actor, "dispense.put_forward", branch=row.branch, subject=row)
        if row.state not in {State.OPEN, State.RETURNED}:
            raise Refused(f"This dispense is {row.get_state_display()}; it cannot be put forward.")
        found = assess_as_signed(row)
        keep_counts(row, found)
        if found.open_stops:
            raise Refused(_unanswered(found, "put forward") or "")
        return _decide(row, actor, Decision.SUBMITTED, State.WAITING, comment)


def sign(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    password: str,
    address: str = "",
    known: str = "",
    comment: str = "",
    seen_sha256: str = "",
    last_seen: int | None = None,
) -> Signature:
    """Answer for a dispense. Asks for the password again, or the code of the second factor; stores what was seen.

    `seen_sha256` is the digest of what the page showed: when the same assessment now gives another one, nothing is signed
    (Conflict). Raises NotAllowed, Refused (state, stop, open confirm) or Invalid (field "password" or "comment").
    """
    comment = _comment(comment)
    # before the transaction, so that a wrong try is counted although nothing else is saved
    proof.prove(actor=actor, secret=password, address=address, known=known, why="to sign")
    with transaction.atomic():
        row = _locked(dispense, version, actor, last_seen)
        no = why_not_sign(actor=actor, dispense=row)
        if no is not None:
            raise NotAllowed(no)
        if row.state != State.WAITING:
            raise Refused(f"This dispense is {row.get_state_display()}; only what was put forward is signed.")
        found = assess_as_signed(row, by=actor)
        keep_counts(row, found)
        no = _unanswered(found, "signed")
        if no is not None:
            raise Refused(no)
        text, digest = seal(found)
        if seen_sha256 and seen_sha256 != digest:
            raise Conflict("What you were shown is no longer what is recorded. Look again, then sign.")
        return _decide(row, actor, Decision.SIGNED, State.SIGNED, comment, snapshot=text, digest=digest)


def return_to_dispenser(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    comment: str,
    remarks: Sequence[tuple[str, str]] = (),
    last_seen: int | None = None,
) -> Signature:
    """Give a dispense back with a comment that says what to look at, and comments on single fields.

    `remarks`: (path of a field or name of a part, text). Raises Invalid ("comment", "remark.<n>") when nothing is said.
    """
    comment = _comment(comment)
    tied = _remarks(remarks)
    if not comment and not tied:
        raise Invalid({"comment": "Say what should be looked at again."})
    with transaction.atomic():
        row = _locked(dispense, version, actor, last_seen)
        access.require(actor, "dispense.return", branch=row.branch, subject=row)
        if row.state not in {State.WAITING, State.SIGNED}:
            raise Refused(f"This dispense is {row.get_state_display()}; it cannot be returned.")
        return _decide(row, actor, Decision.RETURNED, State.RETURNED, comment, remarks=tied)


def take_over(*, actor: Staff, dispense: Dispense, version: int, last_seen: int | None = None) -> Dispense:
    """Become the dispenser of somebody else's dispense, and answer for it from now on (so one cannot also sign it)."""
    with transaction.atomic():
        row = _locked(dispense, version, actor, last_seen)
        access.require(actor, "dispense.take_over", branch=row.branch, subject=row)
        if row.state not in {State.OPEN, State.RETURNED, State.WAITING}:
            raise Refused(f"This dispense is {row.get_state_display()}; it cannot be taken over.")
        if row.dispenser_id == actor.pk:
            raise Refused("This is your dispense already.")
        before = row.dispenser
        row.dispenser, row.state, row.updated_by = actor, State.OPEN, actor
        row.version += 1
        row.save(update_fields=["dispenser", "state", "updated_by", "version", "updated_at"])
        Signature.objects.create(
            dispense=row,
            decision=Decision.TAKEN,
            by=actor,
            at=timezone.now(),
            comment=f"From {before.display_name}.",
            dispense_version=row.version,
        )
        _told(row, actor, "dispense.taken_over", {"dispenser": before.pk}, {"dispenser": actor.pk})
        return row


def lift_signature(*, actor: Staff, dispense: Dispense) -> None:
    """Something has changed since the dispense was put forward or signed: it is open again.

    Called inside the transaction of the change, with the row locked; the caller saves `state` with its own fields.
    Nothing happens in other states.
    """
    before = dispense.state
    if before == State.SIGNED:
        Signature.objects.create(
            dispense=dispense, decision=Decision.LIFTED, by=actor, at=timezone.now(), dispense_version=dispense.version
        )
    elif before != State.WAITING:
        return
    dispense.state = State.OPEN
    action = "dispense.signature_lifted" if before == State.SIGNED else "dispense.put_forward_lapsed"
    _told(dispense, actor, action, {"state": before}, {"state": State.OPEN})


# --- the common part --------------------------------------------------------------------------------------------------


def _comment(text: str) -> str:
    text = text.replace("\r\n", "\n").strip()
    if len(text) > LONGEST_COMMENT:
        raise Invalid({"comment": f"At most {LONGEST_COMMENT} characters; this is {len(text)}."})
    if "\x00" in text:
        raise Invalid({"comment": "That contains a character that cannot be kept."})
    return text


def _remarks(remarks: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    errors: dict[str, str] = {}
    said: list[tuple[str, str]] = []
    for number, (at, text) in enumerate(remarks):
        text = " ".join(text.split())
        if not at and not text:
            continue
        if not at:
            errors[f"remark.{number}"] = "Choose what this is about."
        elif at not in remark_places():
            errors[f"remark.{number}"] = "That is not on the sheet."
        elif not text:
            errors[f"remark.{number}"] = "Say what should be looked at there, or choose nothing."
        elif len(text) > LONGEST_REMARK:
            errors[f"remark.{number}"] = f"At most {LONGEST_REMARK} characters; this is {len(text)}."
        elif "\x00" in text:
            errors[f"remark.{number}"] = "That contains a character that cannot be kept."
        else:
            said.append((at, text))
    if errors:
        raise Invalid(errors)
    return said


def newest_decision(dispense: Dispense) -> int:
    """The key of the last decision on a dispense; 0 where there was none."""
    return dispense.signatures.order_by("-pk").values_list("pk", flat=True).first() or 0


def _locked(dispense: Dispense, version: int, actor: Staff, last_seen: int | None) -> Dispense:
    row = hold(Dispense.objects.select_related("group", "branch", "client", "dispenser"), pk=dispense.pk)
    if last_seen is not None:
        since = row.signatures.select_related("by").order_by("-pk").first()
        if since is not None and since.pk != last_seen:
            who = "you" if since.by_id == actor.pk else since.by.display_name
            at = since.at.astimezone(ZoneInfo(row.branch.time_zone))
            raise Conflict(
                f"Decided since this page was opened: {since.get_decision_display()} by {who}, {at:%H:%M}."
                " Look again; nothing was saved."
            )
    if row.version != version:
        raise Conflict("This dispense has changed since you opened it. Look again; nothing was saved.")
    return row


def _decide(
    row: Dispense,
    actor: Staff,
    decision: Decision,
    state: State,
    comment: str,
    *,
    snapshot: str = "",
    digest: str = "",
    remarks: Sequence[tuple[str, str]] = (),
) -> Signature:
    deciding = decision in {Decision.SIGNED, Decision.RETURNED}
    absent = cover.covering_for(actor, row.dispenser, row.branch) if deciding else None
    signature = Signature.objects.create(
        dispense=row,
        covering_for=absent,
        decision=decision,
        by=actor,
        at=timezone.now(),
        comment=comment,
        dispense_version=row.version,
        snapshot=snapshot,
        snapshot_sha256=digest,
    )
    Remark.objects.bulk_create(Remark(signature=signature, path=at, text=text) for at, text in remarks)
    before, row.state = row.state, state
    row.save(update_fields=["state", "updated_at"])
    after: dict[str, Any] = {"state": state, "comment": comment, "version": row.version}
    if digest:
        after["seen_sha256"] = digest
    if absent is not None:
        after["covering_for"] = absent.display_name
    if remarks:
        after["remarks"] = [f"{at}: {text}" for at, text in remarks]
    words = {Decision.SUBMITTED: "put_forward", Decision.SIGNED: "signed", Decision.RETURNED: "returned"}
    _told(row, actor, f"dispense.{words[decision]}", {"state": before}, after)
    return signature


def _told(row: Dispense, actor: Staff, action: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    audit.record(
        actor=actor,
        action=action,
        subject=f"dispense {row.reference}",
        group=row.group,
        branch=row.branch,
        client=row.client,
        before=before,
        after=after,
    )
