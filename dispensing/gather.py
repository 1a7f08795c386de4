"""The only place where models become a Case.

`for_case(queryset)` fetches a dispense with what belongs to it in one query; `case_of(dispense)` then needs four more
(eyes of the client's prescriptions, readings, adopted values, the client's other dispenses): five in all, pinned by a test.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, cast
from zoneinfo import ZoneInfo

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.utils import timezone

from dispensing import case as c
from dispensing.models import Adoption, Dispense, LensOption, Prescription, PrescriptionEye, Reading, Signature, Treatment
from dispensing.optics import boxing
from dispensing.optics.errors import OpticsError
from dispensing.optics.heights import to_box
from dispensing.prepared import Prepared
from practice.models import Branch, Client, Post

EYE_NUMBERS = (
    "sphere",
    "cylinder",
    "axis",
    "add",
    "intermediate_add",
    "near_sphere",
    "prism_h",
    "prism_v",
    "near_prism_h",
    "near_prism_v",
)
EYE_BASES = ("base_h", "base_v", "near_base_h", "near_base_v")
FRAME_NUMBERS = ("a", "b", "dbl", "ed", "side", "front_curve", "face_form_deg", "groove_mm")
_DONE = (Dispense.State.SIGNED, Dispense.State.ORDERED, Dispense.State.COLLECTED)


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
        prescriptions=_prescriptions(dispense.client_id),
    )


def case_of(dispense: Dispense, *, today: date | None = None, rows: Rows | None = None) -> c.Case:
    """One dispense as plain values.

    A dispense that did not come through `for_case` is fetched again. `today` is the date at the branch unless given.
    """
    if not hasattr(dispense, "hands_decision"):
        dispense = for_case(Dispense.objects.filter(pk=dispense.pk)).get()
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
            working_distance_mm=_number(dispense.working_distance_mm),
            first_progressive=dispense.first_progressive,
            wish=dispense.wish,
        ),
        prescription=prescriptions.get(dispense.prescription_id) if dispense.prescription_id else None,
        frame=frame,
        fit=c.Fit(
            confirmed=dispense.fit_confirmed_at is not None,
            confirmed_at=dispense.fit_confirmed_at,
            frame_identity=dispense.fit_frame_identity,
            vertex_mm=_number(dispense.vertex_mm),
            pantoscopic_deg=_number(dispense.pantoscopic_deg),
            face_form_deg=_number(dispense.face_form_deg),
        ),
        measurements=measurements_of(
            readings,
            [a for a in adoptions if a.dispense_id == dispense.pk],
            dispense.measurement_reason,
            frame=frame,
            groove_mm=float(branch.groove_mm),
        ),
        lens=lens_of(dispense, frame),
        earlier=_earlier(dispense, prescriptions, others, adoptions),
        hands=_hands(dispense, others),
        rules=rules_of(branch),
    )


# --- parts, each usable by itself --------------------------------------------------------------------------------------


def _number(value: Any) -> float | None:
    return None if value is None or value == "" else float(value)


def age_in_years(born: date, today: date) -> float:
    """Completed years and the fraction of the running one; a birthday counts from its own day, 29 February on 1 March."""

    def birthday(year: int) -> date:
        try:
            return born.replace(year=year)
        except ValueError:
            return date(year, 3, 1)

    years = today.year - born.year - (today < birthday(today.year))
    last, following = birthday(born.year + years), birthday(born.year + years + 1)
    return years + (today - last).days / (following - last).days


def person_of(client: Client, today: date) -> c.Person:
    return c.Person(
        age_years=age_in_years(client.date_of_birth, today),
        sex=cast("Literal['female', 'male'] | None", client.sex or None),
        sight_impaired=client.sight_impaired,
        useful_eye=cast("c.Eye | None", client.useful_eye or None),
        notes=tuple(line.strip() for line in client.notes.splitlines() if line.strip()),
    )


def prescribed_lens_of(eye: PrescriptionEye | Mapping[str, Any]) -> c.PrescribedLens:
    """One eye from its row, or from a mapping with the same names (values typed but not saved yet)."""

    def get(name: str) -> Any:
        return eye.get(name) if isinstance(eye, Mapping) else getattr(eye, name)

    values: dict[str, Any] = {name: _number(get(name)) for name in EYE_NUMBERS}
    values |= {name: get(name) or None for name in EYE_BASES}
    return c.PrescribedLens(
        **values,
        balance=bool(get("balance")),
        acuity=get("acuity") or "",
        near_acuity=get("near_acuity") or "",
    )


def prescription_of(prescription: Prescription, eyes: Iterable[PrescriptionEye]) -> c.Prescription:
    by_eye = {e.eye: prescribed_lens_of(e) for e in eyes}
    return c.Prescription(
        right=by_eye.get("right", c.PrescribedLens()),
        left=by_eye.get("left", c.PrescribedLens()),
        vertex_mm=_number(prescription.vertex_mm),
        written_on=prescription.written_on,
        expires_on=prescription.expires_on,
        prescriber=prescription.prescriber,
        source=cast("Literal['typed', 'imported']", prescription.source),
        read_back=cast("Literal['matched', 'differs'] | None", prescription.read_back or None),
        remark=prescription.remark,
    )


def frame_of(stored: Mapping[str, Any]) -> c.Frame | None:
    """The frame as it was copied into the dispense (`frame_to_store`); None when there is none yet."""
    if not stored:
        return None
    return c.Frame(
        identity=stored.get("identity", ""),
        name=stored.get("name", ""),
        own=bool(stored.get("own", False)),
        child=bool(stored.get("child", False)),
        mount=stored.get("mount") or None,
        material=stored.get("material", ""),
        outline=tuple(float(r) for r in stored.get("outline", ())),
        drill_points=tuple(
            c.DrillPoint(x=float(p["x"]), y=float(p["y"]), diameter=float(p["diameter"]))
            for p in stored.get("drill_points", ())
        ),
        **{name: _number(stored.get(name)) for name in FRAME_NUMBERS},
    )


def in_box(frame: c.Frame | None, groove_mm: float, value: float, reference: str, from_nose: float | None) -> float | None:
    """A height as read, above the lower box tangent, mm. None where b, outline or PD is missing for the conversion.

    `groove_mm` is the branch's, where the frame has none of its own; `from_nose` the PD of that eye, mm.
    """
    if reference in ("box", ""):
        return value
    if frame is None or frame.b is None:
        return None
    if reference == "datum":
        return value + frame.b / 2
    if not frame.outline or frame.c is None or from_nose is None:
        return None
    groove = frame.groove_mm if frame.groove_mm is not None else groove_mm
    at: Literal["visible_rim", "rim_below_pupil"] = "visible_rim" if reference == "visible_rim" else "rim_below_pupil"
    try:
        return to_box(boxing.box(frame.outline), frame.c / 2 - from_nose, value, at, groove)
    except OpticsError:
        return None


def measurements_of(
    readings: Iterable[Reading],
    adoptions: Iterable[Adoption],
    reason: str,
    *,
    frame: c.Frame | None = None,
    groove_mm: float = 0.0,
) -> c.Measurements:
    """What was read and adopted. `frame` and `groove_mm` turn the pupil's height, kept as read, into one in the box."""
    current = current_adoptions(adoptions)
    whole_pd = _value(current.get(("far_pd", "both")))

    def pupil(eye: str) -> float | None:
        row = current.get(("pupil", eye))
        value = _value(row)
        if row is None or value is None:
            return None
        pd = _value(current.get(("far_pd", eye)))
        return in_box(frame, groove_mm, value, row.reference, pd if pd is not None else whole_pd and whole_pd / 2)

    def adopted(eye: str) -> c.Adopted:
        height = current.get(("height", eye))
        return c.Adopted(
            far_pd=_value(current.get(("far_pd", eye))),
            near_pd=_value(current.get(("near_pd", eye))),
            height=_value(height),
            height_reference=cast("c.HeightReference", (height.reference if height else "") or "box"),
            pupil_height=pupil(eye),
        )

    rows = list(readings)
    return c.Measurements(
        readings=tuple(reading_of(r) for r in rows),
        right=adopted("right"),
        left=adopted("left"),
        binocular_far_pd=_value(current.get(("far_pd", "both"))),
        binocular_near_pd=_value(current.get(("near_pd", "both"))),
        in_doubt=any(a.in_doubt for a in current.values()) or (not current and any(r.in_doubt for r in rows)),
        reason=reason,
    )


