"""What this floor tells those above it, which it does not know.

Sent with `send`, inside the transaction of the change: a receiver that fails undoes the change with it.
"""

from __future__ import annotations

from django.dispatch import Signal

# branch: Branch, actor: Staff, name: str, before and after: float | None (None: the published value), reason: str
limit_changed = Signal()
