"""Reading fixtures/demo. Figures stay text until they become Decimal: no float in between."""

from __future__ import annotations

import csv
import json
from decimal import Decimal
from typing import Any

from django.conf import settings

FOLDER = settings.BASE_DIR / "fixtures" / "demo"


def table(name: str) -> list[dict[str, str]]:
    with (FOLDER / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def tree(name: str) -> Any:
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"), parse_float=Decimal)


def figure(text: str) -> Decimal | None:
    return Decimal(text) if text else None
