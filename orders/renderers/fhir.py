"""An order as HL7 FHIR, R4B (4.3.0) or R5 (5.0.0): a Bundle of the prescription and one device request for each lens.

Read from the document alone. What FHIR has a place for stands there; everything else stands in extensions and parameters of our
own, named below `NAMES`, never in a modifierExtension: a reader that skips them still has the prescription right, and is told by
`instructions` in the notes that there is more. Numbers keep their written decimals ("-2.00"), which FHIR asks for.
FHIR's axis is a whole number: one that is not stands rounded in its place and exactly in an extension beside it.
"""

from __future__ import annotations

import uuid
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Literal

import orjson

from dispensing.case import EYES, Eye
from orders.renderers.words import all_near_notes

Version = Literal["4.3", "5.0"]
MEDIA_TYPES: dict[Version, str] = {
    "4.3": "application/fhir+json; fhirVersion=4.3",
    "5.0": "application/fhir+json; fhirVersion=5.0",
}
NAMES = "urn:datumline:lens-order:1.0:"
PRODUCT = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"
ABSENT = {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}
UCUM = "http://unitsofmeasure.org"
UNITS = {"D": "[diop]", "prism dioptre": "[p'diop]", "mm": "mm", "deg": "deg", "%": "%"}

# parameter of a device request: name, path within one lens of the document, unit
PARAMETERS = (
    ("sphere", ("ordered", "sphere"), "D"),
    ("cylinder", ("ordered", "cylinder"), "D"),
    ("axis", ("ordered", "axis"), "deg"),
    ("addition", ("ordered", "addition"), "D"),
    ("prism-in", ("ordered", "prism", "in"), "prism dioptre"),
    ("prism-up", ("ordered", "prism", "up"), "prism dioptre"),
    ("far-pd", ("centration", "far_pd"), "mm"),
    ("near-pd", ("centration", "near_pd"), "mm"),
    ("height-above-lower-box-tangent", ("centration", "height"), "mm"),
    ("height-above-datum-line", ("centration", "height_above_datum"), "mm"),
    ("decentration-in", ("centration", "decentration_in"), "mm"),
    ("decentration-up", ("centration", "decentration_up"), "mm"),
    ("near-inset", ("centration", "near_inset"), "mm"),
    ("blank-diameter", ("blank", "diameter"), "mm"),
    ("centre-thickness-min", ("thickness", "centre_min"), "mm"),
    ("edge-thickness-min", ("thickness", "edge_min"), "mm"),
    ("front-curve-wish", ("front_curve_wish",), "D"),
    ("front-curve", ("front_curve", "curve"), "D"),  # since 1.1
)
FRAME = (
    ("a", "mm"),
    ("b", "mm"),
    ("dbl", "mm"),
    ("ed", "mm"),
    ("side", "mm"),
    ("front_curve", "D"),
    ("face_form", "deg"),
    ("groove", "mm"),
)
DESIGN = (
    ("corridor", "mm"),
    ("near_inset", "mm"),
    ("segment_width", "mm"),
    ("segment_depth", "mm"),
    ("intermediate_depth", "mm"),
    ("degression", "D"),
    ("cross_above_prism_point", "mm"),
)
WORN = (("vertex_distance", "mm"), ("pantoscopic", "deg"), ("face_form", "deg"))


def render(document: dict[str, Any], *, version: Version, digest: str, cancelled: bool = False) -> bytes:
    """The order as FHIR JSON. The same input gives the same bytes."""
    number = document["order"]["number"]
    ids = {name: str(uuid.uuid5(uuid.NAMESPACE_OID, f"{digest}:{name}")) for name in ("prescription", *EYES)}
    entries = [
        _entry(ids["prescription"], _prescription(document, ids["prescription"])),
        *(_entry(ids[eye], _request(document, eye, ids, version, digest, cancelled)) for eye in EYES),
    ]
    bundle = {
        "resourceType": "Bundle",
        "identifier": {"system": NAMES + "order-number", "value": number},
        "type": "collection",
        "timestamp": document["order"]["issued_at"],
        "entry": entries,
    }
    return orjson.dumps(bundle)


def _entry(ident: str, resource: dict[str, Any]) -> dict[str, Any]:
    return {"fullUrl": f"urn:uuid:{ident}", "resource": resource}


