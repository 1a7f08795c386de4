"""The worked examples: published and independently computed values, one file for all optics tests.

`cases("b")` gives the cases of a topic, ready for `@pytest.mark.parametrize("case", cases("b"), ids=str)`. `expect(case, name, got)`
compares with the stated tolerance. Every case carries its source; "computed-exact" ones come from an exact ray trace or geometry made
apart from this project and checked against the general-purpose package optiland.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

FILE = Path(__file__).with_name("worked_examples.json")
# Computed references are rounded to six places in the file.
ROUNDING = 1e-6


@dataclass(frozen=True)
class Worked:
    identity: str
    topic: str
    title: str
    inputs: dict[str, Any]
    expected: dict[str, dict[str, Any]]
    reference: dict[str, Any]
    source: str
    provenance: str
    note: str

    def __str__(self) -> str:
        return self.identity

    def __getitem__(self, name: str) -> Any:
        return self.inputs[name]


@cache
def _file() -> dict[str, Any]:
    return json.loads(FILE.read_text(encoding="utf-8"))


@cache
def all_cases() -> tuple[Worked, ...]:
    return tuple(
        Worked(
            c["id"],
            c["topic"],
            c["title"],
            c["inputs"],
            c["expected"],
            c.get("exact_reference", {}),
            c.get("source", ""),
            c["provenance"],
            c.get("note", ""),
        )
        for c in _file()["cases"]
    )


def cases(topic: str, *prefixes: str) -> list[Worked]:
    """Cases of one topic; with prefixes, only those whose identity starts with one of them. Never an empty list."""
    found = [c for c in all_cases() if c.topic == topic and (not prefixes or c.identity.startswith(prefixes))]
    assert found, f"no worked examples for {topic} {prefixes}"
    return found


def case(identity: str) -> Worked:
    return next(c for c in all_cases() if c.identity == identity)


def outline(name: str) -> dict[str, Any]:
    """Outline "A" or "B" with its stated box, area and perimeter; radii in mm from the tracing origin, not the boxed centre."""
    data = dict(_file()["outlines"][name])
    data["radii_mm"] = [r / 100.0 for r in data["radii"]]
    return data


def expect(worked: Worked, name: str, got: Any) -> None:
    """`got` agrees with the expected value within its tolerance (or is the same text)."""
    wanted = worked.expected[name]
    if isinstance(wanted["value"], str):
        assert got == wanted["value"], f"{worked}: {name}"
    else:
        assert float(got) == pytest.approx(wanted["value"], abs=wanted["tol"] + ROUNDING), f"{worked}: {name}"
