"""What lenses are made of and made with, for a whole group: materials, coatings and tints. Adding, changing, retiring them.

Designs are offered in a material by an option, and name coatings and tints by code. Nothing is deleted: what was dispensed keeps
pointing at it. A material is no longer chosen when its options are retired, so it is not retired by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from dispensing.catalogue import SavedItem, check_code, require_manager
from dispensing.lens_options import changes
from dispensing.models import Dispense, LensMaterial, Treatment
from dispensing.signals import catalogue_changed
from practice import audit
from practice.errors import Conflict, Invalid
from practice.models import Group, Staff
from practice.words import line

# what ophthalmic materials have, resins and glasses alike, with room at both ends (common practice): n at 587.6 nm, V, g/cm3
MATERIAL_BOUNDS: dict[str, tuple[Decimal, Decimal]] = {
    "nd": (Decimal("1.40"), Decimal("2.00")),
    "abbe": (Decimal(20), Decimal(70)),
    "density": (Decimal("0.90"), Decimal("5.00")),
}
DECIMALS = {"nd": 3, "abbe": 1, "density": 2, "transmittance_clear": 1, "transmittance_dark": 1}  # that are kept
IMPACT = {"low": "low: may splinter", "basic": "basic", "good": "good", "high": "high"}
MOUNTING = {"no": "not at all", "poor": "poorly", "fair": "fairly", "good": "well"}
MATERIAL_FIELDS = ("name", *MATERIAL_BOUNDS, "impact", "drilled", "grooved", "glass", "source")
TINT_FIGURES = ("transmittance_clear", "transmittance_dark")
TREATMENT_FIELDS = ("kind", "name", *TINT_FIGURES)
FIGURES = (*MATERIAL_BOUNDS, *TINT_FIGURES)
STAYS = "This stays as it is: add another one, and retire this."
OPEN_STATES = (Dispense.State.OPEN, Dispense.State.WAITING, Dispense.State.RETURNED, Dispense.State.SIGNED)


def fields_of(item: LensMaterial | Treatment | type[LensMaterial] | type[Treatment]) -> tuple[str, ...]:
    model = item if isinstance(item, type) else type(item)
    return MATERIAL_FIELDS if model is LensMaterial else TREATMENT_FIELDS


def what(item: LensMaterial | Treatment) -> str:
    """In the trail: material, coating or tint."""
    return "material" if isinstance(item, LensMaterial) else "treatment"


def put_values(row: LensMaterial | Treatment, values: Mapping[str, Any]) -> None:
    """Give an item (not saved here) new values. Raises Invalid by field."""
    for name in fields_of(row):
        if name in values:
            setattr(row, name, values[name])
    errors = _material_errors(row) if isinstance(row, LensMaterial) else _treatment_errors(row)
    if errors:
        raise Invalid(errors)


def _line(row: Any, name: str, longest: int, errors: dict[str, str], *, needed: bool = True) -> None:
    try:
        setattr(row, name, line(getattr(row, name) or "", longest=longest))
    except ValueError as problem:
        errors[name] = str(problem)
    if needed and not getattr(row, name):
        errors.setdefault(name, "Needed.")


def _material_errors(row: LensMaterial) -> dict[str, str]:
    errors: dict[str, str] = {}
    _line(row, "name", 80, errors)
    _line(row, "source", 200, errors, needed=False)
    for name, (low, high) in MATERIAL_BOUNDS.items():
        value = getattr(row, name)
        if value is None:
            errors[name] = "Needed."
        elif not (isinstance(value, Decimal) and value.is_finite() and low <= value <= high):
            errors[name] = f"That cannot be: {low} to {high} is what is made."
        elif value != round(value, DECIMALS[name]):
            errors[name] = _too_exact(name)
    if row.impact not in IMPACT:
        errors["impact"] = "Low, basic, good or high."
    for name in ("drilled", "grooved"):
        if getattr(row, name) not in MOUNTING:
            errors[name] = "No, poor, fair or good."
    return errors


def _too_exact(name: str) -> str:
    places = DECIMALS[name]
    return f"At most {places} decimal{'s' if places > 1 else ''}."


def _treatment_errors(row: Treatment) -> dict[str, str]:
    errors: dict[str, str] = {}
    _line(row, "name", 80, errors)
    if row.kind not in Treatment.Kind.values:
        errors["kind"] = "A coating or a tint."
        return errors
    if row.kind == Treatment.Kind.COATING:
        errors |= {n: "A coating has none: this is for tints." for n in TINT_FIGURES if getattr(row, n) is not None}
        return errors
    for name in TINT_FIGURES:
        value = getattr(row, name)
        if value is None:  # without it no driving check can be made
            errors[name] = "A tint has one: the maker states it. For a fixed tint both are the same."
        elif not (isinstance(value, Decimal) and value.is_finite() and 0 < value <= 100):
            errors[name] = "More than 0 and at most 100 per cent."
        elif value != round(value, DECIMALS[name]):
            errors[name] = _too_exact(name)
    clear, dark = row.transmittance_clear, row.transmittance_dark
    if not errors and clear is not None and dark is not None and dark > clear:
        errors["transmittance_dark"] = "At its darkest it lets less light through than at its palest."
    return errors


def as_read(item: LensMaterial | Treatment) -> str:
    """A short digest of what an item says, for a form to carry."""
    values = audit.snapshot(item, (*fields_of(item), *_retired(item)))
    return audit.token(
        {n: f"{Decimal(v).normalize():f}" if n in FIGURES and v is not None else v for n, v in values.items()}
    )


def _retired(item: LensMaterial | Treatment) -> tuple[str, ...]:
    return ("retired_on",) if isinstance(item, Treatment) else ()


def add_part(
    *, actor: Staff, group: Group, model: type[LensMaterial] | type[Treatment], code: str, values: Mapping[str, Any]
) -> SavedItem:
    """A new material, coating or tint. Raises NotAllowed or Invalid (by field; "code" when it is taken)."""
    require_manager(actor, group)
    with transaction.atomic():
        row = model(group=group, code=check_code(code))
        put_values(row, values)
        try:
            with transaction.atomic():
                row.save()
        except IntegrityError:
            raise Invalid({"code": "Another one of this catalogue has that code."}) from None
        _record(actor, "added", row, {}, audit.snapshot(row, fields_of(row)))
    return SavedItem(row, changed=True)


def change_part(*, actor: Staff, item: LensMaterial | Treatment, read: str, values: Mapping[str, Any]) -> SavedItem:
    """Change what it says; work not yet begun is judged again. `read`: `as_read` of what the form showed.

    Raises NotAllowed, Invalid or Conflict. A coating does not become a tint: what it was chosen as would change under a dispense.
    """
    require_manager(actor, item.group)
    with transaction.atomic():
        row = _locked(item)
        if as_read(row) != read:
            raise Conflict("Somebody else changed this since you opened it. Look again; nothing was saved.")
        before, kind = audit.snapshot(row, fields_of(row)), getattr(row, "kind", "")
        put_values(row, values)
        if getattr(row, "kind", "") != kind:
            raise Invalid({"kind": STAYS})
        was, now = changes(before, audit.snapshot(row, fields_of(row)))
        if not now:
            return SavedItem(row, changed=False)
        row.save()
        _record(actor, "changed", row, was, now)
        catalogue_changed.send(type(row), item=row, actor=actor, before=was, after=now)
    return SavedItem(row, changed=True)


def retire_treatment(*, actor: Staff, item: Treatment, reason: str) -> None:
    """Not to be chosen any more. Retiring twice is the same as once. Raises NotAllowed or Invalid (no reason)."""
    if not reason.strip():
        raise Invalid({"reason": "Say why it is retired."})
    _set_retired(actor, item, reason.strip())


def bring_treatment_back(*, actor: Staff, item: Treatment) -> None:
    _set_retired(actor, item, "")


def open_dispenses_with(item: LensMaterial | Treatment) -> QuerySet[Dispense]:
    """Dispenses not yet ordered in which this is chosen."""
    return Dispense.objects.filter(state__in=OPEN_STATES, **chosen_by(item))


def chosen_by(item: LensMaterial | Treatment) -> dict[str, Any]:
    """How a dispense has chosen it."""
    if isinstance(item, LensMaterial):
        return {"lens_option__material": item}
    return {str(item.kind): item}  # the fields of a dispense are called as the kinds are


def _set_retired(actor: Staff, item: Treatment, reason: str) -> None:
    require_manager(actor, item.group)
    on = item.group.today() if reason else None
    with transaction.atomic():
        row = _locked(item)
        assert isinstance(row, Treatment)
        if (row.retired_on is None) == (on is None):
            return
        before, row.retired_on = row.retired_on, on
        row.save(update_fields=["retired_on"])
        more = {"reason": reason[:400]} if reason else {}
        _record(actor, "retired" if on else "brought_back", row, {"retired_on": before}, {"retired_on": on, **more})
        told = ({"retired_on": None if day is None else day.isoformat()} for day in (before, on))
        catalogue_changed.send(Treatment, item=row, actor=actor, before=next(told), after=next(told))
    item.retired_on = on


def _locked(item: LensMaterial | Treatment) -> LensMaterial | Treatment:
    row: LensMaterial | Treatment = (
        type(item)._default_manager.select_for_update(of=("self",)).select_related("group").get(pk=item.pk)
    )
    return row


def _record(
    actor: Staff, deed: str, row: LensMaterial | Treatment, before: Mapping[str, Any], after: Mapping[str, Any]
) -> None:
    audit.record(
        actor=actor,
        action=f"catalogue.{what(row)}_{deed}",
        subject=f"{what(row)} {row.code}"[:80],
        group=row.group,
        before=before,
        after=after,
    )
