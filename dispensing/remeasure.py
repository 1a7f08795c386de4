"""An independent re-measure: a supervisor's own readings, held against what was adopted, with what each difference does.

The readings are taken and typed before the dispenser's are shown (`pending` says whether somebody still has to do that), and
are kept beside the record: no Case, figure or check ever sees them, so that they can neither be adopted nor mend a finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from typing import cast

from django.db import transaction
from django.utils import timezone

from dispensing import case as c
from dispensing.checks import consequence
from dispensing.checks.view import View
from dispensing.figures import Figures, compute
from dispensing.figures.powers import near_only
from dispensing.gather import case_of, current_adoptions
from dispensing.measure import NewReading, complete_readings, suggestion
from dispensing.models import Adoption, Comparison, Dispense, Reading, Remeasure, SupervisorReading
from practice import access, audit
from practice.errors import Invalid, Refused
from practice.hold import hold
from practice.models import Staff

QUANTITIES = ("far_pd", "near_pd", "height")
NO_LIMIT_MM = 30  # what the figures say where no error that can happen matters (LensFigures.pd_need_mm)


def comparable(dispense: Dispense) -> dict[tuple[str, str], Adoption]:
    """Adopted values of single eyes: what a re-measure can be held against."""
    current = current_adoptions(dispense.adoptions.all())
    return {k: a for k, a in current.items() if k[0] in QUANTITIES and k[1] != "both"}


def pending(*, actor: Staff, dispense: Dispense) -> bool:
    """Whether the dispenser's readings have to stay hidden from this person on the page of the re-measure.

    True for somebody who may re-measure and has not done so since a value was last adopted.
    """
    if not access.may(actor, "dispense.remeasure", branch=dispense.branch, subject=dispense):
        return False
    own = dispense.remeasures.filter(by=actor).last()
    newest = max((a.at for a in comparable(dispense).values()), default=None)
    return own is None or (newest is not None and newest > own.at)


def has_decided(*, actor: Staff, dispense: Dispense) -> bool:
    """Whether this person has signed, returned or re-measured it: then they have seen the readings."""
    return (
        dispense.signatures.filter(by=actor, decision__in=["signed", "returned"]).exists()
        or dispense.remeasures.filter(by=actor).exists()
    )


def remeasure(*, actor: Staff, dispense: Dispense, readings: Sequence[NewReading], had_seen: bool | None) -> Remeasure:
    """Record a supervisor's readings and what the adopted values differ from them by.

    `had_seen`: whether the dispenser's readings had been seen before; None is refused. Several readings of one quantity count
    by their middle one. Raises NotAllowed, Refused (cancelled, or nothing adopted yet) or Invalid (`readings.<n>.<field>`,
    "had_seen"). Changes nothing of the dispense: its version and signature stand.
    """
    with transaction.atomic():
        row = hold(Dispense.objects.select_related("group", "branch", "client", "dispenser"), pk=dispense.pk)
        access.require(actor, "dispense.remeasure", branch=row.branch, subject=row)
        if row.state == Dispense.State.CANCELLED:
            raise Refused("This dispense is cancelled.")
        adopted = comparable(row)
        if not adopted:
            raise Refused("No value is adopted yet, so there is nothing to compare with.")
        complete = complete_readings(readings, row)
        if had_seen is None:
            raise Invalid({"had_seen": "Say whether you had seen them: only readings taken blind count as independent."})
        if any(r.eye == "both" for r in complete):
            raise Invalid({f"readings.{i}.eye": "Right or left." for i, r in enumerate(complete) if r.eye == "both"})
        blind = not had_seen and not has_decided(actor=actor, dispense=row)
        made = Remeasure.objects.create(
            dispense=row,
            by=actor,
            at=timezone.now(),
            blind=blind,
            frame_identity=row.frame.get("identity", ""),
            dispense_version=row.version,
        )
        SupervisorReading.objects.bulk_create(
            SupervisorReading(
                remeasure=made,
                quantity=r.quantity,
                eye=r.eye,
                value=r.value,
                as_typed=r.as_typed[:40],
                method=r.method,
                reference=r.reference if r.quantity == "height" else "",
                instrument=r.instrument[:60],
                observer_above_mm=r.observer_above_mm,
                observer_distance_mm=r.observer_distance_mm,
            )
            for r in complete
        )
        found = Comparison.objects.bulk_create(comparisons_of(made, row, adopted, complete, actor))
        audit.record(
            actor=actor,
            action="dispense.remeasured",
            subject=f"dispense {row.reference}",
            group=row.group,
            branch=row.branch,
            client=row.client,
            after={
                "blind": blind,
                "readings": [f"{r.quantity} {r.eye} {r.value} {r.reference} ({r.method})" for r in complete],
                "differences": {f"{x.quantity}.{x.eye}": x.difference for x in found},
            },
        )
        return made


def comparisons_of(
    made: Remeasure,
    dispense: Dispense,
    adopted: dict[tuple[str, str], Adoption],
    readings: Sequence[NewReading],
    actor: Staff,
) -> list[Comparison]:
    """One for each quantity and eye that both have; a value that rests on the supervisor's own reading is passed over."""
    case = case_of(dispense)
    figures = compute(case)
    rows = [
        Reading(quantity=r.quantity, eye=r.eye, value=r.value, reference=r.reference, method=r.method) for r in readings
    ]
    mine = {key: s for key in adopted if (s := suggestion(rows, *key)) is not None}
    mine_figures = compute(_with(case, {k: (s.value, s.reference) for k, s in mine.items()}))
    standing = list(dispense.readings.filter(struck_out_at=None).select_related("by"))
    out = []
    for (quantity, eye), own in mine.items():
        adoption = adopted[(quantity, eye)]
        took = _reading_behind(standing, adoption)
        of = took.by if took else adoption.by
        if of.pk == actor.pk:
            continue
        terms, theirs, ours = _in_one_measure(quantity, eye, adoption, own.value, own.reference, figures, mine_figures)
        if theirs is None or ours is None:
            continue
        difference = theirs - ours
        need = _need(case, figures, quantity, eye)
        out.append(
            Comparison(
                remeasure=made,
                quantity=quantity,
                eye=eye,
                terms=terms,
                theirs=theirs,
                ours=ours,
                of=of,
                method=took.method if took else "",
                instrument=took.instrument if took else "",
                own_method=next((r.method for r in reversed(readings) if (r.quantity, r.eye) == (quantity, eye)), ""),
                need_mm=None if need is None else _cents(need),
                within=None if need is None else abs(float(difference)) <= need + 1e-9,
                consequence=_does(case, figures, quantity, eye, float(difference))[:300],
            )
        )
    return out


