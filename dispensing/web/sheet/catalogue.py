"""What can be chosen on the sheet: lenses by family, treatments, and frames by search."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Q

from dispensing.case import SEGMENTED
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensOption, Treatment
from dispensing.optics.notation import format_mm

MOST_FRAMES = 12


@dataclass(frozen=True, slots=True)
class Choice:
    value: int
    words: str
    made_in: str = ""  # keys of the materials a design is made in, apart by spaces


@dataclass(frozen=True, slots=True)
class ChoiceGroup:
    words: str
    choices: tuple[Choice, ...]
    segmented: bool = False


@dataclass(frozen=True, slots=True)
class LensChoices:
    designs: tuple[ChoiceGroup, ...]
    materials: tuple[Choice, ...]


def lens_choices(dispense: Dispense) -> LensChoices:
    """Every design by family, and every material one of them is made in; one query."""
    designs: dict[str, dict[int, tuple[str, list[str]]]] = {}
    materials: dict[int, str] = {}
    rows = (
        LensOption.objects.filter(lens__group=dispense.group_id, retired_on=None, lens__retired_on=None)
        .order_by("material__nd", "material__name", "lens__name", "lens_id")
        .values_list(
            "lens_id", "lens__family", "lens__name", "lens__min_height_mm", "material_id", "material__name", "material__nd"
        )
    )
    for lens, family, name, least, material, material_name, nd in rows:
        words = f"{name} · from height {least.normalize():f}" if least else name
        designs.setdefault(family, {}).setdefault(lens, (words, []))[1].append(str(material))
        materials.setdefault(material, f"{material_name} · n {nd:.2f}")
    return LensChoices(
        designs=tuple(
            ChoiceGroup(
                family.label,
                tuple(
                    Choice(lens, words, " ".join(made))
                    for lens, (words, made) in sorted(designs[family.value].items(), key=lambda d: d[1][0])
                ),
                segmented=family.value in SEGMENTED,
            )
            for family in CatalogueLens.Family
            if family.value in designs
        ),
        materials=tuple(Choice(key, words) for key, words in materials.items()),
    )


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
