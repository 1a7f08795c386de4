"""How a lab reads the figures of an order: signs always shown, prism in words and as 0-360, plain English for codes.

All functions take the decimal text of an order document and change its notation, never its value.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

NONE = "–"
FAMILIES = {
    "single_vision": "single vision",
    "round_bifocal": "round-segment bifocal",
    "flat_top_bifocal": "flat-top bifocal",
    "trifocal": "trifocal",
    "progressive": "progressive",
    "degressive": "degressive",
}
MOUNTS = {"full_rim": "full rim, bevel", "grooved": "grooved (supra)", "drilled": "drilled (rimless)"}
COMPENSATIONS = {
    "none": "as prescribed, not compensated",
    "practice": "ordered powers compensated by the practice",
    "maker": "to be compensated by the maker",
}


def power(text: str | None) -> str:
    """ "+2.25", "−2.25", "0.00"."""
    if text is None:
        return NONE
    value = Decimal(text)
    return ("+" if value > 0 else "−" if value < 0 else "") + f"{abs(value):.2f}"


def axis(text: str | None) -> str:
    """Axis without a degree sign, which could be read as a nought: "95", "94.6"."""
    return NONE if text is None else text.removesuffix(".0")


def length(text: str | None) -> str:
    """A length with one decimal, two when it has them: "31.5", "32.25"; a true minus."""
    if text is None:
        return NONE
    trimmed = text[:-1] if text.endswith("0") and "." in text else text
    return trimmed.replace("-", "−")


def prism_part(part: dict[str, Any]) -> str:
    """ "1.00 in"; – for none."""
    return f"{part['amount']} {part['base']}" if part["base"] else NONE


def prism_resultant(prism: dict[str, Any]) -> str:
    """ "1.12 base 153.4"; – for none."""
    resultant = prism["resultant"]
    return NONE if resultant["base_angle"] is None else f"{resultant['amount']} base {axis(resultant['base_angle'])}"


def day(text: str | None) -> str:
    """ "3 Nov 2026"."""
    if text is None:
        return NONE
    d = date.fromisoformat(text)
    return f"{d.day} {d:%b %Y}"


def moment(text: str, time_zone: str) -> str:
    """ "25 Nov 2026, 09:41 Europe/London": by the clock of the branch."""
    at = datetime.fromisoformat(text.replace("Z", "+00:00"))
    try:
        zone = ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError):
        return f"{at.astimezone(UTC):%-d %b %Y, %H:%M} UTC"
    return f"{at.astimezone(zone):%-d %b %Y, %H:%M} {time_zone}"


def person(who: dict[str, Any] | None) -> str:
    """ "Ibrahim Sallow (supervisor, S-20417)"."""
    if who is None:
        return NONE
    detail = ", ".join(part for part in (who["role"], who["registration_number"]) if part)
    return f"{who['name']} ({detail})" if detail else str(who["name"])
