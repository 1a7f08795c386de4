"""Issue, cancel and replace: what stops them, what they write, and that doing it twice is doing it once."""

from __future__ import annotations

import copy
import json
import re
from decimal import Decimal as D
from pathlib import Path

import pytest
from django.db import transaction

from dispensing import catalogue, record, sign_off
from dispensing.assess import assess_dispense
from dispensing.models import CatalogueLens, Dispense, Reason
from orders import document as doc
from orders import issue, unlike, unlike_words
from orders.lab_progress import acknowledge, report_progress
from orders.models import FeedHead, NumberSeries, Order, OrderEvent
from practice import audit
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.factories import PASSWORD, LabFactory
from tests.orders.ready import ready_dispense, signed_dispense
from tests.orders.test_document import faults

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def ready(cast):
    return ready_dispense(cast)


def test_a_dispense_becomes_an_order(cast, ready):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab, version=ready.version)
    assert order.number == "SM-000001"
    assert (order.state, order.waiting, order.feed_position) == ("issued", True, 1)
    assert order.document_sha256 == doc.digest(order.document)
    content = json.loads(order.document)
    assert faults(content) == []
    assert content["order"]["number"] == order.number
    assert content["client"] == {"reference": cast.client.reference, "name": None}
    assert content["people"]["dispensed_by"]["registration_number"] == "D-11873"
    assert content["people"]["signed_by"] is None
    right = content["lenses"]["right"]
    assert (right["ordered"]["sphere"], right["ordered"]["cylinder"], right["ordered"]["axis"]) == (
        "-2.25",
        "-0.75",
        "95.0",
    )
    assert right["centration"]["decentration_in"] == "3.50"  # (52 + 18) / 2 - 31.5
    assert right["centration"]["decentration_up"] == "2.00"  # 22 - 40 / 2
    ready.refresh_from_db()
    assert ready.state == "ordered"
    assert [e.kind for e in order.events.all()] == ["issued"]
    told = AuditEvent.objects.get(action="order.issued")
    assert (told.actor, told.client, told.after["sha256"]) == (cast.dispenser, cast.client, order.document_sha256)
    assert audit.verify(cast.group) is None


def test_the_clients_name_goes_where_the_branch_sends_it(cast, ready):
    cast.branch.name_on_lab_documents = True
    cast.branch.save()
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    assert json.loads(order.document)["client"]["name"] == cast.client.full_name


def test_issuing_twice_gives_the_same_order(cast, ready):
    first = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab, version=ready.version)
    second = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab, version=ready.version)
    assert (second.pk, second.document) == (first.pk, first.document)
    assert Order.objects.count() == OrderEvent.objects.count() == 1
    assert NumberSeries.objects.get(branch=cast.branch).last == 1
    with pytest.raises(Refused, match="already at"):
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=LabFactory(group=cast.group))


def test_a_trainees_dispense_needs_its_signature_and_a_trainee_never_issues(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    with pytest.raises(NotAllowed):
        issue.issue_order(actor=cast.trainee, dispense=made, lab=cast.lab)
    with pytest.raises(Refused, match="signed by a supervisor"):
        issue.issue_order(actor=cast.dispenser, dispense=made, lab=cast.lab)
    assert not Order.objects.exists()
    assert not NumberSeries.objects.exists(), "a refused issue uses up no number"


def test_a_signed_one_goes_and_names_who_signed(cast):
    made = signed_dispense(cast)
    order = issue.issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab)
    people = json.loads(order.document)["people"]
    assert people["dispensed_by"]["role"] == "trainee"
    assert people["signed_by"] == {
        "name": cast.supervisor.display_name,
        "role": "supervisor",
        "registration_number": "S-20417",
    }


def test_changed_after_signing_it_does_not_go(cast):
    made = signed_dispense(cast)
    record.save_needs(actor=cast.trainee, dispense=made, version=1, uses=["all_round"], working_distance_mm=D(380))
    with pytest.raises(Refused, match="signed by a supervisor"):
        issue.issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab)


def _signed_again(cast, made):
    sign_off.return_to_dispenser(actor=cast.supervisor, dispense=made, version=made.version, comment="Look again.")
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    sign_off.sign(actor=cast.supervisor, dispense=made, version=made.version, password=PASSWORD)
    return Dispense.objects.get(pk=made.pk)


