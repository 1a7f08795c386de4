from __future__ import annotations

from dataclasses import replace
from math import cos, pi, sin
from typing import Any

from dispensing.case import DrillPoint, Frame
from tests.dispensing.checks.build import before, superellipse

Row = tuple[str | None, str, dict[str, Any]]
BARE = {"f.outline": (), "f.ed": None}  # a frame nobody traced
OVAL = tuple(((cos(t) / 26.0) ** 2 + (sin(t) / 19.0) ** 2) ** -0.5 for t in (2 * pi * k / 180 for k in range(180)))
OLD = Frame(name="Plover 50", a=50.0, b=34.0, dbl=19.0, ed=54.0, side=140.0)

CASES: dict[str, tuple[str, list[Row]]] = {
    "frame.side-as-dbl": ("single", [
        ("stop", "140 and 18", {**BARE, "f.dbl": 140.0, "f.side": 18.0}),
        ("stop", "140, side blank", {**BARE, "f.dbl": 140.0, "f.side": None}),
        (None, "18 and 140", {}),
        (None, "side blank", {"f.side": None}),
    ]),
    "frame.a-not-over-dbl": ("single", [
        ("stop", "exchanged", {**BARE, "f.a": 18.0, "f.dbl": 52.0}),
        ("stop", "18 typed as 81, less the range of sides", {**BARE, "f.a": 48.0, "f.dbl": 61.0}),
        (None, "52 and 18", {}),
        (None, "not known", {**BARE, "f.a": None}),
    ]),
    "frame.b-over-a": ("single", [
        ("confirm", "exchanged", {**BARE, "f.a": 38.0, "f.b": 52.0}),
        ("confirm", "a millimetre", {**BARE, "f.a": 46.0, "f.b": 47.0}),
        (None, "round", {**BARE, "f.a": 46.0, "f.b": 46.0}),
        (None, "half a millimetre", {**BARE, "f.a": 46.0, "f.b": 46.5}),
        (None, "wide", {}),
    ]),
    "frame.a": ("single", [
        ("stop", "centimetres", {**BARE, "f.a": 5.2}),
        ("confirm", "66", {**BARE, "f.a": 66.0}),
        ("confirm", "just under 40", {**BARE, "f.a": 39.5}),
        (None, "40", {**BARE, "f.a": 40.0}),
        (None, "62", {**BARE, "f.a": 62.0}),
        (None, "36 for a child", {**BARE, "f.a": 36.0, "f.child": True, "p.age_years": 6.0}),
    ]),
    "frame.b": ("single", [
        ("stop", "centimetres", {**BARE, "f.b": 3.8}),
        ("confirm", "18", {**BARE, "f.b": 18.0}),
        (None, "20", {**BARE, "f.b": 20.0}),
        (None, "34", {**BARE, "f.b": 34.0}),
    ]),
    "frame.dbl": ("single", [
        ("stop", "the depth of the lens", {"f.dbl": 38.0}),
        ("confirm", "27", {"f.dbl": 27.0}),
        (None, "26", {"f.dbl": 26.0}),
        (None, "10", {"f.dbl": 10.0}),
    ]),
    "frame.side": ("single", [
        ("confirm", "52", {"f.side": 52.0}),
        ("confirm", "165", {"f.side": 165.0}),
        (None, "140", {}),
        (None, "child's 120", {"f.side": 120.0, "f.child": True}),
        (None, "not known", {"f.side": None}),
    ]),
    "frame.ed-under-box": ("single", [
        ("stop", "50 under 54", {"f.a": 54.0, "f.ed": 50.0}),
        ("stop", "just under", {"f.ed": 51.4}),
        (None, "as a, round", {"f.a": 46.0, "f.b": 46.0, "f.ed": 46.0}),
        (None, "half a millimetre of reading", {"f.ed": 51.5}),
        (None, "57", {"f.ed": 57.0}),
        (None, "not known", {"f.ed": None}),
    ]),
    "frame.ed-over-diagonal": ("single", [
        ("stop", "48 by 30 with 62", {"f.a": 48.0, "f.b": 30.0, "f.ed": 62.0}),
        (None, "48 by 38 with 54", {"f.a": 48.0, "f.b": 38.0, "f.ed": 54.0}),
        (None, "diagonal of 30 by 40", {"f.a": 40.0, "f.b": 30.0, "f.ed": 50.0}),
    ]),
    "frame.outline-not-a-lens": ("single", [
        ("stop", "a tenth of the size", {"f.outline": superellipse(5.2, 3.8)}),
        ("stop", "three points", {"f.outline": (25.0, 24.0, 25.0)}),
        (None, "a lens", {}),
        (None, "none", BARE),
    ]),
    "frame.outline-against-box": ("single", [
        ("stop", "another size", {"f.a": 54.0}),
        ("stop", "exchanged", {"f.a": 38.0, "f.b": 52.0}),
        ("stop", "just beyond 1 mm", {"f.b": 39.1}),
        (None, "within 1 mm", {"f.b": 38.9}),
        (None, "agrees", {}),
        (None, "no outline", BARE),
    ]),
    "frame.outline-against-ed": ("single", [
        ("confirm", "58", {"f.ed": 58.0}),
        (None, "agrees", {}),
        (None, "no outline", {"f.outline": ()}),
    ]),
    "frame.old-figures-kept": ("single", [
        ("confirm", "another model, same figures", {**BARE, "f.name": "Tern 412", "f.a": 50.0, "f.b": 34.0, "f.dbl": 19.0, "f.ed": 54.0, "earlier": (before(frame=OLD),)}),
        (None, "the same frame", {**BARE, "f.name": "Plover 50", "f.a": 50.0, "f.b": 34.0, "f.dbl": 19.0, "f.ed": 54.0, "earlier": (before(frame=OLD),)}),
        (None, "the same model in another colour", {**BARE, "f.name": "Plover 50 slate", "f.model": "Plover 50", "f.a": 50.0, "f.b": 34.0, "f.dbl": 19.0, "f.ed": 54.0, "earlier": (before(frame=replace(OLD, name="Plover 50 horn", model="Plover 50")),)}),
        (None, "figures of its own", {"earlier": (before(frame=OLD),)}),
        (None, "nothing earlier", {}),
    ]),
    "frame.child-size": ("single", [
        ("confirm", "52 at 5", {"p.age_years": 5.0}),
        (None, "50 at 5", {**BARE, "f.a": 50.0, "p.age_years": 5.0}),
        (None, "42 at 5", {**BARE, "f.a": 42.0, "p.age_years": 5.0}),
        (None, "52 at 14", {"p.age_years": 14.0}),
    ]),
    "frame.groove": ("single", [
        ("confirm", "5 mm", {"f.groove_mm": 5.0}),
        ("confirm", "drilled", {"f.groove_mm": 0.5, "f.mount": "drilled"}),
        (None, "1.5 mm", {"f.groove_mm": 1.5}),
        (None, "0.5 mm", {"f.groove_mm": 0.5}),
        (None, "none", {}),
    ]),
    "frame.drill-point-off-lens": ("single", [
        ("stop", "beyond the edge", {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=27.0, y=3.0, diameter=1.4),)}),
        ("stop", "at the edge", {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=25.5, y=3.0, diameter=1.4),)}),
        # in an ellipse 52 by 38: (22/26)² + (12/19)² is 1.11, more than 1; (22/26)² + (3/19)² is 0.74
        ("stop", "in the corner of an oval's box", {"f.mount": "drilled", "f.outline": OVAL, "f.drill_points": (DrillPoint(x=22.0, y=12.0, diameter=1.4),)}),
        (None, "inside the oval", {"f.mount": "drilled", "f.outline": OVAL, "f.drill_points": (DrillPoint(x=22.0, y=3.0, diameter=1.4),)}),
        (None, "inside the oval, temporal and low", {"f.mount": "drilled", "f.outline": OVAL, "f.drill_points": (DrillPoint(x=-22.0, y=-3.0, diameter=1.4),)}),
        (None, "inside", {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=22.0, y=3.0, diameter=1.4),)}),
        (None, "none", {}),
    ]),
    "frame.curve-against-wrap": ("single", [
        ("confirm", "flat with 20", {"f.face_form_deg": 20.0}),
        ("confirm", "just beyond 14", {"f.face_form_deg": 14.5, "f.front_curve": 6.0}),
        (None, "14", {"f.face_form_deg": 14.0}),
        (None, "wrap", {"f.face_form_deg": 18.0, "f.front_curve": 8.0}),
        (None, "ordinary", {}),
    ]),
    "frame.no-drill-points": ("single", [
        ("note", "none", {"f.mount": "drilled"}),
        (None, "given", {"f.mount": "drilled", "f.drill_points": (DrillPoint(x=22.0, y=3.0, diameter=1.4),)}),
        (None, "full rim", {}),
    ]),
}  # fmt: skip
