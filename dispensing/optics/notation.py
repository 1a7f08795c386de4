"""The trade's notation: what people type, read as Decimals, and Decimals printed back in full.

The screen always shows what was understood, so that a figure read otherwise than meant is seen at once. How figures are read:

    -2.25  −2,25  2.25-       one decimal mark, point or comma; the sign before or after; hyphen, minus or dash; no sign means plus
    -225  +050  1225          no decimal mark and three or four digits: hundredths (−2.25, +0.50, +12.25)
    -2  -12                   no decimal mark, one or two digits below 25: whole dioptres (−2.00, −12.00)
    -25  50  75               two digits that are a usual step of a hundredth (25, 37, 38, 50, 62, 63, 75, 87, 88): −0.25, +0.50, ...
    -30  05                   anything else of two digits could be either: refused, "write it with a decimal point"
    pl  plano  ∞  0           plano;   DS, sph in the cylinder: no cylinder
    6 up   2 in   1.5 BO      prism with its base;  3 @ 120 for a base on the 0-360 scale where the eye is known
    x 90  ×90  090  0         axis; 0 becomes 180

Only the ASCII digits count as digits; nothing longer than 40 characters (120 for a whole line) is read. Every refusal is a
NotationError whose `message` is one plain sentence.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from typing import Literal, NamedTuple

from dispensing.optics.errors import NotationError, NotFinite
from dispensing.optics.power import Power
from dispensing.optics.prism import Eye, Prism

MINUS = "−"  # U+2212, what is printed
LONGEST = 40
LONGEST_LINE = 120
POWER_LOW, POWER_HIGH = Decimal(-50), Decimal(50)

Base = Literal["in", "out", "up", "down"]
_BASES: dict[str, Base] = {
    "in": "in", "i": "in", "bi": "in", "n": "in", "nasal": "in",
    "out": "out", "o": "out", "bo": "out",
    "up": "up", "u": "up", "bu": "up",
    "down": "down", "d": "down", "dn": "down", "bd": "down",
}  # fmt: skip
_PLANO = {"pl", "plano", "pln", "plan", "∞", "infinity"}
_NO_CYLINDER = {"ds", "sph", "sphere", "spherical", "nil", "none"}
_AS_MINUS = str.maketrans(dict.fromkeys("−–—‐‑﹣", "-"))
_AS_SPACE = str.maketrans(dict.fromkeys("\u00a0\u2009\u202f\u2007\t", " "))
_EIGHTHS = {25, 37, 38, 50, 62, 63, 75, 87, 88}
_FIGURE = re.compile(r"([+-]?)\s*([0-9]*)(?:([.,])([0-9]*))?\s*([+-]?)", re.ASCII)
_UNIT_D = re.compile(r"\s*(?:dpt|dioptres?|diopters?|d)\.?$", re.ASCII)


def _tidy(text: str | None, longest: int = LONGEST) -> str:
    """Lower case, one kind of minus, one kind of space; the gate for everything odd."""
    if text is None:
        return ""
    if not isinstance(text, str):
        raise NotationError(str(text), "Must be text.")
    if len(text) > longest:
        raise NotationError(text, f"Too long: no more than {longest} characters.")
    tidy = " ".join(text.translate(_AS_MINUS).translate(_AS_SPACE).split(" ")).strip().casefold()
    for character in tidy:
        if character.isdigit() and character not in "0123456789":
            raise NotationError(text, "Use the digits 0 to 9.")
        if not (character.isascii() and character.isprintable()) and character not in "×∞°Δδ":
            raise NotationError(text, "Has a character that does not belong in a figure.")
    return tidy


def _figure(tidy: str, text: str, like: str) -> tuple[int, str, str, bool]:
    """(sign, whole digits, decimals, was there a decimal mark); NotationError where it is no single figure."""
    found = _FIGURE.fullmatch(tidy)
    if not found or not (found[2] or found[4]):
        raise NotationError(text, f"Not understood: write it like {like}.")
    if found[1] and found[5]:
        raise NotationError(text, "Has two signs: write one.")
    sign = -1 if "-" in (found[1], found[5]) else 1
    return sign, found[2], found[4] or "", found[3] is not None


def parse_power(text: str | None, *, low: Decimal = POWER_LOW, high: Decimal = POWER_HIGH) -> Decimal | None:
    """A sphere, an addition or any other power in dioptres; None for a blank. At most three decimals. NotationError."""
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    if tidy in _PLANO:
        return Decimal("0.00")
    if tidy in _NO_CYLINDER:
        raise NotationError(text, "DS says that there is no cylinder: it belongs in the cylinder.")
    if tidy[:1] in "+-0123456789.,":
        tidy = re.sub(r"\s*(?:ds|sph)\.?$", "", tidy, flags=re.ASCII)
    tidy = _UNIT_D.sub("", tidy)
    sign, whole, decimals, marked = _figure(tidy, text, "−2.25")
    if len(decimals) > 3:
        raise NotationError(text, "No more than three decimals.")
    if len(whole) > 4 or (marked and len(whole) > 3):
        raise NotationError(text, f"Out of range: {_span(low, high)} D.")
    size = Decimal(f"{whole or 0}.{decimals or 0}") if marked else _unmarked(whole, sign, text)
    value = sign * size
    if not low <= value <= high:
        raise NotationError(text, f"Out of range: {_span(low, high)} D.")
    return _two_places(value)


def _unmarked(whole: str, sign: int, text: str) -> Decimal:
    number = int(whole)
    if number == 0 or len(whole) == 1:
        return Decimal(number)
    if len(whole) >= 3:
        return Decimal(number) / 100
    if whole[0] == "0":
        raise NotationError(text, f"Could be 0.{whole[1]}0 or {whole[1]}.00: write it with a decimal point.")
    if number < 25:
        return Decimal(number)
    if number in _EIGHTHS:
        return Decimal(number) / 100
    mark = MINUS if sign < 0 else "+"
    raise NotationError(text, f"Could be {mark}0.{whole} or {mark}{whole}.00: write it with a decimal point.")


def _two_places(value: Decimal) -> Decimal:
    """At least two decimals, three where they were typed, never −0."""
    if value == 0:
        return Decimal("0.00")
    return value.quantize(Decimal("0.01")) if value == value.quantize(Decimal("0.01")) else value.quantize(Decimal("0.001"))


def _span(low: Decimal, high: Decimal) -> str:
    return f"{MINUS if low < 0 else ''}{abs(low):f} to {MINUS if high < 0 else ''}{abs(high):f}"


def parse_cylinder(text: str | None, *, low: Decimal = Decimal(-20), high: Decimal = Decimal(20)) -> Decimal | None:
    """As `parse_power`, and "DS" or "sph" reads as no cylinder, 0.00. None for a blank."""
    tidy = _tidy(text)
    return Decimal("0.00") if tidy in _NO_CYLINDER else parse_power(text, low=low, high=high)


def parse_axis(text: str | None) -> Decimal | None:
    """An axis, more than 0 to 180; 0 becomes 180, halves are allowed. None for a blank. NotationError beyond 180."""
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    tidy = re.sub(r"^(?:axis|ax|x|×|@)\.?\s*", "", tidy)
    tidy = re.sub(r"\s*(?:°|deg|degrees?)$", "", tidy)
    value = _plain(tidy, text, "90", Decimal(0), Decimal(180), "An axis is from 1 to 180.")
    return Decimal(180) if value == 0 else value


def parse_mm(text: str | None, *, low: Decimal | int = 0, high: Decimal | int = 200) -> Decimal | None:
    """Millimetres; at most two decimals, a sign only where `low` allows it. None for a blank."""
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    low, high = Decimal(low), Decimal(high)
    tidy = re.sub(r"\s*mm\.?$", "", tidy)
    return _plain(tidy, text, "31.5", low, high, f"Out of range: {_span(low, high)} mm.")


def parse_degrees(text: str | None, *, low: Decimal | int = -45, high: Decimal | int = 45) -> Decimal | None:
    """An angle that is no axis: pantoscopic, face form. None for a blank."""
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    low, high = Decimal(low), Decimal(high)
    tidy = re.sub(r"\s*(?:°|deg|degrees?)$", "", tidy)
    return _plain(tidy, text, "8.5", low, high, f"Out of range: {_span(low, high)} degrees.")


def parse_figure(text: str | None, *, low: Decimal | int | str = 0, high: Decimal | int | str = 10_000) -> Decimal | None:
    """Any other figure (index, density, Abbe number, a curve); at most four decimals. None for a blank."""
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    low, high = Decimal(low), Decimal(high)
    return _plain(tidy, text, "1.5", low, high, f"Out of range: {_span(low, high)}.", 4)


def _plain(tidy: str, text: str, like: str, low: Decimal, high: Decimal, beyond: str, places: int = 2) -> Decimal:
    """A figure in which no decimal mark means whole units."""
    sign, whole, decimals, _ = _figure(tidy, text, like)
    if len(decimals) > places:
        raise NotationError(text, f"No more than {'two' if places == 2 else 'four'} decimals.")
    if len(whole) > 4:
        raise NotationError(text, beyond)
    value = sign * Decimal(f"{whole or 0}.{decimals or 0}")
    if not low <= value <= high:
        raise NotationError(text, beyond)
    return _short(value)


def _short(value: Decimal) -> Decimal:
    if value == 0:
        return Decimal(0)
    whole = value.to_integral_value()
    return whole if value == whole else value.normalize()


class PrismText(NamedTuple):
    """An amount, never negative, and the base; None where no base was written (a missing base is for the checks to question)."""

    amount: Decimal
    base: Base | None


_PRISM = re.compile(r"([0-9]*[.,]?[0-9]*)\s*(?:Δ|δ|\^|pd)?\s*(?:base\s*)?([a-z]*)\.?", re.ASCII | re.IGNORECASE)
_PRISM_TURNED = re.compile(r"(?:base\s*)?([a-z]+)\.?\s*([0-9]*[.,]?[0-9]+)\s*(?:Δ|δ|\^|pd)?", re.ASCII | re.IGNORECASE)


def parse_prism(text: str | None, *, high: Decimal = Decimal(50)) -> PrismText | None:
    """ "6 up", "2 in", "BO 1.5", "2Δ base in", "3": one prism. None for a blank. At most two decimals, amount up to `high`.

    A sign is refused: the base says the direction. No decimal mark means whole prism dioptres ("2" is 2.00).
    """
    tidy = _tidy(text)
    if not tidy:
        return None
    assert text is not None
    if tidy in _NO_CYLINDER:
        return PrismText(Decimal("0.00"), None)
    if "-" in tidy or "+" in tidy:
        raise NotationError(text, "A prism has no sign: say the base, like 2 in.")
    if found := _PRISM.fullmatch(tidy):
        figure, word = found[1], found[2]
    elif found := _PRISM_TURNED.fullmatch(tidy):
        figure, word = found[2], found[1]
    else:
        raise NotationError(text, "Not understood: write it like 2 in or 6 up.")
    if word and word not in _BASES:
        raise NotationError(text, "The base is in, out, up or down.")
    _, whole, decimals, _ = _figure(figure, text, "2 in")
    if len(decimals) > 2:
        raise NotationError(text, "No more than two decimals.")
    amount = Decimal(f"{whole or 0}.{decimals or 0}") if len(whole) < 5 else high + 1
    if amount > high:
        raise NotationError(text, f"Out of range: 0 to {high:f} Δ.")
    return PrismText(_two_places(amount), _BASES[word] if word else None)


class PrismPair(NamedTuple):
    """Horizontal and vertical part of one eye's prism, as written; None where nothing was written."""

    horizontal: PrismText | None
    vertical: PrismText | None


