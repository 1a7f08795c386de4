"""Narrowing the lenses of a comparison: by coating, tint, lab and price band, as the entries of the catalogue say them.

A design whose entry does not say what it is made with, or by whom, is not left out: not said is not no. For the price band it is, since
nobody looks for a band that is not stated. What the chosen coating rules out is no matter of narrowing: the checks say it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.http import HttpRequest

from dispensing.models import LensOption, Treatment
from practice.web.fields import Field

_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", re.ASCII)
LONGEST_BAND = 20


@dataclass(frozen=True, slots=True)
class Narrow:
    """What is asked for: codes of a coating, a tint and a lab, and a price band; "" asks nothing."""

    coating: str = ""
    tint: str = ""
    lab: str = ""
    price: str = ""

    def __bool__(self) -> bool:
        return any((self.coating, self.tint, self.lab, self.price))

    def keeps(self, option: LensOption) -> bool:
        lens = option.lens
        made_with, labs = lens.treatment_codes, lens.lab_codes
        return (
            all(not code or not made_with or code in made_with for code in (self.coating, self.tint))
            and (not self.lab or not labs or self.lab in labs)
            and (not self.price or lens.price_band == self.price)
        )

    @property
    def asked(self) -> dict[str, str]:
        """For an address."""
        return {"coating": self.coating, "tint": self.tint, "lab": self.lab, "price": self.price}


def narrow_of(request: HttpRequest) -> Narrow:
    """The address, read; what cannot be a code is left out."""
    codes = {n: c for n in ("coating", "tint", "lab") if _CODE.fullmatch(c := request.GET.get(n, ""))}
    return Narrow(**codes, price=request.GET.get("price", "").strip()[:LONGEST_BAND])


def fields(asked: Narrow, group: int, options: Sequence[LensOption]) -> list[Field]:
    """A field for each way in which the designs of these options differ; one that is asked for stays, so that it can be taken back."""
    lenses = {o.lens_id: o.lens for o in options}.values()
    codes = {code for lens in lenses for code in lens.treatment_codes}
    known = Treatment.objects.filter(group=group, code__in=codes).order_by("name").values_list("kind", "code", "name")
    made: dict[str, list[tuple[str, str]]] = {"coating": [], "tint": []}
    for kind, code, name in known:
        made.setdefault(kind, []).append((code, name))
    labs = sorted({code for lens in lenses for code in lens.lab_codes})
    bands = sorted({lens.price_band for lens in lenses if lens.price_band})
    return [
        *_field("coating", "Made with the coating", asked.coating, made["coating"]),
        *_field("tint", "Made with the tint", asked.tint, made["tint"]),
        *_field("lab", "Made by the lab", asked.lab, [(code, code) for code in labs]),
        *_field("price", "Price band", asked.price, [(band, band) for band in bands]),
    ]


def _field(name: str, label: str, value: str, choices: Iterable[tuple[str, str]]) -> list[Field]:
    choices = list(choices)
    if value and value not in dict(choices):
        choices.append((value, value))
    if not choices:
        return []
    return [Field(name=name, label=label, kind="select", value=value, choices=[("", "any"), *choices])]


def unsaid(asked: Narrow, options: Iterable[LensOption]) -> bool:
    """Whether a lens that is kept does not say that it is what is asked for."""
    return any(
        ((asked.coating or asked.tint) and not o.lens.treatment_codes) or (asked.lab and not o.lens.lab_codes)
        for o in options
    )
