"""Checks of the chosen lens against the person, the mount and the use: material, tint, design, and how one will see through it."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View

_MATERIALS = "suitability of lens materials, dispensing teaching and US lab advice"
_ROAD = "ISO 12312-1:2013 and ISO 8980-3; College of Optometrists guidance on tints and driving"
_DRIVING = frozenset({"driving_day", "driving_night"})


@check(
    "material.drilled",
    "stop",
    "The material is not for a drilled mount",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def material_drilled(v: View, found: Finder) -> Iterator[Finding]:
    """Why: hard resin and glass crack at the holes of a drilled mount.
    Fires: drilled mount in glass (stop); in 1.74 resin (asks).
    Silent: drilled mount in 1.60 resin; hard resin in a full rim.
    """
    yield from _mount(v, found, "drilled")


@check(
    "material.grooved",
    "stop",
    "The material is not for a grooved mount",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("frame.mount", "lens.material"),
)
def material_grooved(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a groove cut into glass or a brittle resin chips.
    Fires: grooved mount in glass (stop).
    Silent: grooved mount in 1.60 resin.
    """
    yield from _mount(v, found, "grooved")


def _mount(v: View, found: Finder, mount: str) -> Iterator[Finding]:
    material, frame = v.case.lens.material, v.frame
    if material is None or frame is None or frame.mount != mount:
        return
    fitness = "no" if material.glass else getattr(material, mount)
    if fitness in ("no", "poor"):
        yield found(
            f"{material.name} is {'not' if fitness == 'no' else 'poorly'} suited to a {mount} mount.",
            "lens.material",
            "frame.mount",
            seen=(("Material", material.name, ""), ("Mount", mount, "")),
            severity="stop" if fitness == "no" else "confirm",
            consequence="The lens may crack at the holes." if mount == "drilled" else "The groove may chip.",
            resolution="A 1.60 or urethane-based resin or polycarbonate, or a frame with a full rim.",
        )


@check(
    "material.child",
    "stop",
    "The material is not for a child",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("person.age_years", "lens.material"),
)
def material_child(v: View, found: Finder) -> Iterator[Finding]:
    """Why: children fall. Glass breaks into the eye; weak resins break too.
    Fires: glass at 9 years (stop); a low-impact resin at 9 years (asks).
    Silent: polycarbonate at 9 years; glass at 40.
    """
    material = v.case.lens.material
    if material is None or v.age is None or v.age >= 16:
        return
    if material.glass or material.impact == "low":
        yield found(
            f"{material.name} for a child of {int(v.age)} years.",
            "lens.material",
            "person.age_years",
            seen=(("Material", material.name, ""), ("Age", int(v.age), "years")),
            severity="stop" if material.glass else "confirm",
            consequence="A broken lens can injure the eye.",
            resolution="Polycarbonate or a urethane-based resin.",
        )


@check(
    "material.one-useful-eye",
    "stop",
    "The material does not protect the only useful eye",
    family="lens",
    source=_MATERIALS,
    confidence="common practice",
    needs=("person.useful_eye", "lens.material"),
)
def material_one_eye(v: View, found: Finder) -> Iterator[Finding]:
    """Why: whoever has one useful eye cannot afford to lose it to a broken lens.
    Fires: one useful eye, glass (stop); hard resin (asks).
    Silent: one useful eye, polycarbonate; two useful eyes.
    """
    material = v.case.lens.material
    if (
        material is None
        or v.single_eye is None
        or material.impact == "high"
        or (material.impact == "good" and not material.glass)
    ):
        return
    yield found(
        f"{material.name} before the only useful eye.",
        "lens.material",
        "person.useful_eye",
        seen=(("Material", material.name, ""), ("Impact resistance", "glass" if material.glass else material.impact, "")),
        severity="stop" if material.glass else "confirm",
        consequence="A broken lens can blind the client.",
        resolution="Polycarbonate or a urethane-based resin, in both lenses.",
    )


@check(
    "material.hazard",
    "stop",
    "The material is not for this hazard",
    family="lens",
    source="EN 166; ANSI Z87.1 summaries; dispensing teaching",
    confidence="common practice",
    needs=("needs.uses", "lens.material"),
)
def material_hazard(v: View, found: Finder) -> Iterator[Finding]:
    """Why: where something may fly into the eye, the lens has to stand it. Safety at work also needs a marked frame.
    Fires: use "safety" in glass or low-impact resin (stop); "sport" in hard resin (asks).
    Silent: use "safety" in polycarbonate; an office in hard resin.
    """
    material = v.case.lens.material
    uses = [u for u in v.uses if u in ("safety", "sport")]
    if material is None or not uses or material.impact == "high" or (material.impact == "good" and not material.glass):
        return
    weak = material.glass or material.impact == "low"
    yield found(
        f"{material.name} for {' and '.join(uses)}.",
        "lens.material",
        "needs.uses",
        seen=(("Material", material.name, ""), ("Impact resistance", "glass" if material.glass else material.impact, "")),
        severity="stop" if weak and "safety" in uses else "confirm",
        consequence="A broken lens can injure the eye.",
        resolution="Polycarbonate or a urethane-based resin; for work, lenses and frame marked by the safety standard.",
    )


