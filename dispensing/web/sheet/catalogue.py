"""What can be chosen on the sheet: lenses by family, treatments, and frames by search."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Case, Q, When

from dispensing.case import SEGMENTED
from dispensing.catalogue import on_sale
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensOption, Treatment
from dispensing.optics.notation import format_mm

MOST_FRAMES = 12
# what a mount is called where frames are asked for
MOUNT_WORDS = {
    "full_rim": ("full", "rim", "full-rim"),
    "grooved": ("grooved", "half-rim", "semi-rimless"),
    "drilled": ("drilled", "rimless"),
}


@dataclass(frozen=True, slots=True)
class Choice:
    value: int
    words: str
    made_in: str = ""  # keys of the materials a design is made in, apart by spaces
    made_with: str = ""  # which of the sets of coatings and tints a design is made with; "" = not said
    code: str = ""  # of a coating or tint
    not_with: bool = False  # the design on record is not made with it


NO_LONGER = " · no longer offered"
NOT_WITH = " · not made with this design"  # the script puts it behind a choice, and takes it away again


@dataclass(frozen=True, slots=True)
class ChoiceGroup:
    words: str
    choices: tuple[Choice, ...]
    segmented: bool = False


@dataclass(frozen=True, slots=True)
class LensChoices:
    designs: tuple[ChoiceGroup, ...]
    materials: tuple[Choice, ...]
    made_with: tuple[str, ...]  # sets of codes, apart by spaces: many designs share one, and the page holds each once


def lens_choices(dispense: Dispense) -> LensChoices:
    """Every design by family, and every material one of them is made in; one query. What is on record stays among them, whatever
    has become of it in the catalogue: a choice that is not there would be lost with the next save."""
    designs: dict[str, dict[int, tuple[str, list[str], str]]] = {}
    materials: dict[int, str] = {}
    today = dispense.branch.today()
    started = Q(lens__valid_from=None) | Q(lens__valid_from__lte=today)
    going = Q(lens__valid_until=None) | Q(lens__valid_until__gte=today)
    rows = (
        on_sale(LensOption.objects.all(), today)
        .filter(started, going, lens__group=dispense.group_id, lens__retired_on=None)
        .order_by("material__nd", "material__name", "lens__name", "lens_id")
        .values_list(
            "lens_id", "lens__family", "lens__name", "lens__min_height_mm", "lens__treatment_codes",
            "material_id", "material__name", "material__nd",
        )
    )  # fmt: skip
    for lens, family, name, least, codes, material, material_name, nd in rows:
        words = f"{name} · from height {least.normalize():f}" if least else name
        designs.setdefault(family, {}).setdefault(lens, (words, [], " ".join(codes)))[1].append(str(material))
        materials.setdefault(material, f"{material_name} · n {nd:.2f}")
    if (now := dispense.lens_option) is not None:
        kept, key = now.lens, str(now.material_id)
        _, made, _ = designs.setdefault(kept.family, {}).setdefault(
            kept.pk, (kept.name + NO_LONGER, [], " ".join(kept.treatment_codes))
        )
        if key not in made:
            made.append(key)
            words = f"{now.material.name} · n {now.material.nd:.2f}"
            materials.setdefault(now.material_id, words + NO_LONGER)
    sets = list(dict.fromkeys(codes for family in designs.values() for _, _, codes in family.values() if codes))
    return LensChoices(
        made_with=tuple(sets),
        designs=tuple(
            ChoiceGroup(
                family.label,
                tuple(
                    Choice(lens, words, " ".join(made), str(sets.index(codes)) if codes else "")
                    for lens, (words, made, codes) in sorted(designs[family.value].items(), key=lambda d: d[1][0])
                ),
                segmented=family.value in SEGMENTED,
            )
            for family in CatalogueLens.Family
            if family.value in designs
        ),
        materials=tuple(Choice(key, words) for key, words in materials.items()),
    )


def treatments(dispense: Dispense) -> dict[str, list[Choice]]:
    """Coatings and tints; those that the design on record is not made with come last and say so. What is on record stays."""
    out: dict[str, list[Choice]] = {"coating": [], "tint": []}
    made_with = dispense.lens_option.lens.treatment_codes if dispense.lens_option is not None else []
    rows = list(Treatment.objects.filter(group=dispense.group_id, retired_on=None).order_by("kind", "name"))
    kept = {row.pk: row for row in (dispense.coating, dispense.tint) if row is not None and row.retired_on is not None}
    for row in (*rows, *kept.values()):
        words = row.name
        if row.kind == "tint":
            clear, dark = row.transmittance_clear, row.transmittance_dark
            if clear is None or dark is None:
                words += " · light through not known"
            else:
                words += f" · {clear:g} %" if dark == clear else f" · {clear:g} to {dark:g} %"
        if row.pk in kept:
            words += NO_LONGER
        not_with = bool(made_with) and row.code not in made_with
        out.setdefault(row.kind, []).append(Choice(row.pk, words, code=row.code, not_with=not_with))
    return {kind: sorted(choices, key=lambda choice: choice.not_with) for kind, choices in out.items()}


@dataclass(frozen=True, slots=True)
class FrameFound:
    row: CatalogueFrame
    size: str


def find_frames(dispense: Dispense, query: str) -> list[FrameFound]:
    """Frames by code, maker, model, colour, shape or mount, children's, and by size: "tern 52", "drilled 50", "52□18-145"."""
    query = query.strip()[:80]
    if not query:
        return []
    rows = on_sale(CatalogueFrame.objects.filter(group=dispense.group_id), dispense.branch.today())
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
            | Q(material__icontains=word)
        )
        low = word.lower()
        if len(low) > 2:
            if mounts := [mount for mount, words in MOUNT_WORDS.items() if any(w.startswith(low) for w in words)]:
                found |= Q(mount__in=mounts)
            if "children’s".startswith(low.replace("'", "’")) or low.replace("'", "’") == "child’s":
                found |= Q(child=True)
        if re.fullmatch(r"\d{2}", word, re.ASCII):
            found |= _near("a", word)
        rows = rows.filter(found)
    # who types "tern" means Tern before Lanternmoor: a name that begins with the word comes first
    first = (query.split() or [""])[0]
    begins = Q(model__istartswith=first) | Q(maker__istartswith=first) | Q(code__istartswith=first)
    rows = rows.annotate(far=Case(When(begins, then=0), default=1))
    return [FrameFound(row, size_of(row)) for row in rows.order_by("far", "model", "colour", "a")[:MOST_FRAMES]]


def _near(name: str, text: str) -> Q:
    """A marked size is the measured one to the millimetre."""
    value = Decimal(text)
    return Q(**{f"{name}__gte": value - Decimal("0.5"), f"{name}__lt": value + Decimal("0.5")})


def size_of(row: CatalogueFrame) -> str:
    def n(value: Decimal | None) -> str:
        return "?" if value is None else format_mm(value).removesuffix(".0")

    return f"{n(row.a)}□{n(row.dbl)}" + (f"–{n(row.side)}" if row.side else "")
