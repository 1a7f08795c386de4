"""What can stop a use case of this app, besides `practice.errors`. `code` is the problem's name in the lab API.

Refused
  OrderRefused     the order's state forbids it
Conflict
  Stale            the order is no longer the version that was read
"""

from __future__ import annotations

from practice.errors import Conflict, Refused


class OrderRefused(Refused):
    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code


class Stale(Conflict):
    pass
