"""What each rendering of an order says, read back from its bytes by independent readers, in one common shape.

A reading is {"right.sphere": Decimal, …}; None is "not said to be known". What a rendering does not hold at all is not in its reading.
"""

from __future__ import annotations

import io
import json
import re
from decimal import Decimal
from typing import Any

import pdfplumber

from orders.renderers import fhir, json_text, pdf, record_text
from orders.renderers.record_reader import read

EYES = ("right", "left")
MM = 25.4 / 72
Reading = dict[str, Any]
POWERS = ("sphere", "cylinder", "axis", "addition", "prism_in", "prism_up")
PLACES = ("far_pd", "near_pd", "height", "decentration_in")
BOX = ("a", "b", "dbl")


def _number(text: str | None) -> Decimal | None:
    return None if text is None else Decimal(text)


def of_document(document: dict[str, Any]) -> Reading:
    """What has to come out, straight from the document's own text."""
    said: Reading = {f"frame.{n}": _number(document["frame"][n]) for n in BOX}
    outline = document["frame"]["outline"]
    said["frame.outline"] = outline["radii"] if outline else None
    said["frame.holes"] = [(Decimal(p["x"]), Decimal(p["y"])) for p in document["frame"]["drill_points"]]
    for eye in EYES:
        ordered, centration = document["lenses"][eye]["ordered"], document["lenses"][eye]["centration"]
        flat = ordered and {**ordered, "prism_in": ordered["prism"]["in"], "prism_up": ordered["prism"]["up"]}
        said |= {f"{eye}.{n}": _number(flat[n]) if flat else None for n in POWERS}
        said |= {f"{eye}.{n}": _number(centration[n]) for n in PLACES}
    return said


def of_json(document: dict[str, Any], digest: str, text: str) -> Reading:
    line = json_text.line(
        "X-1", "issued", True, 1, 1, "2026-11-25T09:41:07Z", None, None, "", None, "", digest, text
    )  # fmt: skip
    answer = json.loads(line)
    assert answer["sha256"] == digest
    return of_document(answer["document"])


def of_fhir(document: dict[str, Any], digest: str, version: fhir.Version) -> Reading:
    from tests.orders.test_fhir_order import MODELS, exact, part

    text = fhir.render(document, version=version, digest=digest)
    MODELS[version].model_validate(exact(text))
    requests = [e["resource"] for e in exact(text)["entry"] if e["resource"]["resourceType"] == "DeviceRequest"]
    names = {
        "sphere": "sphere", "cylinder": "cylinder", "axis": "axis", "addition": "addition", "prism_in": "prism-in",
        "prism_up": "prism-up", "far_pd": "far-pd", "near_pd": "near-pd", "height": "height-above-lower-box-tangent",
        "decentration_in": "decentration-in",
    }  # fmt: skip
    said: Reading = {}
    for eye, resource in zip(EYES, requests, strict=True):
        values = {p["code"]["coding"][0]["code"]: p["valueQuantity"]["value"] for p in resource["parameter"]}
        said |= {f"{eye}.{name}": values.get(code) for name, code in names.items()}
        for name in BOX:
            (found,) = part(resource["extension"], "frame", name)
            said[f"frame.{name}"] = found["valueQuantity"]["value"]
        outline = part(resource["extension"], "frame", "outline")
        radii = [int(r) for r in outline[0]["valueString"].split()] if outline else None
        assert said.setdefault("frame.outline", radii) == radii, "the same in both"
        holes = [e["valueString"].split() for e in part(resource["extension"], "frame", "drill-point")]
        said["frame.holes"] = [(Decimal(x), Decimal(y)) for x, y, _ in holes]
    return said


def of_records(document: dict[str, Any], digest: str) -> Reading:
    """Without the prism by components, which it gives as a resultant (see test_records), and the decentration, which it has not."""
    found = read(record_text.render(document, digest=digest))
    said: Reading = {
        "frame.dbl": found.common["DBL"],
        "frame.outline": list(found.traces["R"]) if "R" in found.traces else None,
        "frame.holes": [(Decimal(x), Decimal(y)) for x, y, _ in found.repeated.get("_DLHOLE", ())],
    }
    single = document["lens"]["design"]["family"] == "single_vision"
    for eye in EYES:
        side = found.of(eye)
        said |= {"frame.a": side["HBOX"], "frame.b": side["VBOX"]}
        labels = {"sphere": "SPH", "cylinder": "CYL", "axis": "AX", "addition": "ADD"}
        said |= {f"{eye}.{name}": side.get(label) for name, label in labels.items()}
        said[f"{eye}.height"] = side.get("OCHT" if single else "SEGHT")
        if document["lenses"][eye]["centration"]["centred_for"] == "near" and single:
            said[f"{eye}.near_pd"] = side.get("NPD")
        else:
            said[f"{eye}.far_pd"] = side.get("IPD")
            if not single:
                said[f"{eye}.near_pd"] = side.get("NPD")
    return said


