"""A finished pair held against its order: each quantity ordered, found, allowed, and how much of the allowance is used.

Pure. `judge(document, readings)` reads the order document (what was **ordered**, never the prescription) and what was measured on the
finished pair; the tolerance standard is the one named in the document. Frame of reference and units as in `orders.document`: mm, D, Δ,
degrees, x to the nose and y up for each eye, base in and base up positive. The pair's prism: horizontal base in of both added, vertical
right base up minus left base up.

A departure equal to the allowance is within it. Figures are compared at 0.001 (0.01 for degrees), so that a printed 0.12 is not lost
to binary fractions. What was not measured is never taken as right: the verdict is then "incomplete".

Which lens of an unequal pair feeds the prism allowance is not settled in any text seen: `feed`. Under ANSI the two editions seen name
different meridians for the sphere tolerance; both principal powers are held to it, the stricter reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

from dispensing.case import EYES, SEGMENTED, Eye, Pair
from dispensing.optics.power import Power
from dispensing.optics.prism import Prism, net, prism_from_decentration
from dispensing.optics.tolerance import (
    Feed,
    Kind,
    Standard,
    add_tolerance,
    axis_tolerance,
    pair_prism_tolerance,
    power_tolerance,
)
from orders.receipt.tables import PLACES, TINT_PAIR, TINT_PAIR_SHARE, Places

_SLACK = 1e-9
# D between the meridians: 10 mm that nobody measured would then move the prism of the other meridian by 0.1 Δ
COUPLED = 0.1
ASIDE_MM = 1.5  # both centres off by so much towards one side; a monocular distance is read to 0.5 or 1 mm
COPIED_FROM = 6  # so many readings equal to the order in every digit do not happen on a focimeter
Where = Literal["right", "left", "pair"]
Outcome = Literal["within", "outside", "incomplete"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LensReading:
    """What was read on one finished lens; None = not measured. Power in either cylinder form."""

    sphere: float | None = None
    cylinder: float | None = None
    axis: float | None = None
    add: float | None = None
    prism_in: float | None = None  # read at the ordered point
    prism_up: float | None = None
    pd: float | None = (
        None  # middle of the nose to the optical centre (or where the ordered prism is found), or to the fitting cross
    )
    height: float | None = None  # above the lower box tangent: of that point, the fitting cross, or the segment top
    near_pd: float | None = None  # middle of the nose to the middle of the segment
    tilt: float | None = None  # of the segment top or of the permanent marks
    segment_width: float | None = None
    segment_depth: float | None = None
    centre_thickness: float | None = None
    edge_thickness: float | None = None  # thinnest place
    transmittance: float | None = None  # luminous, per cent

    @property
    def power(self) -> Power | None:
        if self.sphere is None:
            return None
        return Power(self.sphere, self.cylinder or 0.0, self.axis if self.axis is not None else 180.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    right: LensReading = LensReading()
    left: LensReading = LensReading()

    def of(self, eye: Eye) -> LensReading:
        return self.right if eye == "right" else self.left


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One quantity. `within` is None where nothing was found or the standard sets no limit; `used` is the share of the allowance."""

    name: str  # "power_high", "axis", "prism_h", ...
    where: Where
    label: str
    unit: str  # D, °, Δ, mm, %
    ordered: float | None
    found: float | None
    difference: float | None
    allowance: float | None
    within: bool | None
    required: bool
    least: bool = False  # ordered as a least figure: only too little counts
    basis: str = ""
    source: str = ""

    @property
    def used(self) -> float | None:
        """Share of the allowance used, 1.0 at the limit; None where nothing is judged."""
        if self.difference is None or not self.allowance:
            return None
        size = max(0.0, -self.difference) if self.least else abs(self.difference)
        return size / self.allowance

    @property
    def margin(self) -> float | None:
        """What is left of the allowance, in the unit of the quantity; negative outside."""
        used = self.used
        return None if used is None or self.allowance is None else self.allowance * (1.0 - used)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    standard: Standard
    kind: Kind
    outcome: Outcome
    judged: tuple[Judged, ...]
    missing: tuple[str, ...]  # "right: axis", what has to be measured and was not
    copied: bool  # every reading equals the order in every digit
    remarks: tuple[str, ...]  # what else the figures say: lenses exchanged, ...

    def of(self, where: Where) -> tuple[Judged, ...]:
        return tuple(j for j in self.judged if j.where == where)

    def one(self, name: str, where: Where) -> Judged:
        """The quantity of that name; KeyError when it is not judged for this order."""
        for j in self.judged:
            if (j.name, j.where) == (name, where):
                return j
        raise KeyError((name, where))

    @property
    def outside(self) -> tuple[Judged, ...]:
        return tuple(j for j in self.judged if j.within is False)


