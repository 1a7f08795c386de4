"""The lens: what is to be made."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from dispensing.case import EYES
from dispensing.models import Dispense, LensOption, Treatment
from dispensing.record.base import Saved, changing
from practice.errors import Invalid
from practice.models import Staff

COMPENSATION = ("none", "practice", "maker")
ORDERED_FIELDS = ("sphere", "cylinder", "axis", "prism_in", "prism_up", "add")


def choose_lens(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    option: LensOption | None,
    blank_diameter_mm: Decimal | None = None,
    front_curve: Decimal | None = None,
    coating: Treatment | None = None,
    tint: Treatment | None = None,
    compensation: str = "none",
    ordered: Mapping[str, Mapping[str, Decimal | None]] | None = None,
    prism_thinning_down: Decimal | None = None,
    slab_off: bool = False,
    remark: str = "",
) -> Saved:
    """Design and material, blank (mm), front curve (D, n = 1.53), coating, tint.

    `compensation` says who turned prescribed into ordered powers; unless "none", `ordered` holds for each eye sphere,
    cylinder, axis, prism_in (base in positive), prism_up (base up positive) and add. `prism_thinning_down` is prism
    dioptres base down in both lenses.

    A lens, coating or tint that is on record already stays, whatever has become of it or of the design: the checks speak of it, so that
    nothing else that is typed is held up. One newly chosen has to be one that the design is made with, where the catalogue says so.
    """
    group = dispense.group_id
    errors: dict[str, str] = {}
    if option is not None and (
        option.lens.group_id != group
        or (
            option.pk != dispense.lens_option_id
            and (option.retired_on or option.lens.retired_on or _over(option, dispense))
        )
    ):
        errors["lens.option"] = "That lens is not in this group's catalogue any more."
    for name, treatment in (("coating", coating), ("tint", tint)):
        if treatment is None:
            continue
        kept = treatment.pk == getattr(dispense, f"{name}_id")
        if treatment.group_id != group or treatment.kind != name or (treatment.retired_on and not kept):
            errors[f"lens.{name}"] = f"That {name} is not in this group's catalogue any more."
        elif not kept and (wrong := _not_made_with(option, treatment)):
            errors[f"lens.{name}"] = wrong
    if compensation not in COMPENSATION:
        errors["lens.compensation"] = "None, by the practice or by the maker."
    for name, value, (low, high) in (
        ("blank_diameter_mm", blank_diameter_mm, (20, 120)),
        ("front_curve", front_curve, (-5, 20)),
        ("prism_thinning_down", prism_thinning_down, (0, 6)),
    ):
        if value is not None and not low <= value <= high:
            errors[f"lens.{name}"] = f"That cannot be: {low} to {high}."
    stated = _ordered(ordered or {}, errors) if compensation != "none" else {}
    if errors:
        raise Invalid(errors)
    with changing(actor=actor, dispense=dispense, part="lens", version=version, action="dispense.lens") as change:
        change.put(
            lens_option=option,
            blank_diameter_mm=blank_diameter_mm,
            front_curve=front_curve,
            coating=coating,
            tint=tint,
            compensation=compensation,
            ordered=stated,
            prism_thinning_down=prism_thinning_down,
            slab_off=slab_off,
            lens_remark=remark,
        )
    return change.saved()


def _not_made_with(option: LensOption | None, treatment: Treatment) -> str:
    """What speaks against a newly chosen coating or tint; "" when nothing does, or the catalogue does not say."""
    if option is None or not option.lens.treatment_codes or treatment.code in option.lens.treatment_codes:
        return ""
    made = Treatment.objects.filter(
        group=option.lens.group_id, kind=treatment.kind, retired_on=None, code__in=option.lens.treatment_codes
    )
    names = ", ".join(made.order_by("name").values_list("name", flat=True))
    return f"{option.lens.name} is not made with that {treatment.kind}. " + (
        f"It is made with: {names}." if names else f"It is made with no {treatment.kind} at all."
    )


def _over(option: LensOption, dispense: Dispense) -> bool:
    """Whether the last day of the design or of the option has passed at the branch."""
    ends = [d for d in (option.valid_until, option.lens.valid_until) if d is not None]
    return bool(ends) and min(ends) < dispense.branch.today()


def _ordered(ordered: Mapping[str, Mapping[str, Decimal | None]], errors: dict[str, str]) -> dict[str, Any]:
    stored: dict[str, Any] = {}
    for eye in EYES:
        values = {n: v for n, v in (ordered.get(eye) or {}).items() if n in ORDERED_FIELDS and v is not None}
        if not values:
            continue
        if "sphere" not in values:
            errors[f"lens.ordered_{eye}.sphere"] = "The ordered sphere is missing."
        if values.get("cylinder") and "axis" not in values:
            errors[f"lens.ordered_{eye}.axis"] = "The ordered cylinder has no axis."
        stored[eye] = {n: str(v) for n, v in values.items()}
    return stored