def test_a_range_that_changed_after_signing_does_not_go_under_the_old_signature(cast, client):
    """The dispense is as it was and the checks find nothing, but the lab would be told another corridor than was signed."""
    made = signed_dispense(cast)
    lens = CatalogueLens.objects.get(pk=made.lens_option.lens_id)
    change = {"actor": cast.manager, "lens": lens, "read": catalogue.as_read(lens)}
    catalogue.change_lens(**change, values={"corridor_mm": D(12)})
    made = Dispense.objects.get(pk=made.pk)
    with pytest.raises(Refused, match=r"not what was signed: corridor was 13\.00 mm, now 12\.00 mm\."):
        issue.issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab, version=made.version)
    assert not Order.objects.exists()
    assert not NumberSeries.objects.exists()
    client.force_login(cast.supervisor)
    page = client.get(f"/dispenses/{made.reference}/order/").content.decode()
    assert "not what was signed" in page
    assert "Issue the order" not in page
    assert '<th scope="row">Corridor</th><td>13.00 mm</td><td>12.00 mm</td>' in page
    order = issue.issue_order(actor=cast.supervisor, dispense=_signed_again(cast, made), lab=cast.lab)
    assert json.loads(order.document)["lens"]["design"]["corridor"] == "12.00"


def test_what_a_lab_would_make_differently_is_found_and_nothing_else():
    was = {"lenses": {"right": {"front_curve": None}}, "frame": {"outline": {"radii": [2500, 2600, 2400]}}}
    assert unlike.differences(was, copy.deepcopy(was)) == []
    assert unlike.differences(was, {**was, "lenses": {"right": {}}}) == [], "nothing is nothing, however it is written"
    mirrored = {**was, "frame": {"outline": {"radii": [2500, 2400, 2600]}}}
    assert [d.path for d in unlike.differences(was, mirrored)] == ["frame.outline"]
    with_curve = {**was, "lenses": {"right": {"front_curve": {"curve": "4.25"}}}}
    (found,) = unlike.differences(was, with_curve)
    assert (found.path, found.was, found.now) == ("lenses.right.front_curve.curve", "nothing", "4.25")


def test_everything_a_document_can_say_differently_has_its_words():
    paths = {
        path
        for file in (ROOT / "fixtures" / "orders").glob("*.json")
        for path in unlike._flat({k: v for k, v in json.loads(file.read_text()).items() if k in unlike.MADE_BY})
    }
    bare = {re.sub(r"^lenses\.(right|left)\.", "", p) for p in paths}
    assert len(bare) > 60
    assert bare - unlike_words.KNOWN == set()


@pytest.mark.parametrize(
    ("path", "was", "words", "value"),
    [
        ("lenses.right.ordered.sphere", "-2.25", "right ordered sphere", "−2.25 D"),
        ("lenses.left.centration.far_pd", "31.50", "left PD far", "31.50 mm"),
        ("lenses.left.ordered.axis", "95.0", "left ordered axis", "95.0°"),
        ("lens.material.index", "1.597", "refractive index", "1.597"),
        ("frame.mount", "full_rim", "mount", "full rim"),
        ("lens.tint", "nothing", "tint", "nothing"),
        ("lens.something_new", "x", "lens something new", "x"),
    ],
)
def test_a_difference_is_said_with_its_unit(path, was, words, value):
    found = unlike.Difference(path, was, "")
    assert (found.what, found.was_said) == (words, value)


def test_a_prism_that_differs_is_one_difference():
    def pair(h, v):
        parts = {
            "horizontal": {"amount": h, "base": "in"},
            "vertical": {"amount": v, "base": "up" if v != "0.00" else None},
        }
        return {"lenses": {"right": {"ordered": {"prism": {"in": h, "up": v, **parts, "resultant": {"amount": h}}}}}}

    (found,) = unlike.differences(pair("1.00", "0.00"), pair("1.50", "0.50"))
    assert (found.what, found.was, found.now) == ("right ordered prism", "1.00 Δ in", "1.50 Δ in and 0.50 Δ up")


def test_a_figure_that_is_told_only_since_does_not_undo_a_signature(cast):
    """Signed before orders told the front curve their thickness was reckoned with: the release alone asks for no new signature."""
    made = signed_dispense(cast)
    signature = sign_off.current_signature(made)
    by = {"dispense": made, "lab": cast.lab, "actor": cast.supervisor, "number": "SM-000001", "replaces": None}
    now = issue.document_for(found=assess_dispense(made), **by)
    for eye in ("right", "left"):
        now["lenses"][eye]["front_curve"] = {"curve": "4.25", "from": "table"}

    def before(found):
        document = issue.document_for(found=found, **by)
        for eye in ("right", "left"):
            document["lenses"][eye]["front_curve"] = None
        return document

    assert unlike.unlike_signed(signature, now, before) is None
    now["lenses"]["right"]["ordered"]["sphere"] = "9.99"
    assert "not what was signed: right ordered sphere was " in unlike.unlike_signed(signature, now, before).message