NO_PRISM = PrismPair(None, None)


def parse_prisms(text: str | None, eye: Eye | None = None) -> PrismPair:
    """ "2 in 1.5 up", "2 in & 1.5 up", or "3 @ 120" (base on the 0-360 scale, which needs the eye). Blank: (None, None)."""
    tidy = _tidy(text)
    if not tidy:
        return PrismPair(None, None)
    assert text is not None
    if polar := re.fullmatch(r"([0-9.,]+)\s*(?:Δ|δ|\^|pd)?\s*(?:@|base|b)\s*([0-9.,]+)\s*°?", tidy):
        if eye is None:
            raise NotationError(text, "A base in degrees needs the eye: write in, out, up or down.")
        amount = parse_prism(polar[1])
        base = _plain(polar[2], text, "120", Decimal(0), Decimal(360), "A base setting is from 0 to 360.")
        assert amount is not None
        found = Prism.at_base(float(amount.amount), float(base), eye)
        return _resolved(found)
    parts = [p for p in re.findall(r"[0-9][0-9.,]*\s*(?:Δ|δ|\^|pd)?\s*(?:base\s*)?[a-z]+|[^\s&,+]+", tidy) if p != "and"]
    horizontal: PrismText | None = None
    vertical: PrismText | None = None
    for part in parts:
        one = parse_prism(part)
        assert one is not None
        if one.base is None and len(parts) > 1:
            raise NotationError(text, "Not understood: write it like 2 in 1.5 up.")
        if one.base in ("up", "down"):
            if vertical:
                raise NotationError(text, "Has two vertical prisms: write one.")
            vertical = one
        else:
            if horizontal:
                raise NotationError(text, "Has two horizontal prisms: write one.")
            horizontal = one
    return PrismPair(horizontal, vertical)


