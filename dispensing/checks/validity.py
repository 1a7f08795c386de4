"""Checks of what the prescription says beside its powers: vertex distance and dates."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import day_word, mm

# what is asked of the ordered powers for how the frame is worn: idle beside a distance or an angle that cannot be
COMPENSATION = ("ordered.not-compensated", "ordered.wrong-way", "ordered.twice", "ordered.unexplained")


@check(
    "rx.vertex-missing",
    "stop",
    "A strong prescription without its vertex distance",
    family="prescription",
    source="BS 2738-3:2004; ABDO Opticians' Advice 24: ±5.00 D in any meridian",
    confidence="published",
    needs=("prescription.right.sphere", "prescription.right.cylinder", "prescription.vertex_mm"),
)
def vertex_missing(v: View, found: Finder) -> Iterator[Finding]:
    """Why: from ±5.00 D the distance at which it was tested decides the power at the eye.
    Fires: R −9.50, L −9.25, vertex distance blank.
    Silent: −4.75; −9.50 with 12 mm.
    """
    rx = v.rx
    if rx is None or rx.vertex_mm is not None:
        return
    limit = v.limit["rx.vertex.needed_from"]
    strongest = v.strongest
    if strongest >= limit:
        yield found(
            "The vertex distance of the test is not stated.",
            "prescription.vertex_mm",
            seen=(("Greatest principal power", strongest, "D"),),
            limit=f"needed from {limit:.2f} D",
            consequence=f"Each 2 mm of difference is {0.002 * strongest**2:.2f} D at the eye.",
            resolution="Ask the prescriber for the vertex distance and enter it.",
        )


@check(
    "rx.vertex-implausible",
    "stop",
    "The vertex distance of the test is implausible",
    family="prescription",
    source="usual 12 to 14 mm; questions outside 8 to 18, dispensing teaching",
    confidence="common practice",
    needs=("prescription.right.sphere", "prescription.right.cylinder", "prescription.vertex_mm"),
    stop_explains=COMPENSATION,
)
def vertex_implausible(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a lens is tested 8 to 18 mm from the eye. 1.2 is centimetres; 62 is a PD.
    Fires: 1.2 mm (stop); 19 mm with −8.00 (asks).
    Silent: 12 mm; 10 mm for an infant; 19 mm with −1.00, where it changes nothing.
    """
    rx = v.rx
    if rx is None or rx.vertex_mm is None:
        return
    value = rx.vertex_mm
    seen = (("Vertex distance of the test", value, "mm"),)
    least, most = v.limit["vertex.possible_least"], v.limit["vertex.possible_most"]
    if not least <= value <= most:
        yield found(
            f"Nobody tests at {mm(value)}.",
            "prescription.vertex_mm",
            seen=seen,
            limit=f"{mm(least)} to {mm(most)}",
            resolution=f"{mm(value * 10)}?" if least <= value * 10 <= most else "Look at the prescription.",
        )
        return
    usual_least, usual_most = v.limit["vertex.usual_least"], v.limit["vertex.usual_most"]
    strongest = v.strongest
    if not usual_least <= value <= usual_most and strongest >= v.limit["rx.vertex.needed_from"]:
        off = max(usual_least - value, value - usual_most)
        yield found(
            f"{mm(value)} is an unusual vertex distance for a test.",
            "prescription.vertex_mm",
            seen=seen,
            limit=f"{mm(usual_least)} to {mm(usual_most)}",
            severity="confirm",
            consequence=f"{mm(off)} is {off / 1000 * strongest**2:.2f} D with these powers.",
            resolution="Ask the prescriber.",
        )


@check(
    "rx.written-in-future",
    "stop",
    "The prescription is dated in the future",
    family="prescription",
    source="a prescription is dated when it is written",
    confidence="law",
    needs=("prescription.written_on", "today"),
)
def written_in_future(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a date that has not come yet is mistyped, and validity cannot be judged from it.
    Fires: written on 4 June, today 4 May.
    Silent: written today.
    """
    rx = v.rx
    if rx is not None and rx.written_on is not None and rx.written_on > v.case.today:
        yield found(
            "The prescription is dated in the future.",
            "prescription.written_on",
            seen=(("Written on", day_word(rx.written_on), ""), ("Today", day_word(v.case.today), "")),
            resolution=_nearest_past(rx.written_on, v.case.today) + "Correct the date from the prescription.",
        )


def _nearest_past(written: date, today: date) -> str:
    """The day with another year, else another month, that lies within the last three months: what was probably meant."""
    for year, month in (
        (today.year, written.month),
        (today.year - 1, written.month),
        (written.year, today.month),
        (written.year, today.month - 1),
    ):
        try:
            day = date(year, month, written.day)
        except ValueError:
            continue
        if 0 <= (today - day).days <= 92:
            return f"{day_word(day)}? "
    return ""


@check(
    "rx.out-of-date",
    "stop",
    "The prescription is no longer valid here",
    family="prescription",
    source="branch setting; UK: Sale of Optical Appliances Order 1984, two years; registered persons by ABDO guidance",
    confidence="law",
    needs=(
        "prescription.expires_on",
        "prescription.written_on",
        "hands.dispenser_registered",
        "hands.signer_registered",
        "rules.prescription_valid_months",
        "rules.registered_may_use_expired",
        "today",
    ),
)
def out_of_date(v: View, found: Finder) -> Iterator[Finding]:
    """Why: eyes change, and most places set a time. Where the branch allows it, a registered person may dispense it with a reason.
    Fires: 30 months old, branch allows 24, nobody registered (stop); the same with a registered dispenser (asks for a reason).
    Silent: 23 months old; a branch that sets no time.
    """
    rx = v.rx
    if rx is None:
        return
    today = v.case.today
    months = v.case.rules.prescription_valid_months
    past = rx.expires_on is not None and rx.expires_on < today
    age_months = 0
    if rx.written_on is not None and months is not None:
        age_months = (
            (today.year - rx.written_on.year) * 12 + today.month - rx.written_on.month - (today.day < rx.written_on.day)
        )
        # whole months, and not the very day on which they are full
        past = past or age_months > months or (age_months == months and today.day != rx.written_on.day)
    if not past:
        return
    hands = v.case.hands
    allowed = v.case.rules.registered_may_use_expired and (hands.dispenser_registered or hands.signer_registered)
    yield found(
        "The prescription is out of date.",
        "prescription.written_on",
        seen=(
            ("Written on", day_word(rx.written_on), ""),
            ("Expires on", day_word(rx.expires_on, "not stated"), ""),
            ("Age", age_months, "months"),
        ),
        limit=f"{months} months" if months is not None else "the date the prescriber set",
        severity="confirm" if allowed else "stop",
        resolution="Ask for a new eye examination"
        + ("; or a registered person records why it is dispensed." if v.case.rules.registered_may_use_expired else "."),
    )
