"""The cases of one person: by method, lens family and power band; what was returned and why. Reads only, no client in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Q

from dispensing.models import CatalogueLens, Comparison, Dispense, PrescriptionEye, Signature
from practice.models import Staff

# Stronger principal power by size, D: "high" from 6.00 as on the sign-off desk; the steps below are common practice.
BANDS = (
    (Decimal("2.25"), "under 2.25 D"),
    (Decimal("4.25"), "2.25 to under 4.25 D"),
    (Decimal("6.00"), "4.25 to under 6.00 D"),
)
HIGH_BAND = "6.00 D and over"
NONE = "not recorded"
_BAND_ORDER = [*(words for _, words in BANDS), HIGH_BAND, NONE]
FAMILY_WORDS = dict(CatalogueLens.Family.choices)
State = Dispense.State


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """One return of a dispense. `places` are paths of the sheet; `comment` and `remarks` are free text."""

    on: date
    by: str
    comment: str
    remarks: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseDone:
    """One dispense as a training record keeps it. `reference` leads back to it on a page and is never exported."""

    reference: str
    on: date
    family: str
    band: str
    pd_method: str
    height_method: str
    outcome: str
    returns: tuple[Return, ...]
    compared: tuple[Comparison, ...]  # first blind re-measure of each quantity and eye of this person's readings


def power_band(eyes: Iterable[PrescriptionEye]) -> str:
    """By the strongest principal power of both eyes; a balance lens says nothing."""
    powers = [
        abs(p)
        for e in eyes
        if e.sphere is not None and not e.balance
        for p in (e.sphere, e.sphere + (e.cylinder or Decimal(0)))
    ]
    if not powers:
        return NONE
    return next((words for end, words in BANDS if max(powers) < end), HIGH_BAND)


def cases_of(person: Staff) -> list[CaseDone]:
    """Everything somebody has dispensed or put forward and that went beyond being prepared, newest first."""
    rows = (
        Dispense.objects.filter(
            Q(dispenser=person) | Q(signatures__by=person, signatures__decision=Signature.Decision.SUBMITTED)
        )
        .exclude(state=State.CANCELLED)
        .filter(Q(signatures__isnull=False) | ~Q(state=State.OPEN))
        .distinct()
        .select_related("branch", "lens_option__lens", "prescription", "dispenser")
        .prefetch_related(
            "prescription__eyes", "readings", "signatures__by", "signatures__remarks", "remeasures__comparisons"
        )
        .order_by("-created_at", "-pk")
    )
    return [_case(d, person) for d in rows]


def _case(d: Dispense, person: Staff) -> CaseDone:
    zone = ZoneInfo(d.branch.time_zone)
    mine = [r for r in d.readings.all() if r.by_id == person.pk and r.struck_out_at is None]
    returns = tuple(
        Return(
            on=s.at.astimezone(zone).date(),
            by=s.by.display_name,
            comment=s.comment,
            remarks=tuple((r.path, r.text) for r in s.remarks.all()),
        )
        for s in d.signatures.all()
        if s.decision == Signature.Decision.RETURNED
    )
    taken = d.dispenser_id != person.pk
    return CaseDone(
        reference=d.reference,
        on=d.created_at.astimezone(zone).date(),
        family=FAMILY_WORDS[d.lens_option.lens.family] if d.lens_option else NONE,
        band=power_band(d.prescription.eyes.all()) if d.prescription else NONE,
        pd_method=_method(r.method for r in mine if r.quantity != "height"),
        height_method=_method(r.method for r in mine if r.quantity == "height"),
        outcome="taken over" if taken else d.get_state_display(),
        returns=returns,
        compared=tuple(
            first_blind(c for m in d.remeasures.all() if m.blind for c in m.comparisons.all() if c.of_id == person.pk)
        ),
    )


def _method(methods: Iterable[str]) -> str:
    """The method used last."""
    found = [m for m in methods if m]
    return found[-1].replace("_", " ") if found else NONE


def first_blind(comparisons: Iterable[Comparison]) -> list[Comparison]:
    """One of each quantity and eye of a dispense: a second look at the same readings is no second case. Oldest come first."""
    kept: dict[tuple[str, str], Comparison] = {}
    for x in comparisons:
        kept.setdefault((x.quantity, x.eye), x)
    return list(kept.values())


def counted(cases: Sequence[CaseDone], name: str) -> list[tuple[str, int, int]]:
    """Words, cases, and how many of them were ever returned; most frequent first, bands of power from low to high."""
    all_of = Counter(getattr(c, name) for c in cases)
    returned = Counter(getattr(c, name) for c in cases if c.returns)
    rows = [(words, n, returned[words]) for words, n in all_of.most_common()]
    return sorted(rows, key=lambda r: _BAND_ORDER.index(r[0])) if name == "band" else rows
