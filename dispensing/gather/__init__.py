"""The only place where models become a Case.

`for_case(queryset)` fetches a dispense with what belongs to it in one query; `case_of(dispense)` then needs four more
(eyes of the client's prescriptions, readings, adopted values, the client's other dispenses): five in all, pinned by a test.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, QuerySet, Subquery
from django.utils import timezone

from dispensing import case as c
from dispensing.gather.earlier import earlier_of, hands_of, prescriptions_of
from dispensing.gather.lens import (
    design_of,
    front_curves_of,
    lens_choice_of,
    lens_of,
    material_of,
    narrowed,
    ordered_power_of,
    tint_of,
)
from dispensing.gather.measured import current_adoptions, in_box, measurements_of, reading_of
from dispensing.gather.parts import (
    EYE_BASES,
    EYE_NUMBERS,
    FRAME_NUMBERS,
    age_in_years,
    frame_of,
    number,
    person_of,
    prescribed_lens_of,
    prescription_of,
    rules_of,
)
from dispensing.models import Adoption, Dispense, Reading, Signature
from dispensing.prepared import Prepared
from practice.models import Post

__all__ = [
    "EYE_BASES",
    "EYE_NUMBERS",
    "FRAME_NUMBERS",
    "Rows",
    "age_in_years",
    "case_of",
    "current_adoptions",
    "design_of",
    "fetch",
    "for_case",
    "for_key",
    "frame_of",
    "front_curves_of",
    "in_box",
    "lens_choice_of",
    "lens_of",
    "material_of",
    "measurements_of",
    "narrowed",
    "ordered_power_of",
    "person_of",
    "prescribed_lens_of",
    "prescription_of",
    "reading_of",
    "rules_of",
    "tint_of",
]


def for_case(queryset: QuerySet[Dispense]) -> QuerySet[Dispense]:
    """Dispenses with everything to one side of them that a Case needs, in the same query."""
    post = Post.objects.filter(staff=OuterRef("dispenser"), branch=OuterRef("branch"))
    last = Signature.objects.filter(dispense=OuterRef("pk")).order_by("-at", "-id")
    return queryset.select_related(
        "client",
        "branch",
        "dispenser",
        "updated_by",
        "fit_confirmed_by",
        "prescription",
        "frame_item",
        "lens_option__lens",
        "lens_option__material",
        "coating",
        "tint",
    ).annotate(
        hands_role=Subquery(post.values("role")[:1]),
        hands_decision=Subquery(last.values("decision")[:1]),
        hands_signer_first=Subquery(last.values("by__first_name")[:1]),
        hands_signer_last=Subquery(last.values("by__last_name")[:1]),
        hands_signer_username=Subquery(last.values("by__username")[:1]),
        hands_signer_registration=Subquery(last.values("by__registration_number")[:1]),
    )


_WHOLE = Prepared(lambda dispense: for_case(Dispense.objects.filter(pk=dispense)), "dispense")


def for_key(key: int) -> Dispense:
    """One dispense by its key, as `for_case` fetches it, with SQL that is written once. Raises Dispense.DoesNotExist."""
    found = _WHOLE.rows(dispense=key)
    if not found:
        raise Dispense.DoesNotExist(f"There is no dispense {key}.")
    return found[0]


@dataclass(frozen=True, slots=True)
class Rows:
    """What belongs to one dispense beside its own row, as fetched."""

    readings: list[Reading]  # of this dispense, oldest first; those struck out as well
    adoptions: list[Adoption]  # of all the client's dispenses, oldest first
    others: list[Dispense]  # the client's other dispenses, newest first
    prescriptions: dict[int, c.Prescription]  # of the client, by key


_READINGS = Prepared(
    lambda dispense: Reading.objects.filter(dispense=dispense).select_related("by").order_by("at", "id"), "dispense"
)
_ADOPTIONS = Prepared(
    lambda client, group: Adoption.objects.filter(dispense__client=client, dispense__group=group).order_by("at", "id"),
    "client",
    "group",
)
_OTHERS = Prepared(
    lambda client, dispense: (
        Dispense.objects.filter(client=client)
        .exclude(pk=dispense)
        .order_by("-created_at", "-pk")
        .only("pk", "created_at", "state", "prescription_id", "frame", "lens_option_id", "lens_option__lens__family")
        .select_related("lens_option__lens")
    ),
    "client",
    "dispense",
)


def fetch(dispense: Dispense) -> Rows:
    """Four queries, however much there is."""
    return Rows(
        readings=_READINGS.rows(dispense=dispense.pk),
        adoptions=_ADOPTIONS.rows(client=dispense.client_id, group=dispense.group_id),
        others=_OTHERS.rows(client=dispense.client_id, dispense=dispense.pk),
        prescriptions=prescriptions_of(dispense.client_id),
    )


def case_of(dispense: Dispense, *, today: date | None = None, rows: Rows | None = None) -> c.Case:
    """One dispense as plain values.

    A dispense that did not come through `for_case` is fetched again. `today` is the date at the branch unless given.
    """
    if not hasattr(dispense, "hands_decision"):
        dispense = for_key(dispense.pk)
    client, branch = dispense.client, dispense.branch
    if today is None:
        today = timezone.now().astimezone(ZoneInfo(branch.time_zone)).date()
    rows = rows or fetch(dispense)
    prescriptions, adoptions, others = rows.prescriptions, rows.adoptions, rows.others
    readings = [r for r in rows.readings if r.struck_out_at is None]
    frame = frame_of(dispense.frame)
    return c.Case(
        today=today,
        person=person_of(client, today),
        needs=c.Needs(
            uses=tuple(dispense.uses),
            working_distance_mm=number(dispense.working_distance_mm),
            first_progressive=dispense.first_progressive,
            wish=dispense.wish,
        ),
        prescription=prescriptions.get(dispense.prescription_id) if dispense.prescription_id else None,
        frame=frame,
        fit=c.Fit(
            confirmed=dispense.fit_confirmed_at is not None,
            confirmed_at=dispense.fit_confirmed_at,
            frame_identity=dispense.fit_frame_identity,
            vertex_mm=number(dispense.vertex_mm),
            pantoscopic_deg=number(dispense.pantoscopic_deg),
            face_form_deg=number(dispense.face_form_deg),
        ),
        measurements=measurements_of(
            readings,
            [a for a in adoptions if a.dispense_id == dispense.pk],
            dispense.measurement_reason,
            frame=frame,
            groove_mm=float(branch.groove_mm),
        ),
        lens=narrowed(
            lens_of(dispense, frame),
            dispense.lens_option,
            prescriptions.get(dispense.prescription_id) if dispense.prescription_id else None,
        ),
        earlier=earlier_of(dispense, prescriptions, others, adoptions),
        hands=hands_of(dispense, others),
        rules=rules_of(branch),
    )
