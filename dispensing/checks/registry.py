"""The registry: every check once, in a fixed order, and the one loop that runs them."""

from __future__ import annotations

from collections.abc import Callable
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
) -> Callable[[Rule], Rule]:
    """Register a rule. The identifier is permanent: recorded reasons and old orders refer to it."""

    def register(rule: Rule) -> Rule:
        if identifier in _CHECKS:
            raise DuplicateCheck(identifier)
        if family not in FAMILIES or severity not in ORDER or confidence not in CONFIDENCE:
            raise ValueError(f"{identifier}: unknown family, severity or confidence")
        _CHECKS[identifier] = Check(
            identifier=identifier,
            severity=severity,
            summary=summary,
            family=family,
            source=source,
            confidence=confidence,
            needs=needs,
            explains=explains,
            rule=rule,
            manual=cleandoc(rule.__doc__ or ""),
        )
        _RUN.append((rule, Finder(identifier, severity, f"{source} ({confidence})")))
        return rule

    return register


def registry() -> dict[str, Check]:
    """Every check by identifier, in the order in which they run."""
    return dict(_CHECKS)


def assess(case: Case, figures: Figures) -> tuple[Finding, ...]:
    """What the checks say of this dispense: what blocks first, otherwise in the fixed order of the registry.

    A finding that another one explains (both eyes exchanged explains that each eye changed) is left out.
    """
    view = View(case, figures)
    found = [finding for rule, finder in _RUN for finding in rule(view, finder)]
    if len(found) > 1:
        found = _without_symptoms(found)
        found.sort(key=_gravity)
    return tuple(found)


def _without_symptoms(found: list[Finding]) -> list[Finding]:
    """Leave out what another finding explains, for the same eye and no graver than the explanation."""
    reasons = [(finding, _CHECKS[finding.check].explains) for finding in found]
    reasons = [(finding, explains) for finding, explains in reasons if explains]
    if not reasons:
        return found
    return [
        finding
        for finding in found
        if not any(
            finding.check in explains and _gravity(reason) <= _gravity(finding) and _eyes(finding) <= _eyes(reason)
            for reason, explains in reasons
        )
    ]


def _eyes(finding: Finding) -> set[str]:
    eyes = {part for path in finding.subjects for part in path.split(".") if part in ("right", "left")}
    return eyes or {"right", "left"}


def _gravity(finding: Finding) -> int:
    return ORDER[finding.severity]
