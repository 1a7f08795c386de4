from __future__ import annotations

import pytest


@pytest.fixture
def cast(db):
    from tests.factories import Cast

    return Cast()
