"""The use cases of the fitting desk. People and things are the invented cast; rules are those of the brief of each use case."""

from __future__ import annotations

from datetime import date
from decimal import Decimal as D
from pathlib import Path

import pytest

from dispensing import measure, record
from dispensing.models import Dispense, Prescription, Reading
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent

RIGHT = {"sphere": D("-4.75"), "cylinder": D("-1.25"), "axis": D("170"), "add": D("2.25")}
LEFT = {"sphere": D("-5.25"), "cylinder": D("-0.75"), "axis": D("15"), "add": D("2.25")}


@pytest.fixture
def dispense(cast):
    return record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)


def version(dispense, part):
    return record.part_version(Dispense.objects.get(pk=dispense.pk), part)


def prescribe(cast, dispense, **more):
    return record.save_prescription(
        actor=cast.trainee,
        dispense=dispense,
        version=version(dispense, "prescription"),
        right=more.pop("right", RIGHT),
        left=more.pop("left", LEFT),
        written_on=date(2026, 11, 3),
        **more,
    )


def framed(cast, dispense, item=None):
    return record.choose_frame(
        actor=cast.trainee, dispense=dispense, version=version(dispense, "frame"), item=item or cast.frame
    )


def fitted(cast, dispense, **more):
    return record.confirm_fit(
        actor=cast.trainee,
        dispense=dispense,
        version=version(dispense, "fit"),
        **{"adjusted": ["level", "bridge"], "vertex_mm": D("12.5"), **more},
    )


def read(cast, dispense, quantity="far_pd", eye="right", values=("31.5",), method="pupillometer", **more):
    return measure.add_readings(
        actor=cast.trainee,
        dispense=dispense,
        readings=[
            measure.NewReading(quantity=quantity, eye=eye, value=D(v), method=method, as_typed=v, **more) for v in values
        ],
    )


# --- start, needs, cancel ---------------------------------------------------------------------------------------------


def test_starting_takes_over_what_the_earlier_pair_was_for(cast, dispense):
    record.save_needs(
        actor=cast.trainee, dispense=dispense, version=0, uses=["near", "all_round"], working_distance_mm=D(350)
    )
    again = record.start_dispense(
        actor=cast.dispenser, client=cast.client, branch=cast.branch, earlier=Dispense.objects.get(pk=dispense.pk)
    )
    assert again.uses == ["all_round", "near"]
    assert again.dispenser == cast.dispenser
    assert AuditEvent.objects.filter(action="dispense.started", subject=f"dispense {again.reference}").count() == 1


def test_nobody_starts_where_they_do_not_work_or_for_another_groups_client(cast):
    with pytest.raises(NotAllowed):
        record.start_dispense(actor=cast.elsewhere, client=cast.client, branch=cast.branch)
    with pytest.raises(Invalid) as wrong:
        record.start_dispense(actor=cast.trainee, client=cast.foreign_client, branch=cast.branch)
    assert "client" in wrong.value.errors
    assert not Dispense.objects.exists()


def test_every_use_case_asks_for_permission_and_leaves_nothing_behind(cast, dispense):
    before = AuditEvent.objects.count()
    for call in (
        lambda: record.save_needs(actor=cast.foreigner, dispense=dispense, version=0, uses=["near"]),
        lambda: record.save_prescription(actor=cast.foreigner, dispense=dispense, version=0, right=RIGHT, left=LEFT),
        lambda: record.choose_frame(actor=cast.foreigner, dispense=dispense, version=0, item=cast.frame),
        lambda: record.confirm_fit(actor=cast.foreigner, dispense=dispense, version=0),
        lambda: record.choose_lens(actor=cast.foreigner, dispense=dispense, version=0, option=cast.option),
        lambda: record.cancel_dispense(actor=cast.foreigner, dispense=dispense, version=1, reason="x"),
        lambda: measure.add_readings(
            actor=cast.foreigner,
            dispense=dispense,
            readings=[measure.NewReading(quantity="far_pd", eye="right", value=D(31), method="rule")],
        ),
        lambda: measure.adopt_value(
            actor=cast.foreigner, dispense=dispense, version=0, quantity="far_pd", eye="right", value=D(31)
        ),
    ):
        with pytest.raises(NotAllowed):
            call()
    dispense.refresh_from_db()
    assert (dispense.version, dispense.part_versions, Prescription.objects.count()) == (1, {}, 0)
    assert AuditEvent.objects.count() == before


