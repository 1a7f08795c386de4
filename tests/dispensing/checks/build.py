"""Whole records that are in order, and a short way to put one thing wrong in them.

Short paths: R. and L. a prescribed eye, rx. the prescription, m.R. and m.L. an adopted eye, m. measurements, f. frame, fit. the fit,
d. the lens design, mat. the material, lens. the choice, p. the person, n. needs, h. hands, rules. the branch's rules.
"""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime
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
    Material,
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

TODAY = date(2026, 5, 4)
SHORT = {
    "R.": "prescription.right.",
    "L.": "prescription.left.",
    "rx.": "prescription.",
    "m.R.": "measurements.right.",
    "m.L.": "measurements.left.",
    "m.": "measurements.",
    "f.": "frame.",
    "d.": "lens.design.",
    "mat.": "lens.material.",
    "p.": "person.",
    "n.": "needs.",
    "h.": "hands.",
}
MADE = {"prescription": Prescription, "frame": Frame, "design": LensDesign}


def superellipse(a: float, b: float, power: float = 2.5, points: int = 200) -> tuple[float, ...]:
    """An outline with exactly this box."""
    radii = []
    for step in range(points):
        t = 2 * math.pi * step / points
        radii.append((abs(math.cos(t) / (a / 2)) ** power + abs(math.sin(t) / (b / 2)) ** power) ** (-1 / power))
    return tuple(radii)


def reading(quantity: str, eye: str, value: float, **more: Any) -> Reading:
    height = quantity == "height"
    first: dict[str, Any] = {
        "method": "marked_lens" if height else "pupillometer",
        "reference": "box" if height else None,
        "by": "w",
        "at": datetime(2026, 5, 4, 10, tzinfo=UTC),
        "frame_identity": "F1" if height else "",
        "observer_level": True if height else None,
    }
    return Reading(quantity=quantity, eye=eye, value=value, **(first | more))


RESIN = Material(name="1.60 resin", nd=1.592, abbe=41.0, density=1.30, impact="good", drilled="good", grooved="good")
OUTLINE = superellipse(52, 38)
ED = 2 * max(OUTLINE)

SINGLE = Case(
    today=TODAY,
    person=Person(age_years=34.0, sex="female"),
    needs=Needs(uses=("all_round",)),
    prescription=Prescription(
        right=PrescribedLens(sphere=-2.0, cylinder=-0.5, axis=90.0),
        left=PrescribedLens(sphere=-2.25, cylinder=-0.75, axis=85.0),
        vertex_mm=12.0,
        written_on=date(2026, 4, 1),
        read_back="matched",
    ),
    frame=Frame(
        identity="F1", name="Tern 412", a=52.0, b=38.0, dbl=18.0, ed=ED, side=140.0, mount="full_rim", front_curve=4.0, face_form_deg=5.0,
        outline=OUTLINE,
    ),
    fit=Fit(
        confirmed=True, confirmed_at=datetime(2026, 5, 4, 9, tzinfo=UTC), frame_identity="F1", vertex_mm=12.0, pantoscopic_deg=8.0,
        face_form_deg=5.0,
    ),
    measurements=Measurements(
        readings=(
            reading("far_pd", "right", 31.5), reading("far_pd", "left", 32.0), reading("far_pd", "right", 31.5), reading("far_pd", "left", 32.0)
        ),
        right=Adopted(far_pd=31.5),
        left=Adopted(far_pd=32.0),
        binocular_far_pd=63.5,
    ),
    lens=LensChoice(
        design=LensDesign(
            identity="SV", name="Plainview", family="single_vision", sphere_min=-12.0, sphere_max=8.0, cylinder_max=6.0, prism_max=6.0,
            blank_diameters=(60.0, 65.0, 70.0, 75.0),
        ),
        material=RESIN,
        min_centre_mm=1.2,
        min_edge_mm=1.0,
    ),
    hands=Hands(dispenser="w", dispenser_role="dispenser", dispenser_registered=True),
)  # fmt: skip

PROGRESSIVE = replace(
    SINGLE,
    person=Person(age_years=58.0, sex="female"),
    prescription=replace(
        SINGLE.prescription,
        right=PrescribedLens(sphere=-2.0, cylinder=-0.5, axis=90.0, add=2.0),
        left=PrescribedLens(sphere=-2.25, cylinder=-0.75, axis=85.0, add=2.0),
    ),
    needs=Needs(uses=("all_round",), working_distance_mm=400.0),
    measurements=replace(
        SINGLE.measurements,
        readings=(
            *SINGLE.measurements.readings,
            reading("height", "right", 22.0), reading("height", "left", 22.5), reading("height", "right", 22.0), reading("height", "left", 22.5),
        ),
        right=Adopted(far_pd=31.5, height=22.0),
        left=Adopted(far_pd=32.0, height=22.5),
    ),
    lens=replace(
        SINGLE.lens,
        design=LensDesign(
            identity="R13", name="Ridgeway 13", family="progressive", corridor_mm=14.0, min_height_mm=17.0, min_above_mm=10.0, sphere_min=-12.0,
            sphere_max=8.0, cylinder_max=6.0, add_min=0.75, add_max=3.5, prism_max=6.0, blank_diameters=(65.0, 70.0, 75.0, 80.0),
        ),
    ),
)  # fmt: skip

