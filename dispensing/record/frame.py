"""The frame, copied into the dispense, and its final fit on the face."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, get_args

from dispensing.case import Mount
from dispensing.gather import FRAME_NUMBERS
from dispensing.models import Adoption, CatalogueFrame, Dispense, Reading
from dispensing.record.base import Change, Saved, changing, now
from practice.errors import Invalid, Refused
from practice.models import Staff

FIT_ADJUSTMENTS: tuple[tuple[str, str], ...] = (
    ("level", "level on the face"),
    ("bridge", "bridge seated"),
    ("sides_width", "sides opened or closed"),
    ("sides_bend", "sides bent behind the ears"),
    ("pantoscopic", "pantoscopic angle set"),
    ("face_form", "face form set"),
    ("vertex", "vertex distance set"),
)
_MOUNTS: tuple[str, ...] = get_args(Mount)
# what a frame can be at all, mm, dioptres or degrees: beyond it a column was mistaken or a key held down
FRAME_BOUNDS: dict[str, tuple[int, int]] = {
    "a": (20, 90),
    "b": (10, 80),
    "dbl": (3, 45),
    "ed": (20, 110),
    "side": (50, 200),
    "front_curve": (-2, 14),
    "face_form_deg": (-10, 40),
    "groove_mm": (0, 3),
}
FIT_BOUNDS: dict[str, tuple[int, int]] = {"vertex_mm": (1, 40), "pantoscopic_deg": (-30, 40), "face_form_deg": (-20, 45)}
FIT_UNITS = {"vertex_mm": "mm", "pantoscopic_deg": "°", "face_form_deg": "°"}


def frame_to_store(item: CatalogueFrame | None, measured: Mapping[str, Decimal | str | bool | None]) -> dict[str, Any]:
    """A frame as the dispense keeps it: fields of case.Frame, numbers as text. What was measured stands over the catalogue."""
    stored: dict[str, Any] = {"own": item is None}
    if item is not None:
        stored |= {
            "name": " ".join(p for p in (item.maker, item.model, item.colour) if p),
            "model": " ".join(p for p in (item.maker, item.model) if p),
            "code": item.code,
            "child": item.child,
            "mount": item.mount,
            "material": item.material,
            "outline": item.outline,
            "drill_points": item.drill_points,
        }
        stored |= {name: _text(getattr(item, name)) for name in FRAME_NUMBERS if getattr(item, name) is not None}
    for name, value in measured.items():
        if name in FRAME_NUMBERS:
            if value is not None:
                if item is not None and name in ("a", "b") and _text(value) != stored.get(name):
                    stored["outline"] = []  # the traced outline belongs to the catalogue's box, not to this one
                stored[name] = _text(value)
        elif value not in (None, ""):
            stored[name] = value
    if not stored.get("outline"):
        stored.pop("outline", None)
    if not stored.get("drill_points"):
        stored.pop("drill_points", None)
    stored["identity"] = frame_identity(stored)
    return stored


def _text(value: Decimal | str | bool) -> str:
    """One way to write a figure, however many noughts it came with."""
    return format(Decimal(str(value)).normalize(), "f")


def frame_identity(stored: Mapping[str, Any]) -> str:
    """What readings are taken on. Another model, another size, another mount is another frame."""

    def size(name: str) -> str:
        value = stored.get(name)
        return format(Decimal(value).normalize(), "f") if value not in (None, "") else "?"

    name = str(stored.get("code") or stored.get("name") or "own frame")
    return f"{name[:36]} {size('a')}□{size('dbl')} b {size('b')} {stored.get('mount') or '?'}"[:80]


def choose_frame(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    item: CatalogueFrame | None = None,
    measured: Mapping[str, Decimal | str | bool | None] | None = None,
) -> Saved:
    """Take a frame of the catalogue, or the client's own (`item` None, everything in `measured`).

    `measured` overrides catalogue figures with what was measured on the frame in hand: a, b, dbl, ed, side, front_curve,
    face_form_deg, groove_mm (mm, dioptres, degrees); for an own frame also name, mount, material, child. A change of frame
    undoes the confirmed fit and puts the readings in doubt; what it says so is in the answer.
    """
    measured = dict(measured or {})
    errors = _frame_errors(measured)
    if item is not None and (item.group_id != dispense.group_id or item.retired_on is not None or _over(item, dispense)):
        errors["frame.item"] = "That frame is not in this group's catalogue any more."
    if errors:
        raise Invalid(errors)
    empty = item is None and not any(v not in (None, "", False) for v in measured.values())
    stored = {} if empty else frame_to_store(item, measured)
    with changing(actor=actor, dispense=dispense, part="frame", version=version, action="dispense.frame") as change:
        old = change.dispense.frame.get("identity", "")
        name = change.dispense.frame.get("name") or "the frame before"
        change.put(frame=stored, frame_item=item)
        identity = stored.get("identity", "")
        if identity != old:
            if change.dispense.fit_confirmed_at is not None:
                change.put(fit_confirmed_at=None, fit_confirmed_by=None, fit_frame_identity="")
                change.said.append("The final fit was confirmed on another frame: confirm it again.")
            _doubt(change, f"taken on {name}")
    return change.saved()


def _over(item: CatalogueFrame, dispense: Dispense) -> bool:
    return item.valid_until is not None and item.valid_until < dispense.branch.today()


def _frame_errors(measured: Mapping[str, Decimal | str | bool | None]) -> dict[str, str]:
    errors = {}
    for name, (low, high) in FRAME_BOUNDS.items():
        value = measured.get(name)
        if isinstance(value, Decimal) and not low <= value <= high:
            errors[f"frame.{name}"] = f"That cannot be: {low} to {high} is what is made."
    mount = measured.get("mount")
    if mount and mount not in _MOUNTS:
        errors["frame.mount"] = "Full rim, grooved or drilled."
    return errors


def save_fit(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    adjusted: Sequence[str] = (),
    vertex_mm: Decimal | None = None,
    pantoscopic_deg: Decimal | None = None,
    face_form_deg: Decimal | None = None,
) -> Saved:
    """What was adjusted and how the frame sits (mm, degrees; pantoscopic positive = bottom nearer the cheeks).

    Once the fit is confirmed, a change of what was adjusted or of an angle or distance already recorded puts the readings
    in doubt; filling in one that was missing does not.
    """
    return _fit(actor, dispense, version, adjusted, vertex_mm, pantoscopic_deg, face_form_deg, confirm=False)


def confirm_fit(
    *,
    actor: Staff,
    dispense: Dispense,
    version: int,
    adjusted: Sequence[str] = (),
    vertex_mm: Decimal | None = None,
    pantoscopic_deg: Decimal | None = None,
    face_form_deg: Decimal | None = None,
) -> Saved:
    """The frame is in its final place on the face: from here on readings may be adopted."""
    return _fit(actor, dispense, version, adjusted, vertex_mm, pantoscopic_deg, face_form_deg, confirm=True)


def _fit(
    actor: Staff,
    dispense: Dispense,
    version: int,
    adjusted: Sequence[str],
    vertex_mm: Decimal | None,
    pantoscopic_deg: Decimal | None,
    face_form_deg: Decimal | None,
    *,
    confirm: bool,
) -> Saved:
    values = {"vertex_mm": vertex_mm, "pantoscopic_deg": pantoscopic_deg, "face_form_deg": face_form_deg}
    errors = {
        f"fit.{name}": f"That cannot be: {low} to {high} {FIT_UNITS[name]}."
        for name, (low, high) in FIT_BOUNDS.items()
        if (v := values[name]) is not None and not low <= v <= high
    }
    known = dict(FIT_ADJUSTMENTS)
    for name in adjusted:
        if name not in known:
            errors["fit.adjusted"] = f"Not an adjustment that is known here: {name[:40]}."
    if errors:
        raise Invalid(errors)
    action = "dispense.fit_confirmed" if confirm else "dispense.fit"
    with changing(actor=actor, dispense=dispense, part="fit", version=version, action=action) as change:
        row = change.dispense
        if confirm and not row.frame:
            raise Refused("Choose the frame first: the fit is confirmed on a frame.")
        moved = row.fit_confirmed_at is not None and (
            set(adjusted) != set(row.fit_adjusted)
            or any(getattr(row, n) is not None and getattr(row, n) != v for n, v in values.items())
        )
        change.put(fit_adjusted=[n for n, _ in FIT_ADJUSTMENTS if n in adjusted], **values)
        if moved:
            _doubt(change, "taken before this change of fit")
            if not confirm:
                change.put(fit_confirmed_at=None, fit_confirmed_by=None, fit_frame_identity="")
                change.said.append("The fit has changed since it was confirmed: confirm it again.")
        if confirm and (row.fit_confirmed_at is None or moved or row.fit_frame_identity != row.frame["identity"]):
            change.put(fit_confirmed_at=now(), fit_confirmed_by=actor, fit_frame_identity=row.frame["identity"])
    return change.saved()


def _doubt(change: Change, why: str) -> None:
    """Put readings and adopted values in doubt; they stay on record and can be adopted again after another look."""
    readings = Reading.objects.filter(dispense=change.dispense, struck_out_at=None, in_doubt=False).update(in_doubt=True)
    adopted = Adoption.objects.filter(dispense=change.dispense, in_doubt=False).update(in_doubt=True)
    if readings or adopted:
        change.note("readings_in_doubt", 0, readings)
        change.said.append(
            f"{readings} reading{'s' if readings != 1 else ''} {why}: in doubt until measured or adopted again."
            if readings
            else f"The adopted values were {why}: in doubt until adopted again."
        )
