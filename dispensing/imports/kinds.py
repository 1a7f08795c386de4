"""What can be imported: the columns of each kind of file, how a line finds its row, and what it does to it."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.db.models import Q, QuerySet

from dispensing import catalogue, lens_options, lens_parts
from dispensing.imports import cells
from dispensing.imports.columns import (
    FRAME_COLUMNS,
    LENS_COLUMNS,
    MATERIAL_COLUMNS,
    OPTION_COLUMNS,
    TREATMENT_COLUMNS,
    Column,
)
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensMaterial, LensOption, Treatment
from dispensing.optics.boxing import box
from practice import audit
from practice.errors import Invalid
from practice.models import Group
from practice.words import fold

OUTLINE_OFF_MM = Decimal("0.5")  # ISO 12870 allows this much on a boxed size (from memory)


@dataclass(frozen=True, slots=True)
class Known:
    """What a chunk of lines is held against, fetched once."""

    group: Group
    treatments: frozenset[str] = frozenset()
    lenses: Mapping[str, CatalogueLens] = field(default_factory=dict)
    materials: Mapping[str, LensMaterial] = field(default_factory=dict)


class Kind(ABC):
    """One kind of file. A row's fields are compared and written by name, as plain values."""

    name: str
    label: str
    item: str  # one of them, in words
    columns: tuple[Column, ...]
    fields: tuple[str, ...]
    unique: tuple[str, ...]
    keys: Mapping[str, str] = {}  # by what a line may find its row

    @property
    def by_name(self) -> dict[str, Column]:
        return {c.name: c for c in self.columns}

    def needed(self, key_by: str) -> tuple[str, ...]:
        """Columns without which a file of new rows is of no use."""
        return tuple(c.name for c in self.columns if c.needed)

    def known(self, group: Group, values: Sequence[Mapping[str, Any]]) -> Known:
        return Known(group)

    @abstractmethod
    def all(self, group: Group) -> QuerySet[Any]: ...

    @abstractmethod
    def by_code(self, group: Group, codes: Iterable[str], *, lock: bool = False) -> dict[str, Any]: ...

    def key(self, values: Mapping[str, Any], key_by: str) -> str:
        """What this line is found by; "" when it does not say. Raises ValueError."""
        return self.code_of_values(values)

    def code_of_values(self, values: Mapping[str, Any]) -> str:
        return str(values.get("code", ""))

    def found(self, group: Group, keys: Iterable[str], key_by: str) -> dict[str, list[Any]]:
        return {code: [row] for code, row in self.by_code(group, keys).items()}

    def code(self, row: Any) -> str:
        return str(row.code)

    def new_code(self, values: Mapping[str, Any], key_by: str) -> str:
        return catalogue.check_code(self.code_of_values(values))

    @abstractmethod
    def blank(self, known: Known, code: str) -> Any: ...

    @abstractmethod
    def apply(self, row: Any, values: Mapping[str, Any], known: Known) -> None: ...

    @abstractmethod
    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        """Which of these are used, and where."""

    @abstractmethod
    def before_signal(self, row: Any) -> dict[str, Any]: ...

    def cell(self, row: Any, name: str) -> str:
        return cells.text_of(getattr(row, name))


class Frames(Kind):
    name, label, item = "frames", "frames", "frame"
    fields = (*catalogue.FRAME_FIELDS, "outline", "drill_points")
    unique = ("group", "code")
    keys = {
        "code": "the maker’s code",
        "gtin": "the trade number (GTIN)",
        "model": "maker, model, size and colour",
    }
    columns = FRAME_COLUMNS

    def needed(self, key_by: str) -> tuple[str, ...]:
        more = {"code": ("code",), "gtin": ("gtin",), "model": ("colour",)}[key_by]
        return tuple(dict.fromkeys((*more, "maker", "model", "a", "b", "dbl")))

    def all(self, group: Group) -> QuerySet[Any]:
        return CatalogueFrame.objects.filter(group=group).order_by("pk")

    def by_code(self, group: Group, codes: Iterable[str], *, lock: bool = False) -> dict[str, Any]:
        rows = CatalogueFrame.objects.filter(group=group, code__in=list(codes))
        return {row.code: row for row in (rows.select_for_update() if lock else rows)}

    def key(self, values: Mapping[str, Any], key_by: str) -> str:
        if key_by == "gtin":
            text = str(values.get("gtin", ""))
            return text.replace(" ", "").replace("-", "")
        if key_by == "model":
            return _model_key(*(values.get(n) for n in ("maker", "model", "a", "dbl", "colour")))
        return self.code_of_values(values)

    def found(self, group: Group, keys: Iterable[str], key_by: str) -> dict[str, list[Any]]:
        keys = set(keys)
        rows: QuerySet[CatalogueFrame] = CatalogueFrame.objects.filter(group=group)
        if key_by == "gtin":
            rows = rows.filter(gtin__in=keys - {""})
        elif key_by == "model":
            rows = rows.filter(model__in={k.split(_BETWEEN)[1] for k in keys if k})
        else:
            return super().found(group, keys, key_by)
        out: dict[str, list[Any]] = {}
        for row in rows:
            key = row.gtin if key_by == "gtin" else _model_key(row.maker, row.model, row.a, row.dbl, row.colour)
            if key in keys:
                out.setdefault(key, []).append(row)
        return out

    def new_code(self, values: Mapping[str, Any], key_by: str) -> str:
        if values.get("code") or key_by == "code":
            return super().new_code(values, key_by)
        if key_by == "gtin":
            return catalogue.check_code(str(values.get("gtin", "")))
        made = re.sub(
            r"[^A-Za-z0-9.]+", "-", fold(" ".join(cells.text_of(values.get(n)) for n in ("model", "a", "colour")))
        )
        return catalogue.check_code(made.strip("-").upper()[:40])

    def blank(self, known: Known, code: str) -> CatalogueFrame:
        return CatalogueFrame(group=known.group, code=code)

    def apply(self, row: CatalogueFrame, values: Mapping[str, Any], known: Known) -> None:
        catalogue.put_values(row, values)
        drawn = values.get("outline")
        if not drawn:
            return
        shape = box(drawn)
        for name, value in (("a", shape.a), ("b", shape.b)):
            stated = getattr(row, name)
            if abs(Decimal(str(value)) - stated) > OUTLINE_OFF_MM:
                words = f"The outline is {value:.1f} mm in {name}, stated are {stated.normalize():f} mm."
                raise Invalid({"outline": words})
        row.outline = list(drawn)

    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        rows = Dispense.objects.filter(frame_item__group=group, frame_item__code__in=codes)
        return {code: f"chosen in {ref}" for code, ref in rows.order_by("-pk").values_list("frame_item__code", "reference")}

    def before_signal(self, row: CatalogueFrame) -> dict[str, Any]:
        return catalogue.judged_by(row)