def _reading_behind(standing: Sequence[Reading], adoption: Adoption) -> Reading | None:
    """The reading an adopted value rests on: the newest of the same value, else the newest of that quantity and eye."""
    rows = [r for r in standing if (r.quantity, r.eye) == (adoption.quantity, adoption.eye) and r.at <= adoption.at]
    return next((r for r in reversed(rows) if r.value == adoption.value), rows[-1] if rows else None)


def _with(case: c.Case, values: dict[tuple[str, str], tuple[Decimal, str]]) -> c.Case:
    """The Case with other values adopted; what is not among them stays, so that heights are converted in the same box."""
    m = case.measurements
    sides: dict[str, c.Adopted] = {"right": m.right, "left": m.left}
    for (quantity, eye), (value, reference) in values.items():
        if quantity == "height":
            ref = cast("c.HeightReference", reference or "box")
            sides[eye] = replace(sides[eye], height=float(value), height_reference=ref)
        elif quantity == "far_pd":
            sides[eye] = replace(sides[eye], far_pd=float(value))
        else:
            sides[eye] = replace(sides[eye], near_pd=float(value))
    return replace(case, measurements=replace(m, right=sides["right"], left=sides["left"]))


def _in_one_measure(
    quantity: str, eye: str, adoption: Adoption, own: Decimal, reference: str, figures: Figures, mine: Figures
) -> tuple[str, Decimal | None, Decimal | None]:
    """Terms, theirs, ours. Heights read from different references are compared in the box, where the outline allows it."""
    if quantity != "height":
        return "", adoption.value, own
    if (adoption.reference or "box") == reference:
        return reference, adoption.value, own
    theirs, ours = figures.of(cast("c.Eye", eye)).height_box, mine.of(cast("c.Eye", eye)).height_box
    return "box", None if theirs is None else _cents(theirs), None if ours is None else _cents(ours)


def _need(case: c.Case, figures: Figures, quantity: str, eye: str) -> float | None:
    """Greatest error of this quantity that keeps the pair within the standard; None where nothing sets a limit."""
    lens = figures.of(cast("c.Eye", eye))
    near = near_only(case.needs, case.lens)
    if (quantity == "near_pd") != near and quantity != "height":
        return None  # not what this lens is centred by
    return lens.height_need_mm if quantity == "height" else lens.pd_need_mm


def _does(case: c.Case, figures: Figures, quantity: str, eye: str, difference: float) -> str:
    if abs(difference) < 0.005:
        return "No difference."
    v, side = View(case, figures), cast("c.Eye", eye)
    if quantity == "height":
        return consequence.of_height_error(v, side, difference) or "No lens is chosen yet."
    if (quantity == "near_pd") == near_only(case.needs, case.lens):
        return consequence.of_pd_error(v, side, difference, too_far_out=difference > 0) or "No lens is chosen yet."
    if quantity == "near_pd" and v.family in c.MULTIFOCAL:
        return f"The reading area would lie {abs(difference):.1f} mm further {'out' if difference > 0 else 'in'}."
    return "This pair is not centred by it."


def _cents(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(Decimal("0.01"), ROUND_HALF_UP)
