"""What this floor tells those above it, which it does not know.

Sent with `send`, inside the transaction of the change: a receiver that fails undoes the change with it.
"""

from __future__ import annotations

from django.dispatch import Signal

# item: CatalogueFrame | CatalogueLens | LensOption | LensMaterial | Treatment, actor: Staff, before and after: dict of the values that changed, as plain values
# (with "retired_on" when it was retired or brought back)
catalogue_changed = Signal()
