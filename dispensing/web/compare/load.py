"""What can be had for a dispense, as options of the pure part; and what choosing one of them would record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any
from urllib.parse import urlencode

from django.db.models import Q, QuerySet
from django.http import HttpRequest

from dispensing import catalogue, gather
from dispensing.case import Case, LensChoice
from dispensing.compare import Option
from dispensing.figures.usual import NEARER_USES
from dispensing.models import Dispense, LensOption
from dispensing.web.sheet.load import CLOSED, load, why_not_change

MOST_PINS = 4
_STATED = ("blank_diameter_mm", "front_curve", "prism_thinning_down")


@dataclass(frozen=True, slots=True)
class Opened:
    """A dispense of an address with its Case, and whether it may be changed by whoever asks."""

    dispense: Dispense
    case: Case
    why_not: str

    @property
    def allowed(self) -> bool:
        return not self.why_not and self.dispense.state not in CLOSED


def opened(request: HttpRequest, reference: str) -> Opened:
    dispense = load(request, reference)
    return Opened(dispense, gather.case_of(dispense), why_not_change(request, dispense) or "")


def can_be_had(dispense: Dispense, case: Case) -> QuerySet[LensOption]:
    """Every design in every material that the group's catalogue has today."""
    started = Q(lens__valid_from=None) | Q(lens__valid_from__lte=case.today)
    going = Q(lens__valid_until=None) | Q(lens__valid_until__gte=case.today)
    return (
        catalogue.on_sale(LensOption.objects.all(), case.today)
        .filter(started, going, lens__group=dispense.group_id, lens__retired_on=None)
        .select_related("lens", "material")
        .order_by("lens__name", "material__nd", "pk")
    )


def choice_values(dispense: Dispense, option: LensOption) -> dict[str, Any]:
    """What choosing this lens records, as `record.choose_lens` takes it.

    Tint, coating, front curve and instruction stay. What belongs to the lens before goes: its blank, and powers that were stated for it.
    """
    if option.pk == dispense.lens_option_id:
        values: dict[str, Any] = {name: getattr(dispense, name) for name in _STATED}
        values |= {"compensation": dispense.compensation, "ordered": dispense.ordered}
    else:
        thinned = option.lens.family == "progressive"
        values = {
            "blank_diameter_mm": None,
            "front_curve": dispense.front_curve,
            "prism_thinning_down": dispense.prism_thinning_down if thinned else None,
            "compensation": "none",
            "ordered": {},
        }
    return {
        "option": option,
        "coating": dispense.coating,
        "tint": dispense.tint,
        "slab_off": dispense.slab_off,
        "remark": dispense.lens_remark,
        **values,
    }


def powers_go(dispense: Dispense, option: LensOption) -> bool:
    """Whether powers were stated for the lens before and would go with it."""
    return dispense.compensation != "none" and option.pk != dispense.lens_option_id


def choice_of(dispense: Dispense, option: LensOption, mount: str | None) -> LensChoice:
    """The lens of a Case once this option is chosen (`choice_values`), with its least edge for a mount."""
    values = choice_values(dispense, option)
    ordered: Mapping[str, Any] = values.pop("ordered") if values["compensation"] != "none" else {}
    values.pop("ordered", None)
    numbers = {name: None if values[name] is None else float(values[name]) for name in _STATED}
    return gather.lens_choice_of(
        values["option"],
        mount=mount,
        coating=values["coating"],
        tint=values["tint"],
        compensation=values["compensation"],
        ordered_right=gather.ordered_power_of(ordered.get("right")),
        ordered_left=gather.ordered_power_of(ordered.get("left")),
        slab_off=values["slab_off"],
        remark=values["remark"],
        blank_diameter_mm=numbers["blank_diameter_mm"],
        front_curve=numbers["front_curve"],
        prism_thinning_down=numbers["prism_thinning_down"] or 0.0,
    )


def option_of(dispense: Dispense, case: Case, row: LensOption) -> Option:
    mount = case.frame.mount if case.frame else None
    choice = gather.narrowed(choice_of(dispense, row, mount), row, case.prescription)
    return Option(key=str(row.pk), choice=choice, maker=row.lens.maker)


def number(value: float | None, digits: int = 1, signed: bool = False) -> str:
    """A computed figure as it is shown: ties away from zero, a true minus sign, "" where it is not known."""
    if value is None:
        return ""
    rounded = Decimal(repr(round(value, 9))).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    sign = "−" if rounded < 0 else "+" if signed and rounded else ""
    return f"{sign}{abs(rounded):f}"


def two(right: float | None, left: float | None, digits: int = 1, signed: bool = False) -> str:
    """R / L; "" where neither is known."""
    if right is None and left is None:
        return ""
    return " / ".join(number(v, digits, signed) or "?" for v in (right, left))


def usual_family(case: Case) -> str:
    """The family one would look at first: of the lens chosen; else progressive where there is an addition and far and near are wanted."""
    if case.lens.design is not None:
        return case.lens.design.family
    rx = case.prescription
    add = rx is not None and any(rx.of(eye).add for eye in ("right", "left"))
    return "progressive" if add and not (case.needs.uses and NEARER_USES.issuperset(case.needs.uses)) else "single_vision"


def query(**parameters: Any) -> str:
    """A query string of what is set; lists give their name several times."""
    kept = {name: value for name, value in parameters.items() if value not in ("", None, [], ())}
    return "?" + urlencode(kept, doseq=True)


def said_of_all(rows: Sequence[Sequence[Any]]) -> list[Any]:
    """What is said of every one of at least three, in the order of the first."""
    if len(rows) < 3:
        return []
    first, *others = rows
    return [said for said in first if all(said in other for other in others)]