# --- the order's side -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OrderedLens:
    """One lens as the document orders it, as numbers. None = not ordered."""

    power: Power | None
    add: float | None
    prism: Prism
    pd: float | None
    height: float | None
    near_pd: float | None
    centre_min: float | None
    edge_min: float | None


def kind_of(document: Mapping[str, Any]) -> Kind:
    family = document["lens"]["design"]["family"]
    if family in SEGMENTED:
        return "multifocal"
    return "progressive" if family in ("progressive", "degressive") else "single vision"


def ordered_lens(document: Mapping[str, Any], eye: Eye) -> OrderedLens:
    """Prism thinning is in both lenses besides the prism ordered, so it belongs to what is expected there."""
    lens = document["lenses"][eye]
    c, o = lens["centration"], lens["ordered"]
    power, add, prism = None, None, Prism()
    if o is not None:
        power = Power(float(o["sphere"]), float(o["cylinder"]), float(o["axis"]) if o["axis"] else 180.0)
        add = _number(o["addition"])
        thinning = float(document["lens"]["prism_thinning_down"] or 0)
        prism = Prism(float(o["prism"]["in"]), float(o["prism"]["up"]) - thinning)
    near = c["centred_for"] == "near"
    return OrderedLens(
        power=power,
        add=add or None,
        prism=prism,
        pd=_number(c["near_pd"] if near else c["far_pd"]),
        height=_number(c["height"]),
        near_pd=_number(c["near_pd"]),
        centre_min=_number(lens["thickness"]["centre_min"]),
        edge_min=_number(lens["thickness"]["edge_min"]),
    )


def near_reference(document: Mapping[str, Any], want: OrderedLens) -> float:
    """What the power at the primary reference point has over the ordered sphere, D: that of a degressive lens is its near point
    (ISO 13666:2019 and ISO 21987:2017, by a summary of the revisions), where the addition is whole."""
    return (want.add or 0.0) if document["lens"]["design"]["family"] == "degressive" else 0.0


def to_be_found(document: Mapping[str, Any], eye: Eye) -> OrderedLens:
    """The lens as it has to be found: the ordered power, raised to that of the near point for a degressive lens."""
    want = ordered_lens(document, eye)
    more = near_reference(document, want)
    if not more or want.power is None:
        return want
    return replace(want, power=Power(want.power.sphere + more, want.power.cylinder, want.power.axis))


def found_as_ordered(document: Mapping[str, Any], eye: Eye, read: LensReading) -> Power | None:
    """What was measured, as the order states powers: a degressive lens was read at its near point, unless what was read is nearer to the
    order as it stands (receipts from before the near point was asked for). None while it was not measured."""
    want = ordered_lens(document, eye)
    got, more = power_found(want, read), near_reference(document, want)
    if got is None or not more or want.power is None:
        return got
    return min(Power(got.sphere - more, got.cylinder, got.axis), got, key=want.power.distance_from)


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


# --- judging --------------------------------------------------------------------------------------------------------------


