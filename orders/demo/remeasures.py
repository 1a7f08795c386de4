"""A year of trainees' cases with independent re-measures by their supervisors, goals and returns: what the agreement pages show.

A mass of rows, so written in bulk like the earlier pairs; what each difference does is worked out as for any other re-measure.
The differences are drawn from fixed seeds: a bias and a spread for each method, smaller as the year goes on, and one pupillometer
that reads wide. A third trainee has too few for anything to be said, which the pages have to say.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from django.utils import timezone

from dispensing.gather import for_case
from dispensing.measure import NewReading
from dispensing.models import (
    Adoption,
    Comparison,
    Dispense,
    Reading,
    Remark,
    Remeasure,
    Signature,
    SupervisorReading,
)
from dispensing.remeasure import comparable, comparisons_of
from dispensing.training.goals import close_goal, set_goal
from orders.demo.hours import BRANCH
from orders.demo.scenario import entries
from practice.models import Branch, Client, Staff

HALF = Decimal("0.5")
DAYS = 330  # how far back the first case lies
# how many cases, of whom, signed by whom, where
WHO = (("tilly", "wren", "SM", 30), ("kofi", "mirela", "HR", 20), ("lene", "teo", "FG", 4))
PD_METHODS = ("pupillometer", "rule", "photograph")
HEIGHT_METHODS = ("levelled_gauge", "marked_lens")
# method: mean difference and spread at the beginning, mm
SLIPS = {
    "pupillometer": (0.1, 0.5),
    "rule": (0.4, 1.0),
    "photograph": (-0.1, 0.7),
    "levelled_gauge": (0.1, 0.8),
    "marked_lens": (0.5, 1.1),
}
INSTRUMENTS = {"SM": ("Saltmarsh P1", "Saltmarsh P2"), "HR": ("Harbour P1",), "FG": ("Fellgate P1",)}
WIDE = ("Saltmarsh P2", 1.0)  # reads each eye wide by so many mm
RETURNS = (
    ("readings", "Both heights read from the same side: level your eye first, then read again."),
    ("fit", "The frame sat crooked when the heights were read. Adjust, then measure."),
    ("readings", "The rule was held slanting: take the PD by pupillometer and compare."),
)
GOALS = {
    "tilly": (
        ("Take 20 heights with the levelled gauge, each within 1 mm of mine.", 60, False),
        ("PD by rule within 1 mm in ten cases in a row.", 90, True),
    ),
    "kofi": (("Explain first progressive lenses to five clients with me beside you.", 45, False),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    trainee: Staff
    supervisor: Staff
    branch: Branch
    like: Dispense  # the client's earlier pair
    at: datetime
    step: float  # 0 at the beginning of the year, 1 at its end
    number: int


def load_remeasures(branches: Mapping[str, Branch], staff: Mapping[str, Staff], clients: Mapping[str, Client]) -> int:
    """How many cases were written. After the scenario: only clients it does not play with are used."""
    played = {clients[str(e["client"])].pk for e in entries()}
    rng = random.Random(19)  # noqa: S311  (a demo has to look the same every time)
    cases = list(_cases(branches, staff, played))
    made = Dispense.objects.bulk_create(_dispense(c) for c in cases)
    readings, adoptions = [], []
    for case, dispense in zip(cases, made, strict=True):
        for quantity, eye, value, method, instrument in _taken(case):
            common = {"dispense": dispense, "quantity": quantity, "eye": eye, "frame_identity": dispense.fit_frame_identity}
            reference = "box" if quantity == "height" else ""
            for _ in range(2):
                readings.append(
                    Reading(
                        **common, value=value, as_typed=str(value), method=method, instrument=instrument,
                        reference=reference, observer_level=True if reference else None, by=case.trainee, at=case.at,
                    )
                )  # fmt: skip
            adoptions.append(
                Adoption(**common, value=value, reference=reference, how="median", by=case.trainee, at=case.at)
            )
    Reading.objects.bulk_create(readings)
    Adoption.objects.bulk_create(adoptions)
    for case, dispense in zip(cases, made, strict=True):
        # the database layer sets both moments to now; these cases are old
        Dispense.objects.filter(pk=dispense.pk).update(
            created_at=case.at, updated_at=BRANCH.within(case.at + timedelta(days=9), case.branch.time_zone)
        )
    _decided(cases, made)
    _remeasured(cases, made, rng)
    for name, goals in GOALS.items():
        supervisor = next(staff[s] for t, s, _, _ in WHO if t == name)
        for text, days, met in goals:
            goal = set_goal(
                actor=supervisor, trainee=staff[name], text=text, due_on=timezone.localdate() + timedelta(days=days)
            )
            if met:
                close_goal(actor=supervisor, goal=goal, met=True)
    return len(made)


def _cases(branches: Mapping[str, Branch], staff: Mapping[str, Staff], played: set[int]) -> Iterator[_Case]:
    now = timezone.now()
    for trainee, supervisor, code, count in WHO:
        branch = branches[code]
        like = list(
            Dispense.objects.filter(branch=branch, state=Dispense.State.COLLECTED, orders=None)
            .exclude(client__in=played)
            .exclude(adoptions=None)
            .select_related("lens_option__lens")
            .prefetch_related("adoptions")
            .order_by("pk")
        )
        # those with heights first: they show most
        like.sort(key=lambda d: not any(a.quantity == "height" for a in d.adoptions.all()))
        for n, each in enumerate(like[:count]):
            step = n / max(count - 1, 1)
            yield _Case(
                trainee=staff[trainee],
                supervisor=staff[supervisor],
                branch=branch,
                like=each,
                # five hours and a half before closing: it is signed the same day
                at=BRANCH.within(
                    now - timedelta(days=DAYS * (1 - step) + 12, hours=n % 7), branch.time_zone, before=10, after=330
                ),
                step=step,
                number=n,
            )


def _dispense(case: _Case) -> Dispense:
    like = case.like
    names = (
        "group", "branch", "client", "prescription", "frame_item", "frame", "uses", "vertex_mm", "pantoscopic_deg",
        "face_form_deg", "lens_option", "fit_frame_identity",
    )  # fmt: skip
    return Dispense(
        **{name: getattr(like, name) for name in names},
        dispenser=case.trainee,
        updated_by=case.trainee,
        earlier=like,
        state=Dispense.State.COLLECTED,
        fit_confirmed_at=case.at,
        fit_confirmed_by=case.trainee,
    )


def _taken(case: _Case) -> Iterator[tuple[str, str, Decimal, str, str]]:
    """Quantity, eye, value, method and instrument of what the trainee adopted: the values of the earlier pair."""
    pd = PD_METHODS[case.number % 3]
    height = HEIGHT_METHODS[case.number % 2]
    instruments = INSTRUMENTS[case.branch.code]
    instrument = instruments[case.number // 3 % len(instruments)] if pd == "pupillometer" else ""
    for a in case.like.adoptions.all():
        if a.value is None or a.eye == "both":
            continue
        if a.quantity == "far_pd":
            yield a.quantity, a.eye, a.value, pd, instrument
        elif a.quantity == "height":
            yield a.quantity, a.eye, a.value, height, ""


def _decided(cases: Sequence[_Case], made: Sequence[Dispense]) -> None:
    """Put forward and signed; every seventh was returned once, with a comment tied to a part."""
    signatures, remarks = [], []
    for case, dispense in zip(cases, made, strict=True):
        steps = [("submitted", case.trainee, 1)]
        if case.number % 7 == 2:
            steps += [("returned", case.supervisor, 2), ("submitted", case.trainee, 4)]
        steps.append(("signed", case.supervisor, 5))
        for decision, by, hours in steps:
            signature = Signature(
                dispense=dispense, decision=decision, by=by, at=case.at + timedelta(hours=hours), dispense_version=1
            )
            signatures.append(signature)
            if decision == "returned":
                path, text = RETURNS[case.number // 7 % len(RETURNS)]
                remarks.append(Remark(signature=signature, path=path, text=text))
    Signature.objects.bulk_create(signatures)
    Remark.objects.bulk_create(remarks)


def _remeasured(cases: Sequence[_Case], made: Sequence[Dispense], rng: random.Random) -> None:
    rows = Remeasure.objects.bulk_create(
        Remeasure(
            dispense=dispense,
            by=case.supervisor,
            at=case.at + timedelta(hours=1),
            blind=True,
            frame_identity=dispense.fit_frame_identity,
            dispense_version=1,
        )
        for case, dispense in zip(cases, made, strict=True)
    )
    whole = {d.pk: d for d in for_case(Dispense.objects.filter(pk__in=[d.pk for d in made]))}
    own: list[SupervisorReading] = []
    comparisons: list[Comparison] = []
    for case, row in zip(cases, rows, strict=True):
        dispense = whole[row.dispense_id]
        readings = [
            NewReading(
                quantity=quantity,
                eye=eye,
                value=value - _slip(method, instrument, case.step, rng),
                method="pupillometer" if quantity == "far_pd" else "levelled_gauge",
                reference="box" if quantity == "height" else "",
                instrument=INSTRUMENTS[case.branch.code][0] if quantity == "far_pd" else "",
                observer_level=True if quantity == "height" else None,
            )
            for quantity, eye, value, method, instrument in _taken(case)
        ]
        comparisons += comparisons_of(row, dispense, comparable(dispense), readings, case.supervisor)
        own += [
            SupervisorReading(
                remeasure=row,
                quantity=r.quantity,
                eye=r.eye,
                value=r.value,
                as_typed=str(r.value),
                method=r.method,
                reference=r.reference,
                instrument=r.instrument,
            )
            for r in readings
        ]
    SupervisorReading.objects.bulk_create(own)
    Comparison.objects.bulk_create(comparisons)


def _slip(method: str, instrument: str, step: float, rng: random.Random) -> Decimal:
    """What the trainee's value is more than the supervisor's, in half millimetres as both are read."""
    bias, spread = SLIPS[method]
    less = 1.3 - 0.7 * step
    slip = rng.gauss(bias * less, spread * less) + (WIDE[1] if instrument == WIDE[0] else 0.0)
    return Decimal(round(slip * 2)) * HALF
