"""A hundred whole records written by hand: sixty wrong, forty right but unusual, each with the verdict its source supports.

A record is a base (a sound dispense) with some values set. `least` is the mildest severity that would do for a wrong one:
"stop" where the pair is unmakeable, unlawful or surely wrong; "unknown" where it cannot be judged yet and therefore does not
leave; "confirm" where a competent optician would ask. `by` is the check that has to say so: another finding does not count.
Sources: "facts n" = a numbered line of the trade's own list of wrong and unusual records, assembled from the sources named there
(ISO 13666, ISO 21987, ISO 8429, Opticians Act 1989 s.27 with ABDO and College of Optometrists guidance, College guidance on
BS EN ISO 12312-1, McCarthy 2013, Dodgson 2004, ANSUR II, Millodot 7th ed., textbooks); "common practice" where there is no
single authority. Standards' figures are from memory: no paid text was read.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date, datetime
from typing import Any

from dispensing.case import (
    Adopted,
    Case,
    EarlierPair,
    Fit,
    Frame,
    Hands,
    LensChoice,
    LensDesign,
    Measurements,
    Needs,
    OrderedPower,
    Pair,
    Person,
    PrescribedLens,
    Prescription,
    Reading,
    Tint,
)
from dispensing.optics.outlines import outline_for
from tests.reference.population import MATERIALS

TODAY = date(2026, 11, 25)
GLASS = replace(
    MATERIALS["1.50"],
    name="crown glass",
    nd=1.523,
    abbe=58.5,
    density=2.54,
    impact="low",
    drilled="no",
    grooved="no",
    glass=True,
)


def _readings(frame: str, far: tuple[float, float], heights: tuple[float, float] | None) -> tuple[Reading, ...]:
    at = datetime(2026, 11, 25, 10, 20)
    rows = []
    for eye, pd_value in zip(("right", "left"), far, strict=True):
        rows += [
            Reading(quantity="far_pd", eye=eye, value=pd_value, method="pupillometer", by="d", at=at, frame_identity=frame)
        ] * 2  # type: ignore[arg-type]
    if heights:
        for eye, h in zip(("right", "left"), heights, strict=True):
            rows += [
                Reading(quantity="height", eye=eye, value=h, method="marked_lens", reference="box", by="d", at=at,  # type: ignore[arg-type]
                        frame_identity=frame, observer_level=True)
            ] * 2  # fmt: skip
    return tuple(rows)


def _base(
    age: float, right: tuple[float, float | None, float | None], left: tuple[float, float | None, float | None], *,
    add: float | None = None, far: tuple[float, float] = (31.5, 32.0), heights: tuple[float, float] | None = None,
    a: float = 52, b: float = 38, dbl: float = 18, ed: float = 54, side: float = 142, mount: str = "full_rim", family: str = "single_vision",
    material: str = "1.60", vertex: float | None = 12, blank: float = 70, near: tuple[float, float] | None = None, child: bool = False,
    uses: tuple[str, ...] = ("distance",), min_height: float | None = None, corridor: float | None = None, earlier: bool = False,
) -> Case:  # fmt: skip
    lens = [PrescribedLens(sphere=x[0], cylinder=x[1], axis=x[2], add=add) for x in (right, left)]
    rx = Prescription(
        right=lens[0],
        left=lens[1],
        vertex_mm=vertex,
        written_on=date(2026, 11, 3),
        prescriber="A prescriber",
        read_back="matched",
    )
    frame = Frame(
        identity="frame one", name="frame one", a=a, b=b, dbl=dbl, ed=ed, side=side, mount=mount, material="acetate",  # type: ignore[arg-type]
        front_curve=5.0, face_form_deg=5.0, outline=tuple(float(r) for r in outline_for(a, b, ed, "pantoscopic")), child=child,
    )  # fmt: skip
    design = LensDesign(
        identity="design", name="design", family=family, corridor_mm=corridor, min_height_mm=min_height,  # type: ignore[arg-type]
        min_above_mm=10.0 if corridor else None, segment_width_mm=28.0 if "bifocal" in family else None,
        segment_depth_mm=19.0 if "bifocal" in family else None, segment_centre_below_top_mm=5.0 if "bifocal" in family else None,
        sphere_min=-25, sphere_max=25, cylinder_max=8, add_min=0.5, add_max=4, prism_max=10, blank_diameters=(60, 65, 70, 75, 80),
    )  # fmt: skip
    minimum = {"full_rim": 1.0, "grooved": 1.8, "drilled": 2.0}[mount]
    near_of = near or (None, None)
    high = heights or (None, None)
    case = Case(
        today=TODAY, person=Person(age_years=age), needs=Needs(uses=uses, working_distance_mm=400.0 if add else None),  # type: ignore[arg-type]
        prescription=rx, frame=frame,
        fit=Fit(confirmed=True, confirmed_at=datetime(2026, 11, 25, 10), frame_identity="frame one", vertex_mm=vertex or 12.0,
                pantoscopic_deg=9.0, face_form_deg=5.0),
        measurements=Measurements(
            readings=_readings("frame one", far, heights),
            right=Adopted(far_pd=far[0], near_pd=near_of[0], height=high[0]), left=Adopted(far_pd=far[1], near_pd=near_of[1], height=high[1]),
            binocular_far_pd=sum(far),
        ),
        lens=LensChoice(design=design, material=MATERIALS[material], blank_diameter_mm=blank, min_centre_mm=1.2, min_edge_mm=minimum, coating="hard"),
        hands=Hands(dispenser="d", dispenser_role="dispenser", dispenser_registered=True),
    )  # fmt: skip
    if earlier:
        case = replace(case, earlier=(EarlierPair(on=date(2025, 9, 1), prescription=replace(rx, written_on=date(2025, 8, 20)),
            far_pd=Pair(far[0], far[1]), height=Pair(high[0], high[1]), frame=frame, family=family),))  # type: ignore[arg-type]  # fmt: skip
    return case


BASES: dict[str, Case] = {
    "young myope": _base(24, (-2.00, -0.50, 175), (-2.25, -0.75, 5)),
    "young myope again": _base(24, (-4.25, -0.50, 175), (-4.25, -0.75, 5), earlier=True, heights=(22, 22)),
    "hyperope": _base(33, (2.00, -1.00, 90), (1.75, -0.75, 85)),
    "progressive": _base(58, (-1.25, -0.50, 170), (-1.50, -0.50, 10), add=2.25, family="progressive", heights=(22, 22.5), min_height=17,
                         corridor=13, near=(29.5, 30), uses=("all_round",)),
    "progressive again": _base(58, (-1.25, -0.50, 170), (-1.50, -0.50, 10), add=2.25, family="progressive", heights=(22, 22.5), min_height=17,
                               corridor=13, near=(29.5, 30), uses=("all_round",), earlier=True),
    "bifocal": _base(62, (1.25, -0.50, 90), (1.50, -0.25, 95), add=2.50, family="flat_top_bifocal", heights=(17.5, 17.5), min_height=13,
                     near=(29.5, 30), uses=("all_round",)),
    "high myope": _base(38, (-9.50, -0.75, 15), (-9.25, -1.00, 165), material="1.67", far=(32, 32), heights=(22, 22), blank=75, vertex=12),
    "child": _base(9, (-1.50, None, None), (-1.75, -0.50, 180), far=(27.5, 27.5), a=42, b=32, dbl=15, ed=43, side=120, material="1.59",
                   child=True, blank=60),
    "drilled": _base(45, (-1.50, -0.25, 90), (-1.25, None, None), mount="drilled", material="1.53"),
    "reader": _base(66, (2.25, None, None), (2.25, -0.25, 90), near=(29.5, 30), uses=("near",)),
}  # fmt: skip


@dataclass(frozen=True)
class Record:
    name: str
    base: str
    set: dict[str, Any]
    wrong: bool
    least: str
    by: str  # the check that has to find it, at least as gravely as `least`
    source: str

    def case(self) -> Case:
        value: Any = BASES[self.base]
        for path, new in self.set.items():
            value = _set(value, path.split("."), new)
        measured = {path.rpartition(".")[2] for path in self.set if path.startswith("measurements.")}
        if measured & {"far_pd", "height"} and "measurements.readings" not in self.set:
            value = _read_so(value)
        return value  # type: ignore[no-any-return]


def _read_so(case: Case) -> Case:
    """The readings are those adopted: what is wrong was measured, or written down, wrong."""
    m = case.measurements
    adopted = {("far_pd", eye): getattr(m, eye).far_pd for eye in ("right", "left")}
    adopted |= {("height", eye): getattr(m, eye).height for eye in ("right", "left")}
    readings = tuple(
        r if adopted[r.quantity, r.eye] is None else replace(r, value=adopted[r.quantity, r.eye]) for r in m.readings
    )
    return replace(case, measurements=replace(m, readings=readings))


def _set(value: Any, path: list[str], new: Any) -> Any:
    if not path:
        return new
    assert is_dataclass(value)
    assert path[0] in {f.name for f in fields(value)}, path[0]
    return replace(value, **{path[0]: _set(getattr(value, path[0]), path[1:], new)})  # type: ignore[type-var]


def _wrong(name: str, base: str, least: str, by: str, source: str, **values: Any) -> Record:
    return Record(name, base, {k.replace("__", "."): v for k, v in values.items()}, True, least, by, source)


def _right(name: str, base: str, source: str, **values: Any) -> Record:
    return Record(name, base, {k.replace("__", "."): v for k, v in values.items()}, False, "", "", source)


def _both(field: str, right: Any, left: Any) -> dict[str, Any]:
    return {f"measurements__right__{field}": right, f"measurements__left__{field}": left}


R, L = "prescription__right__", "prescription__left__"
RECORDS: tuple[Record, ...] = (
    # --- sixty wrong
    _wrong("cylinder without axis", "young myope", "stop", "rx.cylinder-without-axis", "facts 1; ISO 13666", **{R + "cylinder": -1.25, R + "axis": None}),
    _wrong("axis without cylinder", "hyperope", "stop", "rx.axis-without-cylinder", "facts 2", **{L + "cylinder": None, L + "axis": 95.0}),
    _wrong("axis 195", "hyperope", "stop", "rx.axis-off-scale", "facts 3; ISO 8429:1986", **{R + "axis": 195.0}),
    _wrong("sign of one sphere turned, last pair known", "young myope again", "stop", "rx.slip", "facts 4", prescription__read_back=None, **{L + "sphere": 4.25}),
    _wrong("transposed without turning the axis", "hyperope", "stop", "ordered.half-transposed", "facts 5; textbook transposition",
           lens__compensation="practice", lens__ordered_right=OrderedPower(sphere=1.0, cylinder=1.0, axis=90),
           lens__ordered_left=OrderedPower(sphere=1.75, cylinder=-0.75, axis=85)),
    _wrong("progressive without addition", "progressive", "stop", "rx.add-missing", "facts 6", **{R + "add": None, L + "add": None}),
    _wrong("near sphere typed as addition", "hyperope", "stop", "rx.near-sphere-as-add", "facts 7", person__age_years=58.0,
           **{R + "add": 4.0, R + "near_sphere": 4.0, L + "add": 3.75, L + "near_sphere": 3.75},
           needs__uses=("near",)),
    _wrong("additions 1.50 and 2.50, no remark", "progressive", "confirm", "rx.adds-unequal", "facts 8", **{R + "add": 1.5, L + "add": 2.5}),
    _wrong("addition 2.25 at 24 in a progressive, no remark", "progressive", "confirm", "rx.add-for-age", "facts 9; Millodot", person__age_years=24.0),
    _wrong("64 and 64 in monocular fields", "young myope", "stop", "pd.binocular-in-monocular", "facts 10", **_both("far_pd", 64.0, 64.0)),
    _wrong("parts 31 and 34, whole 63", "young myope", "stop", "pd.parts-do-not-sum", "facts 11", **_both("far_pd", 31.0, 34.0), measurements__binocular_far_pd=63.0),
    _wrong("near PD above distance PD", "progressive", "stop", "pd.near-not-less", "facts 12", **_both("near_pd", 32.0, 32.0), **_both("far_pd", 30.5, 30.5),
           measurements__binocular_far_pd=61.0),
    _wrong("a five-year-old with PD 66", "child", "stop", "pd.child-range", "facts 13; MacLachlan & Howland 2002 (coefficients from memory)",
           person__age_years=5.0, **_both("far_pd", 33.0, 33.0), measurements__binocular_far_pd=66.0),
    _wrong("fitting heights 42 in a lens 38 high", "progressive", "stop", "height.outside-box", "facts 14", **_both("height", 42.0, 42.0)),
    _wrong("height above the datum line where the box is asked", "progressive", "stop", "height.from-datum-line", "facts 15", **_both("height", 4.0, 4.5)),
    _wrong("minimum 18, height 14", "progressive", "stop", "lens.height-under-minimum", "facts 16", **_both("height", 14.0, 14.0), lens__design__min_height_mm=18.0,
           frame__b=25.0, frame__ed=53.0, frame__outline=tuple(float(r) for r in outline_for(52, 25, 53, "oval"))),
    _wrong("heights 17 and 23, no remark", "progressive", "confirm", "height.unequal", "facts 17", **_both("height", 17.0, 23.0)),
    _wrong("no vertex distance at -9.50", "high myope", "stop", "rx.vertex-missing", "facts 18; ABDO", prescription__vertex_mm=None),
    _wrong("compensated the wrong way", "high myope", "stop", "ordered.wrong-way", "facts 19; F/(1-dF)", fit__vertex_mm=15.0, lens__compensation="practice",
           lens__ordered_right=OrderedPower(sphere=-9.24, cylinder=-0.71, axis=15), lens__ordered_left=OrderedPower(sphere=-9.0, cylinder=-0.95, axis=165)),
    _wrong("prism 3 without base", "young myope", "stop", "rx.prism-without-base", "facts 20", **{R + "prism_h": 3.0}),
    _wrong("2 in and 2 out cancel", "young myope", "confirm", "rx.prism-bases-cancel", "facts 20", **{R + "prism_h": 2.0, R + "base_h": "in", L + "prism_h": 2.0, L + "base_h": "out"}),
    _wrong("drilled hard resin", "drilled", "stop", "material.drilled", "facts 21; US trade press 2003", lens__material=MATERIALS["1.50"]),
    _wrong("glass for a child", "child", "stop", "material.child", "facts 21; common practice", lens__material=GLASS),
    _wrong("58-18 frame on PD 58, 75 blank", "young myope", "stop", "lens.blank-too-small", "facts 22", frame__a=58.0, frame__ed=62.0,
           frame__outline=tuple(float(r) for r in outline_for(58, 44, 62, "pantoscopic")), frame__b=44.0, **_both("far_pd", 29.0, 29.0),
           measurements__binocular_far_pd=58.0, lens__blank_diameter_mm=75.0),
    _wrong("6 % tint for driving", "young myope", "stop", "tint.road", "facts 23; College guidance on BS EN ISO 12312-1", needs__uses=("distance", "driving_day"),
           lens__tint=Tint(name="grey", transmittance_clear=6, transmittance_dark=6)),
    _wrong("50 % tint for night driving", "young myope", "stop", "tint.night", "facts 23; College guidance on BS EN ISO 12312-1", needs__uses=("distance", "driving_night"),
           lens__tint=Tint(name="brown", transmittance_clear=50, transmittance_dark=50)),
    _wrong("fourteen years old, nobody registered", "young myope", "stop", "order.restricted", "facts 24; Opticians Act 1989, ABDO", person__age_years=14.0,
           **_both("far_pd", 30.0, 30.0), measurements__binocular_far_pd=60.0, hands__dispenser_registered=False,
           hands__signed_by="s", hands__signer_registered=False),
    _wrong("written in the future", "young myope", "stop", "rx.written-in-future", "facts 24", prescription__written_on=date(2027, 1, 9)),
    _wrong("thirty months old, nobody registered", "young myope", "stop", "rx.out-of-date", "facts 24; Sale of Optical Appliances Order 1984",
           prescription__written_on=date(2024, 5, 20), hands__dispenser_registered=False),
    _wrong("eyes swapped, last pair known", "young myope again", "stop", "rx.eyes-swapped", "facts 25", prescription__read_back=None, **{R + "sphere": -2.0, L + "sphere": -5.0},
           earlier=(EarlierPair(on=date(2025, 9, 1), prescription=Prescription(
               right=PrescribedLens(sphere=-5.0, cylinder=-0.75, axis=5), left=PrescribedLens(sphere=-2.0, cylinder=-0.5, axis=175),
               written_on=date(2025, 8, 20)), far_pd=Pair(31.5, 32.0)),)),
    _wrong("sphere -2.30", "young myope", "confirm", "rx.power-step", "facts, more; BS 2738-3 (from memory)", **{R + "sphere": -2.30}),
    _wrong("-25.00 for -2.50", "young myope", "confirm", "rx.sphere-unusual", "facts, more", prescription__read_back=None, **{R + "sphere": -25.0, R + "cylinder": -0.5}),
    _wrong("cylinder 10 axis 1", "young myope", "confirm", "rx.axis-cylinder-exchanged", "facts, more", **{R + "cylinder": 10.0, R + "axis": 1.0}),
    _wrong("cylinders of mixed sign", "hyperope", "confirm", "rx.cylinder-forms-mixed", "facts, more; common practice", **{L + "cylinder": 0.75}),
    _wrong("addition and a near row that conflict", "reader", "confirm", "rx.near-row", "facts, more", **{R + "add": 2.25, R + "near_sphere": 3.0, L + "add": 2.25,
           L + "near_sphere": 3.0}),
    _wrong("PD in centimetres", "young myope", "stop", "pd.centimetres", "facts, more", **_both("far_pd", 3.2, 3.2), measurements__binocular_far_pd=None),
    _wrong("distance between lenses 81", "young myope", "stop", "frame.side-as-dbl", "facts, more; ISO 12870 marking", frame__dbl=81.0),
    _wrong("effective diameter under a", "young myope", "stop", "frame.ed-under-box", "facts, more; geometry", frame__ed=45.0),
    _wrong("pantoscopic 45", "progressive", "confirm", "fit.pantoscopic-range", "facts, more; common practice", fit__pantoscopic_deg=45.0),
    _wrong("face form 25 on a flat frame", "progressive", "confirm", "fit.face-form-range", "facts, more; common practice", fit__face_form_deg=25.0),
    _wrong("bifocal top above the pupil, adult", "bifocal", "confirm", "segment.above-middle", "facts, more; common practice", **_both("height", 27.5, 27.5)),
    _wrong("2.5 prism of near imbalance, no remark", "bifocal", "confirm", "seeing.imbalance", "facts, more; McCarthy 2013", **{R + "sphere": 3.5, L + "sphere": 1.0}),
    _wrong("changed after signature", "progressive", "stop", "order.changed-after-signature", "facts, more", hands__signed_by="s", hands__signer_registered=True,
           hands__changed_after_signature=True),
    _wrong("trainee signing for themselves", "progressive", "stop", "order.trainee-signs-own", "ABDO on supervision", hands__dispenser_role="trainee",
           hands__dispenser_registered=False, hands__signed_by="d"),
    _wrong("a copy of an open order", "progressive", "confirm", "order.copy-of-open", "common practice", hands__open_order_for_same_pair=True),
    _wrong("measured on another frame", "progressive", "stop", "fit.other-frame", "common practice", frame__identity="frame two"),
    _wrong("measured before the final fit", "progressive", "unknown", "unknown.needed", "common practice", fit__confirmed=False, fit__confirmed_at=None),
    _wrong("binocular PD in one field", "progressive", "stop", "pd.binocular-in-monocular", "facts 10", measurements__right__far_pd=63.5),
    _wrong("PD of one eye ten too small", "progressive", "stop", "pd.parts-do-not-sum", "ANSUR II; facts 11", measurements__left__far_pd=22.0),
    _wrong("PD 41 in an adult", "young myope", "stop", "pd.adult-range", "Dodgson 2004; ANSUR II", **_both("far_pd", 20.5, 20.5), measurements__binocular_far_pd=41.0),
    _wrong("PD 84 in an adult", "young myope", "stop", "pd.adult-range", "Dodgson 2004; ANSUR II", **_both("far_pd", 42.0, 42.0), measurements__binocular_far_pd=84.0),
    _wrong("PD five millimetres from the last pair", "progressive again", "confirm", "pd.changed", "ANSUR II; common practice", **_both("far_pd", 34.0, 34.5),
           measurements__binocular_far_pd=68.5),
    _wrong("vertex distance 2", "high myope", "stop", "rx.vertex-implausible", "common practice: 6-20 plausible", prescription__vertex_mm=2.0),
    _wrong("additions missing in one eye", "bifocal", "stop", "rx.add-missing", "common practice", **{L + "add": None}),
    _wrong("addition above what is made", "progressive", "stop", "lens.add-range", "the maker's range", lens__design__add_max=2.0),
    _wrong("power outside what is made", "high myope", "stop", "lens.power-range", "the maker's range", lens__design__sphere_min=-8.0),
    _wrong("prism beyond the range", "young myope", "stop", "lens.prism-range", "the maker's range", **{R + "prism_h": 4.0, R + "base_h": "in", L + "prism_h": 4.0,
           L + "base_h": "in"}, lens__design__prism_max=3.0),
    _wrong("six millimetres above the cross", "progressive", "stop", "lens.room-above", "common practice: 8 least, 10 wanted", **_both("height", 32.0, 32.0)),
    _wrong("low impact lens for one useful eye", "young myope", "stop", "material.one-useful-eye", "common practice; local rules", person__useful_eye="left", lens__material=GLASS),
    _wrong("a and b exchanged", "progressive", "confirm", "frame.outline-against-box", "common practice: b is the smaller", frame__a=38.0, frame__b=52.0),
    # --- forty right, but unusual
    _right("one eye after cataract surgery", "young myope", "unusual 1", **{R + "sphere": -0.25, R + "cylinder": None, R + "axis": None,
           L + "sphere": -6.50, L + "cylinder": None, L + "axis": None}, prescription__remark="L awaiting surgery"),
    _right("keratoconus", "young myope", "unusual 2", **{R + "sphere": -3.0, R + "cylinder": -6.5, R + "axis": 70.0, L + "sphere": -1.0,
           L + "cylinder": -5.75, L + "axis": 115.0}, prescription__remark="keratoconus"),
    _right("PD 77, the largest measured", "young myope", "ANSUR II maximum, men", **_both("far_pd", 38.5, 38.5), measurements__binocular_far_pd=77.0,
           frame__a=58.0, frame__dbl=20.0, frame__ed=60.0, frame__outline=tuple(float(r) for r in outline_for(58, 38, 60, "pantoscopic")),
           measurements__readings=_readings("frame one", (38.5, 38.5), None), person__sex="male"),
    _right("PD 51, the smallest measured", "young myope", "ANSUR II minimum, women", **_both("far_pd", 25.5, 25.5), measurements__binocular_far_pd=51.0,
           frame__a=45.0, frame__dbl=14.0, frame__ed=46.5, frame__b=34.0, frame__outline=tuple(float(r) for r in outline_for(45, 34, 46.5, "oval")),
           measurements__readings=_readings("frame one", (25.5, 25.5), None), person__sex="female"),
    _right("monocular 28 and 34.5 after a fracture", "young myope", "unusual 4; Arenas 2014", **_both("far_pd", 28.0, 34.5),
           measurements__binocular_far_pd=62.5, measurements__readings=_readings("frame one", (28.0, 34.5), None),
           measurements__reason="nasal fracture in 2009"),
    _right("child's bifocal with its top at the pupil", "child", "unusual 5; textbook", person__age_years=5.0, **{R + "sphere": 3.0, R + "add": 2.5,
           L + "sphere": 3.25, L + "add": 2.5, L + "cylinder": None, L + "axis": None}, lens__design__family="flat_top_bifocal",
           lens__design__segment_width_mm=35.0, **_both("height", 18.0, 18.0), **_both("far_pd", 25.5, 25.5), measurements__binocular_far_pd=51.0,
           measurements__readings=_readings("frame one", (25.5, 25.5), (18.0, 18.0)), needs__uses=("all_round",), prescription__remark="accommodative esotropia"),
    _right("low-vision addition +8.00 with base in", "reader", "unusual 6", **{R + "sphere": 1.0, L + "sphere": 1.0, L + "cylinder": None, L + "axis": None,
           R + "add": 8.0, L + "add": 8.0, R + "prism_h": 10.0, R + "base_h": "in", L + "prism_h": 10.0, L + "base_h": "in"},
           lens__design__add_max=12.0, lens__design__prism_max=12.0, lens__blank_diameter_mm=75.0, prescription__remark="low vision", needs__working_distance_mm=125.0,
           **_both("near_pd", 26.5, 26.5)),
    _right("aphakic infant", "child", "unusual 7", person__age_years=0.8, **{R + "sphere": 22.0, L + "sphere": 21.5, L + "cylinder": None, L + "axis": None},
           prescription__vertex_mm=10.0, fit__vertex_mm=10.0, **_both("far_pd", 21.0, 21.0), measurements__binocular_far_pd=42.0,
           frame__a=36.0, frame__b=30.0, frame__dbl=12.0, frame__ed=37.0, frame__side=100.0,
           frame__outline=tuple(float(r) for r in outline_for(36, 30, 37, "round")), prescription__remark="aphakia",
           measurements__readings=_readings("frame one", (21.0, 21.0), (16.0, 16.0)), **_both("height", 16.0, 16.0)),
    _right("monovision", "reader", "unusual 8", **{R + "sphere": 0.0, L + "sphere": 2.5, L + "cylinder": None, L + "axis": None},
           needs__uses=("all_round",), prescription__remark="monovision"),
    _right("balance lens", "young myope", "unusual 8", **{L + "balance": True, L + "sphere": -2.0, L + "cylinder": None, L + "axis": None},
           person__useful_eye="right", lens__material=MATERIALS["1.59"]),
    _right("prism thinning", "progressive", "unusual 9; common practice", lens__prism_thinning_down=1.5),
    _right("maker's compensated power in a wrap", "young myope", "unusual 10; Martin inverted", **{R + "sphere": -5.0, R + "cylinder": None, R + "axis": None,
           L + "sphere": -5.0, L + "cylinder": None, L + "axis": None}, frame__face_form_deg=20.0, fit__face_form_deg=20.0, frame__front_curve=8.0,
           lens__front_curve=8.0, lens__compensation="maker", lens__ordered_right=OrderedPower(sphere=-4.25, cylinder=-0.56, axis=180),
           lens__ordered_left=OrderedPower(sphere=-4.25, cylinder=-0.56, axis=180)),
    _right("degressive", "progressive", "unusual 10", lens__design__family="degressive", lens__design__degression=-1.25, lens__design__corridor_mm=16.0,
           needs__uses=("near", "screens")),
    _right("0.12 steps", "young myope", "unusual 10; BS 2738-3 (from memory)", **{R + "sphere": -2.12, L + "sphere": -2.37}),
    _right("heights four apart after orbital injury", "progressive", "unusual 10", **_both("height", 20.0, 24.0),
           measurements__readings=_readings("frame one", (31.5, 32.0), (20.0, 24.0)), measurements__reason="orbital fracture, right"),
    _right("cross 4 mm above the pupil in a child", "child", "unusual 10; published trials", **{R + "add": 1.5, L + "add": 1.5},
           lens__design__family="progressive", lens__design__corridor_mm=9.0, lens__design__min_height_mm=14.0, lens__design__min_above_mm=8.0,
           **_both("height", 21.0, 21.0), measurements__readings=_readings("frame one", (27.5, 27.5), (21.0, 21.0)),
           prescription__remark="myopia control trial: cross above pupil"),
    _right("antimetropia", "young myope", "also legitimate", **{R + "sphere": -1.25, L + "sphere": 1.0}, prescription__read_back="matched"),
    _right("unequal additions, implants, stated", "progressive", "also legitimate", **{R + "add": 2.25, L + "add": 2.75},
           prescription__remark="different implants: different near distances intended"),
    _right("plano with tint", "young myope", "also legitimate", **{R + "sphere": 0.0, R + "cylinder": None, R + "axis": None, L + "sphere": 0.0,
           L + "cylinder": None, L + "axis": None}, lens__tint=Tint(name="grey", transmittance_clear=15, transmittance_dark=15), needs__uses=("sun",)),
    _right("plano with prism", "young myope", "also legitimate", **{R + "sphere": 0.0, R + "cylinder": None, R + "axis": None, L + "sphere": 0.0,
           L + "cylinder": None, L + "axis": None, R + "prism_h": 2.0, R + "base_h": "out", L + "prism_h": 2.0, L + "base_h": "out"}),
    _right("12 prism split for a sixth-nerve palsy", "young myope", "also legitimate", **{R + "prism_h": 6.0, R + "base_h": "out", L + "prism_h": 6.0,
           L + "base_h": "out"}, prescription__remark="sixth-nerve palsy", lens__blank_diameter_mm=75.0),
    _right("over two years old, registered dispenser with a reason", "young myope", "ABDO: exceptionally, reason recorded",
           prescription__written_on=date(2024, 9, 1)),
    _right("yoked prism for hemianopia", "young myope", "also legitimate", **{R + "prism_h": 5.0, R + "base_h": "in", L + "prism_h": 5.0, L + "base_h": "out"},
           prescription__remark="yoked prism, hemianopia"),
    _right("yoked prism base down for nystagmus", "young myope", "also legitimate", **{R + "prism_v": 3.0, R + "base_v": "down", L + "prism_v": 3.0,
           L + "base_v": "down"}, prescription__remark="yoked, nystagmus null position"),
    _right("near PD equal to distance PD in divergent squint", "reader", "also legitimate", **_both("near_pd", 31.5, 32.0),
           prescription__remark="divergent squint"),
    _right("centred off the pupil for base-in relief", "reader", "also legitimate", **_both("near_pd", 28.5, 29.0), measurements__reason="base-in relief asked for"),
    _right("ordinary young myope", "young myope", "ordinary"),
    _right("ordinary hyperope", "hyperope", "ordinary"),
    _right("ordinary progressive", "progressive", "ordinary"),
    _right("ordinary progressive with an earlier pair", "progressive again", "ordinary"),
    _right("ordinary bifocal", "bifocal", "ordinary"),
    _right("ordinary child", "child", "ordinary"),
    _right("ordinary drilled pair", "drilled", "ordinary"),
    _right("ordinary reader", "reader", "ordinary"),
    _right("high myope, fitted as tested", "high myope", "ordinary"),
    _right("high myope, compensated the right way", "high myope", "F/(1-dF): textbook", fit__vertex_mm=15.0, lens__compensation="practice",
           lens__ordered_right=OrderedPower(sphere=-9.78, cylinder=-0.82, axis=15), lens__ordered_left=OrderedPower(sphere=-9.51, cylinder=-1.09, axis=165)),
    _right("plus-cylinder prescription", "hyperope", "textbook: either form", **{R + "sphere": 1.0, R + "cylinder": 1.0, R + "axis": 180.0, L + "sphere": 1.0,
           L + "cylinder": 0.75, L + "axis": 175.0}),
    _right("addition +3.50 at 84", "progressive", "Millodot; common practice", person__age_years=84.0, **{R + "add": 3.5, L + "add": 3.5}),
    _right("first addition at 41", "progressive", "published tables", person__age_years=41.0, **{R + "add": 0.75, L + "add": 0.75}),
    _right("photochromic, drives by day", "young myope", "College guidance on BS EN ISO 12312-1", needs__uses=("distance", "driving_day"),
           lens__tint=Tint(name="photochromic grey", transmittance_clear=92, transmittance_dark=14)),
)  # fmt: skip