def test_what_was_signed_is_read_back_whole(cast):
    """The document written from the frozen copy is the one written from the records, so that nothing is refused for nothing."""
    made = signed_dispense(cast)
    order = issue.issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab)
    assert order.state == "issued"
    damaged = signed_dispense(cast)
    damaged.signatures.update(snapshot="{}")
    with pytest.raises(Refused, match="cannot be read any more"):
        issue.issue_order(actor=cast.supervisor, dispense=damaged, lab=cast.lab)


def test_the_checks_run_again_at_issue(cast, ready):
    """What was fine when the page was drawn is not fine any more: an axis was lost behind its back."""
    ready.prescription.eyes.filter(eye="right").update(axis=None)
    assert assess_dispense(Dispense.objects.get(pk=ready.pk)).open_stops
    with pytest.raises(Refused, match="cannot be ordered yet"):
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    assert not Order.objects.exists()


def test_a_confirm_without_its_reason_does_not_go(cast):
    from datetime import timedelta

    from django.utils import timezone

    made = ready_dispense(cast, answered=False)
    rx = made.prescription
    rx.written_on = timezone.localdate() - timedelta(days=900)  # older than the branch's 24 months
    rx.save()
    found = assess_dispense(Dispense.objects.get(pk=made.pk))
    assert found.open_confirms or found.open_stops
    with pytest.raises(Refused):
        issue.issue_order(actor=cast.dispenser, dispense=made, lab=cast.lab)
    assert not Order.objects.exists()
    assert not Reason.objects.exists()


def test_only_the_version_that_was_looked_at_goes(cast, ready):
    with pytest.raises(Conflict):
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab, version=ready.version - 1)
    assert not Order.objects.exists()


def test_only_to_a_lab_of_ones_own(cast, ready):
    with pytest.raises(Invalid) as caught:
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.foreign_lab)
    assert "lab" in caught.value.errors
    cast.lab.active = False
    cast.lab.save()
    with pytest.raises(Invalid):
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)


@pytest.mark.parametrize("who", ["trainee", "elsewhere", "foreigner"])
def test_others_may_not(cast, ready, who):
    actor = getattr(cast, who)
    with pytest.raises(NotAllowed):
        issue.issue_order(actor=actor, dispense=ready, lab=cast.lab)
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    for deed in (
        lambda: issue.issue_order(actor=actor, dispense=ready, lab=cast.lab),
        lambda: issue.cancel_order(actor=actor, order=order, reason="Because I say so."),
        lambda: issue.replace_order(actor=actor, order=order, lab=cast.lab, reason="Because I say so."),
    ):
        with pytest.raises(NotAllowed):
            deed()
    order.refresh_from_db()
    assert (order.state, order.version) == ("issued", 1)


def test_a_fault_on_the_way_leaves_nothing(cast, ready, monkeypatch):
    monkeypatch.setattr(audit, "record", lambda **kw: (_ for _ in ()).throw(RuntimeError("power cut")))
    with pytest.raises(RuntimeError):
        issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    ready.refresh_from_db()
    assert ready.state == "open"
    assert not Order.objects.exists()
    assert not NumberSeries.objects.exists()
    assert not FeedHead.objects.exists()


# --- cancel and replace


def test_cancelling_tells_the_lab_and_opens_the_dispense(cast, ready):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    acknowledge(lab=cast.lab, number=order.number)
    text = order.document
    gone = issue.cancel_order(actor=cast.dispenser, order=order, reason="Client chose another frame.")
    assert (gone.state, gone.waiting, gone.feed_position) == ("cancelled", True, 2)
    assert gone.document == text
    ready.refresh_from_db()
    assert ready.state == "open"
    again = issue.cancel_order(actor=cast.dispenser, order=order, reason="Once more.")
    assert (again.version, again.cancel_reason) == (gone.version, "Client chose another frame.")
    assert [e.kind for e in gone.events.all()] == ["issued", "acknowledged", "cancelled"]