def judge(document: Mapping[str, Any], readings: Readings, *, feed: Feed = "weaker") -> Verdict:
    """Every quantity of the pair. `feed`: which lens of an unequal pair gives the power of the prism allowance."""
    standard: Standard = document["tolerance_standard"]
    kind = kind_of(document)
    degressive = document["lens"]["design"]["family"] == "degressive"
    ordered = Pair(to_be_found(document, "right"), to_be_found(document, "left"))
    places = PLACES[standard]
    rows: list[Judged] = []
    for eye in EYES:
        rows += _lens(eye, ordered.of(eye), readings.of(eye), standard, kind, degressive)
        rows += _geometry(eye, ordered.of(eye), readings.of(eye), kind, places, document["lens"]["design"])
    rows += _pair(ordered, readings, standard, kind, feed)
    rows += _pair_geometry(ordered, readings, kind, places)
    rows += _tint(readings, document["lens"]["tint"])
    missing = tuple(f"{j.where}: {j.label}" for j in rows if j.required and j.found is None)
    outside = any(j.within is False for j in rows)
    return Verdict(
        standard=standard,
        kind=kind,
        outcome="outside" if outside else "incomplete" if missing else "within",
        judged=tuple(rows),
        missing=missing,
        copied=_copied(ordered, readings),
        remarks=(*(_remarks(ordered, readings, standard, kind) if outside else ()), *_both_aside(ordered, readings)),
    )


def _held(
    name: str, where: Where, label: str, unit: str, ordered: float | None, found: float | None, allowance: float | None,
    *, required: bool = False, least: bool = False, basis: str = "", source: str = "", difference: float | None = None,
) -> Judged:  # fmt: skip
    if difference is None and ordered is not None and found is not None:
        difference = found - ordered
    within = None
    if difference is not None and allowance is not None:
        size = max(0.0, -difference) if least else abs(difference)
        within = min(size, round(size, 2 if unit == "°" else 3)) <= allowance + _SLACK
    return Judged(
        name=name, where=where, label=label, unit=unit, ordered=ordered, found=found, difference=difference,
        allowance=allowance, within=within, required=required, least=least, basis=basis, source=source,
    )  # fmt: skip


def power_found(want: OrderedLens, read: LensReading) -> Power | None:
    """The lens as measured; None while an ordered cylinder was not read. Where none is ordered, a blank cylinder is none."""
    if read.cylinder is None and want.power is not None and want.power.cylinder:
        return None
    return read.power


def _lens(
    eye: Eye, want: OrderedLens, read: LensReading, standard: Standard, kind: Kind, degressive: bool
) -> Iterator[Judged]:
    got = power_found(want, read)
    if want.power is None:
        return  # a balance lens: its power is left to the lab
    allowed = power_tolerance(want.power, standard, kind)
    source = f"{allowed.source.text}; {allowed.source.confidence}"
    high, low = _principals(want.power)
    found_high, found_low = _principals(got) if got else (None, None)
    for name, label, one, other in (
        ("power_high", "principal power, more plus", high, found_high),
        ("power_low", "principal power, more minus", low, found_low),
    ):
        at = "at the near point: the ordered power and the addition" if degressive and want.add else ""
        yield _held(name, eye, label, "D", one, other, allowed.principal, required=True, basis=at, source=source)
    yield _held(
        "cylinder", eye, "cylinder", "D", abs(want.power.cylinder), abs(got.cylinder) if got else None, allowed.cylinder,
        required=True, basis="size, whichever the form", source=source,
    )  # fmt: skip
    axis = axis_tolerance(want.power.cylinder, standard)
    if axis.value is not None:
        wanted = want.power.in_form("minus").axis
        turned = found = None
        basis = "minus-cylinder axis"
        if got is not None and got.cylinder:
            found = got.in_form("minus").axis
            turned = (found - wanted + 90.0) % 180.0 - 90.0
        elif got is not None:
            basis = "no cylinder was found that could have an axis"
        yield _held(
            "axis", eye, "axis", "°", wanted, found, axis.value, difference=turned, required=got is None, basis=basis,
            source=f"{axis.source.text}; {axis.source.confidence}",
        )  # fmt: skip
    if want.add is not None:
        limit = None if degressive else add_tolerance(want.add, standard)
        yield _held(
            "add", eye, "addition", "D", want.add, read.add, limit.value if limit else None, required=limit is not None,
            basis="" if limit else "the variation power of a degressive lens is not verified",
            source=f"{limit.source.text}; {limit.source.confidence}" if limit else "",
        )  # fmt: skip


def _principals(power: Power) -> tuple[float, float]:
    """The more plus and the more minus principal power, D."""
    both = power.sphere, power.sphere + power.cylinder
    return max(both), min(both)


