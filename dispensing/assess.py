"""A dispense assessed as it is now, and the reasons that were given for what is unusual about it.

The sheet, the sign-off desk and the issue of an order all ask the same function, so that they cannot disagree.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from django.db import transaction
from django.utils import timezone

from dispensing.case import Case
from dispensing.checks.findings import Finding
from dispensing.checks.registry import everything, registry, told
from dispensing.figures import Figures, compute
from dispensing.gather import case_of
from dispensing.models import Dispense, Reason
from practice import access, audit
from practice.errors import Invalid, Refused
from practice.hold import hold
from practice.models import Staff

SHORTEST_REASON = 4
LONGEST_REASON = 400
# what was judged stands: nothing is asked anew that was not asked then
SETTLED = frozenset({Dispense.State.SIGNED, Dispense.State.ORDERED, Dispense.State.COLLECTED, Dispense.State.CANCELLED})
REASON_STATES = frozenset({Dispense.State.OPEN, Dispense.State.RETURNED, Dispense.State.WAITING, Dispense.State.SIGNED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """What is recorded, what follows from it, what the checks say, and which of that has been answered."""

    case: Case
    figures: Figures
    findings: tuple[Finding, ...]
    reasons: Mapping[str, Reason] = field(default_factory=dict)  # by finding key; only those that still hold
    void_reasons: tuple[Reason, ...] = ()  # given for figures that have changed since

    @property
    def open_stops(self) -> tuple[Finding, ...]:
        """What has to be changed, or entered, before anything can be signed or issued."""
        return tuple(f for f in self.findings if blocks(f))

    @property
    def open_confirms(self) -> tuple[Finding, ...]:
        """What still needs a recorded reason."""
        return tuple(f for f in self.findings if f.severity == "confirm" and f.key not in self.reasons)

    @property
    def tally(self) -> dict[str, int]:
        """How many findings of each severity, all four named."""
        counted = Counter(f.severity for f in self.findings)
        return {severity: counted[severity] for severity in ("stop", "unknown", "confirm", "note")}

    @property
    def ready(self) -> bool:
        """Nothing stops it and every confirm is answered."""
        return not self.open_stops and not self.open_confirms


def blocks(finding: Finding) -> bool:
    """A `stop`, or something a stop-check could not judge because a figure is missing: unknown is not a pass."""
    if finding.severity == "stop":
        return True
    known = registry().get(finding.check)
    return finding.severity == "unknown" and (known is None or known.severity == "stop")


def seen_by(finding: Finding) -> list[list[str]]:
    """The figures a finding rests on, as a reason remembers them: label, value to two decimals, unit; then the limit."""
    rows = [[s.label, s.value if isinstance(s.value, str) else f"{s.value:.2f}", s.unit] for s in finding.seen]
    return [*rows, ["limit", finding.limit, ""]]


def figures_shown(finding: Finding) -> str:
    """What `seen_by` says, short: a form carries it, so that a reason goes only with the figures it was written for."""
    return hashlib.sha256(json.dumps(seen_by(finding)).encode()).hexdigest()[:16]


def assess_dispense(dispense: Dispense, *, today: date | None = None) -> Assessment:
    """Gather, compute and check one dispense as it stands in the database. Changes nothing."""
    return assess_case(
        case_of(dispense, today=today),
        reasons=list(dispense.reasons.select_related("by")),
        settled=dispense.state in SETTLED,
    )


def restricted(dispense: Dispense) -> tuple[str, ...]:
    """Why this client needs a registered person at this branch, by the branch's own rules; empty when they do not."""
    return access.restrictions(dispense.client, dispense.branch, dispense.branch.today())


def needs_signature(dispense: Dispense) -> str | None:
    """Why somebody else has to sign before an order is issued; None when the dispenser may answer alone."""
    if access.is_trainee_at(dispense.dispenser, dispense.branch):
        return "A trainee's dispense is signed by a supervisor before it is ordered."
    why = restricted(dispense)
    if why and not dispense.dispenser.registered:
        return f"This client is {' and '.join(why)}: a registered person has to sign."
    return None


def assess_as_signed(
    dispense: Dispense, *, by: Staff | None = None, case: Case | None = None, reasons: list[Reason] | None = None
) -> Assessment:
    """The assessment as it would be with a signature of `by`, or of some registered supervisor while nobody is named.

    Some findings are answered by the signature itself (a child's spectacles by an unregistered trainee): without this they
    would forbid the very signature they ask for. `case` and `reasons` where they are at hand, else they are fetched.
    """
    case = case or case_of(dispense)
    hands = replace(
        case.hands,
        signed_by=by.display_name if by else "a registered supervisor",
        signer_registered=by.registered if by else True,
        changed_after_signature=False,
    )
    given = list(dispense.reasons.select_related("by")) if reasons is None else reasons
    return assess_case(replace(case, hands=hands), reasons=given)