def current_adoptions(adoptions: Iterable[Adoption]) -> dict[tuple[str, str], Adoption]:
    """The newest decision of each quantity and eye; one that was withdrawn is left out. Rows come oldest first."""
    newest = {(a.quantity, a.eye): a for a in adoptions}
    return {key: a for key, a in newest.items() if a.value is not None}


def _value(adoption: Adoption | None) -> float | None:
    return None if adoption is None else _number(adoption.value)


def reading_of(row: Reading) -> c.Reading:
    return c.Reading(
        quantity=cast("c.Quantity", row.quantity),
        eye=cast("Literal['right', 'left', 'both']", row.eye),
        value=float(row.value),
        method=cast("c.Method | None", row.method or None),
        reference=cast("c.HeightReference | None", row.reference or None),
        by=row.by.display_name,
        at=row.at,
        frame_identity=row.frame_identity,
        observer_level=row.observer_level,
        observer_above_mm=_number(row.observer_above_mm),
        observer_distance_mm=_number(row.observer_distance_mm),
        in_doubt=row.in_doubt,
    )


def design_of(option: LensOption) -> c.LensDesign:
    lens = option.lens
    cross = _number(lens.cross_above_prism_point_mm)
    return c.LensDesign(
        identity=lens.code,
        name=lens.name,
        family=cast("c.Family", lens.family),
        corridor_mm=_number(lens.corridor_mm),
        min_height_mm=_number(lens.min_height_mm),
        min_above_mm=_number(lens.min_above_mm),
        near_inset_mm=_number(lens.near_inset_mm),
        segment_width_mm=_number(lens.segment_width_mm),
        segment_depth_mm=_number(lens.segment_depth_mm),
        intermediate_depth_mm=_number(lens.intermediate_depth_mm),
        segment_centre_below_top_mm=_number(lens.segment_centre_below_top_mm),
        **({} if cross is None else {"cross_above_prism_point_mm": cross}),
        sphere_min=_number(option.sphere_min),
        sphere_max=_number(option.sphere_max),
        cylinder_max=_number(option.cylinder_max),
        add_min=_number(lens.add_min),
        add_max=_number(lens.add_max),
        prism_max=_number(option.prism_max),
        blank_diameters=tuple(float(d) for d in option.blank_diameters),
        degression=_number(lens.degression),
    )