def test_saving_what_is_already_there_leaves_no_trace(cast, dispense):
    saved = record.save_needs(actor=cast.trainee, dispense=dispense, version=0, uses=["near"])
    assert saved.changed
    count = AuditEvent.objects.count()
    again = record.save_needs(actor=cast.trainee, dispense=dispense, version=1, uses=["near"])
    assert not again.changed
    assert AuditEvent.objects.count() == count
    assert again.dispense.version == saved.dispense.version


def test_two_people_on_one_part_collide_and_on_two_parts_do_not(cast, dispense):
    record.save_needs(actor=cast.dispenser, dispense=dispense, version=0, uses=["near"], wish="light")
    with pytest.raises(record.PartConflict) as clash:
        record.save_needs(actor=cast.trainee, dispense=dispense, version=0, uses=["distance"])
    assert isinstance(clash.value, Conflict)
    assert clash.value.theirs.uses == ["near"]
    assert clash.value.by == cast.dispenser
    assert prescribe(cast, dispense).changed


def test_cancelling_asks_for_a_reason_and_ends_all_changes(cast, dispense):
    with pytest.raises(Invalid):
        record.cancel_dispense(actor=cast.trainee, dispense=dispense, version=1, reason="  ")
    record.cancel_dispense(actor=cast.trainee, dispense=dispense, version=1, reason="Keeps the old pair.")
    dispense.refresh_from_db()
    assert dispense.state == "cancelled"
    assert AuditEvent.objects.get(action="dispense.cancelled").after["reason"] == "Keeps the old pair."
    with pytest.raises(Refused, match="cancelled"):
        framed(cast, dispense)


@pytest.mark.parametrize("state", ["ordered", "collected", "cancelled"])
def test_a_closed_dispense_is_not_changed(cast, dispense, state):
    Dispense.objects.filter(pk=dispense.pk).update(state=state)
    with pytest.raises(Refused):
        record.save_needs(actor=cast.trainee, dispense=dispense, version=0, uses=["near"])


# --- prescription -----------------------------------------------------------------------------------------------------


def test_a_prescription_is_kept_as_typed_and_corrected_in_place(cast, dispense):
    prescribe(cast, dispense, as_written={"prescription.right.sphere": "4.75-"})
    row = Prescription.objects.get()
    assert row.as_written == {"prescription.right.sphere": "4.75-"}
    as_shown = {"prescription.right.sphere": "−4.75", "prescription.right.axis": "170"}
    prescribe(cast, dispense, as_written=as_shown, prescriber="Dr Quill")
    row.refresh_from_db()
    assert row.as_written["prescription.right.sphere"] == "4.75-"  # the page sent back what it showed
    saved = prescribe(cast, dispense, right={**RIGHT, "sphere": D("-4.50")}, prescriber="Dr Quill")
    assert Prescription.objects.get().eyes.get(eye="right").sphere == D("-4.50")
    event = AuditEvent.objects.filter(action="dispense.prescription").latest("sequence")
    assert event.before == {"prescription.right.sphere": "-4.75"}
    assert event.after == {"prescription.right.sphere": "-4.50"}
    assert saved.dispense.part_versions == {"prescription": 3}