BIFOCAL = replace(
    PROGRESSIVE,
    measurements=replace(
        PROGRESSIVE.measurements,
        readings=(*SINGLE.measurements.readings, reading("height", "right", 16.0), reading("height", "left", 16.5)),
        right=Adopted(far_pd=31.5, height=16.0, pupil_height=22.0),
        left=Adopted(far_pd=32.0, height=16.5, pupil_height=22.5),
    ),
    lens=replace(
        SINGLE.lens,
        design=LensDesign(
            identity="B28", name="Stile 28", family="flat_top_bifocal", segment_width_mm=28.0, segment_depth_mm=19.0,
            segment_centre_below_top_mm=5.0, sphere_min=-12.0, sphere_max=8.0, cylinder_max=6.0, add_min=0.75, add_max=4.0, prism_max=6.0,
            blank_diameters=(65.0, 70.0, 75.0, 80.0),
        ),
    ),
)  # fmt: skip

NEAR = replace(
    SINGLE,
    person=PROGRESSIVE.person,
    needs=Needs(uses=("near",), working_distance_mm=400.0),
    prescription=PROGRESSIVE.prescription,
    measurements=replace(
        SINGLE.measurements,
        right=Adopted(far_pd=31.5, near_pd=29.5),
        left=Adopted(far_pd=32.0, near_pd=30.0),
        binocular_near_pd=59.5,
    ),
)

BASES = {"single": SINGLE, "progressive": PROGRESSIVE, "bifocal": BIFOCAL, "near": NEAR}

GLASS = Material(
    name="crown glass", nd=1.523, abbe=59.0, density=2.54, impact="low", drilled="no", grooved="no", glass=True
)
HARD_RESIN = Material(name="hard resin", nd=1.498, abbe=58.0, density=1.32, impact="basic", drilled="poor", grooved="fair")
WEAK_RESIN = Material(name="1.56 resin", nd=1.555, abbe=37.0, density=1.23, impact="low", drilled="poor", grooved="fair")
TOUGH = Material(name="polycarbonate", nd=1.586, abbe=30.0, density=1.20, impact="high", drilled="good", grooved="good")


def tint(clear: float, dark: float | None = None) -> Tint:
    return Tint(name="grey", transmittance_clear=clear, transmittance_dark=clear if dark is None else dark)


def ordered(sphere: float, cylinder: float = 0.0, axis: float | None = None, **more: Any) -> OrderedPower:
    return OrderedPower(sphere=sphere, cylinder=cylinder, axis=axis, **more)


def lens(text: str, **more: Any) -> PrescribedLens:
    """ "-2.00", "-2.00/-0.50x90" """
    power, _, axis = text.partition("x")
    sphere, _, cylinder = power.partition("/")
    return PrescribedLens(
        sphere=float(sphere), cylinder=float(cylinder) if cylinder else None, axis=float(axis) if axis else None, **more
    )


def before(right: str | None = None, left: str | None = None, *, on: date = date(2024, 5, 4), add: float | None = None, pd: Any = None,
           height: Any = None, frame: Frame | None = None, **prisms: Any) -> EarlierPair:  # fmt: skip
    rx = None
    if right is not None and left is not None:
        rx = Prescription(
            right=lens(right, add=add, **prisms.get("right_prism", {})),
            left=lens(left, add=add, **prisms.get("left_prism", {})),
            written_on=on,
        )
    return EarlierPair(
        on=on,
        prescription=rx,
        far_pd=Pair(*pd) if pd else Pair(None, None),
        height=Pair(*height) if height else Pair(None, None),
        frame=frame,
    )


def changed(case: Case, changes: dict[str, Any]) -> Case:
    for path, value in changes.items():
        for short in sorted(SHORT, key=len, reverse=True):
            if path.startswith(short) and not path.startswith(
                ("rules.", "readings", "lens.", "fit.", "prescription.", "measurements.", "frame.")
            ):
                path = SHORT[short] + path[len(short) :]
                break
        case = _set(case, path.split("."), value)
    return case


def _set(thing: Any, parts: list[str], value: Any) -> Any:
    name = parts[0]
    assert is_dataclass(thing)
    assert name in {f.name for f in fields(thing)}, f"{type(thing).__name__} has no {name}"
    if len(parts) == 1:
        return replace(thing, **{name: value})
    inner = getattr(thing, name)
    if inner is None:
        inner = MADE[name]()
    return replace(thing, **{name: _set(inner, parts[1:], value)})