def material_of(option: LensOption) -> c.Material:
    m = option.material
    return c.Material(
        name=m.name,
        nd=float(m.nd),
        abbe=float(m.abbe),
        density=float(m.density),
        impact=cast("Any", m.impact),
        drilled=cast("Any", m.drilled),
        grooved=cast("Any", m.grooved),
        glass=m.glass,
    )


def tint_of(treatment: Treatment | None) -> c.Tint | None:
    """A tint whose transmittance is not in the catalogue is taken as opaque: it must not pass a driving check unseen."""
    if treatment is None:
        return None
    clear = _number(treatment.transmittance_clear)
    dark = _number(treatment.transmittance_dark)
    clear = clear if clear is not None else dark if dark is not None else 0.0
    return c.Tint(name=treatment.name, transmittance_clear=clear, transmittance_dark=dark if dark is not None else clear)


def ordered_power_of(stored: Mapping[str, Any] | None) -> c.OrderedPower | None:
    if not stored or _number(stored.get("sphere")) is None:
        return None
    return c.OrderedPower(
        sphere=float(stored["sphere"]),
        cylinder=_number(stored.get("cylinder")) or 0.0,
        axis=_number(stored.get("axis")),
        prism_in=_number(stored.get("prism_in")) or 0.0,
        prism_up=_number(stored.get("prism_up")) or 0.0,
        add=_number(stored.get("add")),
    )


def lens_choice_of(
    option: LensOption | None, *, mount: str | None, coating: Treatment | None, tint: Treatment | None, **stated: Any
) -> c.LensChoice:
    """A choice from the catalogue and what was stated with it; the least edge follows the frame's mount."""
    design: dict[str, Any] = {}
    if option is not None:
        edge = {
            "full_rim": option.min_edge_full_mm,
            "grooved": option.min_edge_grooved_mm,
            "drilled": option.min_edge_drilled_mm,
        }.get(mount or "")
        design = {
            "design": design_of(option),
            "material": material_of(option),
            "min_centre_mm": _number(option.min_centre_mm),
            "min_edge_mm": _number(edge),
        }
    return c.LensChoice(coating=coating.name if coating else "", tint=tint_of(tint), **design, **stated)


def lens_of(dispense: Dispense, frame: c.Frame | None) -> c.LensChoice:
    return lens_choice_of(
        dispense.lens_option,
        mount=frame.mount if frame else None,
        coating=dispense.coating,
        tint=dispense.tint,
        blank_diameter_mm=_number(dispense.blank_diameter_mm),
        front_curve=_number(dispense.front_curve),
        compensation=dispense.compensation,
        ordered_right=ordered_power_of(dispense.ordered.get("right")),
        ordered_left=ordered_power_of(dispense.ordered.get("left")),
        prism_thinning_down=_number(dispense.prism_thinning_down) or 0.0,
        slab_off=dispense.slab_off,
        remark=dispense.lens_remark,
    )