def _number(text: str) -> orjson.Fragment:
    """A decimal as it is written in the document."""
    return orjson.Fragment(str(Decimal(text)).encode())


def _quantity(text: str, unit: str) -> dict[str, Any]:
    return {"value": _number(text), "unit": unit, "system": UCUM, "code": UNITS[unit]}


def _extension(name: str, **value: Any) -> dict[str, Any]:
    return {"url": NAMES + name, **value}


def _parts(name: str, parts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [_extension(name, extension=parts)] if parts else []


def _part(name: str, **value: Any) -> dict[str, Any]:
    return {"url": name, **value}


def _client(document: dict[str, Any]) -> dict[str, Any]:
    client = document["client"]
    reference: dict[str, Any] = {
        "type": "Patient",
        "identifier": {"system": NAMES + "client", "value": client["reference"]},
    }
    if client["name"]:
        reference["display"] = client["name"]
    return reference


# --- the prescription, as written -----------------------------------------------------------------------------------------


def _prescription(document: dict[str, Any], ident: str) -> dict[str, Any]:
    rx = document["prescription"]
    resource: dict[str, Any] = {
        "resourceType": "VisionPrescription",
        "id": ident,
        "status": "active",
        "created": document["order"]["issued_at"],
        "patient": _client(document),
        "prescriber": {"type": "Practitioner", "display": rx["prescriber"] or "not stated"},
        "lensSpecification": [_lens(document, eye) for eye in EYES],
    }
    if rx["written_on"]:
        resource["dateWritten"] = rx["written_on"]
    else:
        resource["_dateWritten"] = ABSENT
    if rx["vertex_distance"]:
        resource["extension"] = [
            _extension("tested-at-vertex-distance", valueQuantity=_quantity(rx["vertex_distance"], "mm"))
        ]
    return resource


def _lens(document: dict[str, Any], eye: Eye) -> dict[str, Any]:
    written = document["lenses"][eye]["prescribed"]
    lens: dict[str, Any] = {"product": {"coding": [{"system": PRODUCT, "code": "lens"}]}, "eye": eye}
    extensions = []
    if written["sphere"] is not None:
        lens["sphere"] = _number(written["sphere"])
    if written["axis"] is not None:
        exact = Decimal(written["axis"])
        lens["cylinder"] = _number(written["cylinder"])
        lens["axis"] = int(exact.quantize(Decimal(1), ROUND_HALF_UP)) or 180
        if exact != lens["axis"]:
            extensions.append(_extension("exact-axis", valueQuantity=_quantity(written["axis"], "deg")))
    prisms = [
        {"amount": _number(part["amount"]), "base": part["base"]}
        for part in (written["prism"]["horizontal"], written["prism"]["vertical"])
        if part["base"]
    ]
    if prisms:
        lens["prism"] = prisms
    if written["addition"] is not None:
        lens["add"] = _number(written["addition"])
    if written["intermediate_addition"] is not None:
        extensions.append(
            _extension("intermediate-addition", valueQuantity=_quantity(written["intermediate_addition"], "D"))
        )
    if written["near_sphere"] is not None:
        extensions.append(_extension("near-sphere", valueQuantity=_quantity(written["near_sphere"], "D")))
    if written["near_prism"] is not None:
        parts = [_part(n, valueQuantity=_quantity(written["near_prism"][n], "prism dioptre")) for n in ("in", "up")]
        extensions += _parts("near-prism", parts)
    if written["balance"]:
        extensions.append(_extension("balance-lens", valueBoolean=True))
    if extensions:
        lens["extension"] = extensions
    return lens


# --- what is asked of the lab ---------------------------------------------------------------------------------------------


def _request(
    document: dict[str, Any], eye: Eye, ids: dict[str, str], version: Version, digest: str, cancelled: bool
) -> dict[str, Any]:
    order, lens, people = document["order"], document["lens"], document["people"]
    words = f"{eye} lens: {lens['design']['name']}, {lens['material']['name']}"
    lab = {"type": "Organization", "identifier": {"system": NAMES + "lab", "value": document["lab"]["code"]}}
    lab["display"] = document["lab"]["name"]
    replaces = [
        {"type": "DeviceRequest", "identifier": {"system": NAMES + "order-number", "value": order["replaces"]["number"]}}
    ] if order["replaces"] else []  # fmt: skip
    resource: dict[str, Any] = {
        "resourceType": "DeviceRequest",
        "id": ids[eye],
        "extension": _order_extensions(document, eye, digest),
        "groupIdentifier": {"system": NAMES + "order-number", "value": order["number"]},
        "basedOn": [{"reference": f"urn:uuid:{ids['prescription']}"}],
        "status": "revoked" if cancelled else "active",
        "intent": "order",
        "subject": _client(document),
        "authoredOn": order["issued_at"],
        "requester": {"type": "Practitioner", "display": people["issued_by"]["name"]},
        "parameter": _parameters(document["lenses"][eye]),
    }
    if version == "5.0":
        resource |= {"code": {"concept": {"text": words}}, "performer": {"reference": lab}}
        if replaces:
            resource["replaces"] = replaces
    else:
        resource |= {"codeCodeableConcept": {"text": words}, "performer": lab}
        if replaces:
            resource["priorRequest"] = replaces
    notes = [*document["instructions"], *all_near_notes(document), *([lens["remark"]] if lens["remark"] else [])]
    notes += [f"Confirmed: {r['finding']} {r['reason']} ({r['by']})" for r in document["reasons"]]
    if notes:
        resource["note"] = [{"text": text} for text in notes]
    return resource


def _parameters(lens: dict[str, Any]) -> list[dict[str, Any]]:
    found = []
    for name, path, unit in PARAMETERS:
        value: Any = lens
        for step in path:
            value = value.get(step) if value is not None else None
        if value is not None:
            code = {"coding": [{"system": NAMES + "parameter", "code": name}], "text": name.replace("-", " ")}
            found.append({"code": code, "valueQuantity": _quantity(value, unit)})
    return found


def _order_extensions(document: dict[str, Any], eye: Eye, digest: str) -> list[dict[str, Any]]:
    lens, frame, worn, centration = (
        document["lens"],
        document["frame"],
        document["as_worn"],
        document["lenses"][eye]["centration"],
    )
    said = [
        _part("design", valueString=lens["design"]["name"]),
        _part("family", valueCode=lens["design"]["family"]),
        _part("material", valueString=lens["material"]["name"]),
        _part("index", valueDecimal=_number(lens["material"]["index"])),
        _part("cylinder-form", valueCode=lens["cylinder_form"]),
        _part("compensation", valueCode=lens["compensation"]),
        _part("prism-thinning-down", valueQuantity=_quantity(lens["prism_thinning_down"], "prism dioptre")),
        _part("slab-off", valueBoolean=lens["slab_off"]),
        _part("centred-for", valueCode=centration["centred_for"]),
    ]
    if lens["design"]["code"]:
        said.append(_part("design-code", valueString=lens["design"]["code"]))
    said += [
        _part(name.replace("_", "-"), valueQuantity=_quantity(lens["design"][name], unit))
        for name, unit in DESIGN
        if lens["design"][name]
    ]
    if lens["coating"]:
        said.append(_part("coating", valueString=lens["coating"]))
    if lens["tint"]:
        said.append(_part("tint", valueString=lens["tint"]["name"]))
        for state in ("clear", "dark"):
            if lens["tint"][f"transmittance_{state}"] is not None:  # not known is not nil: it is left out
                value = _quantity(lens["tint"][f"transmittance_{state}"], "%")
                said.append(_part(f"tint-transmittance-{state}", valueQuantity=value))
    boxed = [
        _part(name.replace("_", "-"), valueQuantity=_quantity(frame[name], unit)) for name, unit in FRAME if frame[name]
    ]
    boxed += [_part("mount", valueCode=frame["mount"])]
    boxed += [_part("name", valueString=frame["name"])] if frame["name"] else []
    if frame["outline"]:
        radii = " ".join(str(r) for r in frame["outline"]["radii"])
        boxed += [
            _part("outline", valueString=radii),
            _part("outline-convention", valueString=frame["outline"]["convention"]),
        ]
    boxed += [_part("drill-point", valueString=f"{p['x']} {p['y']} {p['diameter']}") for p in frame["drill_points"]]
    return [
        _extension("document-sha256", valueString=digest),
        _extension("tolerance-standard", valueString=document["tolerance_standard"]),
        *_parts("lens", said),
        *_parts("frame", boxed),
        *_parts(
            "as-worn",
            [_part(n.replace("_", "-"), valueQuantity=_quantity(worn[n], unit)) for n, unit in WORN if worn[n]],
        ),
    ]
