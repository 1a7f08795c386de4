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
HEIGHT_OF = {  # which point of the lens its height is that of
    "single_vision": "centration point",
    "round_bifocal": "segment top",
    "flat_top_bifocal": "segment top",
    "trifocal": "segment top",
    "progressive": "fitting cross",
    "degressive": "fitting cross",
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


def near_notes(letter: str, prescribed: dict[str, Any], *, intermediate: bool = True) -> list[str]:
    """What is prescribed for near or between besides the addition, a sentence each: no form of an order has columns for it."""
    notes = []
    if intermediate and prescribed["intermediate_addition"] is not None:
        notes.append(f"{letter} intermediate addition {power(prescribed['intermediate_addition'])}.")
    if prescribed["near_sphere"] is not None:
        notes.append(f"{letter} near sphere written {power(prescribed['near_sphere'])}.")
    if prescribed["near_prism"] is not None:
        prism = prescribed["near_prism"]
        parts = [t for t in (prism_part(prism["horizontal"]), prism_part(prism["vertical"])) if t != NONE]
        notes.append(f"{letter} near prism prescribed {', '.join(parts) or 'none'}.")
    return notes


def all_near_notes(document: dict[str, Any], *, intermediate: bool = True) -> list[str]:
    """Those of both eyes."""
    return [
        note
        for eye, lens in sorted(document["lenses"].items(), reverse=True)  # right first
        for note in near_notes(eye[0].upper(), lens["prescribed"], intermediate=intermediate)
    ]


def light_not_known(tint: dict[str, Any]) -> str:
    """What of a tint's luminous transmittance is not on record, said; "" where all of it is."""
    clear, dark = tint["transmittance_clear"], tint["transmittance_dark"]
    if clear is None and dark is None:
        return "light let through not yet known"
    if clear is None:
        return f"light let through not yet known at its palest, {dark} % at its darkest"
    return f"light let through {clear} % at its palest, not yet known at its darkest" if dark is None else ""


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


CURVE_FROM = {"stated": "as wished", "maker": "maker's table", "rule": "assumed"}


def front_curves(document: dict[str, Any]) -> dict[str, str]:
    """“4.25 D, maker's table” for each eye whose curve is known; nothing in an order of version 1.0, which says none."""
    said = {}
    for eye, lens in document["lenses"].items():
        found = lens.get("front_curve")
        if found is not None:
            said[eye] = f"{found['curve'].replace('-', '−')} D, {CURVE_FROM[found['from']]}"
    return said


def front_curve_words(document: dict[str, Any]) -> str:
    """One sentence for both lenses; "" where there is nothing to say, or nothing but the wish that stands beside it."""
    said = front_curves(document)
    if not said or all(words.endswith(CURVE_FROM["stated"]) for words in said.values()):
        return ""
    if len(said) == 2 and len(set(said.values())) == 1:
        return f"Front curve {said['right']}."
    return "Front curve " + "; ".join(f"{eye[0].upper()} {said[eye]}" for eye in ("right", "left") if eye in said) + "."