def _geometry(
    eye: Eye, want: OrderedLens, read: LensReading, kind: Kind, places: Places, design: Mapping[str, Any]
) -> Iterator[Judged]:
    place = f"{places.place_source.text}; {places.place_source.confidence}"
    if kind == "progressive":
        yield _held(
            "pd", eye, "fitting cross from the nose", "mm", want.pd, read.pd, places.cross_pd, required=want.pd is not None,
            source=place,
        )  # fmt: skip
        yield _held(
            "height", eye, "fitting height", "mm", want.height, read.height, places.height,
            required=want.height is not None, source=place,
        )  # fmt: skip
    elif kind == "multifocal":
        yield _held(
            "height", eye, "segment top height", "mm", want.height, read.height, places.height,
            required=want.height is not None, source=place,
        )  # fmt: skip
        yield _held(
            "near_pd", eye, "segment from the nose", "mm", want.near_pd, read.near_pd, None, basis="judged as a pair"
        )
        yield _held("pd", eye, "optical centre from the nose", "mm", want.pd, read.pd, None, basis="judged as prism")
    else:
        yield _held("pd", eye, "optical centre from the nose", "mm", want.pd, read.pd, None, basis="judged as prism")
        yield _held("height", eye, "optical centre height", "mm", want.height, read.height, None, basis="judged as prism")
    if kind != "single vision":
        yield _held("tilt", eye, "tilt of the marks" if kind == "progressive" else "tilt of the segment", "°", 0.0, read.tilt,
                    places.tilt, source=place)  # fmt: skip
    if kind == "multifocal":
        size = f"{places.size_source.text}; {places.size_source.confidence}"
        for name, label in (("segment_width", "segment width"), ("segment_depth", "segment depth")):
            ordered = _number(design.get(name))
            if ordered is not None:
                yield _held(name, eye, label, "mm", ordered, getattr(read, name), places.segment_size, source=size)
    thick = f"{places.thickness_source.text}; {places.thickness_source.confidence}"
    least = "ordered as a least figure: only thinner counts"
    if want.centre_min is not None:
        yield _held(
            "centre_thickness",
            eye,
            "centre thickness",
            "mm",
            want.centre_min,
            read.centre_thickness,
            places.thickness,
            least=True,
            basis=least,
            source=thick,
        )
    if want.edge_min is not None:
        yield _held(
            "edge_thickness", eye, "thinnest edge", "mm", want.edge_min, read.edge_thickness, None, least=True,
            basis="the standard sets no allowance at the edge",
        )  # fmt: skip


def coupled(power: Power) -> bool:
    """Whether a shift along one of horizontal and vertical makes prism along the other that matters."""
    return abs(power.entries().f12) > COUPLED


def prism_found(
    eye: Eye, want: OrderedLens, read: LensReading, kind: Kind, level: float | None
) -> tuple[float | None, float | None]:
    """Base in and base up at the ordered point, Δ: as read there, else from where the optical centre was found.

    The centre of a lens with prism is the point at which the ordered prism is found. `level`: the height that counts as ordered where
    none was. A progressive lens has no such centre: its prism has to be read at the prism reference point. Where an oblique cylinder
    turns a shift one way into prism the other way (`COUPLED`), both places have to be known.
    """
    h, v = read.prism_in, read.prism_up
    power = power_found(want, read) or want.power
    if power is None or kind == "progressive" or (h is not None and v is not None):
        return h, v
    dx = want.pd - read.pd if want.pd is not None and read.pd is not None else None
    wanted = want.height if want.height is not None else level
    dy = read.height - wanted if kind == "single vision" and read.height is not None and wanted is not None else None
    alone = not coupled(power)
    if h is None and dx is not None and (alone or dy is not None):
        h = want.prism.base_in + prism_from_decentration(power, dx, dy or 0.0, eye).base_in
    if v is None and dy is not None and (alone or dx is not None):
        v = want.prism.base_up + prism_from_decentration(power, dx or 0.0, dy, eye).base_up
    return h, v