@pytest.mark.parametrize("reason", ["", "   ", "no", "x" * 401, "nul\x00nul"])
def test_cancelling_needs_a_reason(cast, ready, reason):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    with pytest.raises(Invalid) as caught:
        issue.cancel_order(actor=cast.dispenser, order=order, reason=reason)
    assert "reason" in caught.value.errors
    order.refresh_from_db()
    assert order.state == "issued"


def test_what_is_dispatched_is_not_cancelled(cast, ready):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    report_progress(lab=cast.lab, number=order.number, state="dispatched")
    with pytest.raises(Refused, match="cannot be cancelled"):
        issue.cancel_order(actor=cast.dispenser, order=order, reason="Too late.")


def test_not_over_what_the_lab_did_meanwhile(cast, ready):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    report_progress(lab=cast.lab, number=order.number, state="in_work")
    with pytest.raises(Conflict):
        issue.cancel_order(actor=cast.dispenser, order=order, reason="Wrong tint.", version=order.version)


def test_a_prefix_that_another_branch_had_goes_on_after_its_last_number(cast):
    """The first branch took another prefix, the second took its: the numbers that were given are not given again."""
    with transaction.atomic():
        given = [issue.take_number(cast.branch) for _ in range(2)]
    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    assert (given, order.number) == (["SM-000001", "SM-000002"], "SM-000003")
    cast.branch.code = "NEW"
    cast.branch.save()
    cast.other_branch.code = "SM"
    cast.other_branch.save()
    with transaction.atomic():
        NumberSeries.objects.create(branch=cast.other_branch, last=2)
        assert issue.take_number(cast.other_branch) == "SM-000004"
        assert issue.take_number(cast.other_branch) == "SM-000005"
        assert issue.take_number(cast.branch) == "NEW-000004"


def test_a_correction_is_a_new_order_that_points_to_the_old(cast, ready):
    old = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    issue.cancel_order(actor=cast.dispenser, order=old, reason="Wrong blank.")
    ready.refresh_from_db()
    record.choose_lens(
        actor=cast.dispenser,
        dispense=ready,
        version=ready.part_versions["lens"],
        option=cast.option,
        blank_diameter_mm=D(70),
    )
    ready.refresh_from_db()
    new = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    assert new.replaces == old
    assert json.loads(new.document)["order"]["replaces"] == {"number": old.number, "reason": "Wrong blank."}
    assert json.loads(new.document)["lenses"]["right"]["blank"]["diameter"] == "70.00"
    assert json.loads(Order.objects.get(pk=old.pk).document)["lenses"]["right"]["blank"]["diameter"] == "75.00"
    assert [e.kind for e in old.events.all()] == ["issued", "cancelled", "replaced"]


def test_replacing_sends_it_to_another_lab_in_one_go(cast, ready):
    other = LabFactory(group=cast.group, name="Kelp Lane Optical")
    old = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    new = issue.replace_order(actor=cast.dispenser, order=old, lab=other, reason="The lab cannot make it.")
    old.refresh_from_db()
    assert (old.state, new.lab, new.replaces, new.number) == ("cancelled", other, old, "SM-000002")
    assert issue.replace_order(actor=cast.dispenser, order=old, lab=other, reason="The lab cannot make it.") == new
    with pytest.raises(Refused, match=f"sent it to {other.name} already, as order {new.number}"):
        issue.replace_order(actor=cast.supervisor, order=old, lab=cast.lab, reason="The lab cannot make it.")
    assert Order.objects.count() == 2


def test_a_replacement_that_cannot_go_leaves_the_old_order_alone(cast, ready):
    old = issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)
    ready.prescription.eyes.filter(eye="right").update(axis=None)
    with pytest.raises(Refused):
        issue.replace_order(actor=cast.dispenser, order=old, lab=cast.lab, reason="Send it again.")
    old.refresh_from_db()
    assert (old.state, old.feed_position) == ("issued", 1)


# --- numbers


def test_numbers_are_the_branchs_own_and_can_stand_in_an_address(cast):
    with transaction.atomic():
        assert [issue.take_number(cast.branch) for _ in range(3)] == ["SM-000001", "SM-000002", "SM-000003"]
        assert issue.take_number(cast.other_branch) == "HB-000001"
        cast.branch.code, cast.other_branch.code = "Ü/1", "ü 1"
        numbers = {issue.take_number(cast.branch), issue.take_number(cast.other_branch)}
    assert len(numbers) == 2
    assert all(n.isascii() and "/" not in n and " " not in n for n in numbers)
