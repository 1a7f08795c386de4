"""What this floor tells those above it, which it does not know.

Sent with `send`, inside the transaction of the change: a receiver that fails undoes the change with it.
"""

from __future__ import annotations

from django.dispatch import Signal

# item: CatalogueFrame | CatalogueLens, actor: Staff, before and after: dict of the values that changed, as plain values
catalogue_changed = Signal()
