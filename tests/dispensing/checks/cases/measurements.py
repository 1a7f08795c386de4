from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from dispensing.case import Frame
from tests.dispensing.checks.build import before, reading

Row = tuple[str | None, str, dict[str, Any]]


def pds(right: float, left: float, **more: Any) -> dict[str, Any]:
    """Adopted far PDs, with no readings behind them unless given."""
    return {"m.R.far_pd": right, "m.L.far_pd": left, "m.binocular_far_pd": None, "m.readings": (), **more}


def read(*rows: tuple[str, str, float], **more: Any) -> dict[str, Any]:
    return {"m.readings": tuple(reading(*row, **more) for row in rows)}


def heights(right: float, left: float, **more: Any) -> dict[str, Any]:
    return {"m.R.height": right, "m.L.height": left, "m.readings": (), **more}


STRONG = {"R.sphere": -9.0, "L.sphere": -9.0}
WEAK = {"R.sphere": -1.0, "R.cylinder": None, "R.axis": None, "L.sphere": -1.0, "L.cylinder": None, "L.axis": None}
DEEP = Frame(name="Plover 50", a=50.0, b=34.0, dbl=19.0)

CASES: dict[str, tuple[str, list[Row]]] = {
    "pd.centimetres": ("single", [
        ("stop", "monocular", pds(3.2, 3.1)),
        ("stop", "binocular", {"m.binocular_far_pd": 6.4}),
        ("stop", "near", {"m.R.near_pd": 3.0}),
        (None, "millimetres", {}),
        (None, "an infant", pds(20.0, 20.0)),
    ]),
    "pd.binocular-in-monocular": ("single", [
        ("stop", "record 10", pds(64.0, 64.0)),
        ("stop", "one field", {"m.R.far_pd": 63.0}),
        ("stop", "near", {"m.L.near_pd": 60.0}),
        (None, "the widest there are", pds(38.5, 38.5)),
        (None, "very uneven and wide", pds(42.0, 35.0)),
        (None, "ordinary", {}),
    ]),
    "pd.parts-do-not-sum": ("single", [
        ("stop", "record 11", pds(31.0, 34.0, **{"m.binocular_far_pd": 63.0})),
        ("confirm", "1.5 mm", {"m.binocular_far_pd": 65.0}),
        ("stop", "against a binocular reading", pds(31.0, 34.0, **read(("far_pd", "both", 63.0)))),
        ("stop", "near", {"m.R.near_pd": 29.0, "m.L.near_pd": 29.0, "m.binocular_near_pd": 61.0}),
        (None, "1 mm", {"m.binocular_far_pd": 64.5}),
        (None, "1 mm, in figures that binary fractions miss", pds(29.1, 29.3, **{"m.binocular_far_pd": 57.4})),
        (None, "agree", {}),
        (None, "no whole", {"m.binocular_far_pd": None}),
    ]),
    "pd.adult-range": ("single", [
        ("stop", "43", pds(22.0, 21.0)),
        ("confirm", "record 3 of the legitimate: 77", pds(38.5, 38.5)),
        ("confirm", "51", pds(25.5, 25.5)),
        ("stop", "84", pds(42.0, 42.0)),
        (None, "77, each eye read twice", pds(38.5, 38.5, **read(("far_pd", "right", 38.5), ("far_pd", "right", 38.5), ("far_pd", "left", 38.5), ("far_pd", "left", 38.0)))),
        ("confirm", "77, one eye read twice", pds(38.5, 38.5, **read(("far_pd", "right", 38.5), ("far_pd", "right", 38.5), ("far_pd", "left", 38.5)))),
        ("stop", "84, each eye read twice", pds(42.0, 42.0, **read(("far_pd", "right", 42.0), ("far_pd", "right", 42.0), ("far_pd", "left", 42.0), ("far_pd", "left", 42.0)))),
        (None, "52", pds(26.0, 26.0)),
        (None, "76", pds(38.0, 38.0)),
        (None, "explained", pds(38.5, 38.5, **{"m.reason": "measured twice, very broad face"})),
        (None, "as before", pds(38.5, 38.5, earlier=(before(pd=(38.0, 38.5)),))),
        (None, "a child", pds(24.0, 24.0, **{"p.age_years": 4.0})),
    ]),
    "pd.child-range": ("single", [
        ("stop", "record 13: 66 at 5", pds(33.0, 33.0, **{"p.age_years": 5.0})),
        ("confirm", "60 at 5", pds(30.0, 30.0, **{"p.age_years": 5.0, "p.sex": None})),
        (None, "58 at 5", pds(29.0, 29.0, **{"p.age_years": 5.0, "p.sex": None})),
        (None, "52 at 5", pds(26.0, 26.0, **{"p.age_years": 5.0})),
        (None, "infant of 42", pds(21.0, 21.0, **{"p.age_years": 0.5})),
        (None, "an adult", {}),
    ]),
    "pd.near-not-less": ("near", [
        ("stop", "record 12", {"m.R.far_pd": 30.5, "m.L.far_pd": 30.5, "m.R.near_pd": 32.0, "m.L.near_pd": 32.0}),
        ("confirm", "equal", {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0}),
        (None, "less", {}),
        (None, "equal, explained", {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0, "m.reason": "divergent squint"}),
        (None, "equal, one useful eye", {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0, "p.useful_eye": "left"}),
    ]),
    "pd.near-difference": ("near", [
        ("confirm", "9 mm", {"m.R.near_pd": 27.0, "m.L.near_pd": 27.5}),
        ("confirm", "1 mm at 40 cm", {"m.R.near_pd": 31.0, "m.L.near_pd": 31.5}),
        (None, "4 mm", {}),
        (None, "6 mm", {"m.R.near_pd": 28.5, "m.L.near_pd": 29.0}),
        (None, "1 mm at 80 cm", {"m.R.near_pd": 31.0, "m.L.near_pd": 31.5, "n.working_distance_mm": 800.0}),
        (None, "near not less is another check", {"m.R.near_pd": 33.0, "m.L.near_pd": 33.0}),
    ]),
    "pd.near-off": ("near", [
        ("confirm", "one eye turns in by 5", {"m.R.near_pd": 26.5, "m.L.near_pd": 30.0}),
        (None, "both by 2", {}),
        (None, "both by 1", {"m.R.near_pd": 30.5, "m.L.near_pd": 31.0}),
        (None, "explained", {"m.R.near_pd": 26.5, "m.reason": "right eye turns in"}),
        (None, "near as far in both eyes is another question", {"m.R.near_pd": 31.5, "m.L.near_pd": 32.0, "rx.remark": "divergent squint"}),
    ]),
    "pd.unequal": ("single", [
        ("confirm", "record 4 of the legitimate", pds(28.0, 34.5)),
        ("confirm", "4.5 mm with strong lenses", pds(29.5, 34.0, **STRONG)),
        ("confirm", "4.5 mm in a progressive", pds(29.5, 34.0, **{"d.family": "progressive"})),
        (None, "4.5 mm with weak single vision, where half of it makes no prism that matters", pds(29.5, 34.0, **WEAK)),
        ("confirm", "5.5 mm with weak single vision", pds(29.0, 34.5, **WEAK)),
        (None, "4 mm with strong lenses", pds(30.0, 34.0, **STRONG)),
        (None, "4 mm, in figures that binary fractions miss", pds(28.2, 32.2, **STRONG)),
        (None, "4.5 mm, each eye read twice", pds(29.5, 34.0, **STRONG, **read(("far_pd", "right", 29.5), ("far_pd", "right", 30.0), ("far_pd", "left", 34.0), ("far_pd", "left", 34.0)))),
        ("confirm", "4.5 mm, one eye read twice", pds(29.5, 34.0, **STRONG, **read(("far_pd", "right", 29.5), ("far_pd", "right", 29.5), ("far_pd", "left", 34.0)))),
        ("confirm", "5.5 mm, each eye read twice", pds(29.0, 34.5, **read(("far_pd", "right", 29.0), ("far_pd", "right", 29.0), ("far_pd", "left", 34.5), ("far_pd", "left", 34.5)))),
        (None, "2.5 mm", pds(30.5, 33.0)),
        (None, "explained", pds(28.0, 34.5, **{"p.notes": ("past nasal fracture",)})),
        (None, "as before", pds(28.0, 34.5, earlier=(before(pd=(28.0, 34.0)),))),
    ]),
    "pd.swapped": ("single", [
        ("stop", "against the readings", pds(33.0, 30.0, **read(("far_pd", "right", 30.0), ("far_pd", "left", 33.0)))),
        ("stop", "against the earlier pair", pds(33.0, 30.0, earlier=(before(pd=(30.0, 33.0)),))),
        (None, "as read", pds(30.0, 33.0, **read(("far_pd", "right", 30.0), ("far_pd", "left", 33.0)))),
        (None, "nearly equal eyes", pds(31.5, 31.0, earlier=(before(pd=(31.0, 31.5)),))),
        (None, "as before", pds(30.0, 33.0, earlier=(before(pd=(30.5, 33.0)),))),
        (None, "different, not exchanged", pds(33.0, 30.0, earlier=(before(pd=(33.5, 34.5)),))),
    ]),
    "pd.off-readings": ("single", [
        ("stop", "3 mm off", {"m.R.far_pd": 34.5}),
        ("confirm", "half a millimetre off", {"m.R.far_pd": 31.0}),
        (None, "one of them", {}),
        (None, "between them", {"m.R.far_pd": 31.25, **read(("far_pd", "right", 31.0), ("far_pd", "right", 31.5))}),
        (None, "no readings", pds(31.0, 32.0)),
    ]),
    "pd.repeats-disagree": ("single", [
        ("confirm", "1.5 mm with strong lenses", {**STRONG, **read(("far_pd", "right", 31.0), ("far_pd", "right", 32.5))}),
        ("confirm", "1.5 mm in a progressive", {"d.family": "progressive", **read(("far_pd", "right", 31.0), ("far_pd", "right", 32.5))}),
        (None, "1.5 mm with weak single vision", {**WEAK, **read(("far_pd", "right", 31.0), ("far_pd", "right", 32.5))}),
        (None, "2 mm with weak single vision", {**WEAK, **read(("far_pd", "right", 31.0), ("far_pd", "right", 33.0))}),
        ("confirm", "2.5 mm with weak single vision", {**WEAK, **read(("far_pd", "right", 31.0), ("far_pd", "right", 33.5))}),
        (None, "1 mm", {**STRONG, **read(("far_pd", "right", 31.0), ("far_pd", "right", 32.0))}),
        (None, "two of three agree with the value used", read(("far_pd", "right", 31.5), ("far_pd", "right", 31.5), ("far_pd", "right", 34.0))),
        (None, "one reading", read(("far_pd", "right", 31.0))),
    ]),
    "pd.single-reading": ("single", [
        ("confirm", "-9, read once", {**STRONG, **read(("far_pd", "right", 31.5), ("far_pd", "left", 32.0))}),
        ("confirm", "0.5 prism dioptres a millimetre", {"R.sphere": -5.0, "R.cylinder": None, **read(("far_pd", "right", 31.5), ("far_pd", "left", 32.0))}),
        (None, "just under", {"R.sphere": -4.75, "R.cylinder": None, **read(("far_pd", "right", 31.5), ("far_pd", "left", 32.0))}),
        (None, "weak, read once", read(("far_pd", "right", 31.5), ("far_pd", "left", 32.0))),
        (None, "read twice", STRONG),
        (None, "the earlier pair is the second", {**STRONG, **read(("far_pd", "right", 31.5), ("far_pd", "left", 32.0)), "earlier": (before(pd=(31.5, 32.0)),)}),
    ]),
    "pd.changed": ("single", [
        ("confirm", "4 mm", pds(28.0, 32.0, earlier=(before(pd=(32.0, 32.0)),))),
        ("confirm", "both nearer", pds(29.0, 29.0, **STRONG, earlier=(before(pd=(31.0, 31.0)),))),
        ("confirm", "2.5 mm with strong lenses", pds(29.5, 32.0, **STRONG, earlier=(before(pd=(32.0, 32.0)),))),
        (None, "2.5 mm with weak lenses", pds(29.5, 32.0, earlier=(before(pd=(32.0, 32.0)),))),
        (None, "2 mm with strong lenses", pds(30.0, 32.0, **STRONG, earlier=(before(pd=(32.0, 32.0)),))),
        (None, "a child who grew", pds(27.0, 27.0, **{"p.age_years": 8.0}, earlier=(before(pd=(25.5, 25.5)),))),
        (None, "explained", pds(28.0, 32.0, **{"m.reason": "earlier one was wrong"}, earlier=(before(pd=(32.0, 32.0)),))),
        (None, "nothing earlier", pds(28.0, 32.0)),
    ]),
    "pd.frame-fit": ("single", [
        ("confirm", "too wide for it", pds(38.5, 38.5)),
        ("confirm", "too narrow for it", {"f.a": 60.0, "f.dbl": 24.0}),
        (None, "6 mm wider", pds(38.0, 38.0)),
        (None, "ordinary", {}),
    ]),
    "pd.outside-lens": ("progressive", [
        ("stop", "above the lens", heights(39.0, 39.0)),
        ("stop", "beside the lens", pds(64.0, 64.0, **{"m.R.height": 20.0})),
        (None, "inside", {}),
        (None, "height not known", {"m.R.height": None, "m.L.height": None}),
    ]),
    "pd.decentration": ("single", [
        ("note", "5.5 mm", pds(29.5, 29.5)),
        (None, "5 mm", pds(30.0, 30.0)),
        (None, "3.5 mm", {}),
    ]),
    # --- heights
    "height.outside-box": ("progressive", [
        ("stop", "record 14", heights(34.0, 34.0, **{"f.b": 30.0, "f.outline": ()})),
        ("stop", "negative", heights(-2.0, 20.0)),
        ("stop", "as high as the lens", heights(38.0, 22.0)),
        (None, "inside", {}),
        (None, "depth not known", heights(22.0, 22.0, **{"f.b": None, "f.outline": ()})),
    ]),
    "height.from-datum-line": ("progressive", [
        ("stop", "record 15", heights(4.0, 4.5)),
        ("stop", "low, but no datum height", heights(12.0, 12.0)),
        (None, "read from the datum line and said so", heights(4.0, 4.5, **{"m.R.height_reference": "datum", "m.L.height_reference": "datum"})),
        (None, "4 mm below the middle", heights(15.0, 15.0)),
        (None, "22", {}),
    ]),
    "height.pupil-position": ("progressive", [
        ("confirm", "12 mm above", heights(31.0, 31.0)),
        ("confirm", "2 mm below", heights(17.0, 17.0)),
        (None, "9 mm above", heights(28.0, 28.0)),
        (None, "1 mm below", heights(18.0, 18.0)),
        (None, "explained", heights(31.0, 31.0, **{"m.reason": "head held low"})),
    ]),
    "height.unequal": ("progressive", [
        ("confirm", "record 17", heights(17.0, 23.0)),
        ("confirm", "2.5 mm", heights(20.0, 22.5)),
        (None, "2 mm", heights(20.0, 22.0)),
        (None, "orbital fracture", heights(20.0, 24.0, **{"p.notes": ("past orbital fracture",)})),
        (None, "as before", heights(20.0, 24.0, earlier=(before(height=(18.0, 22.0)),))),
    ]),
    "height.references-mixed": ("progressive", [
        ("stop", "datum height used as box height", {**heights(4.5, 4.5), **read(("height", "right", 4.5), ("height", "left", 4.5), reference="datum")}),
        (None, "both in the box", {}),
        (None, "converted", {**heights(23.5, 23.5), **read(("height", "right", 4.5), ("height", "left", 4.5), reference="datum")}),
        (None, "one reading in the box too", {**heights(22.0, 22.0), "m.readings": (reading("height", "right", 22.0, reference="datum"), reading("height", "right", 22.0))}),
    ]),
    "height.eyes-by-different-references": ("progressive", [
        ("confirm", "box and datum", {"m.L.height_reference": "datum", "m.L.height": 3.5}),
        (None, "both in the box", {}),
        (None, "one not known", {"m.L.height_reference": "datum", "m.L.height": None}),
    ]),
    "height.rim-without-outline": ("progressive", [
        ("confirm", "no outline", {"f.outline": (), "m.R.height_reference": "rim_below_pupil", "m.L.height_reference": "rim_below_pupil"}),
        (None, "with outline", {"m.R.height_reference": "rim_below_pupil", "m.L.height_reference": "rim_below_pupil"}),
        (None, "in the box", {"f.outline": ()}),
    ]),
    "height.off-readings": ("progressive", [
        ("stop", "digits exchanged", {"m.R.height": 12.0}),
        ("confirm", "half a millimetre", {"m.R.height": 22.5}),
        (None, "as read", {}),
        (None, "no readings", heights(21.0, 21.0)),
    ]),
    "height.exchanged": ("progressive", [
        ("stop", "2 mm", {**heights(22.0, 20.0), **read(("height", "right", 20.0), ("height", "left", 22.0))}),
        (None, "as read", {**heights(20.0, 22.0), **read(("height", "right", 20.0), ("height", "left", 22.0))}),
        (None, "half a millimetre", {**heights(22.5, 22.0), **read(("height", "right", 22.0), ("height", "left", 22.5))}),
    ]),
    "height.repeats-disagree": ("progressive", [
        ("confirm", "2 mm", read(("height", "right", 21.0), ("height", "right", 23.0))),
        (None, "1 mm", read(("height", "right", 21.5), ("height", "right", 22.5))),
        (None, "two of three agree", read(("height", "right", 22.0), ("height", "right", 22.0), ("height", "right", 25.0))),
        (None, "once", read(("height", "right", 22.0))),
    ]),
    "height.single-reading": ("progressive", [
        ("confirm", "strong, read once", {"R.sphere": -12.0, "L.sphere": -12.0, **read(("height", "right", 22.0), ("height", "left", 22.5))}),
        (None, "weak, read once", read(("height", "right", 22.0), ("height", "left", 22.5))),
        (None, "strong, read twice", {"R.sphere": -12.0, "L.sphere": -12.0}),
    ]),
    "height.as-before": ("progressive", [
        ("confirm", "another depth", {"earlier": (before(height=(22.0, 22.5), frame=DEEP),)}),
        (None, "other heights", {"earlier": (before(height=(20.0, 20.5), frame=DEEP),)}),
        (None, "the same frame", {"earlier": (before(height=(22.0, 22.5), frame=replace(DEEP, name="Tern 412")),)}),
        (None, "nearly as deep", {"earlier": (before(height=(22.0, 22.5), frame=replace(DEEP, b=37.0)),)}),
    ]),
    "height.observer-not-level": ("progressive", [
        ("confirm", "60 mm above", read(("height", "right", 22.0), observer_level=None, observer_above_mm=60.0, observer_distance_mm=400.0)),
        ("confirm", "said not level", read(("height", "right", 22.0), observer_level=False)),
        (None, "10 mm above", read(("height", "right", 22.0), observer_level=None, observer_above_mm=10.0, observer_distance_mm=400.0)),
        (None, "level", {}),
        (None, "a gauge that removes it", read(("height", "right", 22.0), observer_level=False, method="levelled_gauge")),
        (None, "not said", read(("height", "right", 22.0), observer_level=None)),
    ]),
    "height.clip-scale-without-rim": ("progressive", [
        ("confirm", "drilled", {"f.mount": "drilled", **read(("height", "right", 22.0), method="clip_scale")}),
        (None, "full rim", read(("height", "right", 22.0), method="clip_scale")),
        (None, "drilled, marked lens", {"f.mount": "drilled"}),
    ]),
    "height.visible-rim": ("progressive", [
        ("note", "20.5 at the visible rim", {"m.R.height_reference": "visible_rim", "m.R.height": 20.5}),
        (None, "in the box", {}),
        (None, "not measured", {"m.R.height_reference": "visible_rim", "m.R.height": None}),
    ]),
    "height.rim-not-lowest": ("progressive", [
        ("confirm", "1.7 mm, and 2 mm less than usual", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0, "m.R.height": 21.0, "m.L.height": 21.0}),
        ("note", "1.7 mm, and one eye 2 mm less than usual", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0, "m.R.height": 21.0, "m.L.height": 22.5}),
        ("confirm", "1.7 mm, and 1.5 mm lower than in the earlier pair", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0,
                                                                          "earlier": (before(height=(21.5, 22.0), frame=DEEP),)}),
        ("note", "1.7 mm, and half a millimetre lower than in the earlier pair", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0,
                                                                                 "earlier": (before(height=(20.5, 21.0), frame=DEEP),)}),
        ("note", "1.7 mm, and 1 mm less than usual", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0}),
        ("note", "1.7 mm, and as high as usual", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0, "m.R.height": 23.0, "m.L.height": 23.0}),
        ("note", "as in the earlier pair", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0, "earlier": (before(height=(20.0, 20.5), frame=DEEP),)}),
        (None, "near the middle", {}),
        (None, "single vision", {"m.R.far_pd": 21.0, "m.L.far_pd": 21.0, "d.family": "single_vision"}),
    ]),
    # --- fit
    "fit.measured-before": ("progressive", [
        ("stop", "fitted at 10:20, measured at 10:00", {"fit.confirmed_at": datetime(2026, 5, 4, 10, 20, tzinfo=UTC)}),
        (None, "fitted first", {}),
        (None, "at the same moment", {"fit.confirmed_at": datetime(2026, 5, 4, 10, tzinfo=UTC)}),
        (None, "a PD by pupillometer", {"fit.confirmed_at": datetime(2026, 5, 4, 10, 20, tzinfo=UTC), **read(("far_pd", "right", 31.5))}),
        (None, "measured again", {"fit.confirmed_at": datetime(2026, 5, 4, 10, 20, tzinfo=UTC),
                                  "m.readings": (reading("height", "right", 22.0), reading("height", "right", 22.0, at=datetime(2026, 5, 4, 11, tzinfo=UTC)))}),
    ]),
    "fit.other-frame": ("progressive", [
        ("stop", "heights of another", {"f.identity": "F2", "fit.frame_identity": "F2"}),
        (None, "this frame", {}),
        (None, "a PD by pupillometer", {"f.identity": "F2", **read(("far_pd", "right", 31.5), frame_identity="F1")}),
        (None, "measured again on this one", {"m.readings": (reading("height", "right", 20.0, frame_identity="F0"), reading("height", "right", 22.0))}),
    ]),
    "fit.confirmed-on-other": ("progressive", [
        ("stop", "another", {"fit.frame_identity": "F2"}),
        (None, "this frame", {}),
        (None, "not confirmed", {"fit.frame_identity": "F2", "fit.confirmed": False}),
    ]),
    "fit.in-doubt": ("progressive", [
        ("confirm", "marked so", {"m.in_doubt": True}),
        ("confirm", "every reading", read(("height", "right", 22.0), in_doubt=True)),
        (None, "one of two", {"m.readings": (reading("height", "right", 22.0, in_doubt=True), reading("height", "right", 22.0))}),
        (None, "none", {}),
    ]),
    "fit.vertex-range": ("single", [
        ("stop", "centimetres", {"fit.vertex_mm": 1.3}),
        ("confirm", "20 mm", {"fit.vertex_mm": 20.0}),
        (None, "18 mm", {"fit.vertex_mm": 18.0}),
        (None, "8 mm", {"fit.vertex_mm": 8.0}),
        (None, "not measured", {"fit.vertex_mm": None}),
    ]),
    "fit.pantoscopic-range": ("single", [
        ("stop", "45", {"fit.pantoscopic_deg": 45.0}),
        ("confirm", "20", {"fit.pantoscopic_deg": 20.0}),
        ("confirm", "-3", {"fit.pantoscopic_deg": -3.0}),
        (None, "18", {"fit.pantoscopic_deg": 18.0}),
        (None, "0", {"fit.pantoscopic_deg": 0.0}),
    ]),
    "fit.face-form-range": ("single", [
        ("stop", "45", {"fit.face_form_deg": 45.0}),
        ("confirm", "25 on a flat front", {"fit.face_form_deg": 25.0}),
        (None, "20 on a wrap", {"fit.face_form_deg": 20.0, "f.front_curve": 8.0}),
        (None, "14 on a flat front", {"fit.face_form_deg": 14.0}),
        (None, "6", {"fit.face_form_deg": 6.0}),
    ]),
    "fit.face-form-against-frame": ("single", [
        ("confirm", "5 and 14", {"fit.face_form_deg": 14.0}),
        (None, "5 and 11", {"fit.face_form_deg": 11.0}),
        (None, "not known", {"f.face_form_deg": None, "fit.face_form_deg": 14.0}),
    ]),
    "pattern.measurements-copied": ("progressive", [
        ("confirm", "every digit, another frame", {"earlier": (before(pd=(31.5, 32.0), height=(22.0, 22.5), frame=DEEP),)}),
        (None, "another height", {"earlier": (before(pd=(31.5, 32.0), height=(20.0, 22.5), frame=DEEP),)}),
        (None, "the same frame", {"earlier": (before(pd=(31.5, 32.0), height=(22.0, 22.5), frame=replace(DEEP, name="Tern 412")),)}),
    ]),
}  # fmt: skip