def assess_to_answer(
    dispense: Dispense, *, by: Staff | None = None, case: Case | None = None, reasons: list[Reason] | None = None
) -> Assessment:
    """What has to be answered before the next step: with the signature it still has to get, if it needs one.

    `case` and `reasons` as they are on record, where they are at hand; else they are fetched.
    """
    before = dispense.state in {Dispense.State.OPEN, Dispense.State.RETURNED} and needs_signature(dispense)
    if before or dispense.state == Dispense.State.WAITING:
        signer = by if dispense.state == Dispense.State.WAITING else None
        return assess_as_signed(dispense, by=signer, case=case, reasons=reasons)
    if case is None:
        return assess_dispense(dispense)
    given = list(dispense.reasons.select_related("by")) if reasons is None else reasons
    return assess_case(case, reasons=given, settled=dispense.state in SETTLED)


def assess_case(case: Case, *, reasons: list[Reason], settled: bool = False) -> Assessment:
    """The same for a Case at hand, e.g. with values that are typed but not saved. `reasons` oldest first.

    What a question explained is asked by itself once that question is answered (`without_symptoms`). `settled`: it was signed or ordered,
    so that of those only what was answered then is shown.
    """
    figures = compute(case)
    found = everything(case, figures)
    by_key = {f.key: f for f in found}
    answered = {r.finding_key for r in reasons if (f := by_key.get(r.finding_key)) and r.seen == seen_by(f)}
    findings = told(found, answered)
    if settled and answered:
        asked = {f.key for f in told(found)} | answered
        findings = tuple(f for f in findings if f.key in asked)
    by_key = {f.key: f for f in findings}
    holding: dict[str, Reason] = {}
    void: dict[str, Reason] = {}
    for reason in reasons:
        finding = by_key.get(reason.finding_key)
        if finding is None:
            continue
        if reason.seen == seen_by(finding):
            holding[reason.finding_key] = reason
        else:
            void[reason.finding_key] = reason
    return Assessment(
        case=case,
        figures=figures,
        findings=findings,
        reasons=holding,
        void_reasons=tuple(r for key, r in void.items() if key not in holding),
    )


def keep_counts(dispense: Dispense, found: Assessment) -> None:
    """What lists show of a dispense. Never the truth: whatever matters is assessed again."""
    stops, confirms = min(len(found.open_stops), 32767), min(len(found.open_confirms), 32767)
    if (dispense.stops, dispense.confirms) != (stops, confirms):
        dispense.stops, dispense.confirms = stops, confirms
        Dispense.objects.filter(pk=dispense.pk).update(stops=stops, confirms=confirms)


def give_reason(*, actor: Staff, dispense: Dispense, finding_key: str, text: str, seen: str | None = None) -> Reason:
    """Record why a `confirm` finding is right this time. Kept with the figures the finding showed; void when they change.

    `seen` is `figures_shown` of the finding as the actor read it: when it shows others now, nothing is recorded.

    Raises NotAllowed, Invalid (field "reason") or Refused (no such finding any more, not one that takes a reason, or a
    state that allows none).
    """
    text = " ".join(text.split())
    if len(text) < SHORTEST_REASON:
        raise Invalid({"reason": "Say in a few words why this is right."})
    if len(text) > LONGEST_REASON:
        raise Invalid({"reason": f"At most {LONGEST_REASON} characters; this is {len(text)}."})
    if "\x00" in text:
        raise Invalid({"reason": "That contains a character that cannot be kept."})
    with transaction.atomic():
        row = hold(Dispense.objects.select_related("group", "branch", "client", "dispenser"), pk=dispense.pk)
        access.require(actor, "reason.give", branch=row.branch, subject=row)
        if row.state not in REASON_STATES:
            raise Refused(f"This dispense is {row.get_state_display()}: it takes no more reasons.")
        if row.state == Dispense.State.SIGNED and access.is_trainee_at(actor, row.branch):
            # a trainee may give one because whoever signs reads it; nobody signs this any more
            raise Invalid({"reason": "It is signed: whoever signed would not read this. Ask them to answer it."})
        found = assess_to_answer(row)
        finding = next((f for f in found.findings if f.key == finding_key), None)
        if finding is None:
            raise Refused("That finding is not there any more.")
        if finding.severity != "confirm":
            raise Refused("A reason does not answer this finding; change what causes it.")
        if seen is not None and seen != figures_shown(finding):
            raise Invalid({"reason": "The figures have changed since you read them: look again, then give the reason."})
        reason = Reason.objects.create(
            dispense=row, finding_key=finding.key, seen=seen_by(finding), text=text, by=actor, at=timezone.now()
        )
        audit.record(
            actor=actor,
            action="dispense.reason",
            subject=f"dispense {row.reference}",
            group=row.group,
            branch=row.branch,
            client=row.client,
            after=_told(finding, text),
        )
        keep_counts(row, assess_to_answer(row))
        return reason


def _told(finding: Finding, text: str) -> dict[str, Any]:
    return {"finding": finding.key, "message": finding.message, "seen": seen_by(finding), "reason": text}
