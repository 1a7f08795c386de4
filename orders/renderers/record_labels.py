"""The labels of record text, in one table: what each means, in what unit, for one eye or both, and how sure that is.

Source: the lens industry's open Data Communication Standard (once ISO 16284, withdrawn 2020). Only its contents list and first
definitions could be read; the labels are from memory. `confidence`: "high", "medium" or "low". A label of low confidence, or one
whose unit, sign or meaning would have to be read first, is not written: its `why_not` says so, and the value goes in a private
record (a label that begins with "_", which a receiver that has not agreed on it passes over) or not at all. This is why the whole
profile is called unverified and is off until a lab asks for it and has tried it.

Private labels are ours: they follow this table and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

Confidence = Literal["high", "medium", "low", "ours"]
Kind = Literal["number", "whole", "text", "code", "fields"]

LONGEST_RECORD = 80  # characters with CR LF (medium confidence; a shorter record is never wrong)
RESERVED = ";=,?"  # field, label and code separators; "?" alone means "not known"
NOT_KNOWN = "?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """`both`: right;left in one record. `needed`: an order without it for an eye that is made is refused."""

    name: str
    meaning: str
    confidence: Confidence
    unit: str = ""
    kind: Kind = "text"
    decimals: int = 2
    both: bool = False
    needed: bool = False
    repeats: bool = False
    least: Decimal = Decimal(-999)
    most: Decimal = Decimal(999)
    codes: tuple[str, ...] = ()
    why_not: str = ""  # not written


def _mm(
    name: str, meaning: str, confidence: Confidence, least: str = "0", most: str = "200", *, needed: bool = False
) -> Label:
    return Label(
        name=name,
        meaning=meaning,
        confidence=confidence,
        unit="mm",
        kind="number",
        both=True,
        least=Decimal(least),
        most=Decimal(most),
        needed=needed,
    )


def _d(name: str, meaning: str, least: str, most: str, unit: str = "D", *, needed: bool = False) -> Label:
    return Label(
        name=name,
        meaning=meaning,
        confidence="high",
        unit=unit,
        kind="number",
        both=True,
        needed=needed,
        least=Decimal(least),
        most=Decimal(most),
    )


def _deg(name: str, meaning: str, least: str, most: str, *, both: bool = True) -> Label:
    return Label(
        name=name,
        meaning=meaning,
        confidence="high",
        unit="degree",
        kind="number",
        decimals=1,
        both=both,
        least=Decimal(least),
        most=Decimal(most),
    )


def _left_out(name: str, meaning: str, confidence: Confidence, why: str) -> Label:
    return Label(name=name, meaning=meaning, confidence=confidence, why_not=why)


_STANDARD = (
    Label(name="JOB", meaning="order number", confidence="high"),
    Label(name="DO", meaning="eyes to make", confidence="high", kind="code", codes=("R", "L", "B")),
    Label(name="ACCN", meaning="account: the branch's code", confidence="medium"),
    Label(name="CLIENT", meaning="the client's reference, never the name", confidence="medium"),
    _d("SPH", "sphere to be made, back vertex power", "-60", "60", needed=True),
    _d("CYL", "cylinder to be made, one form for both eyes", "-30", "30", needed=True),
    _deg("AX", "cylinder axis, 180 for horizontal; none without a cylinder", "0", "180"),
    _d("ADD", "near addition", "0", "10"),
    _d("PRVM", "resultant prism", "0", "60", "prism dioptre"),
    _deg("PRVA", "base direction of the resultant, 0 to 360, both eyes seen from the front alike", "0", "360"),
    _mm("IPD", "distance centration from the middle of the bridge, one eye", "high", "5", "60"),
    _mm("NPD", "near centration from the middle of the bridge, one eye", "high", "5", "60"),
    _mm("OCHT", "height of the optical centre above the lower box tangent", "high", "-20", "100"),
    _mm("SEGHT", "height of the segment top or fitting cross above the lower box tangent", "high", "-20", "100"),
    _mm("HBOX", "boxed lens width", "high", "10", "100", needed=True),
    _mm("VBOX", "boxed lens height", "high", "10", "100", needed=True),
    Label(
        name="DBL",
        meaning="distance between lenses",
        confidence="high",
        unit="mm",
        kind="number",
        least=Decimal(0),
        most=Decimal(60),
    ),
    _mm("FED", "effective diameter", "medium"),
    Label(
        name="FCRV",
        meaning="front curve of the frame, n = 1.53",
        confidence="medium",
        unit="D",
        kind="number",
        both=True,
        least=Decimal(-5),
        most=Decimal(15),
    ),
    _deg("PANTO", "pantoscopic angle as worn", "-30", "45"),
    _mm("BVD", "back vertex distance as worn", "high", "0", "60"),
    Label(
        name="FTYP",
        meaning="frame: 0 not known, 1 plastic, 2 metal, 3 rimless",
        confidence="high",
        kind="code",
        codes=("0", "1", "2", "3"),
    ),
    Label(
        name="ETYP",
        meaning="edge: 1 bevel, 2 rimless, 3 groove",
        confidence="medium",
        kind="code",
        codes=("1", "2", "3"),
    ),
    Label(
        name="LTYP",
        meaning="lens type: SV, BI, TR, PR",
        confidence="medium",
        kind="code",
        both=True,
        codes=("SV", "BI", "TR", "PR"),
    ),
    Label(name="LNAM", meaning="lens design", confidence="medium", both=True),
    Label(name="LMATNAME", meaning="lens material", confidence="medium", both=True),
    Label(
        name="LIND",
        meaning="refractive index",
        confidence="high",
        kind="number",
        decimals=3,
        both=True,
        least=Decimal(1),
        most=Decimal("2.5"),
    ),
    _mm("DIA", "diameter of the uncut lens", "medium"),
    _mm("MINCTR", "least centre thickness", "high", "0", "30"),
    _mm("MINEDG", "least edge thickness", "high", "0", "30"),
    _mm("SWIDTH", "segment width", "medium"),
    _mm("SDEPTH", "segment depth", "medium"),
    Label(
        name="TRCFMT",
        meaning="of a trace: format 1; points; E equal angles; eye; F frame",
        confidence="high",
        kind="fields",
        repeats=True,
    ),
    Label(
        name="R",
        meaning="radii from the boxed centre, anticlockwise from the viewer's right for both eyes",
        confidence="high",
        unit="0.01 mm",
        kind="fields",
        repeats=True,
    ),
)

_NOT_WRITTEN = (
    _left_out("PRVIN", "prism component, in", "medium", "the same prism said twice could be taken twice"),
    _left_out("PRVUP", "prism component, up", "medium", "the same prism said twice could be taken twice"),
    _left_out("PTOK", "prism thinning allowed", "medium", "its values are not known to us; see _DLTHIN"),
    _left_out("ADD2", "second addition", "medium", "which of two it is would have to be read"),
    _left_out("ZTILT", "tilt of the traced plane or face form", "medium", "its meaning must be read; see _DLWRAP"),
    _left_out("FRNT", "front curve", "medium", "the index it is for must be read; see _DLFRONT"),
    _left_out("CIRC", "circumference", "high", "the order does not hold it"),
    _left_out("GDEPTH", "depth of a groove in the lens edge", "medium", "the order's groove is that of the rim"),
    _left_out("DRILL", "drill point", "medium", "the sign of its x must be read: a wrong hole spoils a lens; see _DLHOLE"),
    _left_out("DRILLE", "drill feature", "low", "the order of its fields must be read"),
    _left_out("CSIZ", "size adjustment", "low", "from memory only"),
    _left_out("FSIZ", "size adjustment", "low", "from memory only"),
    _left_out("COLR", "colour", "low", "its values are not standardised; see _DLTINT"),
    _left_out("TINT", "tint", "low", "its values are not standardised; see _DLTINT"),
    _left_out("ACOAT", "coating", "low", "its values are not standardised; see _DLCOAT"),
    _left_out("LCOAT", "coating", "low", "its values are not standardised; see _DLCOAT"),
    _left_out("LMATTYPE", "basic material code", "medium", "the order holds no such code"),
    _left_out("OMAV", "version of the standard", "medium", "no version is claimed"),
)


def _ours(name: str, meaning: str, **more: object) -> Label:
    return Label(name=name, meaning=meaning, confidence="ours", **more)  # type: ignore[arg-type]


_PRIVATE = (
    _ours("_DLPROF", "this profile and its number: UNVERIFIED;1", kind="fields"),
    _ours("_DLSHA", "SHA-256 of the order document this was made from", kind="text"),
    _ours(
        "_DLCENT",
        "single vision lenses are centred for: DISTANCE or NEAR",
        kind="code",
        both=True,
        codes=("DISTANCE", "NEAR"),
    ),
    _ours(
        "_DLCOMP",
        "who compensates the power for the position of wear: NONE, DONE (by the practice), MAKER",
        kind="code",
        codes=("NONE", "DONE", "MAKER"),
    ),
    _ours(
        "_DLPANTO", "pantoscopic angle, for information: do not compensate again", kind="number", decimals=1, unit="degree"
    ),
    _ours("_DLBVD", "back vertex distance, for information: do not compensate again", kind="number", unit="mm"),
    _ours("_DLWRAP", "face form angle as worn", kind="number", decimals=1, unit="degree"),
    _ours(
        "_DLTHIN",
        "prism thinning, base down in both lenses, besides the prism of the order",
        kind="number",
        unit="prism dioptre",
    ),
    _ours("_DLFRONT", "front curve wished for", kind="number", unit="D", both=True),
    _ours(
        "_DLHOLE",
        "drill point: x;y;diameter from the boxed centre, x to the nose, y up, both lenses",
        kind="fields",
        repeats=True,
    ),
    _ours("_DLBAL", "balance lens", kind="code", codes=("R", "L", "B")),
    _ours("_DLSLAB", "slab-off is asked for", kind="code", codes=("1",)),
    _ours("_DLTYPE", "degressive lenses, for which LTYP has no code we know", kind="code", codes=("DEGRESSIVE",)),
    _ours("_DLCODE", "code of the lens design"),
    _ours("_DLTOL", "standard the pair is held against"),
    _ours("_DLCOAT", "coating: piece;text", kind="fields", repeats=True),
    _ours("_DLTINT", "tint: piece;text", kind="fields", repeats=True),
    _ours("_DLREM", "remark: piece;text", kind="fields", repeats=True),
    _ours("_DLSAY", "what to know first: piece;text", kind="fields", repeats=True),
)

LABELS: dict[str, Label] = {each.name: each for each in (*_STANDARD, *_NOT_WRITTEN, *_PRIVATE)}
WRITTEN: dict[str, Label] = {name: each for name, each in LABELS.items() if not each.why_not}
