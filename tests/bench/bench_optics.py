"""How fast the figures and the thickness are, beside the same sums in plain Python. Prints JSON.

    python tests/bench/bench_optics.py

One run, one core. `plain` is `thickness.thickness_at` point by point: the same closed form in Python floats. Targets: all figures of one
dispense with a 400-point outline in both lenses under 0.8 ms; thickness over the outline 9 times faster for one lens, 25 times in batches.
"""

from __future__ import annotations

import json
import platform
import sys
import time
import timeit
from dataclasses import replace
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from dispensing.case import (
    Adopted,
    Case,
    Fit,
    Frame,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    Needs,
    PrescribedLens,
    Prescription,
)
from dispensing.figures import compute
from dispensing.optics import boxing, outlines, thickness

POINTS = 400


def cases(count: int = 50) -> list[Case]:
    """Different dispenses, each with its own outline, so that nothing is found in a cache."""
    made = []
    for k in range(count):
        a, b = 48.0 + 0.2 * (k % 40), 36.0 + 0.2 * (k % 30)
        outline = outlines.outline_for(a, b, None, outlines.SHAPE_KINDS[k % len(outlines.SHAPE_KINDS)], POINTS)
        sphere = -6.0 + 0.25 * k
        made.append(
            Case(
                today=date(2026, 1, 5),
                needs=Needs(working_distance_mm=400.0),
                prescription=Prescription(
                    right=PrescribedLens(sphere=sphere, cylinder=-1.25, axis=1.0 + 3 * k, add=2.0),
                    left=PrescribedLens(sphere=sphere + 0.5, cylinder=-0.75, axis=179.0 - 3 * k, add=2.0),
                    vertex_mm=12.0,
                ),
                frame=Frame(a=a, b=b, dbl=18.0, mount="full_rim", outline=outline),
                fit=Fit(vertex_mm=13.0, pantoscopic_deg=9.0, face_form_deg=5.0),
                measurements=Measurements(
                    right=Adopted(far_pd=31.5, near_pd=29.5, height=b / 2 + 3),
                    left=Adopted(far_pd=32.0, near_pd=30.0, height=b / 2 + 2.5, height_reference="rim_below_pupil"),
                ),
                lens=LensChoice(
                    design=LensDesign(family="progressive", corridor_mm=12.0),
                    material=Material(name="1.60 resin", nd=1.6, abbe=41.0, density=1.3),
                    min_centre_mm=1.5,
                    min_edge_mm=1.0,
                ),
            )
        )
    return made


def each(call, number: int, repeat: int = 7) -> dict[str, float]:
    """Microseconds of processor time a call: the least and the middle of several runs."""
    clock = timeit.Timer(call, timer=time.process_time)
    runs = sorted(t / number * 1e6 for t in clock.repeat(number=number, repeat=repeat))
    return {"least_us": round(runs[0], 2), "middle_us": round(runs[len(runs) // 2], 2)}


def main() -> None:
    many = cases()
    single = [replace(c, lens=replace(c.lens, design=LensDesign(family="single_vision"))) for c in many]
    bare = [replace(c, frame=replace(c.frame, outline=())) for c in many]
    shape = boxing.box(many[3].frame.outline)
    spec = thickness.Spec(sphere=-4.0, cylinder=-1.5, axis_deg=20.0, index=1.6, front_curve=4.0, at_x=3.0, at_y=1.0)
    lens = thickness.make(spec, 1.5)
    lenses = [thickness.make(replace(spec, sphere=-8.0 + 0.2 * k, axis_deg=2.0 * k), 2.0) for k in range(64)]
    xs, ys = shape.x.tolist(), shape.y.tolist()
    plain = each(lambda: [thickness.thickness_at(lens, x, y) for x, y in zip(xs, ys, strict=True)], 100)
    one = each(lambda: thickness.profiles([lens], shape.x, shape.y), 1000)
    batch = each(lambda: thickness.profiles(lenses, shape.x, shape.y), 30)
    per_lens = {k: round(v / len(lenses), 2) for k, v in batch.items()}
    same = np.allclose(
        thickness.profiles([lens], shape.x, shape.y)[0],
        [thickness.thickness_at(lens, x, y) for x, y in zip(xs, ys, strict=True)],
        atol=1e-12,
    )
    figures = {
        name: {k: round(v / len(group), 1) for k, v in each(lambda group=group: [compute(c) for c in group], 3).items()}
        for name, group in {"progressive": many, "single_vision": single, "no_outline_on_record": bare}.items()
    }
    print(
        json.dumps(
            {
                "points": POINTS,
                "python": platform.python_version(),
                "numpy": np.__version__,
                "figures_of_one_dispense": figures,
                "figures_target_us": 800,
                "thickness_plain_python": plain,
                "thickness_one_lens": one,
                "thickness_in_batches_per_lens": per_lens,
                "one_lens_times_faster": round(plain["middle_us"] / one["middle_us"], 1),
                "batches_times_faster": round(plain["middle_us"] / per_lens["middle_us"], 1),
                "same_numbers": bool(same),
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
