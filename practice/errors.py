"""What can stop a use case. Views turn these into messages; nothing else is raised on purpose.

UseCaseError
  NotAllowed   this person may not do this
  Invalid      values that cannot be accepted, by field path
  Conflict     somebody else changed the same part first
  Refused      the state of the record forbids it
"""

from __future__ import annotations

from collections.abc import Mapping


class UseCaseError(Exception):
    """Base of everything a use case raises on purpose."""

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.message = message


class NotAllowed(UseCaseError):
    """This person may not do this; the message says who may."""


class Invalid(UseCaseError):
    """Values that cannot be accepted. `errors` maps a field path to one plain sentence."""

    def __init__(self, errors: Mapping[str, str], message: str = "Some values need another look.") -> None:
        super().__init__(message)
        self.errors = dict(errors)


class Conflict(UseCaseError):
    """The same part was changed by somebody else since it was read. Nothing was saved."""


class Refused(UseCaseError):
    """The record's state forbids it (ordered, signed, cancelled, a stop is open, ...)."""
