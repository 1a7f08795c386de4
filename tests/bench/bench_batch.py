"""Powers, prism and decentration of 100,000 dispenses by vectorised calls, beside the same one lens at a time.

    python tests/bench/bench_batch.py [--dispenses 100000] [--seed 1]

Prints JSON. A dispense is both lenses: power matrix and power vector, the other cylinder form, power along the vertical, vertex
compensation, decentration in the frame, prism at the fitting point, the pair's net prism, and the decentration for a wanted prism. The
answers of both ways are held against each other. Aim: no fewer than 20,000 dispenses a second on one core.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from dispensing.optics.power import Power, along_many, entries_of, powers_from
from dispensing.optics.prism import Prism, decentration_for, decentrations_for, net, prism_from_decentration, prisms_at
from dispensing.optics.vertex import compensate, compensate_entries

AIM = 20_000
EYES = ("right", "left")


def draw(count: int, seed: int) -> dict[str, np.ndarray]:
    """Invented dispenses over the usual ranges; columns are (right, left)."""
    rng = np.random.default_rng(seed)
    shape = (count, 2)
    return {
        "sphere": np.round(rng.normal(-1.5, 3.0, shape) * 4) / 4,
        "cylinder": -np.round(np.abs(rng.normal(0.0, 1.2, shape)) * 4) / 4,
        "axis": rng.integers(1, 181, shape).astype(float),
        "pd": np.round(rng.normal(31.5, 1.7, shape) * 2) / 2,
        "height": np.round(rng.normal(21.0, 2.0, shape) * 2) / 2,
        "a": np.repeat(rng.integers(46, 58, (count, 1)), 2, axis=1).astype(float),
        "b": np.repeat(rng.integers(30, 46, (count, 1)), 2, axis=1).astype(float),
        "dbl": np.repeat(rng.integers(14, 22, (count, 1)), 2, axis=1).astype(float),
        "tested": np.full(shape, 12.0),
        "fitted": np.repeat(rng.uniform(10.0, 15.0, (count, 1)), 2, axis=1),
        "wanted_in": np.round(rng.normal(0.0, 1.0, shape) * 2) / 2,
        "wanted_up": np.round(rng.normal(0.0, 0.5, shape) * 2) / 2,
    }


def vectorised(d: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    left = np.array([False, True])
    entries = entries_of(d["sphere"], d["cylinder"], d["axis"])
    plus = powers_from(*entries, form="plus")
    vertical = along_many(d["sphere"], d["cylinder"], d["axis"], 90.0)
    moved = powers_from(*compensate_entries(entries, d["tested"], d["fitted"]))
    x = 0.5 * (d["a"] + d["dbl"]) - d["pd"]
    y = d["height"] - 0.5 * d["b"]
    # the optical centre left at the boxed centre: the fitting point lies (x, y) from it
    base_in, base_up = prisms_at(moved.sphere, moved.cylinder, moved.axis, x, y, left)
    shift_x, shift_y = decentrations_for(d["sphere"], d["cylinder"], d["axis"], d["wanted_in"], d["wanted_up"], left)
    return {
        "mean": (entries.f11 + entries.f22) / 2,
        "plus_sphere": plus.sphere,
        "vertical": vertical,
        "moved_sphere": moved.sphere,
        "moved_cylinder": moved.cylinder,
        "x": x,
        "y": y,
        "base_in": base_in,
        "base_up": base_up,
        "net_h": base_in.sum(axis=1),
        "net_v": base_up[:, 0] - base_up[:, 1],
        "shift_x": shift_x,
        "shift_y": shift_y,
    }


def one_by_one(d: dict[str, np.ndarray], count: int) -> dict[str, list]:
    out: dict[str, list] = {}
    for i in range(count):
        found = []
        for j, eye in enumerate(EYES):
            power = Power(d["sphere"][i, j], d["cylinder"][i, j], d["axis"][i, j])
            moved = compensate(power, d["tested"][i, j], d["fitted"][i, j]).in_form("minus")
            x = 0.5 * (d["a"][i, j] + d["dbl"][i, j]) - d["pd"][i, j]
            y = d["height"][i, j] - 0.5 * d["b"][i, j]
            prism = prism_from_decentration(moved, -x, -y, eye)
            try:
                shift = decentration_for(power, Prism(d["wanted_in"][i, j], d["wanted_up"][i, j]), eye)
            except ValueError:
                shift = (np.nan, np.nan)
            found.append((power.vector().m, power.in_form("plus").sphere, power.along(90.0), moved, x, y, prism, shift))
        pair = net(found[0][6], found[1][6])
        row = {
            "mean": [f[0] for f in found],
            "plus_sphere": [f[1] for f in found],
            "vertical": [f[2] for f in found],
            "moved_sphere": [f[3].sphere for f in found],
            "moved_cylinder": [f[3].cylinder for f in found],
            "x": [f[4] for f in found],
            "y": [f[5] for f in found],
            "base_in": [f[6].base_in for f in found],
            "base_up": [f[6].base_up for f in found],
            "net_h": pair.horizontal,
            "net_v": pair.vertical,
            "shift_x": [f[7][0] for f in found],
            "shift_y": [f[7][1] for f in found],
        }
        for name, value in row.items():
            out.setdefault(name, []).append(value)
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dispenses", type=int, default=100_000)
    parser.add_argument("--single", type=int, default=2_000, help="how many of them one at a time")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    d = draw(given.dispenses, given.seed)
    vectorised({k: v[:100] for k, v in d.items()})
    times = []
    for _ in range(3):
        start = time.perf_counter()
        many = vectorised(d)
        times.append(time.perf_counter() - start)
    count = min(given.single, given.dispenses)
    start = time.perf_counter()
    single = one_by_one(d, count)
    alone = time.perf_counter() - start
    worst = 0.0
    for name, values in single.items():
        one, all_ = np.array(values, dtype=float), many[name][:count]
        # a shift that no lens can take is an error one at a time and a large number in a batch
        ok = np.isfinite(one) & np.isfinite(all_)
        worst = max(worst, float(np.abs(one - all_)[ok].max()))
    batch = given.dispenses / min(times)
    print(
        json.dumps(
            {
                "bench": "batch of dispenses: powers, prism and decentration, both lenses",
                "dispenses": given.dispenses,
                "seconds_best_of_3": round(min(times), 4),
                "vectorised_per_second": round(batch),
                "one_at_a_time_per_second": round(count / alone),
                "times_faster": round(batch / (count / alone), 1),
                "aim_per_second": AIM,
                "met": batch >= AIM,
                "greatest_difference_between_both_ways": worst,
                "agree": worst < 1e-9,
            },
            indent=1,
        )
    )
    return 0 if batch >= AIM and worst < 1e-9 else 1


if __name__ == "__main__":
    sys.exit(main())
