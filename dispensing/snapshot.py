"""What somebody saw when they signed, frozen as canonical JSON and read back later.

The text holds the Case, the figures, the findings and the reasons, so that a page can show a year from now exactly what was
answered for, whatever has happened to client, catalogue, checks and optics in between.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any, get_args, get_type_hints

import rfc8785

from dispensing.assess import Assessment
from dispensing.case import OrderedPower
from dispensing.case_json import case_from_json, case_to_json
from dispensing.checks.findings import Finding, Seen
from dispensing.checks.thresholds import limits_in_force
from dispensing.figures import Figures, LensFigures
from dispensing.models import Reason
from practice import audit
from practice.models import Staff

FORMAT = "datumline sign-off 1"


def snapshot_of(found: Assessment) -> dict[str, Any]:
    """Everything a signing person answers for, as plain values that can be read without this program."""
    in_force = limits_in_force(found.case.rules.limits)
    return {
        "format": FORMAT,
        "thresholds": in_force["edition"],
        "changed_limits": in_force["changed"],
        "case": case_to_json(found.case),
        "figures": _plain(dataclasses.asdict(found.figures)),
        "findings": [_plain(dataclasses.asdict(f)) for f in found.findings],
        "reasons": [
            {"finding": key, "text": r.text, "by": r.by.display_name, "at": audit.plain(r.at)}
            for key, r in sorted(found.reasons.items())
        ],
    }


def seal(found: Assessment) -> tuple[str, str]:
    """Canonical text (RFC 8785) of what is seen, and its SHA-256."""
    text = rfc8785.dumps(snapshot_of(found))
    return text.decode(), hashlib.sha256(text).hexdigest()


class Damaged(Exception):
    """The stored text is not what was signed."""


def read_snapshot(text: str, digest: str) -> Assessment:
    """What was seen, from the stored text. Raises Damaged unless its SHA-256 is still `digest`."""
    if hashlib.sha256(text.encode()).hexdigest() != digest:
        raise Damaged("The stored copy is not what was signed.")
    data = json.loads(text)
    return Assessment(
        case=case_from_json(data["case"]),
        figures=_figures(data["figures"]),
        findings=tuple(_finding(f) for f in data["findings"]),
        reasons={
            r["finding"]: Reason(
                finding_key=r["finding"], text=r["text"], by=Staff(first_name=r["by"]), at=datetime.fromisoformat(r["at"])
            )
            for r in data["reasons"]
        },
    )


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "item"):
        return _plain(value.item())  # a number of numpy
    return audit.plain(value)


def _known(kind: type, data: Mapping[str, Any]) -> dict[str, Any]:
    """The values that `kind` still has a place for; lists become tuples, ordered powers become values again."""
    hints = get_type_hints(kind)
    values: dict[str, Any] = {}
    for field in dataclasses.fields(kind):
        if field.name not in data:
            continue
        value = data[field.name]
        if isinstance(value, list):
            value = tuple(tuple(v) if isinstance(v, list) else v for v in value)
        elif isinstance(value, dict) and OrderedPower in get_args(hints[field.name]):
            value = OrderedPower(**value)
        values[field.name] = value
    return values


def _figures(data: Mapping[str, Any]) -> Figures:
    values = _known(Figures, data)
    values["right"] = LensFigures(**_known(LensFigures, data["right"]))
    values["left"] = LensFigures(**_known(LensFigures, data["left"]))
    values["unknown"] = {k: tuple(v) for k, v in data.get("unknown", {}).items()}
    return Figures(**values)


def _finding(data: Mapping[str, Any]) -> Finding:
    values = _known(Finding, data)
    values["seen"] = tuple(Seen(**s) for s in data.get("seen", ()))
    return Finding(**values)
