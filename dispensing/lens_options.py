"""A design made in a material: adding, changing, retiring it. What was dispensed keeps pointing at it, so nothing is deleted."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from dispensing.catalogue import SavedItem, require_manager, validity_errors
from dispensing.models import CatalogueLens, Dispense, LensMaterial, LensOption
from dispensing.signals import catalogue_changed
from practice import audit
from practice.errors import Conflict, Invalid
from practice.models import Staff

# least and greatest that can be made at all: dioptres, prism dioptres, mm
BOUNDS: dict[str, tuple[int, int]] = {
    "sphere_min": (-40, 30),
    "sphere_max": (-40, 40),
    "cylinder_max": (0, 15),
    "prism_max": (0, 30),
    "min_centre_mm": (0, 10),
    "min_edge_full_mm": (0, 10),
    "min_edge_grooved_mm": (0, 10),
    "min_edge_drilled_mm": (0, 10),
    "blank_decentration_mm": (0, 10),
}
LISTS = ("blank_diameters", "base_curves", "diameter_ranges")
VALIDITY = ("valid_from", "valid_until")
FIELDS = (*BOUNDS, *LISTS, *VALIDITY)


def code_of(option: LensOption) -> str:
    """What an option is called in the trail and in a table: design and material."""
    return f"{option.lens.code}/{option.material.code}"


def subject_of(option: LensOption) -> str:
    return f"option {code_of(option)}"[:80]


def put_values(row: LensOption, values: Mapping[str, Any]) -> None:
    """Give an option (not saved here) new values. Raises Invalid by field."""
    for name in FIELDS:
        if name in values:
            setattr(row, name, values[name])
    errors = {
        name: f"That cannot be: {low} to {high} is what is made."
        for name, (low, high) in BOUNDS.items()
        if (v := getattr(row, name)) is not None and not (isinstance(v, Decimal) and v.is_finite() and low <= v <= high)
    }
    if row.sphere_min is not None and row.sphere_max is not None and row.sphere_min > row.sphere_max:
        errors.setdefault("sphere_max", "The greatest sphere is less than the least.")
    sizes = {int(d) for d in row.blank_diameters}
    if unknown := [r["diameter"] for r in row.diameter_ranges if int(r["diameter"]) not in sizes]:
        errors["diameter_ranges"] = f"Not among the blanks: {', '.join(unknown)}."
    steps = sorted((Decimal(s["from"]), Decimal(s["to"])) for s in row.base_curves)
    if any(high > following for (_, high), (following, _) in pairwise(steps)):
        errors["base_curves"] = "Two steps overlap."
    errors |= validity_errors(row)
    if errors:
        raise Invalid(errors)


def as_read(option: LensOption) -> str:
    """A short digest of what an option says, for a form to carry."""
    values = audit.snapshot(option, (*FIELDS, "retired_on"))
    return audit.token({name: _plain(value) for name, value in values.items()})


def _plain(value: Any) -> Any:
    """Figures by value: 52 and 52.00 are the same."""
    try:
        return f"{Decimal(value).normalize():f}" if isinstance(value, str) else value
    except InvalidOperation:
        return value


def add_option(*, actor: Staff, lens: CatalogueLens, material: LensMaterial, values: Mapping[str, Any]) -> SavedItem:
    """A design in one more material. Raises NotAllowed or Invalid (by field; "material" when it is made in it already)."""
    require_manager(actor, lens.group)
    if material.group_id != lens.group_id:
        raise Invalid({"material": "That material is not in this group's catalogue."})
    with transaction.atomic():
        row = LensOption(lens=lens, material=material)
        put_values(row, values)
        try:
            with transaction.atomic():
                row.save()
        except IntegrityError:
            raise Invalid({"material": "The design is made in that material already."}) from None
        _record(actor, "catalogue.option_added", row, {}, audit.snapshot(row, FIELDS))
    return SavedItem(row, changed=True)


def change_option(*, actor: Staff, option: LensOption, read: str, values: Mapping[str, Any]) -> SavedItem:
    """Change what an option says; work not yet begun is judged again. Raises NotAllowed, Invalid, Conflict."""
    require_manager(actor, option.lens.group)
    with transaction.atomic():
        row = _locked(option)
        if as_read(row) != read:
            raise Conflict("Somebody else changed this since you opened it. Look again; nothing was saved.")
        before = audit.snapshot(row, FIELDS)
        put_values(row, values)
        was, now = changes(before, audit.snapshot(row, FIELDS))
        if not now:
            return SavedItem(row, changed=False)
        row.save()
        _record(actor, "catalogue.option_changed", row, was, now)
        catalogue_changed.send(LensOption, item=row, actor=actor, before=was, after=now)
    return SavedItem(row, changed=True)


def retire_option(*, actor: Staff, option: LensOption, reason: str) -> None:
    """Not to be chosen any more. Retiring twice is the same as once. Raises NotAllowed or Invalid (no reason)."""
    if not reason.strip():
        raise Invalid({"reason": "Say why it is retired."})
    _set_retired(actor, option, reason.strip())


def bring_option_back(*, actor: Staff, option: LensOption) -> None:
    _set_retired(actor, option, "")


def open_dispenses_with(option: LensOption) -> QuerySet[Dispense]:
    """Dispenses not yet ordered in which this is chosen."""
    states = (Dispense.State.OPEN, Dispense.State.WAITING, Dispense.State.RETURNED, Dispense.State.SIGNED)
    return Dispense.objects.filter(state__in=states, lens_option=option)


def changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What differs by value, of both snapshots."""
    names = [n for n in after if _plain(before.get(n)) != _plain(after[n])]
    return {n: before.get(n) for n in names}, {n: after[n] for n in names}


def _set_retired(actor: Staff, option: LensOption, reason: str) -> None:
    require_manager(actor, option.lens.group)
    on = option.lens.group.today() if reason else None
    with transaction.atomic():
        row = _locked(option)
        if (row.retired_on is None) == (on is None):
            return
        before, row.retired_on = row.retired_on, on
        row.save(update_fields=["retired_on"])
        more = {"reason": reason[:400]} if reason else {}
        action = f"catalogue.option_{'retired' if on else 'brought_back'}"
        _record(actor, action, row, {"retired_on": before}, {"retired_on": on, **more})
        told = ({"retired_on": None if day is None else day.isoformat()} for day in (before, on))
        catalogue_changed.send(LensOption, item=row, actor=actor, before=next(told), after=next(told))
    option.retired_on = on


def _locked(option: LensOption) -> LensOption:
    rows = LensOption.objects.select_for_update(of=("self",)).select_related("lens__group", "material")
    return rows.get(pk=option.pk)


def _record(actor: Staff, action: str, row: LensOption, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    audit.record(actor=actor, action=action, subject=subject_of(row), group=row.lens.group, before=before, after=after)
