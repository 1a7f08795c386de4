from __future__ import annotations

from tests.stores import bucket, server  # noqa: F401  (fixtures of this folder)