def _pair(ordered: Pair[OrderedLens], readings: Readings, standard: Standard, kind: Kind, feed: Feed) -> Iterator[Judged]:
    if ordered.right.power is None or ordered.left.power is None:
        return  # with a balance lens there is no fusion to protect
    asked = net(ordered.right.prism, ordered.left.prism)
    allowed = pair_prism_tolerance(
        ordered.right.power, ordered.left.power, ordered_horizontal=asked.horizontal, ordered_vertical=asked.vertical,
        standard=standard, kind=kind, feed=feed,
    )  # fmt: skip
    source = f"{allowed.source.text}; {allowed.source.confidence}"
    heights = [readings.of(eye).height for eye in EYES]
    none_ordered = all(ordered.of(eye).height is None for eye in EYES)
    level = sum(h for h in heights if h is not None) / 2 if none_ordered and None not in heights else None
    (hr, vr), (hl, vl) = (prism_found(eye, ordered.of(eye), readings.of(eye), kind, level) for eye in EYES)
    same = " (no height ordered: both centres should be level)" if level is not None else ""
    yield _held(
        "prism_h", "pair", "horizontal prism of the pair", "Δ", asked.horizontal,
        hr + hl if hr is not None and hl is not None else None, allowed.horizontal, required=True,
        basis=f"base in of both added; allowed: {allowed.horizontal_basis}", source=source,
    )  # fmt: skip
    yield _held(
        "prism_v", "pair", "vertical prism of the pair", "Δ", asked.vertical,
        vr - vl if vr is not None and vl is not None else None, allowed.vertical, required=True,
        basis=f"right base up minus left; allowed: {allowed.vertical_basis}{same}", source=source,
    )  # fmt: skip


def _pair_geometry(ordered: Pair[OrderedLens], readings: Readings, kind: Kind, places: Places) -> Iterator[Judged]:
    if kind == "single vision":
        return
    source = f"{places.place_source.text}; {places.place_source.confidence}"
    label = "fitting heights, right minus left" if kind == "progressive" else "segment tops, right minus left"
    yield _held(
        "height_pair", "pair", label, "mm", _minus(ordered.right.height, ordered.left.height),
        _minus(readings.right.height, readings.left.height), places.height_pair, source=source,
    )  # fmt: skip
    if kind == "multifocal":
        yield _held(
            "segment_pd", "pair", "segments, distance apart", "mm", _plus(ordered.right.near_pd, ordered.left.near_pd),
            _plus(readings.right.near_pd, readings.left.near_pd), places.segment_pd, source=source,
            required=None not in (ordered.right.near_pd, ordered.left.near_pd),
        )  # fmt: skip
        size = f"{places.size_source.text}; {places.size_source.confidence}"
        for name, words in (("segment_width", "segment widths"), ("segment_depth", "segment depths")):
            unlike = _minus(getattr(readings.right, name), getattr(readings.left, name))
            if unlike is not None:
                yield _held(
                    name, "pair", f"{words}, right minus left", "mm", 0.0, unlike, places.segment_size_pair, source=size
                )


def _tint(readings: Readings, tint: Mapping[str, Any] | None) -> Iterator[Judged]:
    if tint is None:
        return
    r, left = readings.right.transmittance, readings.left.transmittance
    unlike = allowance = None
    if r is not None and left is not None and r + left > 0:
        unlike, allowance = r - left, TINT_PAIR_SHARE * (r + left) / 2.0
    yield _held(
        "tint", "pair", "transmittance, right minus left", "%", 0.0, unlike, allowance,
        basis=f"{TINT_PAIR_SHARE:.0%} of their mean", source=f"{TINT_PAIR.text}; {TINT_PAIR.confidence}",
    )  # fmt: skip