def test_a_prescription_another_pair_rests_on_is_never_altered(cast, dispense):
    prescribe(cast, dispense)
    row = Prescription.objects.get()
    record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch, prescription=row)
    prescribe(cast, dispense, right={**RIGHT, "sphere": D("-4.50")})
    assert Prescription.objects.count() == 2
    assert row.eyes.get(eye="right").sphere == D("-4.75")


def test_another_clients_prescription_is_refused(cast, dispense):
    foreign = Prescription.objects.create(client=cast.foreign_client)
    with pytest.raises(Invalid):
        record.use_prescription(actor=cast.trainee, dispense=dispense, version=0, prescription=foreign)


@pytest.mark.parametrize(
    ("eye", "path"),
    [
        ({"sphere": D("-250")}, "prescription.right.sphere"),
        ({"sphere": D("1"), "cylinder": D("-1"), "axis": D("181")}, "prescription.right.axis"),
        ({"prism_h": D("-1"), "base_h": "in"}, "prescription.right.prism_h"),
        ({"prism_h": D("1"), "base_h": "up"}, "prescription.right.base_h"),
    ],
)
def test_what_no_lens_has_is_refused_by_path(cast, dispense, eye, path):
    with pytest.raises(Invalid) as wrong:
        prescribe(cast, dispense, right=eye)
    assert list(wrong.value.errors) == [path]
    assert not Prescription.objects.exists()


def test_reading_back_matches_finds_differences_and_is_undone_by_a_change(cast, dispense):
    prescribe(cast, dispense)
    slip = record.read_back_prescription(
        actor=cast.dispenser,
        dispense=dispense,
        version=version(dispense, "prescription"),
        right={**RIGHT, "sphere": D("-4.25")},
        left=LEFT,
    )
    assert [(d.path, d.recorded, d.read_back) for d in slip.differences] == [
        ("prescription.right.sphere", "-4.75", "-4.25")
    ]
    assert Prescription.objects.get().read_back == "differs"
    right = {**RIGHT, "prism_h": D(0)}  # an explicit nought equals nothing
    again = record.read_back_prescription(
        actor=cast.dispenser, dispense=dispense, version=version(dispense, "prescription"), right=right, left=LEFT
    )
    assert again.matched
    assert Prescription.objects.get().read_back == "matched"
    changed = prescribe(cast, dispense, left={**LEFT, "axis": D("51")})
    assert Prescription.objects.get().read_back == ""
    assert any("read them back" in s for s in changed.said)


def test_the_published_fhir_example_is_taken_over_exactly(cast, dispense):
    """HL7 VisionPrescription example 33123 (hl7.org/fhir/R5/visionprescription-example.json)."""
    found = sorted(Path(__file__).parents[1].rglob("visionprescription-example.json"))
    assert found, "the published example is among the test data"
    saved = record.import_prescription(
        actor=cast.trainee, dispense=dispense, version=0, text=found[0].read_text(encoding="utf-8")
    )
    row = saved.dispense.prescription
    right, left = row.eyes.get(eye="right"), row.eyes.get(eye="left")
    assert (right.sphere, right.prism_v, right.base_v, right.add) == (D("-2.00"), D("0.50"), "down", D("2.00"))
    assert (left.sphere, left.cylinder, left.axis) == (D("-1.00"), D("-0.50"), D("180"))
    assert (left.prism_v, left.base_v, left.add) == (D("0.50"), "up", D("2.00"))
    assert row.source == "imported"
    assert len(row.imported_sha256) == 64
    with pytest.raises(Invalid) as wrong:
        record.import_prescription(actor=cast.trainee, dispense=dispense, version=1, text="not json")
    assert list(wrong.value.errors) == ["prescription.import"]


# --- frame and fit ----------------------------------------------------------------------------------------------------


def test_the_frame_is_a_copy_and_a_later_catalogue_change_does_not_reach_it(cast, dispense):
    framed(cast, dispense)
    cast.frame.a = D("60")
    cast.frame.save()
    dispense.refresh_from_db()
    assert D(dispense.frame["a"]) == 52
    assert dispense.frame["mount"] == "full_rim"


