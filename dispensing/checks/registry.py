"""The registry: every check once, in a fixed order, and the one loop that runs them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from inspect import cleandoc

from dispensing.case import Case
from dispensing.checks.findings import CONFIDENCE, FAMILIES, ORDER, Check, CheckFamily, Finder, Finding, Rule, Severity
from dispensing.checks.view import View
from dispensing.figures import Figures

_CHECKS: dict[str, Check] = {}
_RUN: list[tuple[Rule, Finder]] = []


class DuplicateCheck(Exception):
    """Two checks under one identifier. Raised at import, so that the site does not start."""


def check(
    identifier: str,
    severity: Severity,
    summary: str,
    *,
    family: CheckFamily,
    source: str,
    confidence: str,
    needs: tuple[str, ...] = (),
    explains: tuple[str, ...] = (),
    stop_explains: tuple[str, ...] = (),
    same_question: tuple[str, ...] = (),
) -> Callable[[Rule], Rule]:
    """Register a rule. The identifier is permanent: recorded reasons and old orders refer to it."""

    def register(rule: Rule) -> Rule:
        if identifier in _CHECKS:
            raise DuplicateCheck(identifier)
        if family not in FAMILIES or severity not in ORDER or confidence not in CONFIDENCE:
            raise ValueError(f"{identifier}: unknown family, severity or confidence")
        if not {*same_question} <= {*explains, *stop_explains}:
            raise ValueError(f"{identifier}: the same question as one that it does not explain")
        _CHECKS[identifier] = Check(
            identifier=identifier,
            severity=severity,
            summary=summary,
            family=family,
            source=source,
            confidence=confidence,
            needs=needs,
            explains=explains,
            stop_explains=stop_explains,
            same_question=same_question,
            rule=rule,
            manual=cleandoc(rule.__doc__ or ""),
        )
        _RUN.append((rule, Finder(identifier, severity, f"{source} ({confidence})")))
        return rule

    return register


def registry() -> dict[str, Check]:
    """Every check by identifier, in the order in which they run."""
    return dict(_CHECKS)


def assess(case: Case, figures: Figures, *, but: str = "") -> tuple[Finding, ...]:
    """What the checks say of this dispense: what blocks first, otherwise in the fixed order of the registry.

    A finding that another one explains (both eyes exchanged explains that each eye changed) is left out. `but`: a check that is not run,
    where hundreds of lenses are looked at and what it finds is not shown.
    """
    return told(everything(case, figures, but=but))


def everything(case: Case, figures: Figures, *, but: str = "") -> list[Finding]:
    """What every check says, what others explain included, in the order of the registry."""
    view = View(case, figures)
    return [finding for rule, finder in _RUN if finder.identifier != but for finding in rule(view, finder)]


def told(found: list[Finding], answered: Collection[str] = ()) -> tuple[Finding, ...]:
    """Of what was found what is shown, what blocks first. `answered`: keys of findings for which a reason holds."""
    if len(found) > 1:
        found = without_symptoms(found, answered)
        found.sort(key=_gravity)
    return tuple(found)


def without_symptoms(found: list[Finding], answered: Collection[str] = ()) -> list[Finding]:
    """Leave out what another finding explains, for the same eye and no graver than the explanation.

    What is said of one eye is explained by something of that eye. What is said of both together (a sum, a difference, the pair) is
    explained by something of either: one wrong part makes a wrong whole.

    A question is left out because the answer to another may settle it: measured anew, the readings agree and the eyes are alike. Once the
    other is answered with a reason its figures stand, and so does the question; only what asks the same in other words stays answered.
    """
    reasons = [(finding, _explained(finding)) for finding in found]
    reasons = [(finding, explains) for finding, explains in reasons if explains]
    if not reasons:
        return list(found)
    answered = {*answered, *_answered_with(found, reasons, answered)} if answered else answered
    return [
        finding
        for finding in found
        if not any(
            finding.check in explains
            and _gravity(reason) <= _gravity(finding)
            and _concerns(reason, finding)
            and not (reason.key in answered and _leaves_open(reason, finding))
            for reason, explains in reasons
        )
    ]


def _answered_with(
    found: list[Finding], reasons: list[tuple[Finding, tuple[str, ...]]], answered: Collection[str]
) -> Iterator[str]:
    """Keys of what asks the same as something answered: it is not shown, and hides no more than what was answered does."""
    for reason, _ in reasons:
        if reason.key in answered and reason.severity == "confirm" and (same := _CHECKS[reason.check].same_question):
            yield from (f.key for f in found if f.check in same and f.severity == "confirm" and _concerns(reason, f))


def _leaves_open(reason: Finding, finding: Finding) -> bool:
    """Whether a reason given for the one says nothing of the other."""
    return reason.severity == finding.severity == "confirm" and finding.check not in _CHECKS[reason.check].same_question


def _explained(finding: Finding) -> tuple[str, ...]:
    check = _CHECKS[finding.check]
    return (*check.explains, *check.stop_explains) if finding.severity == "stop" else check.explains


def _concerns(reason: Finding, finding: Finding) -> bool:
    here, there = _eyes(finding), _eyes(reason)
    return not here or not there or len(here) == 2 or here <= there


def _eyes(finding: Finding) -> set[str]:
    """The eyes a finding names; none where it speaks of frame, lens or person."""
    names = (part for path in finding.subjects for part in path.split("."))
    return {eye for name in names for eye in ("right", "left") if name in (eye, f"ordered_{eye}")}


def _gravity(finding: Finding) -> int:
    return ORDER[finding.severity]
