"""Whether two order documents ask for the same pair, and whether what would be sent is what somebody signed.

A signature covers a dispense and freezes what was seen (`dispensing.snapshot`). A dispense holds its lens by reference: when a range, a
material or a rule of the branch is changed afterwards, the version stays and the checks may well find nothing, but the lab would be told
other figures than those that were answered for. So the document is written a second time, from what was signed, and held against the one
that would go.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dispensing.assess import Assessment
from dispensing.models import Signature
from dispensing.snapshot import Damaged, read_snapshot
from orders.unlike_words import NOTHING, said, what
from practice.errors import Refused

MADE_BY = (
    "prescription",
    "lens",
    "lenses",
    "frame",
    "as_worn",
    "tolerance_standard",
    "instructions",
)  # parts a lab makes from
SPOKEN = 3  # differences that the sentence names; a page lists them all
AGAIN = "Let it be returned, put forward and signed again."
UNREADABLE = f"What was signed cannot be read any more. {AGAIN}"


@dataclass(frozen=True, slots=True)
class Difference:
    path: str  # in the document, e.g. "lenses.right.ordered.sphere"
    was: str
    now: str

    @property
    def what(self) -> str:
        return what(self.path)

    @property
    def was_said(self) -> str:
        return said(self.path, self.was)

    @property
    def now_said(self) -> str:
        return said(self.path, self.now)


@dataclass(frozen=True, slots=True)
class Unlike:
    """Why a document is not what was signed: in a sentence, and every difference for a page to list."""

    message: str
    differences: tuple[Difference, ...] = ()


def differences(was: dict[str, Any], now: dict[str, Any]) -> list[Difference]:
    """What a lab would make differently, by path; two documents that ask for the same pair give none."""
    old, new = _flat({k: was.get(k) for k in MADE_BY}), _flat({k: now.get(k) for k in MADE_BY})
    return [
        Difference(path, old.get(path, NOTHING), new.get(path, NOTHING))
        for path in dict.fromkeys([*old, *new])
        if old.get(path, NOTHING) != new.get(path, NOTHING)
    ]


def unlike_signed(
    signature: Signature | None, content: dict[str, Any], write: Callable[[Assessment], dict[str, Any]]
) -> Unlike | None:
    """Why a document is not what was signed; None when it is, or when nothing is signed. `write` makes one from an assessment."""
    if signature is None:
        return None
    try:
        found = differences(write(read_snapshot(signature.snapshot, signature.snapshot_sha256)), content)
    except (Damaged, Refused, KeyError, TypeError, ValueError):
        return Unlike(UNREADABLE)
    # the curve the thickness was reckoned with is told, not asked for; what was signed before it was told does not hold it
    found = [d for d in found if not (d.was == NOTHING and ".front_curve." in d.path)]
    if not found:
        return None
    named = [f"{d.what} was {d.was_said}, now {d.now_said}" for d in found[:SPOKEN]]
    more = len(found) - len(named)
    named += [f"and {more} more"] if more else []
    return Unlike(f"What would be sent is not what was signed: {'; '.join(named)}. {AGAIN}", tuple(found))


def _flat(value: Any, at: str = "") -> dict[str, str]:
    """Path and text of everything; what says one thing in several ways (an outline, a prism, a reference) is one."""
    if isinstance(value, dict):
        if "radii" in value:
            mark = hashlib.sha256(json.dumps(value["radii"]).encode()).hexdigest()[
                :6
            ]  # turned or mirrored, the sum is the same
            return {at: f"{len(value['radii'])} radii, {sum(value['radii']) / 100:.2f} mm in all ({mark})"}
        if "horizontal" in value and "vertical" in value:
            return {at: _prism(value)}
        return {
            path: text
            for name, inner in value.items()
            if not (name == "reference" and "reference_words" in value)
            for path, text in _flat(inner, f"{at}.{name}" if at else name).items()
        }
    if isinstance(value, list):
        return {
            at: "; ".join(json.dumps(v, ensure_ascii=False) if isinstance(v, dict) else str(v) for v in value) or NOTHING
        }
    if isinstance(value, bool):
        return {at: "yes" if value else "no"}
    return {at: NOTHING if value is None or value == "" else str(value)}


def _prism(value: dict[str, Any]) -> str:
    parts = [f"{part['amount']} Δ {part['base']}" for part in (value["horizontal"], value["vertical"]) if part["base"]]
    return " and ".join(parts) or NOTHING