def _plus(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a + b


def _minus(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a - b


# --- what the figures say besides -----------------------------------------------------------------------------------------


def _copied(ordered: Pair[OrderedLens], readings: Readings) -> bool:
    """Every reading is the order's own figure in every digit, and there are enough of them to wonder."""
    compared = 0
    for eye in EYES:
        want, read = ordered.of(eye), readings.of(eye)
        if want.power is not None and read.power is not None:
            got, asked = read.power.in_form("minus"), want.power.in_form("minus")
            if (round(got.sphere, 3), round(got.cylinder, 3)) != (round(asked.sphere, 3), round(asked.cylinder, 3)):
                return False
            compared += 1
            if asked.cylinder:
                if round(got.axis, 1) != round(asked.axis, 1):
                    return False
                compared += 2
        for value, target in (
            (read.add, want.add), (read.prism_in, want.prism.base_in), (read.prism_up, want.prism.base_up),
            (read.pd, want.pd), (read.height, want.height), (read.near_pd, want.near_pd),
            (read.centre_thickness, want.centre_min), (read.edge_thickness, want.edge_min),
        ):  # fmt: skip
            if value is None or target is None:
                continue
            if round(value, 3) != round(target, 3):
                return False
            compared += 1
    return compared >= COPIED_FROM


def _fits(want: OrderedLens, read: LensReading, standard: Standard, kind: Kind) -> bool:
    if want.power is None or power_found(want, read) is None:
        return False
    rows = [
        j
        for j in _lens("right", want, read, standard, kind, False)
        if j.name in ("power_high", "power_low", "cylinder", "axis")
    ]
    return all(j.within is not False for j in rows)


def _both_aside(ordered: Pair[OrderedLens], readings: Readings) -> Iterator[str]:
    """Both centres off towards one side of the face, as when right and left distances change places: like powers then make no prism
    between the eyes, and no allowance of the pair sees it."""
    right, left = (
        r.pd - want.pd if (r := readings.of(eye)).pd is not None and (want := ordered.of(eye)).pd is not None else None
        for eye in EYES
    )
    if right is None or left is None or right * left >= 0 or min(abs(right), abs(left)) < ASIDE_MM - _SLACK:
        return
    off = (abs(right) + abs(left)) / 2
    yield (
        f"Both centres lie about {off:.1f} mm towards the wearer's {'right' if right > 0 else 'left'}: were the right and left distances "
        "exchanged, in the making or in the readings? The prism of the pair does not show it."
    )


def _remarks(ordered: Pair[OrderedLens], readings: Readings, standard: Standard, kind: Kind) -> Iterator[str]:
    straight = [_fits(ordered.of(eye), readings.of(eye), standard, kind) for eye in EYES]
    crossed = [
        _fits(ordered.right, readings.left, standard, kind),
        _fits(ordered.left, readings.right, standard, kind),
    ]
    if all(crossed) and not all(straight):
        yield "Each lens has the power ordered for the other eye: right and left may be exchanged, in the frame or in the readings."
    for eye, fits in zip(EYES, straight, strict=True):
        want, read = ordered.of(eye), readings.of(eye)
        if fits or want.power is None or power_found(want, read) is None:
            continue
        if want.power.cylinder:
            turned = replace(read, axis=((read.axis or 180.0) + 90.0) % 180.0 or 180.0)
            if _fits(want, turned, standard, kind):
                yield f"The {eye} lens would be right with its axis turned by 90°: was the axis read in the other cylinder form?"
        if _fits(want, replace(read, sphere=-(read.sphere or 0.0), cylinder=-(read.cylinder or 0.0)), standard, kind):
            yield f"The {eye} lens would be right with the opposite sign."


# --- kept and read back ---------------------------------------------------------------------------------------------------


def to_json(verdict: Verdict) -> dict[str, Any]:
    """Plain data as it is stored; numbers as they were compared."""
    data = asdict(verdict)
    for row in data["judged"]:
        for name in ("ordered", "found", "difference", "allowance"):
            row[name] = None if row[name] is None else round(row[name], 6)
    data["judged"] = list(data["judged"])
    data["missing"], data["remarks"] = list(data["missing"]), list(data["remarks"])
    return data


def from_json(data: Mapping[str, Any]) -> Verdict:
    names = {f.name for f in fields(Judged)}
    rows = tuple(Judged(**{k: v for k, v in row.items() if k in names}) for row in data["judged"])
    return Verdict(
        standard=data["standard"], kind=data["kind"], outcome=data["outcome"], judged=rows, missing=tuple(data["missing"]),
        copied=data["copied"], remarks=tuple(data["remarks"]),
    )  # fmt: skip
