"""What the apps hold on a client. `practice` imports none of them: each hands over its part when it starts (AppConfig.ready).

A part says what it holds, when the client was last there, what is still under way, and forgets what says who somebody is.
`models` names every table with rows about one client: a test walks all models that lead to a client and fails on one that no
part names, so that nothing new is left out of an export or survives an erasure by oversight.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import models

from practice.audit import plain
from practice.models import Client, Staff


@dataclass
class Files:
    """Files that go with an export, by name."""

    found: dict[str, bytes] = field(default_factory=dict)

    def add(self, name: str, content: bytes) -> str:
        self.found[name] = content
        return name


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """The last time a client had to do with a branch, as far as one part knows."""

    client: int
    branch: int
    at: datetime


@dataclass(frozen=True, kw_only=True)
class Part:
    """What one app holds. The functions over many clients take and give primary keys, so that a report costs few queries."""

    name: str  # key in the export
    models: tuple[type[models.Model], ...]
    held: Callable[[Client, Files], Mapping[str, Any]]
    contacts: Callable[[Sequence[int] | None], Iterable[Contact]]  # None: of everybody
    unfinished: Callable[[Sequence[int]], Mapping[int, str]]  # why a client cannot be forgotten yet, in words
    counts: Callable[[Sequence[int]], Mapping[str, int]]  # what would go, by what it is
    forget: Callable[[Client, Staff], Mapping[str, Any]]  # inside the transaction; what has to be kept in the audit trail


_PARTS: dict[str, Part] = {}


def contributes(part: Part) -> None:
    """Called once by each app when it starts."""
    _PARTS[part.name] = part


def parts() -> tuple[Part, ...]:
    return tuple(_PARTS.values())


def row(instance: models.Model, *without: str) -> dict[str, Any]:
    """Every column of a row as plain values: people by their name, other rows by what they are called. Bytes are left out.

    Whatever is added to a table later is in it without anybody thinking of it.
    """
    found: dict[str, Any] = {}
    for each in instance._meta.concrete_fields:
        if each.primary_key or each.name in without or isinstance(each, models.BinaryField):
            continue
        value = getattr(instance, each.name)
        if isinstance(value, Staff):
            found[each.name] = value.display_name
        elif isinstance(value, models.Model):
            found[each.name] = str(value)
        else:
            found[each.name] = plain(value)
    return found


def rows(instances: Iterable[models.Model], *without: str) -> list[dict[str, Any]]:
    return [row(each, *without) for each in instances]