def rules_of(branch: Branch) -> c.Rules:
    return c.Rules(
        restricted_below_age=branch.restricted_below_age,
        prescription_valid_months=branch.prescription_valid_months,
        registered_may_use_expired=branch.registered_may_use_expired,
        tolerance_standard=cast("Any", branch.tolerance_standard),
        groove_mm=float(branch.groove_mm),
        cylinder_form=cast("Any", branch.cylinder_form),
        limits=tuple(
            sorted((name, float(v["value"] if isinstance(v, Mapping) else v)) for name, v in branch.limits.items())
        ),
    )


# --- what the client had before, and who answers ------------------------------------------------------------------------


_EYES = Prepared(
    lambda client: (
        PrescriptionEye.objects.filter(prescription__client_id=client)
        .select_related("prescription")
        .defer("prescription__imported_document", "prescription__as_written")
        .order_by(F("prescription__written_on").asc(nulls_first=True), "prescription_id")
    ),
    "client",
)


def _prescriptions(client_id: int) -> dict[int, c.Prescription]:
    """Every prescription of a client by key, newest last, in one query."""
    rows: dict[int, tuple[Prescription, list[PrescriptionEye]]] = {}
    for eye in _EYES.rows(client=client_id):
        rows.setdefault(eye.prescription_id, (eye.prescription, []))[1].append(eye)
    return {key: prescription_of(p, eyes) for key, (p, eyes) in rows.items()}


def _earlier(
    dispense: Dispense,
    prescriptions: Mapping[int, c.Prescription],
    others: Iterable[Dispense],
    adoptions: Iterable[Adoption],
) -> tuple[c.EarlierPair, ...]:
    """Pairs that were signed for, and prescriptions that led to none, before this dispense; newest first."""
    pairs: list[c.EarlierPair] = []
    used = {dispense.prescription_id}
    by_dispense: dict[int, list[Adoption]] = {}
    for adoption in adoptions:
        by_dispense.setdefault(adoption.dispense_id, []).append(adoption)
    for other in others:
        used.add(other.prescription_id)
        finished = other.state in _DONE or other.pk == dispense.earlier_id
        if not finished or other.created_at > dispense.created_at:
            continue
        current = current_adoptions(by_dispense.get(other.pk, ()))
        prescription = prescriptions.get(other.prescription_id) if other.prescription_id else None
        pairs.append(
            c.EarlierPair(
                on=other.created_at.date(),
                prescription=prescription,
                far_pd=_pair(current, "far_pd"),
                near_pd=_pair(current, "near_pd"),
                height=c.Pair(_box_height(current, "right"), _box_height(current, "left")),
                frame=frame_of(other.frame),
                family=cast("c.Family", other.lens_option.lens.family) if other.lens_option else None,
            )
        )
    own = prescriptions.get(dispense.prescription_id) if dispense.prescription_id else None
    for key, prescription in prescriptions.items():
        if key in used:
            continue
        if own and own.written_on and prescription.written_on and prescription.written_on > own.written_on:
            continue
        pairs.append(c.EarlierPair(on=prescription.written_on, prescription=prescription))
    return tuple(sorted(pairs, key=lambda p: p.on or date.min, reverse=True))


def _pair(current: Mapping[tuple[str, str], Adoption], quantity: str) -> c.Pair[float | None]:
    return c.Pair(_value(current.get((quantity, "right"))), _value(current.get((quantity, "left"))))


def _box_height(current: Mapping[tuple[str, str], Adoption], eye: str) -> float | None:
    """Only a height already in the box: another reference would need that pair's outline."""
    adoption = current.get(("height", eye))
    return _value(adoption) if adoption is not None and adoption.reference in ("", "box") else None


def _hands(dispense: Dispense, others: Iterable[Dispense]) -> c.Hands:
    row = cast("Any", dispense)
    signed = row.hands_decision == Signature.Decision.SIGNED
    name = f"{row.hands_signer_first or ''} {row.hands_signer_last or ''}".strip() or row.hands_signer_username
    identity = (dispense.frame or {}).get("identity", "")
    return c.Hands(
        dispenser=dispense.dispenser.display_name,
        dispenser_role=row.hands_role,
        dispenser_registered=dispense.dispenser.registered,
        signed_by=name if signed else None,
        signer_registered=bool(signed and row.hands_signer_registration),
        changed_after_signature=row.hands_decision == Signature.Decision.LIFTED,
        open_order_for_same_pair=any(
            o.state == Dispense.State.ORDERED
            and o.prescription_id == dispense.prescription_id
            and o.prescription_id is not None
            and bool(identity)
            and (o.frame or {}).get("identity") == identity
            for o in others
        ),
    )