def _resolved(prism: Prism) -> PrismPair:
    def part(value: float, positive: Base, negative: Base) -> PrismText | None:
        size = _number(abs(value)).quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
        return PrismText(size, positive if value > 0 else negative) if size else None

    return PrismPair(part(prism.base_in, "in", "out"), part(prism.base_up, "up", "down"))


# ── a whole line ───────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One eye's line of a prescription. None where nothing was written; cylinder 0.00 where "DS" was."""

    sphere: Decimal | None = None
    cylinder: Decimal | None = None
    axis: Decimal | None = None
    add: Decimal | None = None
    prism: PrismPair = NO_PRISM
    vertex_mm: Decimal | None = None
    eye: Eye | None = None


_EYE = re.compile(r"^(right|left|re|le|od|os|r|l)(?:\s*[:.]\s*|\s+|(?=[+-]))", re.ASCII)
_ADD = re.compile(r"[,;]?\s*\b(?:add(?:ition)?|near add)\s*:?\s*(\+?\s*[0-9.,]+)", re.ASCII)
_VERTEX = re.compile(r"[,;]?\s*\b(?:b?vd|vertex|@)\s*:?\s*([0-9.,]+)\s*(?:mm)\b|[,;]?\s*\bb?vd\s*:?\s*([0-9.,]+)", re.ASCII)
_LINE_PRISM = re.compile(
    r"[,;&]?\s*(?<![0-9.,x×-])([0-9]+(?:[.,][0-9]+)?)\s*(?:Δ|δ|\^|pd)?\s*(?:base\s*)?(in|out|up|down|b[iuod])\b",
    re.ASCII | re.IGNORECASE,
)
_NUMBER = r"(?:[+-]\s*)?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[+-](?!\s*[0-9.,]))?"
_BODY = re.compile(
    rf"(?P<sphere>{_NUMBER}|[a-z∞]+)"
    rf"(?:\s*/\s*(?P<cylinder>{_NUMBER}|ds|sph)|\s*(?P<signed>[+-]\s*[0-9.,]+)|\s+(?P<none>ds|sph))?"
    r"(?:(?:\s*(?:x|×|@|/|ax(?:is)?\.?)\s*|\s+)(?P<axis>[0-9]+(?:[.,][0-9]+)?)\s*°?)?",
    re.ASCII,
)  # a cylinder follows a stroke or has its sign; an axis follows a cross, or a space after a cylinder


