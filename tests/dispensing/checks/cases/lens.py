from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from dispensing.case import CurveStep, DrillPoint, Tint
from tests.dispensing.checks.build import BASES, GLASS, HARD_RESIN, RESIN, TODAY, TOUGH, WEAK_RESIN, before, ordered, tint

Row = tuple[str | None, str, dict[str, Any]]
UNTRACED = {"f.outline": ()}
UNLIKE = {"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None, "R.axis": None, "L.cylinder": None, "L.axis": None}
PROGRESSIVE_OF_2 = {"d.family": "progressive", "R.add": 2.0, "L.add": 2.0}
MOVED = {
    "R.sphere": -10.0,
    "R.cylinder": None,
    "L.sphere": -10.0,
    "L.cylinder": None,
    "fit.vertex_mm": 15.0,
    "fit.pantoscopic_deg": 0.0,
    "fit.face_form_deg": 0.0,
}
TO_ORDER = ordered(-10.31)  # -10.00 at 3 mm further out; vertex formula F/(1 - xF)


def both(order: Any, **more: Any) -> dict[str, Any]:
    return {"lens.ordered_right": order, "lens.ordered_left": order, **more}


DRILLED = {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=22.0, y=3.0, diameter=1.4),), "lens.min_edge_mm": 2.0}
SEEN_LOW = replace(BASES["progressive"].lens.design, corridor_mm=18.0)

# two steps that share no border, and a curve each: 4 up to -2.00, 6 from -1.75
TABLE = (CurveStep(sphere_from=-6.0, sphere_to=-2.0, curve=4.0), CurveStep(sphere_from=-1.75, sphere_to=4.0, curve=6.0))
TABLED = {"d.front_curves": TABLE}
MADE_WITH = {"d.made_with": ("HC", "AR", "GREY-25")}
YESTERDAY = TODAY - timedelta(days=1)

