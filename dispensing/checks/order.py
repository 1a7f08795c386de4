"""Checks of who did it, who answers for it, and whether it may go out."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View


@check(
    "order.changed-after-signature",
    "stop",
    "Something was changed after signing",
    family="order",
    source="what is ordered is what was signed",
    confidence="common practice",
    needs=("hands.changed_after_signature", "hands.signed_by"),
)
def changed_after_signature(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a signature is for what was seen. After a change it has to be given again.
    Fires: signed, then the PD was corrected.
    Silent: signed and unchanged.
    """
    if v.case.hands.changed_after_signature:
        yield found(
            "Changed after it was signed.",
            "hands.signed_by",
            seen=(("Signed by", v.case.hands.signed_by or "", ""),),
            resolution="Have it signed again.",
        )


@check(
    "order.restricted",
    "stop",
    "A restricted client without a registered person",
    family="order",
    source="branch setting; UK Opticians Act 1989 s.27: under 16, sight-impaired; ABDO C7.1.1",
    confidence="law",
    needs=(
        "person.age_years",
        "person.sight_impaired",
        "hands.dispenser",
        "hands.dispenser_registered",
        "hands.signed_by",
        "hands.signer_registered",
    ),
)
def restricted(v: View, found: Finder) -> Iterator[Finding]:
    """Why: for a child or a person registered sight-impaired, many places want a registered person to dispense or supervise.
    Fires: age 14, dispenser not registered, signed by nobody registered.
    Silent: age 14 with a registered dispenser; a branch without such a rule; a trainee's dispense signed by a registered supervisor.
    """
    case = v.case
    below = case.rules.restricted_below_age
    child = below is not None and v.age is not None and v.age < below
    if not child and not case.person.sight_impaired:
        return
    hands = case.hands
    if hands.dispenser_registered or hands.signer_registered:
        return
    waiting = bool(hands.dispenser) and hands.signed_by is None
    who = f"A client of {int(v.age)} years" if child and v.age is not None else "A client registered sight-impaired"
    yield found(
        f"{who}: a registered person has to dispense or sign."
        if waiting
        else f"{who}, and no registered person dispensed or signed.",
        "hands.signed_by",
        "person.age_years" if child else "person.sight_impaired",
        seen=(
            ("Age", int(v.age) if v.age is not None else "not known", "years"),
            ("Dispensed by", hands.dispenser or "not recorded", ""),
        ),
        limit=f"below {below} years" if child else "registered sight-impaired",
        severity="unknown" if waiting else "stop",
        missing=("hands.signed_by",) if waiting else (),
        resolution="Have a registered dispenser or supervisor check and sign it.",
    )


@check(
    "order.trainee-signs-own",
    "stop",
    "A trainee signed their own work",
    family="order",
    source="supervision of trainees, ABDO C4",
    confidence="published",
    needs=("hands.dispenser", "hands.dispenser_role", "hands.signed_by"),
)
def trainee_signs_own(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a trainee's dispense is signed by the person who supervises.
    Fires: dispensed and signed by the same trainee.
    Silent: signed by the supervisor; a registered dispenser who signs their own.
    """
    hands = v.case.hands
    if hands.dispenser_role == "trainee" and hands.signed_by and hands.signed_by == hands.dispenser:
        yield found(
            "A trainee signed their own dispense.",
            "hands.signed_by",
            seen=(("Signed by", hands.signed_by, ""),),
            resolution="Have the supervisor check and sign it.",
        )


@check(
    "order.copy-of-open",
    "confirm",
    "The same pair is already on order",
    family="order",
    source="duplicates in data entry",
    confidence="common practice",
    needs=("hands.open_order_for_same_pair",),
)
def copy_of_open(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a dispense that was copied, or sent twice, is made and paid twice.
    Fires: an order with the same powers and frame is still open for this client.
    Silent: the other order was collected or cancelled; another frame.
    """
    if v.case.hands.open_order_for_same_pair:
        yield found(
            "The same pair is already on order for this client.",
            "hands.open_order_for_same_pair",
            resolution="Look at the open order; record the reason if a second pair is meant.",
        )


@check(
    "order.age",
    "stop",
    "The client's age is impossible",
    family="order",
    source="date of birth against today",
    confidence="derived",
    needs=("person.age_years",),
)
def age(v: View, found: Finder) -> Iterator[Finding]:
    """Why: age decides what is plausible and who may dispense; a wrong date of birth switches those checks off.
    Fires: age −3; age 131.
    Silent: age 0.3; age 98.
    """
    if v.age is not None and not 0 <= v.age <= 115:
        yield found(
            f"An age of {v.age:.0f} years.",
            "person.age_years",
            seen=(("Age", round(v.age, 1), "years"),),
            limit="0 to 115 years",
            resolution="Correct the date of birth.",
        )
