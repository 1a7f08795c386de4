"""One whole order as plain values, for tests of documents and renderers. Run as a module, it writes example_document.json."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from dispensing.case import (
    Adopted,
    Case,
    Fit,
    Frame,
    LensChoice,
    LensDesign,
    Material,
    Measurements,
    OrderedPower,
    PrescribedLens,
    Prescription,
    Tint,
)
from dispensing.checks.findings import Finding, Seen
from dispensing.figures import Figures, LensFigures
from orders.document import Confirmed, OrderMeta, Place, Replaced, Signatory, build

EXAMPLE = Path(__file__).with_name("example_document.json")


def outline(a: float, b: float, points: int = 400, exponent: float = 2.6) -> tuple[float, ...]:
    """A rounded rectangle whose box is exactly a by b: |x/(a/2)|^n + |y/(b/2)|^n = 1 in polar form."""
    out = []
    for k in range(points):
        t = 2 * math.pi * k / points
        out.append((abs(math.cos(t) / (a / 2)) ** exponent + abs(math.sin(t) / (b / 2)) ** exponent) ** (-1 / exponent))
    return tuple(out)


def example_case() -> Case:
    frame = Frame(
        identity="TERN-412-52",
        name="Quaylight Tern 412 horn",
        a=52,
        b=40,
        dbl=18,
        ed=54.6,
        side=145,
        mount="full_rim",
        material="acetate",
        front_curve=4,
        face_form_deg=5,
        outline=outline(52, 40),
    )
    return Case(
        today=date(2026, 11, 25),
        prescription=Prescription(
            right=PrescribedLens(sphere=-2.25, cylinder=-0.75, axis=95, add=2.0, prism_v=0.5, base_v="down"),
            left=PrescribedLens(sphere=-1.5, cylinder=-1.0, axis=80, add=2.0, prism_h=1.0, base_h="in"),
            vertex_mm=12,
            written_on=date(2026, 11, 3),
            prescriber="Dr P. Quillfeather",
        ),
        frame=frame,
        fit=Fit(confirmed=True, frame_identity=frame.identity, vertex_mm=13, pantoscopic_deg=8, face_form_deg=5),
        measurements=Measurements(
            right=Adopted(far_pd=31.5, near_pd=29.5, height=21),
            left=Adopted(far_pd=32.25, near_pd=30.25, height=20.5),
            binocular_far_pd=63.5,
        ),
        lens=LensChoice(
            design=LensDesign(
                identity="RIDGE13", name="Fellwater Ridgeway 13", family="progressive", corridor_mm=13, min_height_mm=17
            ),
            material=Material(name="1.60 resin", nd=1.592, abbe=41, density=1.3),
            blank_diameter_mm=70,
            min_centre_mm=1.2,
            min_edge_mm=1.0,
            coating="multi-layer reflection-free, hard",
            tint=Tint(name="brown photochromic", transmittance_clear=88, transmittance_dark=14),
            compensation="practice",
            prism_thinning_down=1.0,
            remark="Edge matt, safety bevel. Match the height of the existing pair.",
        ),
    )


def example_figures() -> Figures:
    return Figures(
        right=LensFigures(
            far_pd=31.5,
            near_pd=29.5,
            height_box=21,
            height_datum=1,
            decentration_in=3.5,
            decentration_up=1,
            blank_needed=63.7,
            near_inset=2.0,
            ordered=OrderedPower(sphere=-2.31, cylinder=-0.73, axis=94.6, prism_up=-0.5, add=2.04),
        ),
        left=LensFigures(
            far_pd=32.25,
            near_pd=30.25,
            height_box=20.5,
            height_datum=0.5,
            decentration_in=2.75,
            decentration_up=0.5,
            blank_needed=62.1,
            near_inset=2.0,
            ordered=OrderedPower(sphere=-1.55, cylinder=-0.97, axis=80.4, prism_in=1.0, add=2.03),
        ),
    )


def example_meta() -> OrderMeta:
    return OrderMeta(
        number="SM-000147",
        issued_at=datetime(2026, 11, 25, 9, 41, 7, tzinfo=UTC),
        dispense="D-7F3K9QX",
        branch=Place(
            code="SM",
            name="Estuary Opticians, Saltmarsh",
            address="4 Ropewalk\nSaltmarsh",
            phone="01632 960117",
            time_zone="Europe/London",
        ),
        lab=Place(code="TIDE", name="Tideglass Surfacing", address="Unit 9, Kelp Lane\nHarbour"),
        client_reference="C-4HT8M2W",
        client_name="Marisol Oakhurst-Tane",
        dispensed_by=Signatory(name="Wren Adeyemi-Holt", role="trainee"),
        signed_by=Signatory(name="Ibrahim Sallow", role="supervisor", registration_number="S-20417"),
        issued_by=Signatory(name="Wren Adeyemi-Holt", role="trainee"),
        replaces=Replaced(number="SM-000139", reason="Frame changed to a larger eye size."),
        cautions=("First progressive lenses.",),
    )


def example_reasons() -> tuple[Confirmed, ...]:
    finding = Finding(
        check="pd.parts-do-not-sum",
        severity="confirm",
        message="Monocular PDs add up to 63.75 mm; the binocular PD is 63.5 mm.",
        seen=(Seen(label="difference", value=0.25, unit="mm"),),
        subjects=("measurements.right.far_pd",),
        for_lab=True,
    )
    kept = replace(
        finding, check="prescription.expires-soon", message="The prescription expires in a month.", for_lab=False
    )
    at = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
    return (
        Confirmed(
            finding=finding, reason="Checked twice with a pupillometer; left eye fixes off centre.", by="I. Sallow", at=at
        ),
        Confirmed(finding=kept, reason="Not for the lab.", by="I. Sallow", at=at),
    )


def example_document() -> dict:
    return build(example_case(), example_figures(), example_reasons(), example_meta())


if __name__ == "__main__":
    EXAMPLE.write_text(
        json.dumps(example_document(), indent=1, ensure_ascii=False, sort_keys=True) + "\n", encoding="utf-8"
    )
