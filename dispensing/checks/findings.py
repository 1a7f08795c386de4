"""A finding is a frozen value; a check is a registered function. Nothing here knows a database."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from dispensing.checks.view import View

Severity = Literal["stop", "unknown", "confirm", "note"]
ORDER: dict[str, int] = {"stop": 0, "unknown": 1, "confirm": 2, "note": 3}
CheckFamily = Literal["prescription", "frame", "measurements", "lens", "order"]
FAMILIES: tuple[CheckFamily, ...] = ("prescription", "frame", "measurements", "lens", "order")
CONFIDENCE = ("standard", "law", "published", "derived", "common practice", "from memory")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A figure a finding rests on. `value` is already a number or text; `unit` is "mm", "D", "Δ", "°", "g" or ""."""

    label: str
    value: float | str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    check: str  # permanent identifier of the check, dotted, e.g. "pd.parts-do-not-sum"
    severity: Severity  # "unknown": not yet known, something is missing
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


class Finder:
    """Makes the findings of one check, so that a rule never repeats its identifier, severity or source."""

    __slots__ = ("identifier", "severity", "source")

    def __init__(self, identifier: str, severity: Severity, source: str) -> None:
        self.identifier = identifier
        self.severity = severity
        self.source = source

    def __call__(
        self,
        message: str,
        *subjects: str,
        seen: Iterable[tuple[str, float | str, str]] = (),
        limit: str = "",
        consequence: str = "",
        resolution: str = "",
        severity: Severity | None = None,
        missing: tuple[str, ...] = (),
        for_lab: bool = False,
    ) -> Finding:
        return Finding(
            check=self.identifier,
            severity=severity or self.severity,
            message=message,
            seen=tuple(Seen(label=label, value=value, unit=unit) for label, value, unit in seen),
            limit=limit,
            consequence=consequence,
            resolution=resolution,
            source=self.source,
            subjects=subjects,
            missing=missing,
            for_lab=for_lab,
        )


Rule = Callable[["View", Finder], Iterable[Finding]]


@dataclass(frozen=True, slots=True)
class Check:
    identifier: str
    severity: Severity  # the gravest it can find; a rule may find less
    summary: str
    family: CheckFamily
    source: str
    confidence: str  # one of CONFIDENCE
    needs: tuple[str, ...]  # paths of a Case that it reads; one of the right eye stands for both eyes
    explains: tuple[str, ...]  # checks whose findings this one makes superfluous
    stop_explains: tuple[str, ...]  # the same while it stops; where it only asks, the figure may be right
    same_question: tuple[str, ...]  # of those, what asks the same in other words: a reason for this one answers it too
    rule: Rule
    manual: str  # the docstring: why it matters, an example that fires, one that does not

    def manual_parts(self) -> dict[str, str]:
        """The manual page by part: "Why", "Fires", "Silent"."""
        parts: dict[str, str] = {}
        name = "Why"
        for line in self.manual.splitlines():
            head, colon, rest = line.strip().partition(":")
            if colon and head in ("Why", "Fires", "Silent"):
                name, line = head, rest
            parts[name] = (parts.get(name, "") + " " + line.strip()).strip()
        return parts
