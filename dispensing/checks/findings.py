"""A finding is a frozen value; a check is a registered function. Nothing here knows a database."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from dispensing.case import Case
from dispensing.figures import Figures

Severity = Literal["stop", "confirm", "note"]
ORDER: dict[str, int] = {"stop": 0, "unknown": 1, "confirm": 2, "note": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A figure a finding rests on. `value` is already a number or text; `unit` is "mm", "D", "Δ", "°", "g" or ""."""

    label: str
    value: float | str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    check: str  # permanent identifier of the check, dotted, e.g. "pd.parts-do-not-sum"
    severity: Literal["stop", "confirm", "note", "unknown"]  # "unknown": not yet known, something is missing
    message: str  # what is wrong, in the words of the trade
    seen: tuple[Seen, ...] = ()  # the figures it saw
    limit: str = ""  # the limit they were held against, with unit
    consequence: str = ""  # what this would do with these lenses
    resolution: str = ""  # the nearest change that makes it go away, computed
    source: str = ""
    subjects: tuple[str, ...] = ()  # paths of the fields concerned, the first one is where it is shown
    missing: tuple[str, ...] = ()  # paths to enter, for "unknown"
    for_lab: bool = False  # the recorded reason is printed on the order

    @property
    def key(self) -> str:
        """Identity within one dispense: a recorded reason belongs to this, and is void when the figures change."""
        return self.check + "|" + ",".join(self.subjects)


Rule = Callable[[Case, Figures], Iterable[Finding]]


@dataclass(frozen=True, slots=True)
class Check:
    identifier: str
    severity: Severity
    summary: str
    family: Literal["prescription", "frame", "measurements", "lens", "order"]
    source: str
    confidence: str  # "standard", "published", "common practice", "derived", "law", "from memory"
    needs: tuple[str, ...]
    rule: Rule
    manual: str  # the docstring: why it matters, an example that fires, one that does not
