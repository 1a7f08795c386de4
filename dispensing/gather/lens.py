"""The lens: what the catalogue says of it, what was stated with it, and what has become of the offer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, cast

from dispensing import case as c
from dispensing.gather.parts import number
from dispensing.models import Dispense, LensOption, Treatment


def design_of(option: LensOption) -> c.LensDesign:
    lens = option.lens
    cross = number(lens.cross_above_prism_point_mm)
    return c.LensDesign(
        identity=lens.code,
        name=lens.name,
        family=cast("c.Family", lens.family),
        corridor_mm=number(lens.corridor_mm),
        min_height_mm=number(lens.min_height_mm),
        min_above_mm=number(lens.min_above_mm),
        near_inset_mm=number(lens.near_inset_mm) if lens.near_inset_rule in ("", "fixed") else None,
        segment_width_mm=number(lens.segment_width_mm),
        segment_depth_mm=number(lens.segment_depth_mm),
        intermediate_depth_mm=number(lens.intermediate_depth_mm),
        segment_centre_below_top_mm=number(lens.segment_centre_below_top_mm),
        **({} if cross is None else {"cross_above_prism_point_mm": cross}),
        sphere_min=number(option.sphere_min),
        sphere_max=number(option.sphere_max),
        cylinder_max=number(option.cylinder_max),
        add_min=number(lens.add_min),
        add_max=number(lens.add_max),
        prism_max=number(option.prism_max),
        blank_diameters=tuple(float(d) for d in option.blank_diameters),
        degression=number(lens.degression),
        front_curves=front_curves_of(option.base_curves),
        made_with=tuple(lens.treatment_codes),
        offered_until=_last_day((option.valid_until, lens.valid_until), (option.retired_on, lens.retired_on)),
    )


def front_curves_of(stored: Iterable[Mapping[str, Any]]) -> tuple[c.CurveStep, ...]:
    """The maker's table of front curves as the catalogue stores it."""
    return tuple(
        c.CurveStep(sphere_from=float(s["from"]), sphere_to=float(s["to"]), curve=float(s["curve"])) for s in stored or ()
    )


def _last_day(last: Iterable[date | None], retired: Iterable[date | None]) -> date | None:
    """The last day of several: the day before something was retired is one of them. None: no end."""
    ends = [d for d in last if d is not None] + [d - timedelta(days=1) for d in retired if d is not None]
    return min(ends, default=None)


def narrowed(choice: c.LensChoice, option: LensOption | None, prescription: c.Prescription | None) -> c.LensChoice:
    """The choice with only those blanks that are made in these powers, where the catalogue states powers by diameter.

    Held against are the ordered powers, else the prescribed ones, the sphere in minus-cylinder form. When no diameter is made in them,
    the range of powers shrinks to what the diameters cover together, so that it is the power that is said not to be made.
    """
    design = choice.design
    if option is None or design is None or not option.diameter_ranges or prescription is None:
        return choice
    powers = []
    for eye, ordered in zip(c.EYES, (choice.ordered_right, choice.ordered_left), strict=True):
        lens = ordered or prescription.of(eye)
        if lens.sphere is not None and not (ordered is None and prescription.of(eye).balance):
            cylinder = lens.cylinder or 0.0
            powers.append((lens.sphere + max(cylinder, 0.0), abs(cylinder)))
    made = {float(r["diameter"]): r for r in option.diameter_ranges}

    def covers(size: float) -> bool:
        r = made.get(size)
        return r is None or all(
            float(r["from"]) - 0.001 <= sphere <= float(r["to"]) + 0.001
            and (not r["cylinder"] or cylinder <= float(r["cylinder"]) + 0.001)
            for sphere, cylinder in powers
        )

    blanks = tuple(size for size in design.blank_diameters if covers(size))
    if blanks:
        return replace(choice, design=replace(design, blank_diameters=blanks))
    low, high = (pick(float(r[n]) for r in made.values()) for pick, n in ((min, "from"), (max, "to")))
    return replace(choice, design=replace(design, sphere_min=low, sphere_max=high))


def material_of(option: LensOption) -> c.Material:
    m = option.material
    return c.Material(
        name=m.name,
        nd=float(m.nd),
        abbe=float(m.abbe),
        density=float(m.density),
        impact=cast("Any", m.impact),
        drilled=cast("Any", m.drilled),
        grooved=cast("Any", m.grooved),
        glass=m.glass,
    )


def tint_of(treatment: Treatment | None) -> c.Tint | None:
    """The tint with what the catalogue says of it. A transmittance that is not there is not known: the checks ask for it."""
    if treatment is None:
        return None
    return c.Tint(
        name=treatment.name,
        transmittance_clear=number(treatment.transmittance_clear),
        transmittance_dark=number(treatment.transmittance_dark),
        code=treatment.code,
        offered_until=_last_day((), (treatment.retired_on,)),
    )


def ordered_power_of(stored: Mapping[str, Any] | None) -> c.OrderedPower | None:
    if not stored or number(stored.get("sphere")) is None:
        return None
    return c.OrderedPower(
        sphere=float(stored["sphere"]),
        cylinder=number(stored.get("cylinder")) or 0.0,
        axis=number(stored.get("axis")),
        prism_in=number(stored.get("prism_in")) or 0.0,
        prism_up=number(stored.get("prism_up")) or 0.0,
        add=number(stored.get("add")),
    )


def lens_choice_of(
    option: LensOption | None, *, mount: str | None, coating: Treatment | None, tint: Treatment | None, **stated: Any
) -> c.LensChoice:
    """A choice from the catalogue and what was stated with it; the least edge follows the frame's mount."""
    design: dict[str, Any] = {}
    if option is not None:
        edge = {
            "full_rim": option.min_edge_full_mm,
            "grooved": option.min_edge_grooved_mm,
            "drilled": option.min_edge_drilled_mm,
        }.get(mount or "")
        design = {
            "design": design_of(option),
            "material": material_of(option),
            "min_centre_mm": number(option.min_centre_mm),
            "min_edge_mm": number(edge),
        }
    if coating is not None:
        stated |= {"coating_code": coating.code, "coating_offered_until": _last_day((), (coating.retired_on,))}
    return c.LensChoice(coating=coating.name if coating else "", tint=tint_of(tint), **design, **stated)


_GONE_TO_THE_LAB = (Dispense.State.ORDERED, Dispense.State.COLLECTED, Dispense.State.CANCELLED)


def lens_of(dispense: Dispense, frame: c.Frame | None) -> c.LensChoice:
    choice = lens_choice_of(
        dispense.lens_option,
        mount=frame.mount if frame else None,
        coating=dispense.coating,
        tint=dispense.tint,
        blank_diameter_mm=number(dispense.blank_diameter_mm),
        front_curve=number(dispense.front_curve),
        compensation=dispense.compensation,
        ordered_right=ordered_power_of(dispense.ordered.get("right")),
        ordered_left=ordered_power_of(dispense.ordered.get("left")),
        prism_thinning_down=number(dispense.prism_thinning_down) or 0.0,
        slab_off=dispense.slab_off,
        remark=dispense.lens_remark,
    )
    return _offered_when_ordered(choice) if dispense.state in _GONE_TO_THE_LAB else choice


def _offered_when_ordered(choice: c.LensChoice) -> c.LensChoice:
    """What has gone to the lab was offered on that day; what is offered now does not matter to it."""
    return replace(
        choice,
        design=replace(choice.design, offered_until=None) if choice.design is not None else None,
        coating_offered_until=None,
        tint=replace(choice.tint, offered_until=None) if choice.tint is not None else None,
    )