_BETWEEN = "\t"  # which no words of a catalogue hold


def _model_key(maker: Any, model: Any, a: Any, dbl: Any, colour: Any) -> str:
    if not (maker and model) or a is None or dbl is None:
        return ""
    return _BETWEEN.join((maker, model, cells.text_of(a), cells.text_of(dbl), colour or ""))[:240]


class Lenses(Kind):
    name, label, item = "lenses", "lens designs", "lens design"
    fields = catalogue.LENS_FIELDS
    unique = ("group", "code")
    keys = {"code": "the maker’s code"}
    columns = LENS_COLUMNS

    def known(self, group: Group, values: Sequence[Mapping[str, Any]]) -> Known:
        wanted = {code for v in values for code in v.get("treatment_codes") or ()}
        there = Treatment.objects.filter(group=group, code__in=wanted).values_list("code", flat=True) if wanted else ()
        return Known(group, treatments=frozenset(there))

    def all(self, group: Group) -> QuerySet[Any]:
        return CatalogueLens.objects.filter(group=group).order_by("pk")

    def by_code(self, group: Group, codes: Iterable[str], *, lock: bool = False) -> dict[str, Any]:
        rows = CatalogueLens.objects.filter(group=group, code__in=list(codes))
        return {row.code: row for row in (rows.select_for_update() if lock else rows)}

    def blank(self, known: Known, code: str) -> CatalogueLens:
        return CatalogueLens(group=known.group, code=code)

    def apply(self, row: CatalogueLens, values: Mapping[str, Any], known: Known) -> None:
        catalogue.put_values(row, values)
        if unknown := [
            c for c in row.treatment_codes if c in values.get("treatment_codes", ()) and c not in known.treatments
        ]:
            raise Invalid({"treatment_codes": f"Not among the coatings and tints: {', '.join(unknown)}."})

    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        rows = LensOption.objects.filter(lens__group=group, lens__code__in=codes)
        out = dict.fromkeys(rows.values_list("lens__code", flat=True), "made in a material since")
        chosen = Dispense.objects.filter(lens_option__lens__group=group, lens_option__lens__code__in=codes)
        return out | {c: f"chosen in {ref}" for c, ref in chosen.values_list("lens_option__lens__code", "reference")}

    def before_signal(self, row: CatalogueLens) -> dict[str, Any]:
        return catalogue.judged_by(row)