_CELL = r"([+−]?\d+\.\d\d|–)"
_ROW = re.compile(
    rf"^(?:([RL]) )?(ordered|balance lens) {_CELL} {_CELL} (\d+(?:\.\d)?|–) {_CELL} "
    r"(\d+\.\d\d (?:in|out)|–) (\d+\.\d\d (?:up|down)|–) (?:\d+\.\d\d base \d+(?:\.\d)?|–)$",
    re.M,
)


def _printed(text: str) -> Decimal | None:
    return None if text == "–" else Decimal(text.replace("−", "-").replace("+", ""))


def _based(text: str, positive: str) -> Decimal:
    if text in ("–", "0.0"):
        return Decimal("0.00")
    amount, base = text.split()
    return Decimal(amount) if base == positive else -Decimal(amount)


def of_pdf(document: dict[str, Any], digest: str) -> tuple[Reading, bytes]:
    """From the text and from the drawn curves of the sheet; the outline to 0.02 mm."""
    data = pdf.render(document, digest=digest)
    said: Reading = {}
    with pdfplumber.open(io.BytesIO(data)) as opened:
        text = "\n".join(page.extract_text() for page in opened.pages)
        drawn = next((p for p in opened.pages if _lenses(p)), opened.pages[0])
        curves, holes = _lenses(drawn), [c for c in drawn.curves if abs((c["x1"] - c["x0"]) * MM - 1.4) < 0.01]
    rows = [m.groups() for m in _ROW.finditer(text[: text.index("Centration")])]
    assert [r[0] for r in rows] == ["R", "L"], text[:1500]
    for eye, (_, what, sphere, cylinder, axis, addition, across, along) in zip(EYES, rows, strict=True):
        none = what == "balance lens"
        said |= {f"{eye}.{n}": _printed(v) for n, v in zip(POWERS, (sphere, cylinder, axis, addition), strict=False)}
        said |= {f"{eye}.prism_in": None if none else _based(across, "in")}
        said |= {f"{eye}.prism_up": None if none else _based(along, "up")}
    body = text[text.index("Centration") :]
    for eye in EYES:
        row = re.search(rf"^{eye[0].upper()} ([\d.–−+a-z ]+)$", body, re.M)
        assert row, body[:600]
        cells = re.findall(r"[\d.]+ (?:in|out)|[−+]?[\d.]+|–", row[1])
        far, near, height, _, decentred = cells[:5]
        said |= {f"{eye}.{n}": _printed(v) for n, v in zip(PLACES, (far, near, height), strict=False)}
        said[f"{eye}.decentration_in"] = None if decentred == "–" else _based(decentred, "in")
    boxed = re.search(r"a (\d+\.\d+) × b (\d+\.\d+), (\d+\.\d+) between lenses", " ".join(body.split()))
    assert boxed, body
    said |= {f"frame.{n}": Decimal(v) for n, v in zip(BOX, boxed.groups(), strict=True)}
    if curves and document["frame"]["outline"]:
        right = curves[0]
        radii = document["frame"]["outline"]["radii"]
        # the boxed centre: half-way between the tangents of the drawn outline
        x0, y0 = (right["x0"] + right["x1"]) / 2, (right["top"] + right["bottom"]) / 2
        found = [((x - x0) ** 2 + (y - y0) ** 2) ** 0.5 * MM for x, y in right["pts"][: len(radii)]]
        said["drawn.outline"] = found
    if curves:
        x0, y0 = (curves[0]["x0"] + curves[0]["x1"]) / 2, (curves[0]["top"] + curves[0]["bottom"]) / 2
        middle = (curves[0]["x0"] + curves[-1]["x1"]) / 2
        said["drawn.holes"] = [
            (((h["x0"] + h["x1"]) / 2 - x0) * MM, (y0 - (h["top"] + h["bottom"]) / 2) * MM)
            for h in holes
            if (h["x0"] + h["x1"]) / 2 < middle
        ]
    return said, data


def _lenses(page: Any) -> list[dict[str, Any]]:
    """The two filled outlines, right eye first."""
    return sorted((c for c in page.curves if c["fill"] and len(c["pts"]) > 30), key=lambda c: c["x0"])
