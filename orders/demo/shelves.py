"""What stands on the shelves of the demo's branches, and what its lenses cost, take and are made on. Invented."""

from __future__ import annotations

from decimal import Decimal
from zlib import crc32

from dispensing.models import CatalogueFrame, CatalogueLens, FrameStock, LensMaterial, LensOption, Treatment
from practice.models import Branch, Group

_Table = tuple[tuple[int, int, str], ...]

# Front curves by power: (sphere from, to, curve at n = 1.53), D. Invented, in the order of size of what lenses are made on: steps of
# 2 D; flatter for aspheric designs; finer steps for one maker; the table of mineral lenses ends where single pieces are ground.
_PLAIN: _Table = ((-28, -6, "1"), (-6, -2, "3"), (-2, 2, "5"), (2, 4, "6.5"), (4, 14, "8.5"))
_FLAT: _Table = ((-28, -8, "0.5"), (-8, -4, "1.5"), (-4, -1, "2.5"), (-1, 2, "4"), (2, 5, "5.25"), (5, 14, "6.5"))
_FINE: _Table = (
    (-28, -8, "1.25"),
    (-8, -5, "2.25"),
    (-5, -3, "3.25"),
    (-3, -1, "4.25"),
    (-1, 1, "5.25"),
    (1, 3, "6.25"),
    (3, 5, "7.25"),
    (5, 14, "8.75"),
)
_MINERAL: _Table = ((-12, -6, "2"), (-6, -2, "4"), (-2, 2, "6"), (2, 6, "8"))
_NO_TABLE = frozenset({"FLINT", "PARLOUR", "LEVEL-J"})  # makers that state none: the usual rule is shown as assumed
# Coatings and tints some designs are not made with, by the start of the code; all others are made with everything.
_NOT_WITH = {
    "FLINT-G": ("AR-CLEAN", "AR-BLUE", "AR-NIGHT", "MIRROR-S", "PHOTO-DARK", "PHOTO-DRIVE", "POLAR-GREY", "POLAR-BROWN"),
    "KITTIWAKE": ("MIRROR-S", "AR-NIGHT", "GREY-94", "PHOTO-DRIVE"),
    "BULWARK": ("AR-NIGHT", "MIRROR-S", "POLAR-GREY", "POLAR-BROWN", "GRAD-GREY"),
    "HALFMOON": ("AR-NIGHT", "PHOTO-DRIVE", "POLAR-GREY", "POLAR-BROWN"),
    "LEVEL": ("AR-NIGHT", "PHOTO-DRIVE"),
    "TERRACE": ("AR-NIGHT", "AR-BLUE", "MIRROR-S", "PHOTO-DARK", "PHOTO-DRIVE", "POLAR-GREY", "POLAR-BROWN"),
    "BENCHMARK": ("AR-NIGHT", "MIRROR-S", "GREY-75", "GREY-85", "GREY-94", "BROWN-75", "BROWN-85", "GREEN-85", "POLAR-GREY", "POLAR-BROWN"),
    "EASEL": ("AR-NIGHT", "MIRROR-S", "GREY-94", "PHOTO-DRIVE", "POLAR-GREY", "POLAR-BROWN"),
    "PARLOUR": ("AR-NIGHT", "MIRROR-S", "GREY-94", "PHOTO-DRIVE", "POLAR-GREY", "POLAR-BROWN"),
}  # fmt: skip


def _table_of(lens: CatalogueLens, material: LensMaterial) -> _Table:
    if lens.code in _NO_TABLE:
        return ()
    if material.glass:
        return _MINERAL
    if "aspheric" in lens.name:
        return _FLAT
    return _FINE if lens.maker == "Corriefold" else _PLAIN


def _steps(table: _Table, low: Decimal, high: Decimal) -> list[dict[str, str]]:
    """A table cut to the powers that are made."""
    return [
        {"from": f"{max(Decimal(a), low).normalize():f}", "to": f"{min(Decimal(b), high).normalize():f}", "curve": curve}
        for a, b, curve in table
        if a < high and b > low
    ]


def furnish(group: Group, lab_codes: list[str]) -> None:
    """Most frames at two or three branches, one to three of each; price bands, lead times, labs, base curves. The same every time."""
    branches = list(Branch.objects.filter(group=group).order_by("pk"))
    stock = []
    for frame in CatalogueFrame.objects.filter(group=group).order_by("pk"):
        for branch in branches:
            draw = crc32(f"{frame.code} {branch.code}".encode())
            if draw % 10 < 6:
                stock.append(FrameStock(frame=frame, branch=branch, count=draw // 10 % 4))
    FrameStock.objects.bulk_create(stock, ignore_conflicts=True, batch_size=400)
    treatments = list(Treatment.objects.filter(group=group).order_by("code").values_list("code", flat=True))
    lenses = list(CatalogueLens.objects.filter(group=group).order_by("pk"))
    for lens in lenses:
        draw = crc32(lens.code.encode())
        progressive = lens.family in (CatalogueLens.Family.PROGRESSIVE, CatalogueLens.Family.DEGRESSIVE)
        lens.price_band = chr(ord("A") + draw % 3 + (3 if progressive else 0))
        lens.lead_days = 3 + draw // 8 % 5
        lens.lab_codes = lab_codes if draw % 3 else lab_codes[:1]
        lens.near_inset_rule = "fixed" if lens.near_inset_mm is not None else "computed" if progressive else ""
        not_with = next((codes for start, codes in _NOT_WITH.items() if lens.code.startswith(start)), ())
        lens.treatment_codes = [code for code in treatments if code not in not_with]
    CatalogueLens.objects.bulk_update(
        lenses, ["price_band", "lead_days", "lab_codes", "near_inset_rule", "treatment_codes"], batch_size=100
    )
    options = list(LensOption.objects.filter(lens__group=group).select_related("lens", "material").order_by("pk"))
    for option in options:
        if option.sphere_min is None or option.sphere_max is None:
            continue
        option.base_curves = _steps(_table_of(option.lens, option.material), option.sphere_min, option.sphere_max)
        widest = max(option.blank_diameters, default=0)
        option.diameter_ranges = [
            {
                "diameter": str(size),
                "from": f"{option.sphere_min.normalize():f}",
                "to": f"{min(option.sphere_max, Decimal(4)).normalize():f}" if size == widest and size >= 75 else f"{option.sphere_max.normalize():f}",
                "cylinder": "",
            }
            for size in option.blank_diameters
        ]  # fmt: skip
    LensOption.objects.bulk_update(options, ["base_curves", "diameter_ranges"], batch_size=100)