def parse_line(text: str | None) -> Line:
    """A whole line as it is pasted: "-2.25/-0.50x170 add 2.25", "R +1.00 DS", "+5.00-1.50x090 2 in VD 12".

    Eye, addition, prism and vertex distance may stand in any order after the power. A cylinder without an axis passes (the checks
    question it). NotationError says what was not understood.
    """
    tidy = _tidy(text, LONGEST_LINE)
    if not tidy:
        return Line()
    assert text is not None
    eye: Eye | None = None
    if found := _EYE.match(tidy):
        eye = "right" if found[1] in ("r", "re", "od", "right") else "left"
        tidy = tidy[found.end() :]
    add: Decimal | None = None
    if found := _ADD.search(tidy):
        add = parse_power(found[1], low=Decimal(0), high=Decimal(20))
        tidy = tidy[: found.start()] + " " + tidy[found.end() :]
    vertex: Decimal | None = None
    if found := _VERTEX.search(tidy):
        vertex = parse_mm(found[1] or found[2], high=60)
        tidy = tidy[: found.start()] + " " + tidy[found.end() :]
    prisms = []
    while found := _LINE_PRISM.search(tidy):
        prisms.append(f"{found[1]} {found[2]}")
        tidy = tidy[: found.start()] + " " + tidy[found.end() :]
    prism = parse_prisms(" ".join(prisms)) if prisms else NO_PRISM
    tidy = tidy.strip(" ,;")
    body = _BODY.fullmatch(tidy)
    unlike = NotationError(text, "Not understood: write it like −2.25/−0.50×170 add 2.25.")
    if not body:
        raise unlike
    cylinder, axis = body["cylinder"] or body["signed"] or body["none"], body["axis"]
    if axis and not cylinder and not re.search(r"[x×@]", tidy):
        raise unlike  # two bare figures could be anything
    return Line(
        sphere=parse_power(body["sphere"]),
        cylinder=parse_cylinder(cylinder),
        axis=parse_axis(axis),
        add=add,
        prism=prism,
        vertex_mm=vertex,
        eye=eye,
    )


