"""An order document as lines and tables for a page. Reads the document alone, like every renderer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dispensing.case import EYES

from .words import (
    COMPENSATIONS,
    FAMILIES,
    MOUNTS,
    NONE,
    all_near_notes,
    axis,
    day,
    front_curves,
    length,
    light_not_known,
    moment,
    person,
    power,
    prism_part,
    prism_resultant,
)

LETTER = {"right": "R", "left": "L"}


@dataclass(frozen=True, slots=True)
class PowerRow:
    eye: str  # "R", "L"
    what: str  # "ordered", "ordered, as prescribed", "prescribed", "balance lens, …"
    cells: tuple[str, ...]  # sphere, cylinder, axis, addition, horizontal, vertical, resultant


@dataclass(frozen=True, slots=True)
class PlaceRow:
    label: str
    right: str
    left: str
    unit: str


@dataclass(frozen=True, slots=True)
class Summary:
    powers: tuple[PowerRow, ...]
    places: tuple[PlaceRow, ...]
    lens: tuple[tuple[str, str], ...]
    frame: tuple[tuple[str, str], ...]
    worn: tuple[tuple[str, str], ...]
    people: tuple[tuple[str, str], ...]
    instructions: tuple[str, ...]  # and what was prescribed for near besides the addition
    reasons: tuple[dict[str, str], ...]
    remark: str


def summary(document: dict[str, Any]) -> Summary:
    lens, frame, worn, people = document["lens"], document["frame"], document["as_worn"], document["people"]
    design, material, tint = lens["design"], lens["material"], lens["tint"]
    zone = document["branch"]["time_zone"]
    return Summary(
        powers=tuple(row for eye in EYES for row in _powers(LETTER[eye], document["lenses"][eye])),
        places=_places(document),
        lens=_said(
            ("Design", f"{design['name']}, {FAMILIES[design['family']]}"),
            ("Corridor", _with(length(design["corridor"]), "mm")),
            ("Segment", _segment(design)),
            ("Material", f"{material['name']}, n {material['index']}, Abbe {material['abbe']}"),
            ("Coating", lens["coating"] or NONE),
            ("Tint", _tint(tint)),
            ("Powers", COMPENSATIONS[lens["compensation"]]),
            (
                "Prism thinning",
                "" if lens["prism_thinning_down"] == "0.00" else f"{lens['prism_thinning_down']} Δ down, both",
            ),
            ("Slab-off", "yes" if lens["slab_off"] else ""),
            ("Tolerances", document["tolerance_standard"]),
        ),
        frame=_said(
            ("Frame", frame["name"] or NONE),
            ("Whose", "the client's own" if frame["own"] else ""),
            ("Box", f"{length(frame['a'])} × {length(frame['b'])}, between lenses {length(frame['dbl'])} mm"),
            ("Effective diameter", _with(length(frame["ed"]), "mm")),
            ("Side", _with(length(frame["side"]), "mm")),
            ("Mount", MOUNTS[frame["mount"]]),
            ("Material", frame["material"]),
            ("Front curve", _with(power(frame["front_curve"]), "D") if frame["front_curve"] else ""),
            ("Face form", _with(axis(frame["face_form"]), "°")),
            (
                "Outline",
                f"{len(frame['outline']['radii'])} points"
                if frame["outline"]
                else "not on record: the lab traces the frame",
            ),
            ("Drill points", str(len(frame["drill_points"])) if frame["drill_points"] else ""),
        ),
        worn=_said(
            ("Vertex distance", _with(length(worn["vertex_distance"]), "mm")),
            ("Pantoscopic", _with(axis(worn["pantoscopic"]), "°")),
            ("Face form", _with(axis(worn["face_form"]), "°")),
            ("Tested at", _with(length(document["prescription"]["vertex_distance"]), "mm")),
            ("Written on", day(document["prescription"]["written_on"])),
        ),
        people=_said(
            ("Dispensed by", person(people["dispensed_by"])),
            ("Signed by", person(people["signed_by"]) if people["signed_by"] else ""),
            ("Issued by", person(people["issued_by"])),
            ("Issued", moment(document["order"]["issued_at"], zone)),
        ),
        instructions=(*document["instructions"], *all_near_notes(document, intermediate=False)),
        reasons=tuple(document["reasons"]),
        remark=lens["remark"],
    )


def _said(*pairs: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(p for p in pairs if p[1])


def _with(text: str, unit: str) -> str:
    return "" if text == NONE else f"{text}°" if unit == "°" else f"{text} {unit}"


def _powers(letter: str, lens: dict[str, Any]) -> list[PowerRow]:
    prescribed, ordered = lens["prescribed"], lens["ordered"]
    rows = []
    written = None if prescribed["sphere"] is None else _cells(prescribed)
    if ordered is None:
        rows.append(PowerRow(letter, "balance lens, power left to the lab", (NONE,) * 7))
    elif _cells(ordered) == written:
        return [PowerRow(letter, "ordered, as prescribed", written)]
    else:
        rows.append(PowerRow(letter, "ordered", _cells(ordered)))
    if written is not None:
        rows.append(PowerRow(letter, "prescribed", written))
    return rows


def _cells(power_: dict[str, Any]) -> tuple[str, ...]:
    prism = power_["prism"]
    addition = power(power_["addition"])
    if power_.get("intermediate_addition"):
        addition += f" / {power(power_['intermediate_addition'])}"
    return (
        power(power_["sphere"]),
        power(power_["cylinder"]) if power_["axis"] else NONE,
        axis(power_["axis"]),
        addition,
        prism_part(prism["horizontal"]),
        prism_part(prism["vertical"]),
        prism_resultant(prism),
    )


def _places(document: dict[str, Any]) -> tuple[PlaceRow, ...]:
    right, left = document["lenses"]["right"], document["lenses"]["left"]

    def row(label: str, part: str, name: str) -> PlaceRow:
        return PlaceRow(label, length(right[part][name]), length(left[part][name]), "mm")

    def read(lens: dict[str, Any]) -> str:
        got = lens["centration"]["height_as_read"]
        if got is None or got["reference"] == "box":  # then it is the height itself
            return NONE
        return f"{length(got['value'])} {got['reference_words']}"

    curves = front_curves(document)
    rows = [
        PlaceRow("Centred for", right["centration"]["centred_for"], left["centration"]["centred_for"], ""),
        row("PD far, from the nose", "centration", "far_pd"),
        row("PD near, from the nose", "centration", "near_pd"),
        row("Decentration in", "centration", "decentration_in"),
        row("Decentration up", "centration", "decentration_up"),
        row("Height above the lower box tangent", "centration", "height"),
        row("Height above the datum line", "centration", "height_above_datum"),
        PlaceRow("Height as read", read(right), read(left), ""),
        row("Near inset", "centration", "near_inset"),
        row("Blank asked for", "blank", "diameter"),
        row("Blank needed, least", "blank", "needed"),
        row("Centre, least", "thickness", "centre_min"),
        row("Edge, least", "thickness", "edge_min"),
        PlaceRow("Front curve", curves.get("right", NONE), curves.get("left", NONE), ""),
        PlaceRow("Front curve wished", power(right["front_curve_wish"]), power(left["front_curve_wish"]), "D"),
    ]
    return tuple(r for r in rows if (r.right, r.left) != (NONE, NONE))


def _segment(design: dict[str, Any]) -> str:
    parts = [
        f"{word} {length(design[name])}"
        for name, word in (
            ("segment_width", "width"),
            ("segment_depth", "depth"),
            ("intermediate_depth", "intermediate depth"),
        )
        if design[name]
    ]
    return ", ".join(parts) + " mm" if parts else ""


def _tint(tint: dict[str, Any] | None) -> str:
    if tint is None:
        return NONE
    if unknown := light_not_known(tint):
        return f"{tint['name']}, {unknown}"
    clear, dark = tint["transmittance_clear"], tint["transmittance_dark"]
    passing = f"{clear} %" if clear == dark else f"{clear} to {dark} %"
    return f"{tint['name']}, lets {passing} of the light through"
