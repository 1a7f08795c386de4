"""Correct dispenses drawn from published distributions.

Sources
- Interpupillary breadth of adults: ANSUR II (US Army 2010-12, public), 4,082 men and 1,986 women; `data/`.
- Right-left difference of monocular PDs: 40 people, data set Eyes of the CRAN package resampledata3 (CC0); `data/`.
- Children's PD by age: MacLachlan & Howland 2002 (coefficients from memory), SD about 2.5-3.5 mm (from memory).
- Powers: a clinic's 6,687 people aged 6-85 (PMC8569398, 2021): myopia mean -1.95 SD 2.6 D, hyperopia +1.04 SD 0.9 D,
  astigmatism -1.22 SD 0.71 D, anisometropia SD 2.5 D (taken as the wide part of a mixture: most pairs of eyes are close).
- Addition by age: Millodot, Dictionary of Optometry, 7th ed.
- Sizes of frames, fit angles, vertex distances, heights above the datum line: common practice, as in the trade's teaching.
Everything else (how often which lens is chosen, how often two readings are taken) is an assumption of ours, stated here in code.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from dispensing import figures as figs
from dispensing.case import (
    MULTIFOCAL,
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
    Pair,
    Person,
    PrescribedLens,
    Prescription,
    Reading,
)
from dispensing.optics.outlines import outline_for

HERE = Path(__file__).parent
TODAY = date(2026, 11, 25)

MATERIALS = {
    # published constants: index and Abbe number on the d line, density; trade tables, +-0.005, +-2, +-0.03
    "1.50": Material(name="hard resin 1.50", nd=1.498, abbe=58, density=1.32, impact="basic", drilled="no", grooved="fair"),
    "1.53": Material(name="urethane 1.53", nd=1.53, abbe=44, density=1.11, impact="high", drilled="good", grooved="good"),
    "1.59": Material(name="polycarbonate", nd=1.586, abbe=30, density=1.20, impact="high", drilled="good", grooved="good"),
    "1.60": Material(name="1.60 resin", nd=1.592, abbe=41, density=1.30, impact="good", drilled="good", grooved="good"),
    "1.67": Material(name="1.67 resin", nd=1.66, abbe=32, density=1.36, impact="good", drilled="fair", grooved="good"),
}
SHAPES = ("round", "oval", "pantoscopic", "quadra", "contour", "aviator", "upswept")


def _read(name: str) -> list[dict[str, str]]:
    with (HERE / "data" / name).open(newline="") as f:
        return list(csv.DictReader(f))


class Source:
    """The published tables, read once."""

    def __init__(self) -> None:
        rows = _read("ansur2-interpupillary-breadth.csv")
        self.adults = {
            sex: np.array([float(r["interpupillary_breadth_mm"]) for r in rows if r["sex"] == sex])
            for sex in ("male", "female")
        }
        self.asymmetry = np.array([float(r["rightPD"]) - float(r["leftPD"]) for r in _read("monocular-pd-40-people.csv")])


def quarter(x: float) -> float:
    return math.floor(x * 4 + 0.5) / 4


def half(x: float) -> float:
    return math.floor(x * 2 + 0.5) / 2


def _age(rng: np.random.Generator) -> float:
    group = rng.random()
    if group < 0.10:
        return float(rng.uniform(4, 16))
    if group < 0.40:
        return float(rng.uniform(16, 42))
    return float(rng.uniform(42, 88))


def _binocular(rng: np.random.Generator, source: Source, age: float, sex: str) -> float:
    if age >= 17:
        return float(rng.choice(source.adults[sex]))
    mean = 43.36 + 1.663 * age - 0.034 * age**2 if sex == "male" else 41.76 + 1.891 * age - 0.052 * age**2
    return float(np.clip(rng.normal(mean, 2.8), mean - 7.5, mean + 7.5))


def _powers(rng: np.random.Generator, age: float) -> tuple[PrescribedLens, PrescribedLens]:
    myope = rng.random() < 0.55
    mean = -abs(rng.normal(1.95, 2.6)) if myope else abs(rng.normal(1.04, 0.9))
    mean = float(np.clip(mean, -14, 8))
    apart = rng.normal(0, 0.35) if rng.random() < 0.92 else float(np.clip(rng.normal(0, 2.5), -5, 5))
    astigmatic = rng.random() < 0.7
    base_axis = rng.choice([180.0, 90.0, float(rng.uniform(20, 160))], p=[0.55, 0.25, 0.20]) + rng.normal(0, 8)
    lenses = []
    for eye, sphere in (("right", mean + apart / 2), ("left", mean - apart / 2)):
        cylinder = (
            -quarter(float(np.clip(abs(rng.normal(1.22, 0.71)), 0, 5))) if astigmatic and rng.random() < 0.85 else 0.0
        )
        axis = None
        if cylinder:
            raw = base_axis if eye == "right" else 180 - base_axis
            axis = (
                round((raw + rng.normal(0, 6)) / (5 if rng.random() < 0.7 else 1)) * (5 if rng.random() < 0.7 else 1) % 180
                or 180
            )
            axis = float(axis)
        lenses.append(PrescribedLens(sphere=quarter(sphere), cylinder=cylinder or None, axis=axis))
    # nobody is prescribed nothing: a small power at least
    if all(not x.sphere and not x.cylinder for x in lenses):
        lenses = [replace(x, sphere=-0.5) for x in lenses]
    return lenses[0], lenses[1]


def _add(rng: np.random.Generator, age: float) -> float | None:
    if age < 43:
        return None
    table = ((45, 1.00), (50, 1.25), (55, 1.75), (60, 2.25), (200, 2.50))
    centre = next(v for limit, v in table if age < limit)
    return quarter(float(np.clip(rng.normal(centre, 0.22), 0.75, 3.0)))


def draw(rng: np.random.Generator, source: Source, *, with_history: bool) -> Case | None:
    """One correct dispense, or None when the draw cannot be dispensed well (it is drawn again)."""
    age = _age(rng)
    sex = "female" if rng.random() < 0.55 else "male"
    child = age < 13
    binocular = _binocular(rng, source, age, sex)
    difference = float(rng.choice(source.asymmetry)) * (1 if rng.random() < 0.5 else -1) * (0.6 if child else 1.0)
    true_pd = ((binocular + difference) / 2, (binocular - difference) / 2)
    right, left = _powers(rng, age)
    add = _add(rng, age)
    family = _family(rng, age)
    if add is None:
        family = "single_vision"
    if family == "single_vision" and add is not None and rng.random() < 0.5:
        add = None
    if add is not None:
        right, left = replace(right, add=add), replace(left, add=add)
    if rng.random() < 0.04:
        amount, base = float(rng.choice([0.5, 1.0, 1.5, 2.0, 3.0])), str(rng.choice(["in", "out"], p=[0.4, 0.6]))
        right, left = replace(right, prism_h=amount, base_h=base), replace(left, prism_h=amount, base_h=base)  # type: ignore[arg-type]
        if amount <= 2 and rng.random() < 0.3:  # a small prism is often written for one eye
            left = replace(left, prism_h=None, base_h=None)
    elif rng.random() < 0.02:
        amount = float(rng.choice([0.5, 1.0, 1.5]))
        right, left = replace(right, prism_v=amount, base_v="up"), replace(left, prism_v=amount, base_v="down")
    strong = any(abs(m) >= 4.75 for x in (right, left) for m in (x.sphere or 0, (x.sphere or 0) + (x.cylinder or 0)))
    prescription = Prescription(
        right=right, left=left, vertex_mm=float(rng.choice([12, 13, 14])) if strong or rng.random() < 0.5 else None,
        written_on=TODAY - timedelta(days=int(rng.exponential(40)) % 500), prescriber="Prescriber",
        expires_on=None, source="typed",
    )  # fmt: skip
    frame = _frame(rng, age, binocular)
    vertex = float(np.clip(rng.normal(13, 1.0), 10.5, 15.5))
    if prescription.vertex_mm is not None and strong:
        vertex = float(np.clip(rng.normal(prescription.vertex_mm, 0.7), 10.5, 15.5))
    fit = Fit(
        confirmed=True, confirmed_at=datetime(2026, 11, 25, 10, 0), frame_identity=frame.identity, vertex_mm=half(vertex),
        pantoscopic_deg=float(round(np.clip(rng.normal(9, 2), 4, 14))), face_form_deg=float(round(np.clip(rng.normal(5, 1.2), 1, 8))),
    )  # fmt: skip
    above_datum = float(np.clip(rng.normal(3.7, 1.1), 1.0, 6.5))
    tilt = float(np.clip(rng.normal(0, 0.45), -1.2, 1.2))
    heights = tuple(frame.b / 2 + above_datum + s * tilt / 2 for s in (1, -1))  # type: ignore[operator]
    working = float(rng.choice([350, 400, 400, 450])) if add is not None else None
    uses: tuple[str, ...] = ("all_round",)
    if family == "single_vision":
        uses = ("near",) if add is not None else ("distance",)
    elif family == "degressive":
        uses = ("near", "screens")
    lens = _lens(rng, family, frame, heights, child, right, left, add)
    if lens is None:
        return None
    segment_drop = {"round_bifocal": 5.0, "flat_top_bifocal": 5.5, "trifocal": 2.0}.get(family, 0.0)
    heights = tuple(h - segment_drop for h in heights)
    readings: list[Reading] = []
    adopted = []
    times = 3 if with_history or strong else int(rng.integers(1, 3))
    needs_height = family != "single_vision" or strong
    for i, eye in enumerate(("right", "left")):
        pds = [half(true_pd[i] + rng.normal(0, 0.3)) for _ in range(times)]
        hs = [half(heights[i] + rng.normal(0, 0.3)) for _ in range(times)] if needs_height else []
        readings += [_reading("far_pd", eye, v, "pupillometer", frame) for v in pds]
        readings += [_reading("height", eye, v, "marked_lens", frame) for v in hs]
        near = None
        if add is not None and family in ("round_bifocal", "flat_top_bifocal", "trifocal", "single_vision"):
            near = half(true_pd[i] * 400 / (400 + 27))
        adopted.append(
            Adopted(far_pd=half(float(np.median(pds))), near_pd=near, height=half(float(np.median(hs))) if hs else None)
        )
    measurements = Measurements(
        readings=tuple(readings), right=adopted[0], left=adopted[1],
        binocular_far_pd=half(sum(a.far_pd or 0 for a in adopted)) if rng.random() < 0.5 or with_history else None,
    )  # fmt: skip
    case = Case(
        today=TODAY, person=Person(age_years=round(age, 1), sex=sex if rng.random() < 0.5 else None),  # type: ignore[arg-type]
        needs=Needs(uses=uses, working_distance_mm=working), prescription=prescription, frame=frame, fit=fit,  # type: ignore[arg-type]
        measurements=measurements, lens=lens, hands=Hands(dispenser="d", dispenser_role="dispenser", dispenser_registered=True),
        earlier=(_earlier(rng, prescription, adopted, frame, family, age),) if with_history else (),
    )  # fmt: skip
    made = _with_blank(case)
    return made if made is None else _as_prescribed(made, rng)


def _as_prescribed(case: Case, rng: np.random.Generator) -> Case:
    """With an ordinary tilt half of those who dispense order the power as it is prescribed, and lower the centres."""
    rx, fit = case.prescription, case.fit
    strongest = max(abs(m) for x in (rx.right, rx.left) for m in (x.sphere or 0, (x.sphere or 0) + (x.cylinder or 0)))  # type: ignore[union-attr]
    moved = abs((fit.vertex_mm or 0) - rx.vertex_mm) if rx is not None and rx.vertex_mm is not None else 0.0
    ordinary = math.hypot(fit.pantoscopic_deg or 0, fit.face_form_deg or 0) <= 12
    if not ordinary or moved / 1000 * strongest**2 > 0.09 or rng.random() < 0.5:
        return case
    return replace(case, lens=replace(case.lens, compensation="none", ordered_right=None, ordered_left=None))


def _family(rng: np.random.Generator, age: float) -> str:
    if age < 42:
        return "single_vision"
    return str(
        rng.choice(
            ["progressive", "flat_top_bifocal", "round_bifocal", "trifocal", "degressive", "single_vision"],
            p=[0.55, 0.10, 0.04, 0.02, 0.07, 0.22],
        )
    )


def _frame(rng: np.random.Generator, age: float, binocular: float) -> Frame:
    child = age < 13
    mount = "full_rim" if child else str(rng.choice(["full_rim", "grooved", "drilled"], p=[0.78, 0.14, 0.08]))
    dbl = float(round(np.clip(rng.normal(15 if child else 18, 1.5), 11, 22)))
    c = binocular + float(np.clip(rng.normal(4.5 if child else 6, 2.2), 0, 11))
    a = half(float(np.clip(c - dbl, 36 if child else 43, 48 if child else 58)))
    b = half(float(np.clip(a * rng.uniform(0.68, 0.84), 26 if child else 29, 46)))
    shape = str(rng.choice(SHAPES))
    for stretch in (1.02, 1.04, 1.06, 1.08, 1.12, 1.0):
        ed = half(a * stretch)
        try:
            outline = tuple(float(r) for r in outline_for(a, b, ed, shape))
            break
        except ValueError:
            continue
    else:
        outline, ed = tuple(float(r) for r in outline_for(a, b, None, "oval")), a + 0.5
    return Frame(
        identity=f"frame-{rng.integers(1, 10**9)}", name="frame", child=child, a=a, b=b, dbl=dbl, ed=ed,
        side=float(round(rng.normal(120 if child else 142, 4) / 5) * 5), mount=mount, material="acetate" if mount == "full_rim" else "metal",  # type: ignore[arg-type]
        front_curve=float(rng.choice([4, 5, 6])), face_form_deg=5.0, outline=outline,
    )  # fmt: skip


def _lens(rng, family, frame, heights, child, right, left, add) -> LensChoice | None:  # type: ignore[no-untyped-def]
    power = max(abs(m) for x in (right, left) for m in (x.sphere or 0, (x.sphere or 0) + (x.cylinder or 0)))
    if child:
        material = MATERIALS[str(rng.choice(["1.53", "1.59"]))]
    elif frame.mount == "drilled":
        material = MATERIALS["1.60" if power > 3 else "1.53"]
    elif power > 5:
        material = MATERIALS["1.67"]
    elif power > 2.5 or frame.mount == "grooved":
        material = MATERIALS["1.60"]
    else:
        material = MATERIALS["1.50"]
    low = min(heights)
    room_above = frame.b - max(heights)
    kw: dict[str, object] = {}
    if family == "progressive":
        fits = [(c, m) for c, m in ((9, 14), (11, 16), (13, 18), (15, 20)) if m <= low - 0.75]
        if not fits or room_above < 10.25:
            return None
        corridor, minimum = fits[-1]
        kw = {"corridor_mm": float(corridor), "min_height_mm": float(minimum), "min_above_mm": 10.0, "near_inset_mm": None}
    elif family == "degressive":
        if low < 18.75 or room_above < 10.25:
            return None
        kw = {"corridor_mm": 16.0, "min_height_mm": 18.0, "min_above_mm": 10.0, "degression": -1.0}
    elif family in ("round_bifocal", "flat_top_bifocal", "trifocal"):
        kw = {"segment_width_mm": 28.0 if family != "round_bifocal" else 25.0, "segment_depth_mm": 19.0, "min_height_mm": 13.0,
              "segment_centre_below_top_mm": 5.0 if family != "round_bifocal" else 12.5,
              "intermediate_depth_mm": 7.0 if family == "trifocal" else None}  # fmt: skip
        if low - 5.5 < 13.75:
            return None
    minimum_edge = {"full_rim": 1.0, "grooved": 1.8, "drilled": 2.0}[frame.mount]
    design = LensDesign(
        identity=family, name=family, family=family, sphere_min=-16.0, sphere_max=10.0, cylinder_max=6.0, add_min=0.5, add_max=3.5,
        prism_max=6.0, blank_diameters=(60.0, 65.0, 70.0, 75.0, 80.0), **kw,
    )  # fmt: skip
    return LensChoice(
        design=design,
        material=material,
        min_centre_mm=1.5 if material.nd < 1.55 else 1.2,
        min_edge_mm=minimum_edge,
        coating="hard",
    )


def _with_blank(case: Case) -> Case | None:
    found = figs.compute(case)
    needed = [f.blank_needed for f in (found.right, found.left)]
    if any(n is None for n in needed):
        return None
    fitting = [d for d in case.lens.design.blank_diameters if d >= max(needed) + 2]  # type: ignore[union-attr, type-var, operator]
    if not fitting:
        return None
    for _eye, f in (("right", found.right), ("left", found.left)):
        if f.point_inside is False or (f.room_above or 99) < (case.lens.design.min_above_mm or 0) + 0.25:  # type: ignore[union-attr]
            return None
    case = with_ordered(replace(case, lens=replace(case.lens, blank_diameter_mm=fitting[0])))
    if case.lens.design.family in MULTIFOCAL and abs(found.vertical_imbalance_near or 0) >= 1.5:  # type: ignore[union-attr]
        # base up, so on the lens that has less of it at the reading level (less plus or more minus), and said so
        weaker = "left" if (found.vertical_imbalance_near or 0) > 0 else "right"
        said = f"Slab-off {weaker} {abs(found.vertical_imbalance_near or 0):.1f}, line at the segment top."
        case = replace(case, lens=replace(case.lens, slab_off=True, remark=said))
    return case


def with_ordered(case: Case, *, always: bool = False) -> Case:
    """The power that suits the fitted vertex distance and tilt, worked out from the prescription as it stands, and stated."""
    case = replace(case, lens=replace(case.lens, compensation="none", ordered_right=None, ordered_left=None))
    found = figs.compute(case)
    needed, stated = always, {}
    for eye, f in (("right", found.right), ("left", found.left)):
        x, e = case.prescription.of(eye), f.expected  # type: ignore[union-attr, arg-type]
        if e is None:
            return case
        needed |= abs(e.sphere + e.cylinder / 2 - (x.sphere or 0) - (x.cylinder or 0) / 2) >= 0.09
        stated["ordered_" + eye] = replace(
            e, sphere=round(e.sphere, 2), cylinder=round(e.cylinder, 2), axis=round(e.axis or 180) or 180
        )
    return replace(case, lens=replace(case.lens, compensation="practice", **stated)) if needed else case


def _reading(quantity, eye, value, method, frame) -> Reading:  # type: ignore[no-untyped-def]
    return Reading(
        quantity=quantity, eye=eye, value=value, method=method, reference="box" if quantity == "height" else None,
        by="d", at=datetime(2026, 11, 25, 10, 20), frame_identity=frame.identity, observer_level=True,
    )  # fmt: skip


def _earlier(rng, prescription, adopted, frame, family, age) -> EarlierPair:  # type: ignore[no-untyped-def]
    """The pair before: powers a little different, PDs as measured then, another frame."""

    def drift(x: PrescribedLens) -> PrescribedLens:
        steps = rng.choice([0.0, 0.25, -0.25, 0.5, -0.5], p=[0.45, 0.2, 0.2, 0.08, 0.07])
        cylinder = x.cylinder
        axis = x.axis
        if cylinder:
            cylinder = min(-0.25, cylinder + float(rng.choice([0, 0.25, -0.25], p=[0.7, 0.15, 0.15])))
            spread = 4 if abs(cylinder) >= 1 else 8
            axis = float(round((axis or 180) + rng.normal(0, spread)) % 180 or 180)
        add = x.add
        if add:
            add = max(0.75, add - float(rng.choice([0, 0.25, 0.5], p=[0.5, 0.35, 0.15])))
        return replace(x, sphere=quarter((x.sphere or 0) + float(steps)), cylinder=cylinder, axis=axis, add=add)

    years = float(rng.uniform(1, 3))
    growth = 0.8 * years if age < 15 else 0.0
    old_b = half(frame.b + float(rng.normal(0, 3)))
    old = replace(frame, identity="earlier", a=half(frame.a + float(rng.normal(0, 2))), b=old_b, outline=(), ed=None)
    old = replace(old, ed=(old.a or 0) + 1.5)
    return EarlierPair(
        on=TODAY - timedelta(days=int(365 * years)),
        prescription=replace(
            prescription, right=drift(prescription.right), left=drift(prescription.left),
            written_on=TODAY - timedelta(days=int(365 * years) + 7),
        ),
        far_pd=Pair(*(half((e.far_pd or 0) - growth / 2 + rng.normal(0, 0.4)) for e in adopted)),
        near_pd=Pair(*(None if e.near_pd is None else half(e.near_pd - growth / 2 + rng.normal(0, 0.4)) for e in adopted)),
        height=Pair(*(None if e.height is None else half(e.height + (old_b - frame.b) / 2 + rng.normal(0, 0.5)) for e in adopted)),
        frame=old, family=family,
    )  # fmt: skip