# ── printing ───────────────────────────────────────────────────────────────

Number = Decimal | float | int


def _number(value: Number) -> Decimal:
    number = Decimal(f"{value:.9f}") if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        raise NotFinite("value", value)
    return number


def format_power(value: Number | None, *, plano: bool = False) -> str:
    """Sign and two decimals always: −2.25, +0.50; zero is 0.00, or "plano". None is "".

    Eighths of a dioptre are cut, not rounded, as the trade prints them: 0.125 is +0.12, 3.375 is +3.37. All else is rounded, ties away
    from zero.
    """
    if value is None:
        return ""
    number = _number(value)
    eighth = number * 8 == (number * 8).to_integral_value()
    shown = number.quantize(Decimal("0.01"), rounding=ROUND_DOWN if eighth else ROUND_HALF_UP)
    if shown == 0:
        return "plano" if plano else "0.00"
    return f"{MINUS if shown < 0 else '+'}{abs(shown):f}"


def format_axis(value: Number | None) -> str:
    """1 to 180 without a degree sign (misread as a 0); one decimal only where there is one; 0 is printed 180."""
    if value is None:
        return ""
    shown = _number(value).quantize(Decimal("0.1"), rounding=ROUND_HALF_UP) % 180
    return f"{_short(shown) or Decimal(180):f}"


def format_mm(value: Number | None, *, sign: bool = False) -> str:
    """One decimal, two where there are two: 31.5, 31.25. `sign` prints + too."""
    return _format_length(value, sign, 1)


def _format_length(value: Number | None, sign: bool, least: int) -> str:
    if value is None:
        return ""
    shown = _number(value).quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    digits = f"{abs(shown):f}"
    while digits[-1] == "0" and len(digits.split(".")[1]) > least:
        digits = digits[:-1]
    digits = digits.rstrip(".")
    if shown < 0:
        return MINUS + digits
    return ("+" if sign and shown > 0 else "") + digits


def format_degrees(value: Number | None) -> str:
    """8 or 8.5; the unit is the caller's."""
    return _format_length(value, False, 0)


def format_prism(amount: Number | None, base: str | None = None) -> str:
    """ "2.00 in". A negative amount is refused: the base says the direction. "" for None."""
    if amount is None:
        return ""
    number = _number(amount).quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
    if number < 0:
        raise NotationError(str(amount), "A prism has no sign: the base says the direction.")
    return f"{number:f} {base}" if base and number else f"{number:f}"


def format_prism_of(prism: Prism) -> str:
    """ "2.00 in 1.50 up", and "0.00" for none."""
    found = _resolved(prism)
    return " ".join(format_prism(p.amount, p.base) for p in found if p) or "0.00"


def format_lens(power: Power, add: Number | None = None) -> str:
    """ "−2.25/−0.50×170 add +2.25"; "+1.00 DS" without a cylinder."""
    text = format_power(power.sphere, plano=True)
    if format_power(power.cylinder) == "0.00":
        text += " DS"
    else:
        text += f"/{format_power(power.cylinder)}×{format_axis(power.axis)}"
    return f"{text} add {format_power(add)}" if add is not None else text
