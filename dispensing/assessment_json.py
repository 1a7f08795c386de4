"""What the checks say of one Case, as JSON values: for other systems over HTTP and for the `assess` command. Nothing is stored."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from dispensing.case import Case
from dispensing.checks import EDITION, assess
from dispensing.checks.findings import Finding
from dispensing.figures import Figures, compute

PLACES = 4  # a tenth of a micrometre; what lies beyond is the noise of floating point


def assessment(case: Case, *, with_figures: bool = True) -> dict[str, Any]:
    """Findings in the order of what blocks, how many of each severity, and the figures that they rest on.

    Figures that are not known are left out; `figures.unknown` says what is missing for each.
    """
    figures = compute(case)
    findings = assess(case, figures)
    counts = {"stop": 0, "unknown": 0, "confirm": 0, "note": 0}
    for finding in findings:
        counts[finding.severity] += 1
    said: dict[str, Any] = {"thresholds": EDITION, "counts": counts, "findings": [finding_to_json(f) for f in findings]}
    if with_figures:
        said["figures"] = figures_to_json(figures)
    return said


def finding_to_json(finding: Finding) -> dict[str, Any]:
    """One finding; what is empty is left out."""
    plain = _plain(finding)
    assert isinstance(plain, dict)
    return {"key": finding.key, **plain}


def figures_to_json(figures: Figures) -> dict[str, Any]:
    plain = _plain(figures)
    assert isinstance(plain, dict)
    return plain


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, PLACES)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        found = ((f.name, getattr(value, f.name)) for f in dataclasses.fields(value))
        return {name: _plain(item) for name, item in found if not _empty(item)}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return {str(name): _plain(item) for name, item in value.items()}
    return value


def _empty(item: Any) -> bool:
    return item is None or item == () or item == "" or item is False or (isinstance(item, Mapping) and not item)
