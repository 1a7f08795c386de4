"""What can be chosen on the sheet: lenses by family, treatments, and frames by search."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q

from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensOption, Treatment
from dispensing.optics.notation import format_mm

MOST_FRAMES = 12


@dataclass(frozen=True, slots=True)
class Choice:
    value: int
    words: str


@dataclass(frozen=True, slots=True)
class ChoiceGroup:
    words: str
    choices: tuple[Choice, ...]


def lens_choices(dispense: Dispense) -> list[ChoiceGroup]:
    """Every design in every material it is made in, by family; one query."""
    groups: dict[str, list[Choice]] = {}
    rows = (
        LensOption.objects.filter(lens__group=dispense.group_id, retired_on=None, lens__retired_on=None)
        .select_related("lens", "material")
        .order_by("lens__family", "lens__name", "lens__pk", "material__nd")
    )
    for option in rows:
        lens = option.lens
        words = f"{lens.name} · {option.material.name}"
        if lens.min_height_mm:
            words += f" · from height {lens.min_height_mm:g}"
        groups.setdefault(lens.family, []).append(Choice(option.pk, words))
    order = [f.value for f in CatalogueLens.Family]
    return [ChoiceGroup(CatalogueLens.Family(family).label, tuple(groups[family])) for family in order if family in groups]


def treatments(dispense: Dispense) -> dict[str, list[Choice]]:
    out: dict[str, list[Choice]] = {"coating": [], "tint": []}
    for row in Treatment.objects.filter(group=dispense.group_id, retired_on=None).order_by("kind", "name"):
        words = row.name
        if row.kind == "tint" and row.transmittance_clear is not None:
            clear, dark = row.transmittance_clear, row.transmittance_dark
            words += f" · {clear:g} %" if dark in (None, clear) else f" · {clear:g} to {dark:g} %"
        out.setdefault(row.kind, []).append(Choice(row.pk, words))
    return out


@dataclass(frozen=True, slots=True)
class FrameFound:
    row: CatalogueFrame
    size: str


def find_frames(dispense: Dispense, query: str) -> list[FrameFound]:
    """Frames by code, maker, model, colour or shape, and by size: "tern 52", "52-18", "52□18-145"."""
    query = query.strip()[:80]
    if not query:
        return []
    rows = CatalogueFrame.objects.filter(group=dispense.group_id, retired_on=None)
    size = re.search(
        r"(?<![\w.])(\d{2}(?:\.\d)?)\s*[□x×/-]\s*(\d{1,2}(?:\.\d)?)(?:\s*[–/-]\s*(\d{3}))?(?![\w.])", query, re.ASCII
    )
    if size:
        query = query[: size.start()] + " " + query[size.end() :]
        rows = rows.filter(_near("a", size[1]), _near("dbl", size[2]))
        if size[3]:
            rows = rows.filter(side=Decimal(size[3]))
    for word in query.split():
        found = (
            Q(code__icontains=word)
            | Q(maker__icontains=word)
            | Q(model__icontains=word)
            | Q(colour__icontains=word)
            | Q(shape__icontains=word)
        )
        if re.fullmatch(r"\d{2}", word, re.ASCII):
            found |= _near("a", word)
        rows = rows.filter(found)
    return [FrameFound(row, size_of(row)) for row in rows.order_by("model", "colour", "a")[:MOST_FRAMES]]


def _near(name: str, text: str) -> Q:
    """A marked size is the measured one to the millimetre."""
    value = Decimal(text)
    return Q(**{f"{name}__gte": value - Decimal("0.5"), f"{name}__lt": value + Decimal("0.5")})


def size_of(row: CatalogueFrame) -> str:
    def n(value: Decimal | None) -> str:
        return "?" if value is None else format_mm(value).removesuffix(".0")

    return f"{n(row.a)}□{n(row.dbl)}" + (f"–{n(row.side)}" if row.side else "")
