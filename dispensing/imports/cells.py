"""What a cell means. Every reader takes text and raises ValueError with one sentence to show."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any

from dispensing.models import CatalogueFrame
from dispensing.optics.boxing import box
from dispensing.optics.errors import OpticsError
from dispensing.optics.notation import parse_figure, parse_mm
from practice.tables import as_meant, is_like_formula, is_shielded
from practice.tables import harmless as harmless
from practice.words import line

MOST_RADII = 800
_YES, _NO = {"1", "yes", "true", "child", "y", "x"}, {"", "0", "no", "false", "adult", "n"}
_DATE = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})", re.ASCII)
_STEP = re.compile(
    r"([+\-−]?\d{1,2}(?:[.,]\d{1,2})?)\s*(?:to|\.\.)\s*([+\-−]?\d{1,2}(?:[.,]\d{1,2})?)\s*:\s*([+\-−]?\d{1,2}(?:[.,]\d{1,2})?)",
    re.ASCII,
)
_RANGE = re.compile(
    r"(\d{2,3})\s*:\s*([+\-−]?\d{1,2}(?:[.,]\d{1,2})?)\s*(?:to|\.\.)\s*([+\-−]?\d{1,2}(?:[.,]\d{1,2})?)"
    r"(?:\s*,?\s*cyl\.?\s*(\d{1,2}(?:[.,]\d{1,2})?))?",
    re.ASCII,
)


def words(longest: int) -> Callable[[str], str]:
    @lru_cache(maxsize=8192)
    def reader(cell: str) -> str:
        if is_shielded(cell):
            cell = as_meant(cell)
        elif is_like_formula(cell):
            raise ValueError("A formula is not a value.")
        return line(cell, longest=longest)

    return reader


def figure(low: int, high: int) -> Callable[[str], Decimal | None]:
    @lru_cache(maxsize=4096)
    def reader(cell: str) -> Decimal | None:
        return parse_mm(cell.replace("−", "-"), low=low, high=high)

    return reader


def exact_figure(low: int, high: int) -> Callable[[str], Decimal | None]:
    """Figures with more decimals than millimetres have: an index."""
    return lambda cell: parse_figure(cell.replace("−", "-"), low=low, high=high)


def whole(low: int, high: int) -> Callable[[str], int | None]:
    def reader(cell: str) -> int | None:
        if not cell:
            return None
        if not re.fullmatch(r"\d{1,6}", cell, re.ASCII) or not low <= int(cell) <= high:
            raise ValueError(f"A whole number from {low} to {high}.")
        return int(cell)

    return reader


def choice(options: dict[str, tuple[str, ...]], sentence: str, *, may_be_empty: bool = True) -> Callable[[str], str]:
    """One of `options`, by its value or by one of its words; empty is the first where it may be empty."""
    known = {w: value for value, more in options.items() for w in (value, value.replace("_", " "), *more)}

    def reader(cell: str) -> str:
        text = " ".join(cell.lower().replace("-", " ").replace("_", " ").split())
        if not text and may_be_empty:
            return next(iter(options))
        if text not in known:
            raise ValueError(sentence)
        return known[text]

    return reader


def yes_or_no(cell: str) -> bool:
    if cell.lower() not in _YES | _NO:
        raise ValueError("Yes or no.")
    return cell.lower() in _YES


def day(cell: str) -> date | None:
    """Year first, as 2027-03-31: any other way of writing a date means two things in two countries."""
    if not cell:
        return None
    found = _DATE.fullmatch(cell)
    try:
        if found is None:
            raise ValueError
        return date(*map(int, found.groups()))
    except ValueError:
        raise ValueError("A date as 2027-03-31.") from None


def codes(cell: str) -> list[str]:
    return list(dict.fromkeys(cell.replace(",", " ").replace(";", " ").split()))


def diameters(cell: str) -> list[int]:
    found = codes(cell)
    if not all(re.fullmatch(r"\d{2,3}", d, re.ASCII) and 30 <= int(d) <= 120 for d in found) or len(found) > 20:
        raise ValueError("Diameters in mm from 30 to 120, separated by spaces.")
    return sorted(int(d) for d in found)


def outline(cell: str) -> tuple[float, ...]:
    if not cell:
        return ()
    parts = cell.split()
    if len(parts) > MOST_RADII:
        raise ValueError(f"At most {MOST_RADII} radii.")
    try:
        radii = tuple(float(part) for part in parts)
        box(radii)
    except OpticsError as problem:
        raise ValueError(f"The outline {problem.message}") from None
    except ValueError:
        raise ValueError("Radii in mm, separated by spaces.") from None
    return radii


def base_curves(cell: str) -> list[dict[str, str]]:
    """“-8 to -4: 2; -4 to 0: 4”: sphere from, to, and the front curve it is made on, D (curve at n = 1.53)."""
    out = []
    for part in _parts(cell):
        found = _STEP.fullmatch(part)
        if found is None:
            raise ValueError("Sphere from, to and curve, as: -8 to -4: 2; -4 to 0: 4")
        low, high, curve = (_power(t) for t in found.groups())
        if low > high or not 0 <= curve <= 16:
            raise ValueError("Each step goes from the lesser sphere to the greater, on a curve from 0 to 16.")
        out.append({"from": _written(low), "to": _written(high), "curve": _written(curve)})
    return out


def diameter_ranges(cell: str) -> list[dict[str, str]]:
    """“65: -12 to 8 cyl 6; 75: -6 to 4”: blank diameter in mm, sphere from and to, greatest cylinder, D."""
    out = []
    for part in _parts(cell):
        found = _RANGE.fullmatch(part)
        if found is None:
            raise ValueError("Diameter, sphere from, to and cylinder, as: 65: -12 to 8 cyl 6; 75: -6 to 4")
        size, low, high, cylinder = int(found[1]), _power(found[2]), _power(found[3]), found[4]
        if low > high or not 30 <= size <= 120:
            raise ValueError("Diameters from 30 to 120 mm, each from the lesser sphere to the greater.")
        out.append(
            {
                "diameter": str(size),
                "from": _written(low),
                "to": _written(high),
                "cylinder": _written(_power(cylinder)) if cylinder else "",
            }
        )
    return out


def base_curves_text(steps: list[dict[str, str]]) -> str:
    return "; ".join(f"{s['from']} to {s['to']}: {s['curve']}" for s in steps)


def diameter_ranges_text(ranges: list[dict[str, str]]) -> str:
    return "; ".join(
        f"{r['diameter']}: {r['from']} to {r['to']}" + (f" cyl {r['cylinder']}" if r["cylinder"] else "") for r in ranges
    )


def _parts(cell: str) -> list[str]:
    parts = [p.strip() for p in as_meant(cell).split(";") if p.strip()]
    if len(parts) > 30:
        raise ValueError("At most 30 steps.")
    return parts


def _power(text: str) -> Decimal:
    return Decimal(text.replace("−", "-").replace(",", "."))


def _written(value: Decimal) -> str:
    return f"{value.normalize() + 0:f}"


MOUNTS = choice(
    {
        CatalogueFrame.Mount.FULL.value: ("full", "rim", "full frame", "rimmed"),
        CatalogueFrame.Mount.GROOVED.value: ("nylon", "supra", "half rim", "semi rimless", "half rimless"),
        CatalogueFrame.Mount.DRILLED.value: ("rimless", "drill", "three piece"),
    },
    "Full rim, grooved or drilled.",
    may_be_empty=False,
)


def _figure(value: float) -> str:
    """As short as it can be and still the same."""
    short = f"{value:g}"
    return short if float(short) == value else repr(value)


def text_of(value: Any) -> str:
    """A value of a catalogue row as a cell; `harmless` is for the caller."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return " ".join(_figure(v) if isinstance(v, int | float) else str(v) for v in value)
    return str(value)
