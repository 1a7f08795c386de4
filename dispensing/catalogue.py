"""The catalogues of a group: finding a frame or a lens, changing one, retiring one.

Nothing is deleted: what was dispensed keeps pointing at it. A dispense keeps its own copy of the frame's figures, so a change here
changes no dispense. Codes are the keys of an item within its group and never change.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import QuerySet
from stdnum import ean

from dispensing.catalogue_find import FrameWish as FrameWish
from dispensing.catalogue_find import find_frames as find_frames
from dispensing.catalogue_find import find_lenses as find_lenses
from dispensing.catalogue_find import on_sale as on_sale
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, Treatment
from dispensing.optics.errors import OpticsError
from dispensing.optics.outlines import SHAPE_KINDS, outline_for
from dispensing.record.frame import FRAME_BOUNDS
from dispensing.signals import catalogue_changed
from practice import access, audit
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import Group, Staff
from practice.words import line

FRAME_TEXTS = {"maker": 80, "model": 80, "colour": 60, "gtin": 14, "shape": 40, "material": 40}
FRAME_LIMITS: dict[str, tuple[int, int]] = {**FRAME_BOUNDS, "weight_g": (1, 200)}  # mm, dioptres, degrees, grams
FRAME_FIGURES = tuple(FRAME_LIMITS)
VALIDITY = ("valid_from", "valid_until")
FRAME_FIELDS = (*FRAME_TEXTS, *FRAME_FIGURES, "mount", "child", *VALIDITY)
LENS_TEXTS = {"maker": 80, "name": 120, "price_band": 20}
# least and greatest that a design can have at all: mm, dioptres
LENS_BOUNDS: dict[str, tuple[int, int]] = {
    "corridor_mm": (4, 30),
    "min_height_mm": (6, 40),
    "min_above_mm": (0, 30),
    "near_inset_mm": (0, 8),
    "segment_width_mm": (8, 90),
    "segment_depth_mm": (5, 60),
    "intermediate_depth_mm": (2, 20),
    "segment_centre_below_top_mm": (-10, 40),
    "cross_above_prism_point_mm": (0, 12),
    "add_min": (0, 6),
    "add_max": (0, 20),
    "degression": (0, 6),
}
LENS_LISTS = ("lab_codes", "treatment_codes")
MOST_LEAD_DAYS = 365
LENS_FIELDS = (*LENS_TEXTS, "family", *LENS_BOUNDS, "near_inset_rule", "lead_days", *LENS_LISTS, *VALIDITY)
_NEEDED = {
    "progressive": ("corridor_mm", "min_height_mm"),
    "degressive": ("corridor_mm", "min_height_mm", "degression"),
    "round_bifocal": ("segment_width_mm",),
    "flat_top_bifocal": ("segment_width_mm", "segment_depth_mm"),
    "trifocal": ("segment_width_mm", "segment_depth_mm", "intermediate_depth_mm"),
    "single_vision": (),
}
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")


# --- changing ---------------------------------------------------------------------------------------------------------


def may_change(actor: Staff) -> bool:
    """A manager of any branch: the catalogues belong to the whole group."""
    return bool(access.branches_where(actor, "catalogue.change"))


def require_manager(actor: Staff, group: Group) -> None:
    if actor.group_id != group.pk or not may_change(actor):
        raise NotAllowed("Only a manager of this group can change its catalogues.")


def as_read(item: CatalogueFrame | CatalogueLens) -> str:
    """A short digest of what an item says: sent with a form, it shows whether somebody else changed it meanwhile."""
    fields = FRAME_FIELDS if isinstance(item, CatalogueFrame) else LENS_FIELDS
    values = audit.snapshot(item, (*fields, "retired_on"))
    figures = {k: str(Decimal(v).normalize()) if isinstance(v, str) and _is_figure(v) else v for k, v in values.items()}
    return hashlib.sha256(json.dumps(figures, sort_keys=True).encode()).hexdigest()[:16]


def _is_figure(text: str) -> bool:
    try:
        return Decimal(text).is_finite()
    except InvalidOperation:
        return False


@dataclass(frozen=True, slots=True)
class SavedItem:
    """What became of an item, and what followed from the change without being asked for."""

    item: Any
    changed: bool
    said: tuple[str, ...] = ()


def add_frame(*, actor: Staff, group: Group, code: str, values: Mapping[str, Any]) -> SavedItem:
    """A new frame in the catalogue. Raises NotAllowed or Invalid (by field name; "code" when it is taken)."""
    return _save(CatalogueFrame(group=group, code=check_code(code)), actor, values, None, "catalogue.frame_added")


def change_frame(*, actor: Staff, frame: CatalogueFrame, read: str, values: Mapping[str, Any]) -> SavedItem:
    """Change figures or words of a frame. `read` is `as_read` of what the form showed. Raises NotAllowed, Invalid, Conflict."""
    return _save(frame, actor, values, read, "catalogue.frame_changed")


def add_lens(*, actor: Staff, group: Group, code: str, values: Mapping[str, Any]) -> SavedItem:
    """A new lens design, not yet made in any material."""
    return _save(CatalogueLens(group=group, code=check_code(code)), actor, values, None, "catalogue.lens_added")


def change_lens(*, actor: Staff, lens: CatalogueLens, read: str, values: Mapping[str, Any]) -> SavedItem:
    """Change figures or words of a lens design. Dispenses that are open see it at once, so their checks run on it."""
    return _save(lens, actor, values, read, "catalogue.lens_changed")


def retire(*, actor: Staff, item: CatalogueFrame | CatalogueLens, reason: str) -> None:
    """Not to be chosen any more; everything it was chosen for stays as it is. Retiring twice is the same as once."""
    reason = reason.strip()
    if not reason:
        raise Invalid({"reason": "Say why it is retired."})
    _set_retired(actor, item, item.group.today(), reason)


def bring_back(*, actor: Staff, item: CatalogueFrame | CatalogueLens) -> None:
    _set_retired(actor, item, None, "")


def open_dispenses_with(item: CatalogueFrame | CatalogueLens) -> QuerySet[Dispense]:
    """Dispenses not yet ordered in which this is chosen."""
    way = {"frame_item": item} if isinstance(item, CatalogueFrame) else {"lens_option__lens": item}
    states = (Dispense.State.OPEN, Dispense.State.WAITING, Dispense.State.RETURNED, Dispense.State.SIGNED)
    return Dispense.objects.filter(state__in=states, **way)


def _set_retired(actor: Staff, item: CatalogueFrame | CatalogueLens, on: date | None, reason: str) -> None:
    require_manager(actor, item.group)
    with transaction.atomic():
        row: Any = type(item)._default_manager.select_for_update().get(pk=item.pk)
        if (row.retired_on is None) == (on is None):
            return
        before = row.retired_on
        row.retired_on = on
        row.save(update_fields=["retired_on"])
        audit.record(
            actor=actor,
            action=f"catalogue.{_kind(row)}_{'retired' if on else 'brought_back'}",
            subject=f"{_kind(row)} {row.code}",
            group=row.group,
            before={"retired_on": before},
            after={"retired_on": on, **({"reason": reason[:400]} if reason else {})},
        )
        told = ({"retired_on": None if day is None else day.isoformat()} for day in (before, on))
        catalogue_changed.send(type(row), item=row, actor=actor, before=next(told), after=next(told))
    item.retired_on = on


def _kind(item: CatalogueFrame | CatalogueLens) -> str:
    return "frame" if isinstance(item, CatalogueFrame) else "lens"


def check_code(text: str) -> str:
    """The code as it is kept. Raises Invalid for one that cannot be a key."""
    if not _CODE.fullmatch(text.strip()):
        raise Invalid({"code": "Letters, digits, dots, dashes; at most 40, and no spaces: it is the key of the item."})
    return text.strip()


def _save(
    item: CatalogueFrame | CatalogueLens, actor: Staff, values: Mapping[str, Any], read: str | None, action: str
) -> SavedItem:
    require_manager(actor, item.group)
    fields = FRAME_FIELDS if isinstance(item, CatalogueFrame) else LENS_FIELDS
    said: list[str] = []
    with transaction.atomic():
        row: Any = item
        if read is not None:
            row = type(item)._default_manager.select_for_update().select_related("group").get(pk=item.pk)
            if as_read(row) != read:
                raise Conflict("Somebody else changed this item since you opened it. Look again; nothing was saved.")
        before = audit.snapshot(row, fields) if read is not None else {}
        drawn = judged_by(row)
        said += put_values(row, values)
        if isinstance(row, CatalogueLens) and (unknown := unknown_treatments(row.treatment_codes, row.group)):
            raise Invalid({"treatment_codes": f"Not among the coatings and tints: {', '.join(unknown)}."})
        was, now = audit.changed(before, audit.snapshot(row, fields))
        if read is not None and not now:
            return SavedItem(row, changed=False)
        try:
            with transaction.atomic():
                row.save()
        except IntegrityError:
            raise Invalid({"code": "Another item of this catalogue has that code."}) from None
        audit.record(actor=actor, action=action, subject=f"{_kind(row)} {row.code}", group=row.group, before=was, after=now)
        if read is not None:
            tell_changed(actor, row, drawn)
    return SavedItem(row, changed=True, said=tuple(said))


def unknown_treatments(codes: list[str], group: Group) -> list[str]:
    known = set(Treatment.objects.filter(group=group, code__in=codes).values_list("code", flat=True)) if codes else set()
    return [code for code in codes if code not in known]


def judged_by(item: CatalogueFrame | CatalogueLens) -> dict[str, Any]:
    """What an item says, drawn shapes and drill points included: for comparing before and after a change."""
    if isinstance(item, CatalogueFrame):
        return audit.snapshot(item, (*FRAME_FIELDS, "outline", "drill_points"))
    return audit.snapshot(item, LENS_FIELDS)


def tell_changed(actor: Staff, row: CatalogueFrame | CatalogueLens, before: Mapping[str, Any]) -> None:
    """Say upwards what became of an item, inside the transaction that changed it. `before` is `judged_by` as it was."""
    was, now = audit.changed(before, judged_by(row))
    if now:
        catalogue_changed.send(type(row), item=row, actor=actor, before=was, after=now)


def put_values(row: CatalogueFrame | CatalogueLens, values: Mapping[str, Any]) -> list[str]:
    """Give an item (not saved here) new values, with what follows from them; says what followed. Raises Invalid by field."""
    fields = FRAME_FIELDS if isinstance(row, CatalogueFrame) else LENS_FIELDS
    box_before = (row.a, row.b, row.ed, row.shape) if isinstance(row, CatalogueFrame) else ()
    for name in fields:
        if name in values:
            setattr(row, name, values[name] if values[name] is not None or name in _nullable(row) else "")
    errors = _frame_errors(row) if isinstance(row, CatalogueFrame) else _lens_errors(row)
    if errors:
        raise Invalid(errors)
    if isinstance(row, CatalogueFrame) and box_before != (row.a, row.b, row.ed, row.shape):
        return _new_outline(row)
    return []


def _nullable(row: models.Model) -> frozenset[str]:
    return frozenset(f.name for f in row._meta.concrete_fields if f.null)


def _texts(row: Any, longest: Mapping[str, int], needed: tuple[str, ...]) -> dict[str, str]:
    errors = {}
    for name, most in longest.items():
        try:
            setattr(row, name, line(getattr(row, name) or "", longest=most))
        except ValueError as problem:
            errors[name] = str(problem)
    errors |= {name: "Needed." for name in needed if not getattr(row, name) and name not in errors}
    return errors


def _beyond(row: Any, bounds: Mapping[str, tuple[int, int]]) -> dict[str, str]:
    errors = {}
    for name, (low, high) in bounds.items():
        value = getattr(row, name)
        if value is not None and not (isinstance(value, Decimal) and value.is_finite() and low <= value <= high):
            errors[name] = f"That cannot be: {low} to {high} is what is made."
    return errors


def validity_errors(row: Any) -> dict[str, str]:
    if row.valid_from is not None and row.valid_until is not None and row.valid_until < row.valid_from:
        return {"valid_until": "The last day is before the first."}
    return {}


def _frame_errors(row: CatalogueFrame) -> dict[str, str]:
    errors = _texts(row, FRAME_TEXTS, ("maker", "model"))
    errors |= _beyond(row, FRAME_LIMITS)
    errors |= {name: "Needed." for name in ("a", "b", "dbl") if getattr(row, name) is None}
    errors |= validity_errors(row)
    if row.mount not in CatalogueFrame.Mount.values:
        errors["mount"] = "Full rim, grooved or drilled."
    if row.gtin and "gtin" not in errors:
        if not ean.is_valid(row.gtin):
            errors["gtin"] = "The check digit does not fit: 8, 12, 13 or 14 digits, as printed under the bars."
        else:
            row.gtin = ean.compact(row.gtin)
    if row.ed is not None and not errors:
        assert row.a is not None
        assert row.b is not None
        least, most = max(row.a, row.b) - Decimal("0.5"), Decimal(str(math.hypot(row.a, row.b))) + Decimal("0.05")
        if not least <= row.ed <= most:
            errors["ed"] = (
                f"An effective diameter lies between the greater side of the box and its diagonal: {least:.1f} to {most:.1f} mm."
            )
    return errors


def _lens_errors(row: CatalogueLens) -> dict[str, str]:
    errors = _texts(row, LENS_TEXTS, ("maker", "name"))
    errors |= _beyond(row, LENS_BOUNDS)
    errors |= validity_errors(row)
    for name in LENS_LISTS:
        if not all(isinstance(code, str) and _CODE.fullmatch(code) for code in getattr(row, name)):
            errors[name] = "Codes, separated by spaces."
    if row.lead_days is not None and not 0 <= row.lead_days <= MOST_LEAD_DAYS:
        errors["lead_days"] = f"From 0 to {MOST_LEAD_DAYS} working days."
    if row.near_inset_rule and row.near_inset_rule not in CatalogueLens.NearInset.values:
        errors["near_inset_rule"] = "Computed, fixed or by the maker."
    elif row.near_inset_rule == CatalogueLens.NearInset.FIXED and row.near_inset_mm is None:
        errors["near_inset_mm"] = "A fixed inset has a figure."
    if row.family not in CatalogueLens.Family.values:
        errors["family"] = "Choose the family."
        return errors
    errors |= {
        name: f"A {row.get_family_display()} needs this." for name in _NEEDED[row.family] if getattr(row, name) is None
    }
    if row.add_min is not None and row.add_max is not None and row.add_min > row.add_max:
        errors["add_max"] = "The greatest addition is less than the least."
    return errors


def _new_outline(row: CatalogueFrame) -> list[str]:
    """The outline belongs to the box: with another box it is drawn anew from the shape, or taken away."""
    had = bool(row.outline)
    row.outline = []
    if row.drill_points:
        row.drill_points = []
        drilled = ["The drill points belonged to the box before and were taken away."]
    else:
        drilled = []
    if row.shape not in SHAPE_KINDS:
        return [*drilled, *(["The outline belonged to the box before and was taken away."] if had else [])]
    try:
        radii = _drawn(float(row.a or 0), float(row.b or 0), None if row.ed is None else float(row.ed), row.shape)
    except OpticsError as problem:
        raise Invalid({getattr(problem, "argument", "") or "shape": problem.message}) from problem
    row.outline = list(radii)
    if row.ed is None:
        row.ed = Decimal(str(round(2 * max(radii), 1)))
    return [*drilled, f"The outline was drawn from the shape “{row.shape.replace('_', ' ')}” to fit this box."]


@lru_cache(maxsize=512)
def _drawn(a: float, b: float, ed: float | None, shape: str) -> tuple[float, ...]:
    """Kept: a delivery has hundreds of colours and models of one size."""
    return tuple(round(r, 2) for r in outline_for(a, b, ed, shape))