def test_changing_the_frame_undoes_the_fit_and_doubts_the_readings_and_says_so(cast, dispense):
    framed(cast, dispense)
    fitted(cast, dispense)
    read(cast, dispense, values=("31.5", "31.5"))
    measure.adopt_value(
        actor=cast.trainee,
        dispense=dispense,
        version=version(dispense, "readings"),
        quantity="far_pd",
        eye="right",
        value=D("31.5"),
    )
    saved = record.choose_frame(
        actor=cast.trainee,
        dispense=dispense,
        version=version(dispense, "frame"),
        measured={"name": "own pair", "a": D(50), "b": D(38), "dbl": D(18), "mount": "drilled"},
    )
    assert saved.dispense.fit_confirmed_at is None
    assert all(r.in_doubt for r in saved.dispense.readings.all())
    assert all(a.in_doubt for a in saved.dispense.adoptions.all())
    assert any("2 readings" in s and "in doubt" in s for s in saved.said)


def test_a_measured_box_stands_over_the_catalogue_and_drops_its_outline(cast, dispense):
    cast.frame.outline = [26.0] * 36
    cast.frame.save()
    saved = record.choose_frame(
        actor=cast.trainee, dispense=dispense, version=0, item=cast.frame, measured={"a": D("52.60")}
    )
    assert saved.dispense.frame["a"] == "52.6"
    assert "outline" not in saved.dispense.frame


def test_the_fit_needs_a_frame_and_a_later_change_doubts_what_was_read(cast, dispense):
    with pytest.raises(Refused, match="frame"):
        fitted(cast, dispense)
    framed(cast, dispense)
    fitted(cast, dispense)
    read(cast, dispense)
    filled_in = fitted(cast, dispense, pantoscopic_deg=D(9))  # it was missing: nothing moved
    assert not filled_in.dispense.readings.get().in_doubt
    moved = record.save_fit(
        actor=cast.trainee,
        dispense=dispense,
        version=version(dispense, "fit"),
        adjusted=["level", "bridge"],
        vertex_mm=D("14"),
        pantoscopic_deg=D(9),
    )
    assert moved.dispense.readings.get().in_doubt
    assert moved.dispense.fit_confirmed_at is None
    assert len(moved.said) == 2


# --- lens -------------------------------------------------------------------------------------------------------------


def test_a_lens_of_another_group_is_refused(cast, dispense):
    from tests.factories import LensFactory, OptionFactory

    foreign = OptionFactory(lens=LensFactory(group=cast.foreign_branch.group))
    with pytest.raises(Invalid) as wrong:
        record.choose_lens(actor=cast.trainee, dispense=dispense, version=0, option=foreign)
    assert list(wrong.value.errors) == ["lens.option"]


def test_ordered_powers_need_a_sphere_and_an_axis(cast, dispense):
    with pytest.raises(Invalid) as wrong:
        record.choose_lens(
            actor=cast.trainee,
            dispense=dispense,
            version=0,
            option=cast.option,
            compensation="maker",
            ordered={"right": {"cylinder": D("-0.5")}, "left": {"sphere": D("-1"), "cylinder": D("-1")}},
        )
    assert set(wrong.value.errors) == {
        "lens.ordered_right.sphere",
        "lens.ordered_right.axis",
        "lens.ordered_left.axis",
    }


def test_a_signature_is_lifted_by_a_change(cast, dispense):
    pytest.importorskip("dispensing.sign_off")
    Dispense.objects.filter(pk=dispense.pk).update(state="signed")
    saved = record.save_needs(actor=cast.trainee, dispense=dispense, version=0, uses=["near"])
    saved.dispense.refresh_from_db()
    assert saved.dispense.state in ("open", "returned")
    assert any("signature" in s for s in saved.said)
    assert Reading.objects.count() == 0