class Options(Kind):
    name, label, item = "options", "lens options", "lens option"
    fields = lens_options.FIELDS
    unique = ("lens", "material")
    keys = {"code": "design and material"}
    columns = OPTION_COLUMNS

    def known(self, group: Group, values: Sequence[Mapping[str, Any]]) -> Known:
        lenses = CatalogueLens.objects.filter(group=group, code__in={v.get("lens", "") for v in values})
        materials = LensMaterial.objects.filter(group=group, code__in={v.get("material", "") for v in values})
        return Known(group, lenses={r.code: r for r in lenses}, materials={r.code: r for r in materials})

    def all(self, group: Group) -> QuerySet[Any]:
        return LensOption.objects.filter(lens__group=group).select_related("lens", "material").order_by("pk")

    def by_code(self, group: Group, codes: Iterable[str], *, lock: bool = False) -> dict[str, Any]:
        wanted = {tuple(c.split("/", 1)) for c in codes if "/" in c}
        lenses, materials = {w[0] for w in wanted}, {w[1] for w in wanted}
        rows = self.all(group).filter(Q(lens__code__in=lenses) & Q(material__code__in=materials))
        if lock:
            rows = rows.select_for_update(of=("self",))
        return {code: row for row in rows if tuple((code := lens_options.code_of(row)).split("/", 1)) in wanted}

    def code_of_values(self, values: Mapping[str, Any]) -> str:
        lens, material = values.get("lens", ""), values.get("material", "")
        return f"{lens}/{material}" if lens and material else ""

    def new_code(self, values: Mapping[str, Any], key_by: str) -> str:
        return self.code_of_values(values)

    def code(self, row: LensOption) -> str:
        return lens_options.code_of(row)

    def blank(self, known: Known, code: str) -> LensOption:
        lens, material = code.split("/", 1)
        errors = {}
        if lens not in known.lenses:
            errors["lens"] = "No design of the catalogue has that code."
        if material not in known.materials:
            errors["material"] = "No material of the catalogue has that code."
        if errors:
            raise Invalid(errors)
        return LensOption(lens=known.lenses[lens], material=known.materials[material])

    def apply(self, row: LensOption, values: Mapping[str, Any], known: Known) -> None:
        lens_options.put_values(row, values)

    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        keys = {row.pk: code for code, row in self.by_code(group, codes).items()}
        rows = Dispense.objects.filter(lens_option__in=keys).values_list("lens_option_id", "reference")
        return {keys[pk]: f"chosen in {ref}" for pk, ref in rows if pk is not None}

    def before_signal(self, row: LensOption) -> dict[str, Any]:
        return audit.snapshot(row, lens_options.FIELDS)

    def cell(self, row: LensOption, name: str) -> str:
        if name in ("lens", "material"):
            return str(getattr(row, name).code)
        if name == "base_curves":
            return cells.base_curves_text(row.base_curves)
        if name == "diameter_ranges":
            return cells.diameter_ranges_text(row.diameter_ranges)
        return super().cell(row, name)


class Parts(Kind):
    """What lenses are made of and made with."""

    model: type[LensMaterial] | type[Treatment]
    unique = ("group", "code")
    keys = {"code": "the code"}

    def all(self, group: Group) -> QuerySet[Any]:
        return self.model._default_manager.filter(group=group).order_by("pk")

    def by_code(self, group: Group, codes: Iterable[str], *, lock: bool = False) -> dict[str, Any]:
        rows = self.all(group).filter(code__in=list(codes))
        return {row.code: row for row in (rows.select_for_update() if lock else rows)}

    def blank(self, known: Known, code: str) -> Any:
        return self.model(group=known.group, code=code)

    def apply(self, row: Any, values: Mapping[str, Any], known: Known) -> None:
        kind = row.kind if row.pk and isinstance(row, Treatment) else None
        lens_parts.put_values(row, values)
        if kind is not None and row.kind != kind:
            raise Invalid({"kind": lens_parts.STAYS})

    def before_signal(self, row: Any) -> dict[str, Any]:
        return audit.snapshot(row, self.fields)


class Materials(Parts):
    name, label, item = "materials", "lens materials", "lens material"
    fields = lens_parts.MATERIAL_FIELDS
    columns = MATERIAL_COLUMNS
    model = LensMaterial

    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        rows = LensOption.objects.filter(material__group=group, material__code__in=codes)
        return dict.fromkeys(rows.values_list("material__code", flat=True), "what a design is made in since")


class Treatments(Parts):
    name, label, item = "treatments", "coatings and tints", "coating or tint"
    fields = lens_parts.TREATMENT_FIELDS
    columns = TREATMENT_COLUMNS
    model = Treatment

    def used(self, group: Group, codes: Sequence[str]) -> dict[str, str]:
        named = (
            CatalogueLens.objects.filter(group=group).exclude(treatment_codes=[]).values_list("treatment_codes", flat=True)
        )
        out = {code: "what a design is made with since" for listed in named for code in listed if code in codes}
        for field_name in ("coating", "tint"):
            chosen = Dispense.objects.filter(**{f"{field_name}__group": group, f"{field_name}__code__in": codes})
            out |= {c: f"chosen in {ref}" for c, ref in chosen.values_list(f"{field_name}__code", "reference")}
        return out


KINDS: Mapping[str, Kind] = {kind.name: kind for kind in (Frames(), Lenses(), Options(), Materials(), Treatments())}


def guess(kind: Kind, heading: Sequence[str], remembered: Mapping[str, str]) -> list[str]:
    """A field for each column: as the group last named it, else by name, label or a trade word; each field once."""
    known: dict[str, str] = {}
    for column in kind.columns:
        for text in (column.name, column.label, *column.words):
            known.setdefault(fold(text), column.name)
    fields = kind.by_name
    out: list[str] = []
    for text in heading:
        folded = fold(text)
        name = remembered.get(folded)
        if name is None or (name and name not in fields):
            name = known.get(folded, "") or known.get(re.sub(r" (mm|deg|g|d)$", "", folded), "")
        out.append("" if name in out else name)
    return out