CASES: dict[str, tuple[str, list[Row]]] = {
    "lens.height-under-minimum": ("progressive", [
        ("stop", "record 16", {"d.min_height_mm": 18.0, "f.b": 25.0, **UNTRACED, "m.R.height": 14.0, "m.L.height": 14.0}),
        ("stop", "half a millimetre short", {"m.R.height": 16.5}),
        (None, "exactly", {"m.R.height": 17.0, "m.L.height": 17.0}),
        (None, "no minimum stated", {"d.min_height_mm": None, "m.R.height": 14.0}),
        (None, "not measured", {"m.R.height": None, "m.L.height": None}),
    ]),
    "lens.room-above": ("progressive", [
        ("confirm", "under the minimum", {"m.R.height": 29.0, "m.L.height": 29.0, "m.readings": ()}),
        ("stop", "5 mm", {"m.R.height": 33.0, "m.L.height": 33.0, "m.readings": ()}),
        (None, "14 mm", {}),
        (None, "a degressive lens", {"m.R.height": 29.0, "m.L.height": 29.0, "d.family": "degressive", "d.min_above_mm": None}),
    ]),
    "lens.corridor-cut": ("progressive", [
        ("confirm", "2 mm left", {"d.min_height_mm": None, "d.corridor_mm": 20.0}),
        (None, "4 mm left", {"d.min_height_mm": None, "d.corridor_mm": 18.0}),
        (None, "the design states a minimum", {"d.corridor_mm": 20.0}),
        (None, "no corridor stated", {"d.min_height_mm": None, "d.corridor_mm": None}),
    ]),
    "lens.corridor-spare": ("progressive", [
        ("note", "13 mm", {"d.corridor_mm": 9.0}),
        (None, "9 mm", {"d.corridor_mm": 13.0}),
        (None, "8 mm", {}),
    ]),
    "lens.corridor-unknown": ("progressive", [
        ("note", "neither", {"d.corridor_mm": None, "d.min_height_mm": None}),
        (None, "a minimum", {"d.corridor_mm": None}),
        (None, "single vision", {"d.family": "single_vision", "d.corridor_mm": None, "d.min_height_mm": None}),
    ]),
    "segment.position": ("bifocal", [
        ("confirm", "above the pupil", {"m.R.height": 23.0, "m.L.height": 23.0}),
        ("confirm", "11 mm below", {"m.R.height": 11.0}),
        (None, "6 mm below", {}),
        (None, "1 mm below", {"m.R.height": 21.0, "m.L.height": 21.5}),
        (None, "child, at the pupil", {"p.age_years": 5.0, "m.R.height": 22.0, "m.L.height": 22.5}),
        (None, "pupil not measured", {"m.R.pupil_height": None, "m.L.pupil_height": None}),
    ]),
    "segment.above-middle": ("bifocal", [
        ("confirm", "the pupil was measured", {"m.R.pupil_height": None, "m.R.height": 23.0}),
        ("confirm", "2 mm above", {"m.R.pupil_height": None, "m.R.height": 21.0}),
        (None, "1.5 mm above", {"m.R.pupil_height": None, "m.R.height": 20.5}),
        (None, "child", {"p.age_years": 5.0, "m.R.pupil_height": None, "m.R.height": 23.0}),
        (None, "the pupil height is known too", {"m.R.height": 23.0}),
    ]),
    "segment.reading-depth": ("bifocal", [
        ("confirm", "8 mm", {"m.R.height": 8.0}),
        (None, "10 mm", {"m.R.height": 10.0}),
        (None, "16 mm", {}),
    ]),
    "lens.power-range": ("single", [
        ("stop", "-9.25 of -8.00", {"d.sphere_min": -8.0, "R.sphere": -9.25}),
        ("stop", "cylinder", {"d.cylinder_max": 4.0, "R.cylinder": -4.25}),
        ("stop", "plus cylinder form counts in the minus form", {"d.sphere_max": 4.0, "R.sphere": 3.0, "R.cylinder": 1.25}),
        (None, "exactly", {"d.sphere_min": -8.0, "R.sphere": -8.0}),
        (None, "no range stated", {"d.sphere_min": None, "R.sphere": -20.0}),
        (None, "inside", {}),
    ]),
    "lens.add-range": ("progressive", [
        ("stop", "3.50 of 3.00", {"d.add_max": 3.0, "R.add": 3.5, "L.add": 3.5}),
        ("stop", "0.50 of 0.75", {"R.add": 0.5, "L.add": 0.5}),
        (None, "exactly", {"R.add": 3.5, "L.add": 3.5}),
        (None, "inside", {}),
        (None, "no range stated", {"d.add_max": None, "R.add": 8.0, "L.add": 8.0}),
    ]),
    "lens.prism-range": ("single", [
        ("stop", "7 of 6", {"R.prism_h": 7.0, "R.base_h": "out"}),
        ("stop", "both directions together", {"R.prism_h": 5.0, "R.base_h": "out", "R.prism_v": 4.0, "R.base_v": "up"}),
        (None, "6 of 6", {"R.prism_h": 6.0, "R.base_h": "out"}),
        (None, "none", {}),
        (None, "no range stated", {"d.prism_max": None, "R.prism_h": 9.0, "R.base_h": "out"}),
    ]),
    "lens.blank-too-small": ("single", [
        ("stop", "record 22", {**UNTRACED, "f.a": 58.0, "f.dbl": 18.0, "f.ed": 62.0, "m.R.far_pd": 29.0, "m.L.far_pd": 29.0, "lens.blank_diameter_mm": 75.0}),
        ("stop", "largest made is too small", {"d.blank_diameters": (55.0,)}),
        (None, "the list has a larger one", {"d.blank_diameters": (55.0, 65.0)}),
        ("confirm", "81 for 82 by the rule of thumb", {**UNTRACED, "f.a": 58.0, "f.dbl": 18.0, "f.ed": 62.0, "m.R.far_pd": 29.0, "m.L.far_pd": 29.0, "lens.blank_diameter_mm": 81.0}),
        (None, "82 for 82", {**UNTRACED, "f.a": 58.0, "f.dbl": 18.0, "f.ed": 62.0, "m.R.far_pd": 29.0, "m.L.far_pd": 29.0, "lens.blank_diameter_mm": 82.0}),
        (None, "no diameter known", {"d.blank_diameters": ()}),
    ]),
    "lens.blank-not-listed": ("single", [
        ("confirm", "72", {"lens.blank_diameter_mm": 72.0}),
        (None, "70", {"lens.blank_diameter_mm": 70.0}),
        (None, "none chosen", {}),
    ]),
    "lens.edge-too-thin": ("single", [
        ("stop", "record 21", {**DRILLED, "R.sphere": 3.5, "L.sphere": 3.5, "lens.min_edge_mm": 1.0}),
        ("stop", "grooved 1.4", {"f.mount": "grooved", "lens.min_edge_mm": 1.4}),
        ("stop", "full rim 0.5", {"lens.min_edge_mm": 0.5}),
        (None, "drilled 2.0", DRILLED),
        (None, "drilled 1.8", {**DRILLED, "lens.min_edge_mm": 1.8}),
        (None, "full rim 0.8", {"lens.min_edge_mm": 0.8}),
    ]),
    "lens.edge-too-thick": ("single", [
        ("confirm", "-12, drilled", {**DRILLED, "R.sphere": -12.0}),
        (None, "-2, drilled", DRILLED),
        (None, "-12, full rim", {"R.sphere": -12.0}),
    ]),
    "lens.edge-thick": ("single", [
        ("note", "-14", {"R.sphere": -14.0}),
        (None, "-2", {}),
        (None, "+2", {"R.sphere": 2.0}),
    ]),
    "lens.centre-too-thin": ("single", [
        ("stop", "0.6", {"lens.min_centre_mm": 0.6}),
        ("stop", "glass 1.2", {"lens.material": GLASS}),
        (None, "1.0", {"lens.min_centre_mm": 1.0}),
        (None, "glass 2.0", {"lens.material": GLASS, "lens.min_centre_mm": 2.0}),
        (None, "1.2", {}),
    ]),
    "lens.front-curve": ("single", [
        ("confirm", "2 in a wrap", {"lens.front_curve": 2.0, "f.front_curve": 8.0}),
        ("confirm", "just beyond 2 D", {"lens.front_curve": 6.25}),
        ("confirm", "-10 in a wrap", {"R.sphere": -10.0, "f.front_curve": 8.0}),
        (None, "2 D apart", {"lens.front_curve": 6.0}),
        (None, "strong plus in an ordinary front", {"R.sphere": 6.0}),
        (None, "nothing stated", {}),
    ]),
    "lens.front-curves-differ": ("single", [
        ("note", "+6 and plano", {"R.sphere": 6.0, "L.sphere": 0.0}),
        ("note", "two steps of the table", {**TABLED, "R.sphere": -1.0}),
        ("note", "just beyond 1.5 D", {"R.sphere": 1.75, "R.cylinder": None, "L.sphere": 0.0, "L.cylinder": None}),
        (None, "1.5 D apart", {"R.sphere": 1.5, "R.cylinder": None, "L.sphere": 0.0, "L.cylinder": None}),
        (None, "one step of the table", {**TABLED, "R.sphere": -5.75}),
        (None, "one curve stated for both", {**TABLED, "R.sphere": -1.0, "lens.front_curve": 4.0}),
        (None, "alike", {}),
        (None, "one eye not known", {"R.sphere": None}),
    ]),
    "lens.front-curve-table": ("single", [
        ("note", "beyond the end", {**TABLED, "R.sphere": -6.25}),
        ("note", "plus cylinder: -6.50 in minus form", {**TABLED, "R.sphere": -7.0, "R.cylinder": 0.5}),
        ("note", "a wide gap", {"d.front_curves": (TABLE[0], replace(TABLE[1], sphere_from=-1.5)), "R.sphere": -1.75}),
        (None, "at the end", {**TABLED, "R.sphere": -6.0}),
        (None, "plus cylinder: -6.00 in minus form", {**TABLED, "R.sphere": -6.5, "R.cylinder": 0.5}),
        (None, "a quarter between two steps", {**TABLED, "R.sphere": -1.87}),
        (None, "a curve is stated", {**TABLED, "R.sphere": -6.25, "lens.front_curve": 4.0}),
        (None, "no table", {"R.sphere": -6.25}),
        (None, "power not known", {**TABLED, "R.sphere": None}),
    ]),
    "lens.front-curve-unlisted": ("single", [
        ("confirm", "5 between 4 and 6", {**TABLED, "lens.front_curve": 5.0}),
        ("confirm", "just beyond half a step", {**TABLED, "lens.front_curve": 4.13}),
        ("note", "of another power", {**TABLED, "lens.front_curve": 6.0}),
        (None, "half a step", {**TABLED, "lens.front_curve": 4.12}),
        (None, "of the table", {**TABLED, "lens.front_curve": 4.0}),
        (None, "in the series, power not in the table", {**TABLED, "R.sphere": -6.25, "lens.front_curve": 4.0}),
        (None, "no wish", TABLED),
        (None, "no table", {"lens.front_curve": 5.0}),
    ]),
    "lens.treatment-not-made": ("single", [
        ("stop", "another coating", {**MADE_WITH, "lens.coating": "silver mirror", "lens.coating_code": "MIRROR-S"}),
        ("stop", "another tint", {**MADE_WITH, "lens.tint": replace(tint(50), code="GREY-50")}),
        ("unknown", "a coating without its code", {**MADE_WITH, "lens.coating": "silver mirror"}),
        (None, "its own", {
            **MADE_WITH, "lens.coating": "hard coating", "lens.coating_code": "HC", "lens.tint": replace(tint(74), code="GREY-25"),
        }),
        (None, "none chosen", MADE_WITH),
        (None, "not said", {"lens.coating": "silver mirror", "lens.coating_code": "MIRROR-S"}),
    ]),
    "lens.no-longer-offered": ("single", [
        ("confirm", "design", {"d.offered_until": YESTERDAY}),
        ("confirm", "coating", {"lens.coating": "hard coating", "lens.coating_offered_until": YESTERDAY}),
        ("confirm", "tint", {"lens.tint": replace(tint(74), offered_until=YESTERDAY)}),
        (None, "last day", {"d.offered_until": TODAY, "lens.coating_offered_until": TODAY}),
        (None, "no end", {}),
        (None, "a tint without an end", {"lens.tint": tint(74)}),
    ]),
    # --- material, tint, use
    "material.drilled": ("single", [
        ("stop", "glass", {**DRILLED, "lens.material": GLASS}),
        ("confirm", "hard resin", {**DRILLED, "lens.material": HARD_RESIN}),
        (None, "1.60", DRILLED),
        (None, "glass in a rim", {"lens.material": GLASS}),
    ]),
    "material.grooved": ("single", [
        ("stop", "glass", {"f.mount": "grooved", "lens.material": GLASS}),
        ("confirm", "poor", {"f.mount": "grooved", "lens.material": replace(RESIN, grooved="poor")}),
        (None, "1.60", {"f.mount": "grooved"}),
        (None, "glass in a rim", {"lens.material": GLASS}),
    ]),
    "material.child": ("single", [
        ("stop", "glass at 9", {"p.age_years": 9.0, "lens.material": GLASS}),
        ("confirm", "weak resin at 9", {"p.age_years": 9.0, "lens.material": WEAK_RESIN}),
        (None, "polycarbonate at 9", {"p.age_years": 9.0, "lens.material": TOUGH}),
        (None, "glass at 16", {"p.age_years": 16.0, "lens.material": GLASS}),
    ]),
    "material.one-useful-eye": ("single", [
        ("stop", "glass", {"p.useful_eye": "left", "lens.material": GLASS}),
        ("confirm", "hard resin", {"p.useful_eye": "left", "lens.material": HARD_RESIN}),
        (None, "polycarbonate", {"p.useful_eye": "left", "lens.material": TOUGH}),
        (None, "two useful eyes", {"lens.material": HARD_RESIN}),
    ]),
    "material.hazard": ("single", [
        ("stop", "glass for safety", {"n.uses": ("safety",), "lens.material": GLASS}),
        ("confirm", "hard resin for sport", {"n.uses": ("sport",), "lens.material": HARD_RESIN}),
        (None, "polycarbonate for safety", {"n.uses": ("safety",), "lens.material": TOUGH}),
        (None, "an office", {"lens.material": HARD_RESIN}),
    ]),
    "tint.road": ("single", [
        ("stop", "record 23", {"n.uses": ("driving_day",), "lens.tint": tint(6)}),
        ("stop", "photochromic that darkens to 6", {"n.uses": ("driving_day",), "lens.tint": tint(85, 6)}),
        ("stop", "8: category 4 runs from over 3 to 8 %", {"n.uses": ("driving_day",), "lens.tint": tint(8)}),
        ("stop", "5 at its palest, at its darkest not known", {"n.uses": ("driving_day",), "lens.tint": Tint(name="grey", transmittance_clear=5)}),
        (None, "8.1", {"n.uses": ("driving_day",), "lens.tint": tint(8.1)}),
        (None, "not known: another question", {"n.uses": ("driving_day",), "lens.tint": Tint(name="smoke")}),
        (None, "6 for the sun alone", {"n.uses": ("sun",), "lens.tint": tint(6)}),
    ]),
    "tint.night": ("single", [
        ("stop", "record 23", {"n.uses": ("driving_night",), "lens.tint": tint(50)}),
        (None, "75", {"n.uses": ("driving_night",), "lens.tint": tint(75)}),
        (None, "not known: another question", {"n.uses": ("driving_night",), "lens.tint": Tint(name="smoke")}),
        (None, "photochromic", {"n.uses": ("driving_night",), "lens.tint": tint(88, 12)}),
        (None, "by day", {"n.uses": ("driving_day",), "lens.tint": tint(50)}),
    ]),
    "tint.figures": ("single", [
        ("stop", "a part of one", {"lens.tint": tint(0.85)}),
        ("stop", "darker when clear", {"lens.tint": tint(12, 85)}),
        ("stop", "over 100", {"lens.tint": tint(120)}),
        ("unknown", "not on record", {"lens.tint": Tint(name="smoke")}),
        ("unknown", "its darkest state not on record", {"lens.tint": Tint(name="smoke", transmittance_clear=88)}),
        ("unknown", "its palest state not on record", {"lens.tint": Tint(name="smoke", transmittance_dark=14)}),
        (None, "85 and 12", {"lens.tint": tint(85, 12)}),
        (None, "none", {}),
    ]),
    "tint.all-round": ("single", [
        ("note", "15 fixed", {"lens.tint": tint(15)}),
        (None, "photochromic", {"lens.tint": tint(85, 12)}),
        (None, "for the sun", {"n.uses": ("sun",), "lens.tint": tint(15)}),
    ]),
    "design.use": ("progressive", [
        ("confirm", "degressive for driving", {"d.family": "degressive", "n.uses": ("driving_day",)}),
        ("confirm", "single vision for far and near", {"d.family": "single_vision", "n.uses": ("distance", "near")}),
        (None, "degressive for screens", {"d.family": "degressive", "n.uses": ("screens",)}),
        (None, "progressive for everything", {"n.uses": ("all_round", "near", "driving_day")}),
        (None, "nothing said", {"n.uses": ()}),
    ]),
    "design.add-unused": ("progressive", [
        ("note", "distance pair", {"d.family": "single_vision", "n.uses": ("driving_day",)}),
        (None, "near pair", {"d.family": "single_vision", "n.uses": ("near",)}),
        (None, "progressive", {}),
    ]),
    "design.thinning": ("progressive", [
        ("confirm", "more than the addition", {"lens.prism_thinning_down": 3.0}),
        ("confirm", "single vision", {"d.family": "single_vision", "lens.prism_thinning_down": 1.5}),
        (None, "record 9 of the legitimate", {"lens.prism_thinning_down": 1.25}),
        (None, "as much as the addition", {"lens.prism_thinning_down": 2.0}),
        (None, "none", {}),
    ]),
    "design.first-progressive": ("progressive", [
        ("note", "2.50", {"n.first_progressive": True, "R.add": 2.5, "L.add": 2.5}),
        ("note", "short corridor", {"n.first_progressive": True, "d.corridor_mm": 10.0}),
        (None, "2.00, corridor 14", {"n.first_progressive": True}),
        (None, "not the first", {"R.add": 2.5, "L.add": 2.5}),
    ]),
    # --- seeing
    "seeing.slab-off": ("progressive", [
        ("confirm", "no word which lens", {**UNLIKE, "lens.slab_off": True}),
        ("confirm", "on the less minus lens", {**UNLIKE, "lens.slab_off": True, "lens.remark": "Slab-off right 3.5 Δ"}),
        ("confirm", "half a prism dioptre", {**UNLIKE, "L.sphere": -1.5, "lens.slab_off": True, "lens.remark": "Slab-off L 0.5"}),
        ("confirm", "a remark about something else", {**UNLIKE, "lens.slab_off": True, "lens.remark": "Polish the edges; wanted on Friday."}),
        ("confirm", "in capitals on the less minus lens", {**UNLIKE, "lens.slab_off": True, "lens.remark": "SLAB-OFF RIGHT 3.5"}),
        ("confirm", "with stops on the less minus lens", {**UNLIKE, "lens.slab_off": True, "lens.remark": "Slab-off O.D. 3.5"}),
        (None, "in short on the more minus lens", {**UNLIKE, "lens.slab_off": True, "lens.remark": "slab-off o.s. 3.5"}),
        (None, "on the more minus lens", {**UNLIKE, "lens.slab_off": True, "lens.remark": "Slab-off left 3.5 Δ, line at the segment top"}),
        (None, "both are named", {**UNLIKE, "lens.slab_off": True, "lens.remark": "moulded, base down right; nothing left"}),
        (None, "none", UNLIKE),
    ]),
    "seeing.imbalance": ("progressive", [
        ("confirm", "3.5 D vertically", {"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None, "L.cylinder": None}),
        ("note", "1.5 D", {"R.sphere": -1.0, "L.sphere": -2.5, "R.cylinder": None, "L.cylinder": None}),
        ("note", "worn before", {"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None, "L.cylinder": None, "earlier": (before("-1", "-4.25"),)}),
        ("note", "3.5 D in a near pair, whose centres can lie where one reads", {"R.sphere": -1.0, "L.sphere": -4.5, "R.cylinder": None,
                                                                             "L.cylinder": None, "d.family": "single_vision", "n.uses": ("near",)}),
        (None, "0.75 D", {"R.sphere": -1.0, "L.sphere": -1.75, "R.cylinder": None, "L.cylinder": None}),
        (None, "slab-off", {"R.sphere": -1.0, "L.sphere": -4.5, "lens.slab_off": True}),
        (None, "single vision for distance", {"R.sphere": -1.0, "L.sphere": -4.5, "d.family": "single_vision"}),
        (None, "one useful eye", {"R.sphere": -1.0, "L.sphere": -4.5, "p.useful_eye": "left"}),
    ]),
    "seeing.chromatic-blur": ("single", [
        ("note", "-10 in a low Abbe number", {"R.sphere": -10.0, "lens.material": TOUGH}),
        (None, "-2 in the same", {"lens.material": TOUGH}),
        (None, "-4 in hard resin", {"R.sphere": -4.0, "L.sphere": -4.0, "lens.material": HARD_RESIN}),
    ]),
    "seeing.image-size": ("single", [
        ("note", "+1 and +7", {"R.sphere": 1.0, "L.sphere": 7.0}),
        (None, "-2 and -3", {"L.sphere": -3.0}),
        (None, "one useful eye", {"R.sphere": 1.0, "L.sphere": 7.0, "p.useful_eye": "left"}),
    ]),
    "seeing.image-jump": ("bifocal", [
        ("note", "round 24", {"d.family": "round_bifocal", "d.segment_width_mm": 24.0, "d.segment_depth_mm": 24.0, "d.segment_centre_below_top_mm": 12.0,
                              "R.add": 2.5, "L.add": 2.5}),
        (None, "flat top 28", {}),
        (None, "progressive", {"d.family": "progressive"}),
    ]),
    "seeing.weight": ("single", [
        ("note", "glass, strong", {"lens.material": GLASS, "R.sphere": -12.0, "L.sphere": -12.0, "lens.min_centre_mm": 2.0}),
        (None, "resin, weak", {}),
        (None, "frame not known", {"frame": None}),
    ]),
    "seeing.centre-depth": ("progressive", [
        ("note", "18", {"lens.design": SEEN_LOW}),
        (None, "17", {"d.corridor_mm": 17.0}),
        (None, "14", {}),
    ]),
    # --- ordered powers
    "ordered.half-transposed": ("single", [
        ("stop", "record 5", {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(1.0, 1.0, 90.0)}),
        ("stop", "axis turned alone", {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(2.0, -1.0, 180.0)}),
        ("stop", "sphere kept", {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(2.0, 1.0, 180.0)}),
        (None, "transposed", {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(1.0, 1.0, 180.0)}),
        (None, "as prescribed", {"R.sphere": 2.0, "R.cylinder": -1.0, "R.axis": 90.0, "lens.ordered_right": ordered(2.0, -1.0, 90.0)}),
        (None, "nothing stated", {}),
    ]),
    "ordered.wrong-way": ("single", [
        ("stop", "record 19", {**MOVED, **both(ordered(-9.71))}),
        ("confirm", "stated by the maker", {**MOVED, **both(ordered(-9.71)), "lens.compensation": "maker"}),
        (None, "right", {**MOVED, **both(TO_ORDER)}),
        (None, "not at all", {**MOVED, **both(ordered(-10.0))}),
        (None, "nothing to compensate", {"lens.ordered_right": ordered(-2.0, -0.5, 90.0)}),
    ]),
    "ordered.twice": ("single", [
        ("stop", "-10.62", {**MOVED, **both(ordered(-10.62))}),
        (None, "right", {**MOVED, **both(TO_ORDER)}),
        (None, "not at all", {**MOVED, **both(ordered(-10.0))}),
    ]),
    "ordered.not-compensated": ("single", [
        ("confirm", "nothing stated", MOVED),
        ("confirm", "as prescribed", {**MOVED, **both(ordered(-10.0))}),
        (None, "right", {**MOVED, **both(TO_ORDER)}),
        (None, "the maker will", {**MOVED, "lens.compensation": "maker"}),
        (None, "-9 as prescribed, worn where it was tested with an ordinary tilt", {"R.sphere": -9.0, "L.sphere": -9.0, "fit.pantoscopic_deg": 10.0}),
        ("confirm", "the same with a steep tilt", {"R.sphere": -9.0, "L.sphere": -9.0, "fit.pantoscopic_deg": 14.0}),
        ("confirm", "-6 as prescribed in a wrap", {"R.sphere": -6.0, "L.sphere": -6.0, "fit.face_form_deg": 18.0}),
        ("confirm", "an ordinary tilt, and another vertex distance", {"R.sphere": -10.0, "L.sphere": -10.0, "fit.vertex_mm": 15.0}),
        ("confirm", "-9 with the same tilt sideways, which lowered centres do not answer", {"R.sphere": -9.0, "L.sphere": -9.0, "fit.pantoscopic_deg": 0.0, "fit.face_form_deg": 11.0}),
        (None, "-9 in an ordinary front", {"R.sphere": -9.0, "L.sphere": -9.0, "fit.pantoscopic_deg": 8.0, "fit.face_form_deg": 8.0}),
        (None, "-2", {"fit.vertex_mm": 15.0}),
        (None, "for the vertex distance, without the tilt", {**MOVED, "fit.pantoscopic_deg": 20.0, **both(TO_ORDER)}),
        ("confirm", "in hundredths, and neither with the tilt nor without", {**MOVED, "fit.pantoscopic_deg": 20.0, **both(ordered(-10.41))}),
    ]),
    "ordered.unexplained": ("single", [
        ("stop", "a digit", {"lens.ordered_right": ordered(-2.5, -0.5, 90.0)}),
        ("confirm", "maker, beyond 2 D", {"lens.compensation": "maker", "lens.ordered_right": ordered(-4.5, -0.5, 90.0)}),
        (None, "as prescribed", {"lens.ordered_right": ordered(-2.0, -0.5, 90.0)}),
        (None, "the other form", {"lens.ordered_right": ordered(-2.5, 0.5, 180.0)}),
        (None, "compensated", {**MOVED, **both(TO_ORDER)}),
        (None, "record 10 of the legitimate: maker's wrap", {"R.sphere": -5.0, "R.cylinder": None, "lens.compensation": "maker", "lens.ordered_right": ordered(-4.25, -0.56, 180.0)}),
        (None, "nothing stated", {}),
    ]),
    "ordered.prism": ("single", [
        ("stop", "reversed", {"R.prism_h": 2.0, "R.base_h": "out", **both(ordered(-2.0, -0.5, 90.0, prism_in=2.0))}),
        ("stop", "lost", {"R.prism_h": 2.0, "R.base_h": "out", **both(ordered(-2.0, -0.5, 90.0))}),
        ("confirm", "maker's, far off", {"R.prism_h": 2.0, "R.base_h": "out", **both(ordered(-2.0, -0.5, 90.0)), "lens.compensation": "maker"}),
        (None, "as prescribed", {"R.prism_h": 2.0, "R.base_h": "out", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, prism_in=-2.0),
                                 "lens.ordered_left": ordered(-2.25, -0.75, 85.0)}),
        ("stop", "stated for the right eye alone, reversed", {"R.prism_h": 2.0, "R.base_h": "out", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, prism_in=2.0)}),
        (None, "thinning in both", {**both(ordered(-2.0, -0.5, 90.0, prism_up=-1.25)), **PROGRESSIVE_OF_2}),
        ("confirm", "thinning in the ordered powers and besides", {**both(ordered(-2.0, -0.5, 90.0, prism_up=-1.25)), **PROGRESSIVE_OF_2, "lens.prism_thinning_down": 1.25}),
        (None, "thinning besides alone", {**both(ordered(-2.0, -0.5, 90.0)), **PROGRESSIVE_OF_2, "lens.prism_thinning_down": 1.25}),
        ("stop", "down in both of a single-vision pair", both(ordered(-2.0, -0.5, 90.0, prism_up=-1.25))),
        ("stop", "up in both of a progressive pair", {**both(ordered(-2.0, -0.5, 90.0, prism_up=1.25)), **PROGRESSIVE_OF_2}),
        ("stop", "down in both, by more than the addition", {**both(ordered(-2.0, -0.5, 90.0, prism_up=-2.5)), **PROGRESSIVE_OF_2}),
        (None, "nothing stated", {"R.prism_h": 2.0, "R.base_h": "out"}),
        ("stop", "reversed in a pair for near", {"n.uses": ("near",), "R.near_prism_h": 2.0, "R.near_base_h": "in", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, prism_in=-2.0)}),
        (None, "that of near in a pair for near", {"n.uses": ("near",), "R.prism_h": 1.0, "R.base_h": "out", "R.near_prism_h": 2.0, "R.near_base_h": "in", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, prism_in=2.0)}),
    ]),
    "ordered.add": ("progressive", [
        ("stop", "half a dioptre", {"lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.5)}),
        ("confirm", "maker's, far off", {"lens.compensation": "maker", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.75)}),
        (None, "as prescribed", {"lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.0)}),
        (None, "maker's 2.12", {"lens.compensation": "maker", "lens.ordered_right": ordered(-2.0, -0.5, 90.0, add=2.12)}),
        (None, "not stated", {"lens.ordered_right": ordered(-2.0, -0.5, 90.0)}),
    ]),
    "ordered.maker-needs-fit": ("single", [
        ("confirm", "vertex distance blank", {"lens.compensation": "maker", "fit.vertex_mm": None}),
        (None, "all given", {"lens.compensation": "maker"}),
        (None, "no compensation", {"fit.vertex_mm": None}),
        (None, "values stated", {"lens.compensation": "maker", "fit.vertex_mm": None, "lens.ordered_right": ordered(-2.0, -0.5, 90.0)}),
    ]),
}  # fmt: skip