# --- tints ------------------------------------------------------------------------------------------------------------


@check(
    "tint.road",
    "stop",
    "The tint is too dark for the road",
    family="lens",
    source=_ROAD,
    confidence="standard",
    needs=("needs.uses", "lens.tint"),
)
def tint_road(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a filter of category 4, up to 8 % luminous transmittance, is not for driving at any time.
    Fires: 6 % with the use "driving by day".
    Silent: 12 % with the same use; 6 % for the glacier alone; a transmittance not on record, which is asked for by another check.
    """
    tint = v.case.lens.tint
    if tint is None or not _DRIVING & set(v.uses):
        return
    limit = v.limit["tint.road"]
    # at its darkest no tint lets more through than at its palest
    dark = tint.transmittance_dark if tint.transmittance_dark is not None else tint.transmittance_clear
    if dark is not None and dark <= limit:
        yield found(
            f"{tint.name} lets {dark:g} % through: not for driving.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance, darkest", dark, "%"),),
            limit=f"over {limit:g} %",
            resolution="A paler tint, or a second pair for driving.",
        )


@check(
    "tint.night",
    "stop",
    "The tint is too dark for driving at night",
    family="lens",
    source=_ROAD,
    confidence="standard",
    needs=("needs.uses", "lens.tint"),
)
def tint_night(v: View, found: Finder) -> Iterator[Finding]:
    """Why: below 75 % luminous transmittance a lens is not for driving in twilight or at night. A photochromic lens is judged clear.
    Fires: a fixed tint of 50 % with the use "driving at night".
    Silent: a photochromic lens with 88 % when clear; 50 % for driving by day.
    """
    tint = v.case.lens.tint
    if tint is None or "driving_night" not in v.uses:
        return
    limit = v.limit["tint.night"]
    if tint.transmittance_clear is not None and tint.transmittance_clear < limit:
        yield found(
            f"{tint.name} lets {tint.transmittance_clear:g} % through: not for driving at night.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance, palest", tint.transmittance_clear, "%"),),
            limit=f"at least {limit:g} %",
            resolution="An untinted lens with an anti-reflection coating, or a second pair.",
        )


@check(
    "tint.figures",
    "stop",
    "The transmittance is impossible, or not on record",
    family="lens",
    source="ISO 8980-3",
    confidence="standard",
    needs=("lens.tint",),
)
def tint_figures(v: View, found: Finder) -> Iterator[Finding]:
    """Why: transmittance is between 0 and 100 %, and a photochromic lens is darker in its dark state. Without it nobody can say whether
    the lens may be worn for driving.
    Fires: 0.85, a part of one, where 85 % is meant; darker when clear than when dark; not on record (not yet known).
    Silent: 85 % clear, 12 % dark.
    """
    tint = v.case.lens.tint
    if tint is None:
        return
    clear, dark = tint.transmittance_clear, tint.transmittance_dark
    if clear is None or dark is None:
        half = "" if clear is None and dark is None else " at its palest" if clear is None else " at its darkest"
        yield found(
            f"Not yet known: how much light {tint.name} lets through{half}.",
            "lens.tint",
            seen=tuple((name, value, "%") for name, value in (("Clear", clear), ("Dark", dark)) if value is not None),
            severity="unknown",
            missing=("lens.tint",),
            consequence="Whether it may be worn for driving, by day or at night, cannot be judged.",
            resolution="Ask the maker and have it entered with the tint in the catalogue, palest and darkest; the same twice for a fixed tint.",
        )
        return
    if not 0 < dark <= 100 or not 0 < clear <= 100 or dark > clear + 0.5 or clear <= 1:
        yield found(
            f"{tint.name}: {clear:g} % clear and {dark:g} % dark cannot be.",
            "lens.tint",
            seen=(("Clear", clear, "%"), ("Dark", dark, "%")),
            limit="0 to 100 %, dark below clear",
            resolution="Correct the tint in the catalogue; write per cent, not a part of one.",
        )


@check(
    "tint.all-round",
    "note",
    "A dark tint for all-round wear",
    family="lens",
    source=_ROAD,
    confidence="common practice",
    needs=("needs.uses", "lens.tint"),
)
def tint_all_round(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a fixed tint of category 2 or darker is too dark indoors and for driving at night; the client should know.
    Fires: 15 % fixed tint for all-round wear.
    Silent: a photochromic lens; 15 % for the sun.
    """
    tint = v.case.lens.tint
    clear = tint.transmittance_clear if tint is not None else None
    if tint is not None and clear is not None and not tint.photochromic and clear <= 43 and "all_round" in v.uses:
        yield found(
            f"{tint.name} stays at {clear:g} % indoors and at night.",
            "lens.tint",
            "needs.uses",
            seen=(("Luminous transmittance", clear, "%"),),
            limit="43 %, filter category 2",
            resolution="A photochromic lens, or a second pair. Tell the client: not for driving at night.",
        )
