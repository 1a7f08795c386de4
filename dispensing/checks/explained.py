"""What was not asked because an explanation is on record: silence is shown, so that somebody sees whether the words fit the figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

from dispensing.checks.findings import Finder, Finding, Rule
from dispensing.checks.registry import check, registry, without_symptoms
from dispensing.checks.view import View

_EXPLAIN = frozenset({"person.notes", "prescription.remark", "measurements.reason"})
_LONGEST = 80


@cache
def _asks() -> tuple[tuple[Rule, Finder], ...]:
    """The checks that an explanation can keep from asking: those that read one."""
    return tuple(
        (one.rule, Finder(one.identifier, one.severity, one.source))
        for one in registry().values()
        if one.identifier != "record.explained" and not _EXPLAIN.isdisjoint(one.needs)
    )


@check(
    "record.explained",
    "note",
    "A question was not asked because an explanation is on record",
    family="order",
    source="a note about one thing says nothing of another",
    confidence="common practice",
    needs=("person.notes", "prescription.remark", "measurements.reason"),
)
def explained(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a note on the client, the prescriber's remark or a reason for the measurements keeps many questions from being asked,
    whatever it says. Whoever signs should see which, and whether the words explain these figures.
    Fires: heights 4 mm apart and the note "past orbital fracture"; the same with "prefers mornings".
    Silent: the same note and figures that nothing would have asked about; no note.
    """
    if not v.explained and not v.rx_explained:
        return
    case = v.case
    person, rx, m = case.person, case.prescription, case.measurements
    bare = View(
        replace(
            case,
            person=replace(person, notes=()),
            prescription=replace(rx, remark="") if rx is not None else None,
            measurements=replace(m, reason=""),
        ),
        v.figures,
    )
    asks = _asks()
    said = {finding.key for rule, finder in asks for finding in rule(v, finder)}
    silent = without_symptoms([finding for rule, finder in asks for finding in rule(bare, finder)])
    words = [("Client", "; ".join(person.notes)), ("Prescriber", rx.remark if rx else ""), ("Measurements", m.reason)]
    seen = tuple((name, text[:_LONGEST], "") for name, text in words if text)
    for finding in silent:
        if finding.severity in ("stop", "confirm") and finding.key not in said:
            yield found(
                f"Not asked, because an explanation is on record: {finding.message}",
                *finding.subjects,
                seen=(*((s.label, s.value, s.unit) for s in finding.seen), *seen),
                limit=finding.limit,
                consequence=finding.consequence,
                resolution="Read what is on record: does it explain this?",
            )
