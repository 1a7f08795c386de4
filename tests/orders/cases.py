"""Orders of many kinds as plain values: a named set that is frozen in fixtures/orders, and as many random ones as asked for.

Every document is made by the product's own way, `figures.compute` and `orders.document.build`, from an invented Case. Run as a
module it writes those of the named set that are not there yet; one that was written is never written again:

    python -m tests.orders.cases
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

from dispensing import case as c
from dispensing.figures import compute
from orders.document import Place, Replaced, Signatory, build, canonical, digest
from tests.orders.examples import example_case, example_meta, example_reasons, outline

FROZEN = Path(__file__).resolve().parents[2] / "fixtures" / "orders"
SUMS = "SHA256SUMS"  # as `sha256sum` writes and checks them
LONG = "Oyelaran-Whitlock-Featherstonehaugh-Marchbanks-of-the-Upper-and-Lower-Saltmarsh"

PLASTIC = c.Material(name="1.50 resin", nd=1.498, abbe=58, density=1.32)
MIDDLE = c.Material(name="1.60 resin", nd=1.592, abbe=41, density=1.3)
HIGH = c.Material(name="1.74 resin", nd=1.736, abbe=33, density=1.47)
TOUGH = c.Material(name="1.53 tough resin", nd=1.532, abbe=45, density=1.11, impact="high", drilled="good")

DESIGNS: dict[str, c.LensDesign] = {
    "single_vision": c.LensDesign(identity="PLAIN", name="Fellwater Plainview", family="single_vision"),
    "round_bifocal": c.LensDesign(
        identity="ROUND24", name="Fellwater Roundel 24", family="round_bifocal", segment_width_mm=24, segment_depth_mm=24
    ),
    "flat_top_bifocal": c.LensDesign(
        identity="LEDGE28", name="Fellwater Ledge 28", family="flat_top_bifocal", segment_width_mm=28, segment_depth_mm=19,
        segment_centre_below_top_mm=5,
    ),
    "trifocal": c.LensDesign(
        identity="STEP28", name="Fellwater Step 7x28", family="trifocal", segment_width_mm=28, segment_depth_mm=19,
        intermediate_depth_mm=7, segment_centre_below_top_mm=5,
    ),
    "progressive": c.LensDesign(
        identity="RIDGE13", name="Fellwater Ridgeway 13", family="progressive", corridor_mm=13, min_height_mm=17
    ),
    "degressive": c.LensDesign(
        identity="BENCH", name="Fellwater Benchmark", family="degressive", corridor_mm=20, degression=1.25, min_height_mm=18
    ),
}  # fmt: skip


TABLED = replace(
    DESIGNS["single_vision"],
    front_curves=(
        c.CurveStep(sphere_from=-6.0, sphere_to=-2.25, curve=4.25), c.CurveStep(sphere_from=-2.0, sphere_to=4.0, curve=6.25)
    ),
)  # fmt: skip


def framed(mount: c.Mount = "full_rim", a: float = 52, b: float = 40, dbl: float = 18, **more: Any) -> c.Frame:
    return c.Frame(
        **{
            "identity": f"TERN-{a}",
            "name": "Quaylight Tern 412 horn",
            "a": a,
            "b": b,
            "dbl": dbl,
            "ed": a + 2.6,
            "side": 145,
            "mount": mount,
            "material": "acetate" if mount == "full_rim" else "metal",
            "front_curve": 4,
            "face_form_deg": 5,
            "outline": outline(a, b),
            **more,
        }
    )


def measured(right: float = 31.5, left: float = 32.25, height: float | None = 21, near: float = 2.0) -> c.Measurements:
    return c.Measurements(
        right=c.Adopted(far_pd=right, near_pd=right - near, height=height),
        left=c.Adopted(far_pd=left, near_pd=left - near, height=height),
        binocular_far_pd=right + left,
    )


def made(family: str, right: c.PrescribedLens, left: c.PrescribedLens, **more: Any) -> c.Case:
    """A Case of this lens family. `more`: frame, fit, measurements, lens (changes of the choice), rx (of the prescription), rules."""
    frame: c.Frame = more.pop("frame", framed())
    choice = c.LensChoice(
        design=DESIGNS[family], material=MIDDLE, blank_diameter_mm=70, min_centre_mm=1.2, min_edge_mm=1.0, coating="hard"
    )
    return c.Case(
        today=date(2026, 11, 25),
        prescription=c.Prescription(
            right=right,
            left=left,
            **{"vertex_mm": 12, "written_on": date(2026, 11, 3), "prescriber": "Dr P. Quillfeather", **more.pop("rx", {})},
        ),
        frame=frame,
        fit=more.pop(
            "fit",
            c.Fit(confirmed=True, frame_identity=frame.identity, vertex_mm=13, pantoscopic_deg=8, face_form_deg=5),
        ),
        measurements=more.pop("measurements", measured()),
        lens=replace(choice, **more.pop("lens", {})),
        **more,
    )


def _rx(
    sphere: float | None, cylinder: float | None = None, axis: float | None = None, add: float | None = None, **more: Any
) -> c.PrescribedLens:
    return c.PrescribedLens(sphere=sphere, cylinder=cylinder, axis=axis, add=add, **more)


def named() -> dict[str, tuple[c.Case, dict[str, Any]]]:
    """The set: name, Case, and what is changed in who orders where for whom (fields of OrderMeta)."""
    sv, add = "single_vision", {"add": 2.0}
    near = c.Needs(uses=("near",), working_distance_mm=400)
    drill = tuple(c.DrillPoint(x=x, y=y, diameter=1.4) for x, y in ((22.0, 4.0), (-22.5, 5.0), (22.0, 0.5)))
    child = framed(a=44, b=32, dbl=15, child=True, side=125, name="Quaylight Sanderling 44 teal")
    wrap_fit = c.Fit(confirmed=True, frame_identity="TERN-64", vertex_mm=11, pantoscopic_deg=6, face_form_deg=18)
    low_vision = {"near_prism_h": 6.0, "near_base_h": "in"}
    cases: dict[str, tuple[c.Case, dict[str, Any]]] = {
        "example": (example_case(), {}),
        "single-vision": (made(sv, _rx(-2.25, -0.75, 95), _rx(-1.5, -1.0, 80)), {}),
        "plano-and-sphere": (made(sv, _rx(0.0), _rx(-0.25)), {}),
        "plus-cylinder-form": (
            made(sv, _rx(2.0, 1.25, 5), _rx(2.5, 0.5, 175), rules=c.Rules(cylinder_form="plus")),
            {},
        ),
        "near-pair": (made(sv, _rx(0.5, **add), _rx(0.75, -0.5, 90, **add), needs=near), {}),
        "high-minus": (made(sv, _rx(-14.5, -3.25, 12), _rx(-13.0, -2.75, 170), lens={"material": HIGH}), {}),
        "aphakic-plus": (made(sv, _rx(13.5, -1.0, 180), _rx(12.0), lens={"blank_diameter_mm": 65}), {}),
        "anisometropia": (made(sv, _rx(-7.0, -1.0, 30), _rx(1.25)), {}),
        # of version 1.1: one curve for both by the table; the left power beyond the table's end, with a plus cylinder on the right
        "front-curve-of-the-maker": (made(sv, _rx(-4.0, -0.5, 95), _rx(-5.25), lens={"design": TABLED}), {}),
        "front-curve-partly-assumed": (made(sv, _rx(-2.0, 0.75, 5), _rx(-7.5), lens={"design": TABLED}), {}),
        "balance-lens": (made(sv, _rx(-2.0), _rx(None, balance=True)), {}),
        "prism-horizontal-and-vertical": (
            made(
                sv,
                _rx(-3.0, prism_h=4.0, base_h="in", prism_v=1.5, base_v="up"),
                _rx(-3.5, prism_h=4.0, base_h="out", prism_v=1.5, base_v="down"),
            ),
            {},
        ),
        "prism-half-steps": (made(sv, _rx(0.0, prism_h=0.5, base_h="out"), _rx(0.0, prism_v=0.25, base_v="up")), {}),
        "round-bifocal": (made("round_bifocal", _rx(1.0, **add), _rx(1.25, **add), measurements=measured(height=17)), {}),
        "flat-top-bifocal": (
            made("flat_top_bifocal", _rx(-1.0, -0.5, 180, **add), _rx(-1.0, **add), measurements=measured(height=18)),
            {},
        ),
        "slab-off": (
            made(
                "flat_top_bifocal",
                _rx(-5.0, **add),
                _rx(-1.0, **add),
                measurements=measured(height=18),
                lens={"slab_off": True, "remark": "Slab-off right, line at the segment top."},
            ),
            {},
        ),
        "trifocal": (
            made("trifocal", _rx(1.5, add=2.5, intermediate_add=1.25), _rx(1.5, add=2.5), measurements=measured(height=22)),
            {},
        ),
        "degressive": (made("degressive", _rx(0.5, add=1.75), _rx(0.25, add=1.75)), {}),
        "progressive-compensated-by-maker": (
            made("progressive", _rx(-4.0, -2.0, 10, **add), _rx(-4.25, -1.5, 165, **add), lens={"compensation": "maker"}),
            {},
        ),
        "progressive-thinned": (
            made("progressive", _rx(2.0, add=2.5), _rx(2.0, add=2.5), lens={"prism_thinning_down": 1.5}),
            {},
        ),
        "unequal-heights": (
            made(
                "progressive",
                _rx(1.0, **add),
                _rx(1.0, **add),
                measurements=c.Measurements(
                    right=c.Adopted(far_pd=30.5, near_pd=28.5, height=23.5, height_reference="visible_rim"),
                    left=c.Adopted(far_pd=33.0, near_pd=31.0, height=20.0, height_reference="datum"),
                ),
            ),
            {},
        ),
        "grooved": (made(sv, _rx(-4.0), _rx(-4.5, -0.5, 90), frame=framed("grooved"), lens={"min_edge_mm": 1.8}), {}),
        "drilled": (
            made(sv, _rx(-1.0), _rx(-1.0), frame=framed("drilled", drill_points=drill), lens={"material": TOUGH}),
            {},
        ),
        "wrap": (
            made(
                sv,
                _rx(-2.0, -0.5, 180),
                _rx(-2.25),
                frame=framed(a=64, b=40, dbl=17, front_curve=8, face_form_deg=18, identity="TERN-64"),
                fit=wrap_fit,
                lens={
                    "compensation": "practice",
                    "front_curve": 8.0,
                    "blank_diameter_mm": 80,
                    "ordered_right": c.OrderedPower(sphere=-1.93, cylinder=-0.41, axis=178.6, prism_in=0.37),
                    "ordered_left": c.OrderedPower(sphere=-2.18, prism_in=0.39),
                    "tint": c.Tint(name="grey 3", transmittance_clear=14, transmittance_dark=14),
                },
            ),
            {},
        ),
        "child": (
            made(
                sv,
                _rx(4.5, -1.25, 90),
                _rx(5.0, -1.5, 90),
                frame=child,
                measurements=measured(26, 26.5, 16),
                lens={"material": TOUGH},
            ),
            {"client_name": "Ottoline Pemberthy-Adu", "cautions": ("Client is under 16.",)},
        ),
        "low-vision": (
            made(sv, _rx(8.0, add=8.0, **low_vision), _rx(8.0, add=8.0, **low_vision), needs=near, measurements=measured(near=4)),
            {"cautions": ("Client is registered sight-impaired.",)},
        ),
        "own-frame-no-outline": (
            made(sv, _rx(-1.25), _rx(-1.0), frame=framed(own=True, outline=(), name="client's own, gilt")),
            {},
        ),
        "photochromic": (
            made(
                sv,
                _rx(-1.25),
                _rx(-1.0),
                lens={"tint": c.Tint(name="brown photochromic", transmittance_clear=88, transmittance_dark=14)},
            ),
            {},
        ),
        "little-known": (
            made(
                sv,
                _rx(-1.25),
                _rx(-1.0),
                fit=c.Fit(),
                rx={"vertex_mm": None, "written_on": None, "prescriber": ""},
                measurements=measured(height=None),
                lens={"blank_diameter_mm": None, "min_centre_mm": None, "min_edge_mm": None, "coating": ""},
            ),
            {"client_name": None},
        ),
        "name-right-to-left": (made(sv, _rx(-1.25), _rx(-1.0)), {"client_name": "ليلى بنت عبد الرحمن الساحلية"}),
        "name-hebrew-and-figures": (made(sv, _rx(-1.25), _rx(-1.0)), {"client_name": "נעמי בת־ים 12 ג׳"}),
        "name-combining": (made(sv, _rx(-1.25), _rx(-1.0)), {"client_name": "Zo\u0308e\u0323\u0301 N\u0303o\u0302\u0301ng Ŵǝ́rı"}),
        "name-long": (made(sv, _rx(-1.25), _rx(-1.0)), {"client_name": f"{LONG} {LONG}"}),
        "name-greek-and-cyrillic": (made(sv, _rx(-1.25), _rx(-1.0)), {"client_name": "Ευρυδίκη Ζαχαρία Щукинская-Ёлкина"}),
        "words-everywhere": (
            made(
                "progressive",
                _rx(1.0, **add),
                _rx(1.0, **add),
                lens={"remark": f"Edge matt; {LONG}; see = sign, ; and \\ and “quotes”. " * 6},
            ),
            {
                "cautions": (f"First progressive lenses, {LONG}.",) * 3,
                "replaces": Replaced(number="SM-000139", reason="The first lab has no such blank; nothing else differs. " * 4),
            },
        ),
        "other-country": (
            made(sv, _rx(-1.25), _rx(-1.0), rules=c.Rules(tolerance_standard="ANSI Z80.1")),
            {
                "branch": Place(
                    code="KR", name="Kauri Reach Optometrists", address="12 Wharf Road", phone="", time_zone="Pacific/Auckland"
                )
            },
        ),
    }  # fmt: skip
    return cases


def document_of(case: c.Case, **changes: Any) -> dict[str, Any]:
    """The document of a Case as it would be issued; `changes`: fields of OrderMeta."""
    return build(case, compute(case), example_reasons(), replace(example_meta(), **{"replaces": None, **changes}))


def document_named(name: str, case: c.Case, changes: dict[str, Any], number: int) -> dict[str, Any]:
    return document_of(case, **{"number": f"SM-{number:06d}", "dispense": f"D-{number + 3000:07d}", **changes})


# --- as many as asked for -------------------------------------------------------------------------------------------------

NAMES = (
    "Marisol Oakhurst-Tane", "Ibrahim Sallow", "ليلى الساحلية", "נעמי בת־ים", "Zo\u0308e N\u0303ong", "Ευρυδίκη Ζαχαρία",
    "Щукинская Ёлка", LONG, "O'Brien-Ñandú", "A",
)  # fmt: skip
WORDS = ("Edge matt", "safety bevel", "match the existing pair", "thin as can be", "ניסיון", "drill as traced; 2 = two")


def any_case(r: Random) -> c.Case:
    """A Case such as a branch might order, and now and then one such as it hardly would."""
    family = r.choice([*DESIGNS, "single_vision", "progressive"])
    multifocal = family != "single_vision"
    a, b, dbl = r.randint(4000, 6200) / 100, r.randint(2600, 4800) / 100, r.randint(1300, 2400) / 100
    mount: c.Mount = r.choice(["full_rim", "full_rim", "grooved", "drilled"])
    points = [
        c.DrillPoint(x=round(r.uniform(-0.44, 0.44) * a, 2), y=round(r.uniform(-0.3, 0.3) * b, 2), diameter=1.4)
        for _ in range(3)
    ]
    frame = framed(
        mount,
        a,
        b,
        dbl,
        identity=f"F-{a}-{b}",
        outline=outline(a, b, r.choice([36, 400]), r.uniform(2, 4)) if r.random() < 0.9 else (),
        drill_points=tuple(points[: r.randint(0, 3)]) if mount == "drilled" else (),
        own=r.random() < 0.1,
    )
    height = r.randint(1400, 2600) / 100 if multifocal or r.random() < 0.4 else None
    compensated = r.random() < 0.3
    rx, ordered = {}, {}
    add = r.randint(3, 14) / 4 if multifocal or r.random() < 0.2 else None
    for eye in c.EYES:
        cylinder = r.randint(-20, 20) / 4 if r.random() < 0.7 else 0.0
        prism = r.random() < 0.4
        rx[eye] = c.PrescribedLens(
            sphere=r.randint(-60, 40) / 4,
            cylinder=cylinder or None,
            axis=r.randint(1, 180) if cylinder else None,
            add=add,
            prism_h=r.randint(0, 32) / 4 if prism else None,
            base_h=r.choice(["in", "out"]) if prism else None,
            prism_v=r.randint(0, 16) / 4 if prism else None,
            base_v=r.choice(["up", "down"]) if prism else None,
        )
        twisted = round((rx[eye].axis or 90) + r.uniform(-3, 3), 1) % 180 or 180
        ordered[eye] = c.OrderedPower(
            sphere=round((rx[eye].sphere or 0) + r.uniform(-0.2, 0.2), 2),
            cylinder=round(cylinder * 0.96, 2),
            axis=twisted if cylinder else None,
            prism_in=round((rx[eye].prism_in or 0) + r.uniform(-0.4, 0.4), 2),
            prism_up=rx[eye].prism_up or 0.0,
            add=add and round(add + r.uniform(-0.1, 0.1), 2),
        )
    return made(
        family,
        rx["right"],
        rx["left"],
        frame=frame,
        measurements=measured(r.randint(2500, 3700) / 100, r.randint(2500, 3700) / 100, height, r.choice([1.5, 2.0, 2.5])),
        lens={
            "material": r.choice([PLASTIC, MIDDLE, HIGH, TOUGH]),
            "compensation": "practice" if compensated else r.choice(["none", "maker"]),
            "ordered_right": ordered["right"] if compensated else None,
            "ordered_left": ordered["left"] if compensated else None,
            "prism_thinning_down": r.choice([0.0, 0.0, 1.0, 1.5]) if multifocal else 0.0,
            "front_curve": r.choice([None, r.randint(100, 900) / 100]),
            "min_edge_mm": r.choice([None, 1.0, 1.8]),
            "remark": "; ".join(r.sample(WORDS, r.randint(0, 4))),
        },
        rules=c.Rules(
            cylinder_form=r.choice(["minus", "plus"]), tolerance_standard=r.choice(["ISO 21987:2017", "ANSI Z80.1"])
        ),
    )


def any_documents(count: int, seed: int) -> Iterator[dict[str, Any]]:
    """`count` documents, the same ones for the same seed."""
    r = Random(seed)
    start = datetime(2026, 1, 1, 8, 0, tzinfo=UTC)
    for n in range(count):
        yield document_of(
            any_case(r),
            number=f"SM-{n + 1:06d}",
            issued_at=start + timedelta(minutes=17 * n),
            client_name=r.choice([*NAMES, None]),
            dispensed_by=Signatory(name=r.choice(NAMES), role="dispenser", registration_number="D-11873"),
        )


def freeze() -> None:
    FROZEN.mkdir(exist_ok=True)
    sums = {}
    if (FROZEN / SUMS).exists():
        sums = {n: s for s, n in (line.split() for line in (FROZEN / SUMS).read_text(encoding="ascii").splitlines())}
    for k, (name, (case, changes)) in enumerate(named().items(), 201):
        file = f"{name}.json"
        if file in sums:
            continue
        text = canonical(document_named(name, case, changes, k))
        (FROZEN / file).write_bytes(text.encode("utf-8"))
        sums[file] = digest(text)
        print(file, len(text), json.loads(text)["lens"]["design"]["family"])
    (FROZEN / SUMS).write_text("".join(f"{s}  {n}\n" for n, s in sorted(sums.items())), encoding="ascii")


if __name__ == "__main__":
    freeze()
