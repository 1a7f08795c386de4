"""Finding a frame or a lens design in the catalogues of a group, and what is on sale on a day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TypeVar

from django.db import models
from django.db.models import Exists, OuterRef, Q, QuerySet

from dispensing.models import CatalogueFrame, CatalogueLens, FrameStock

ItemT = TypeVar("ItemT", CatalogueFrame, CatalogueLens)
AnyT = TypeVar("AnyT", bound=models.Model)


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameWish:
    """What is looked for. Empty fields ask nothing. Sizes in mm, both ends included."""

    text: str = ""  # words of maker, model, colour, code; or a trade number
    shape: str = ""
    mount: str = ""
    material: str = ""
    child: bool | None = None
    a_least: Decimal | None = None
    a_most: Decimal | None = None
    b_least: Decimal | None = None  # deep enough for a progressive, say
    c_least: Decimal | None = None  # boxed centre distance a + d: the nearer the PD, the less decentration
    c_most: Decimal | None = None
    branch: int | None = None  # in stock there
    retired: bool = False  # those no longer sold as well


def on_sale(rows: QuerySet[AnyT], on: date) -> QuerySet[AnyT]:
    """Rows that are not retired and whose validity covers a day, both ends included."""
    started, going = Q(valid_from=None) | Q(valid_from__lte=on), Q(valid_until=None) | Q(valid_until__gte=on)
    return rows.filter(started, going, retired_on=None)


def find_frames(frames: QuerySet[CatalogueFrame], wish: FrameWish) -> QuerySet[CatalogueFrame]:
    """Those of `frames` that answer to all of a wish, by maker, model and size."""
    if not wish.retired:
        frames = frames.filter(retired_on=None)
    frames = _words(frames, wish.text, ("maker", "model", "colour", "code", "gtin", "material", "shape"))
    for name in ("shape", "mount", "material", "child"):
        value = getattr(wish, name)
        if value not in ("", None):
            frames = frames.filter(**{name: value})
    if wish.branch is not None:
        frames = frames.filter(Exists(FrameStock.objects.filter(frame=OuterRef("pk"), branch=wish.branch, count__gt=0)))
    for name, compare in (("a_least", "a__gte"), ("a_most", "a__lte"), ("b_least", "b__gte")):
        if getattr(wish, name) is not None:
            frames = frames.filter(**{compare: getattr(wish, name)})
    if wish.c_least is not None or wish.c_most is not None:
        frames = frames.annotate(c=models.F("a") + models.F("dbl"))
        if wish.c_least is not None:
            frames = frames.filter(c__gte=wish.c_least)
        if wish.c_most is not None:
            frames = frames.filter(c__lte=wish.c_most)
    return frames.order_by("maker", "model", "a", "colour", "code")


def find_lenses(
    lenses: QuerySet[CatalogueLens], *, text: str = "", family: str = "", material: str = "", retired: bool = False
) -> QuerySet[CatalogueLens]:
    """Designs by words of maker, name or code, by family, and by the code of a material they are made in."""
    if not retired:
        lenses = lenses.filter(retired_on=None)
    lenses = _words(lenses, text, ("maker", "name", "code"))
    if family:
        lenses = lenses.filter(family=family)
    if material:
        lenses = lenses.filter(options__material__code=material, options__retired_on=None)
    simplest_first = models.Case(
        *(models.When(family=value, then=place) for place, value in enumerate(CatalogueLens.Family.values))
    )
    return lenses.order_by(simplest_first, "maker", "name", "code")


def _words(rows: QuerySet[ItemT], text: str, names: tuple[str, ...]) -> QuerySet[ItemT]:
    """Rows in which every word of `text` is in one of the named columns."""
    for word in text.replace("\x00", " ")[:200].split()[:8]:
        some = Q()
        for name in names:
            some |= Q(**{f"{name}__icontains": word})
        rows = rows.filter(some)
    return rows
