"""Sign-off: who signs what, what a signature covers, and what lifts it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal as D

import pytest
from django.utils import timezone

from dispensing import assess, record, sign_off
from dispensing import case as c
from dispensing.models import Dispense, Reason, Signature
from dispensing.snapshot import Damaged, read_snapshot
from dispensing.waiting import to_sign_elsewhere
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent, Post, SignInTry
from tests.dispensing.checks.build import PROGRESSIVE
from tests.factories import PASSWORD, ClientFactory
from tests.orders.ready import ready_dispense, signed_dispense

State = Dispense.State


def _fresh(dispense):
    return Dispense.objects.get(pk=dispense.pk)


def forward(dispense, **more):
    sign_off.put_forward(actor=dispense.dispenser, dispense=dispense, version=dispense.version, **more)
    return _fresh(dispense)


def sign(dispense, actor, **more):
    values = {"version": dispense.version, "password": PASSWORD} | more
    return sign_off.sign(actor=actor, dispense=dispense, **values)


@pytest.fixture
def waiting(cast):
    return forward(ready_dispense(cast, actor=cast.trainee))


# --- two who decide at once ---------------------------------------------------------------------------------------------


def test_of_two_who_decide_at_once_the_second_is_told_of_the_first(cast, waiting):
    """What a page shows is one moment: whoever decided since is named, and nothing is done over their head."""
    shown = sign_off.newest_decision(waiting)
    sign(waiting, cast.supervisor, last_seen=shown)
    told = f"signed by {cast.supervisor.display_name}, "
    late = {"actor": cast.manager, "dispense": waiting, "version": waiting.version, "last_seen": shown}
    with pytest.raises(Conflict, match=told):
        sign_off.return_to_dispenser(**late, comment="The frame slides.")
    with pytest.raises(Conflict, match=told):
        sign(waiting, cast.manager, last_seen=shown)
    with pytest.raises(Conflict, match="signed by you, "):
        sign(waiting, cast.supervisor, last_seen=shown)
    assert _fresh(waiting).state == State.SIGNED
    assert [s.decision for s in waiting.signatures.all()] == ["submitted", "signed"]
    sign_off.return_to_dispenser(**late | {"last_seen": sign_off.newest_decision(waiting)}, comment="The frame slides.")
    assert _fresh(waiting).state == State.RETURNED


def test_what_was_put_forward_again_meanwhile_is_looked_at_again(cast, waiting):
    shown = sign_off.newest_decision(waiting)
    sign_off.return_to_dispenser(actor=cast.manager, dispense=waiting, version=waiting.version, comment="Look at the fit.")
    again = forward(_fresh(waiting))
    with pytest.raises(Conflict, match="put forward by"):
        sign(again, cast.supervisor, last_seen=shown)
    with pytest.raises(Conflict, match="put forward by"):
        sign_off.take_over(actor=cast.supervisor, dispense=again, version=again.version, last_seen=shown)
    assert _fresh(again).state == State.WAITING


# --- the natural way ----------------------------------------------------------------------------------------------------


def test_a_trainees_dispense_goes_forward_and_is_signed(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    made = forward(made, comment="Second pair.")
    assert made.state == State.WAITING
    signature = sign(made, cast.supervisor)
    made = _fresh(made)
    assert made.state == State.SIGNED
    assert sign_off.current_signature(made) == signature
    assert list(made.signatures.values_list("decision", "by")) == [
        ("submitted", cast.trainee.pk),
        ("signed", cast.supervisor.pk),
    ]
    actions = list(
        AuditEvent.objects.filter(subject=f"dispense {made.reference}").order_by("pk").values_list("action", flat=True)
    )
    assert actions[-2:] == ["dispense.put_forward", "dispense.signed"]
    assert AuditEvent.objects.get(action="dispense.signed").after["seen_sha256"] == signature.snapshot_sha256


def test_a_returned_dispense_says_why_and_can_come_again(cast, waiting):
    with pytest.raises(Invalid) as problem:
        sign_off.return_to_dispenser(actor=cast.supervisor, dispense=waiting, version=waiting.version, comment="  ")
    assert "comment" in problem.value.errors
    assert _fresh(waiting).state == State.WAITING
    sign_off.return_to_dispenser(
        actor=cast.supervisor, dispense=waiting, version=waiting.version, comment="Left height again."
    )
    returned = _fresh(waiting)
    assert returned.state == State.RETURNED
    assert returned.signatures.last().comment == "Left height again."
    assert forward(returned).state == State.WAITING


# --- who ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("who", ["trainee", "dispenser", "unregistered", "elsewhere", "foreigner"])
def test_only_supervisors_and_managers_of_the_branch_sign_or_return(cast, waiting, who):
    person = getattr(cast, who)
    with pytest.raises(NotAllowed):
        sign(waiting, person)
    with pytest.raises(NotAllowed):
        sign_off.return_to_dispenser(actor=person, dispense=waiting, version=waiting.version, comment="no")
    assert _fresh(waiting).state == State.WAITING
    assert not waiting.signatures.filter(decision="signed").exists()


@pytest.mark.parametrize("who", ["supervisor", "second_supervisor", "manager"])
def test_any_supervisor_or_the_manager_covers_for_another(cast, waiting, who):
    assert sign(waiting, getattr(cast, who)).decision == "signed"


def test_nobody_signs_their_own(cast):
    own = forward(ready_dispense(cast, actor=cast.supervisor))
    with pytest.raises(NotAllowed, match="own"):
        sign(own, cast.supervisor)
    assert sign(own, cast.second_supervisor)


def test_taking_over_makes_it_ones_own(cast, waiting):
    sign_off.take_over(actor=cast.supervisor, dispense=waiting, version=waiting.version)
    taken = _fresh(waiting)
    assert (taken.dispenser, taken.state) == (cast.supervisor, State.OPEN)
    taken = forward(taken)
    with pytest.raises(NotAllowed, match="own"):
        sign(taken, cast.supervisor)
    with pytest.raises(NotAllowed):
        sign_off.take_over(actor=cast.trainee, dispense=taken, version=taken.version)


@pytest.mark.parametrize("facts", [{"date_of_birth": date(2014, 5, 2)}, {"sight_impaired": True}])
def test_a_restricted_client_needs_a_registered_signer(cast, facts):
    """The finding that asks for a signature must not forbid it; and a signer who is not registered does not answer it."""
    client = ClientFactory(branch=cast.branch, **facts)
    made = ready_dispense(cast, actor=cast.trainee, client=client)
    assert "order.restricted" in {f.check for f in assess.assess_dispense(made).open_stops}
    made = forward(made)
    with pytest.raises(NotAllowed, match="registered"):
        sign(made, cast.manager)
    assert sign(made, cast.supervisor)
    assert "order.restricted" not in {f.check for f in assess.assess_dispense(_fresh(made)).findings}


def test_who_needs_a_signature(cast):
    def needs(actor, **client):
        person = ClientFactory(branch=cast.branch, **client)
        return sign_off.needs_signature(record.start_dispense(actor=actor, client=person, branch=cast.branch))

    assert needs(cast.trainee)
    assert needs(cast.dispenser) is None
    assert needs(cast.unregistered) is None
    assert "registered" in needs(cast.unregistered, sight_impaired=True)
    assert needs(cast.dispenser, sight_impaired=True) is None
    cast.dispenser.posts.all().delete()
    moved = Dispense(group=cast.group, branch=cast.branch, client=cast.client, dispenser=cast.dispenser)
    assert sign_off.needs_signature(moved)  # nobody answers for it at this branch any more


# --- findings -----------------------------------------------------------------------------------------------------------


def test_a_stop_is_neither_put_forward_nor_signed(cast, waiting):
    made = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)
    record.save_prescription(
        actor=cast.trainee,
        dispense=made,
        version=0,
        right={"sphere": D("-2.25"), "cylinder": D("-0.75"), "axis": None},
        left={"sphere": D("-1.50")},
    )
    made = _fresh(made)
    assert "stop" in {f.severity for f in assess.assess_dispense(made).open_stops}
    with pytest.raises(Refused, match="cannot be put forward"):
        forward(made)
    Dispense.objects.filter(pk=made.pk).update(state=State.WAITING)
    with pytest.raises(Refused, match="cannot be signed"):
        sign(_fresh(made), cast.supervisor)
    assert not made.signatures.exists()


def test_each_confirm_needs_its_reason_before_it_is_signed(cast):
    made = forward(ready_dispense(cast, actor=cast.trainee, answered=False))
    found = assess.assess_to_answer(made)
    assert found.open_confirms, "this dispense is meant to have something to confirm"
    with pytest.raises(Refused, match="recorded reason"):
        sign(made, cast.supervisor)
    for finding in found.open_confirms:
        reason = assess.give_reason(
            actor=cast.supervisor, dispense=made, finding_key=finding.key, text="  Known   for years. "
        )
        assert reason.text == "Known for years."
    assert assess.assess_to_answer(made).open_confirms == ()
    assert sign(_fresh(made), cast.supervisor)


def test_a_reason_is_void_when_the_figures_change(cast):
    made = ready_dispense(cast, actor=cast.trainee, answered=False)
    finding = assess.assess_dispense(made).open_confirms[0]
    assess.give_reason(actor=cast.trainee, dispense=made, finding_key=finding.key, text="Looked at twice.")
    assert finding.key in assess.assess_dispense(made).reasons
    Reason.objects.update(seen=[["Something else", "1.00", "mm"]])
    again = assess.assess_dispense(made)
    assert finding.key not in again.reasons
    assert [r.finding_key for r in again.void_reasons] == [finding.key]
    assert finding in again.open_confirms


def test_an_answered_question_hides_no_other_but_what_was_signed_is_not_asked_anew():
    """Two readings of a height that disagree, answered: the heights that differ are asked about, not where it is signed already."""
    read = [
        c.Reading(quantity="height", eye=e, value=h, reference="box")
        for e, h in (("right", 22), ("right", 25), ("left", 22))
    ]
    left, right = c.Adopted(far_pd=32, height=22), c.Adopted(far_pd=31.5, height=25)
    case = replace(PROGRESSIVE, measurements=c.Measurements(readings=tuple(read), right=right, left=left))

    def given(found, check):
        finding = next(f for f in found.findings if f.check == check)
        return Reason(finding_key=finding.key, seen=assess.seen_by(finding), text="Looked at.")

    def asked(reasons, **how):
        return [f.check for f in assess.assess_case(case, reasons=reasons, **how).open_confirms]

    first = given(assess.assess_case(case, reasons=[]), "height.repeats-disagree")
    assert asked([]) == ["height.repeats-disagree"]
    assert asked([first]) == ["height.unequal"]
    assert asked([first], settled=True) == []
    second = given(assess.assess_case(case, reasons=[first]), "height.unequal")
    kept = assess.assess_case(
        case, reasons=[first, second], settled=True
    )  # its reason is for the lab, and goes with the order
    assert set(kept.reasons) == {first.finding_key, second.finding_key}
    assert not kept.open_confirms


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "few words"), ("   ", "few words"), ("x" * 401, "At most 400"), ("because\x00it is", "cannot be kept")],
)
def test_a_reason_has_to_say_something(cast, text, words):
    made = ready_dispense(cast, actor=cast.trainee, answered=False)
    key = assess.assess_dispense(made).open_confirms[0].key
    with pytest.raises(Invalid, match="Some values") as problem:
        assess.give_reason(actor=cast.trainee, dispense=made, finding_key=key, text=text)
    assert words in problem.value.errors["reason"]
    assert not Reason.objects.exists()


def test_a_reason_answers_a_confirm_and_nothing_else(cast):
    made = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)
    with pytest.raises(Refused, match="not there any more"):
        assess.give_reason(actor=cast.trainee, dispense=made, finding_key="no.such|x", text="Because I say so.")
    blocking = assess.assess_dispense(made).open_stops
    if blocking:
        with pytest.raises(Refused, match="does not answer"):
            assess.give_reason(actor=cast.trainee, dispense=made, finding_key=blocking[0].key, text="Because I say so.")
    with pytest.raises(NotAllowed):
        assess.give_reason(actor=cast.elsewhere, dispense=made, finding_key="no.such|x", text="Because I say so.")


# --- the password -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", ["", "wrong", PASSWORD.upper()])
def test_signing_asks_for_the_password_again(cast, waiting, typed):
    with pytest.raises(Invalid) as problem:
        sign(waiting, cast.supervisor, password=typed)
    assert "password" in problem.value.errors
    assert _fresh(waiting).state == State.WAITING


def test_guessing_the_password_while_signing_is_slowed(cast, waiting):
    for _ in range(5):
        with pytest.raises(Invalid):
            sign(waiting, cast.supervisor, password="guess")
    assert SignInTry.objects.filter(failures=5).exists()
    with pytest.raises(Invalid) as problem:
        sign(waiting, cast.supervisor)
    assert "Wait" in problem.value.errors["password"]


# --- what a signature covers ----------------------------------------------------------------------------------------------


def test_what_was_seen_is_kept_word_for_word(cast, waiting):
    found = assess.assess_as_signed(waiting, by=cast.supervisor)
    signature = sign(waiting, cast.supervisor)
    assert hashlib.sha256(signature.snapshot.encode()).hexdigest() == signature.snapshot_sha256
    data = json.loads(signature.snapshot)
    assert data["case"]["prescription"]["right"]["sphere"] == -2.25
    assert [f["message"] for f in data["findings"]] == [f.message for f in found.findings]
    back = read_snapshot(signature.snapshot, signature.snapshot_sha256)
    assert back.case == found.case
    assert back.figures == found.figures
    assert back.findings == found.findings
    assert {k: r.text for k, r in back.reasons.items()} == {k: r.text for k, r in found.reasons.items()}


def test_a_year_later_the_signed_copy_is_what_it_was_whatever_has_changed(cast, waiting):
    signature = sign(waiting, cast.supervisor)
    before = read_snapshot(signature.snapshot, signature.snapshot_sha256)
    cast.client.family_name, cast.client.date_of_birth = "Otherwise", date(1990, 1, 1)
    cast.client.save()
    cast.frame.a = D("60")
    cast.frame.save()
    cast.option.lens.min_height_mm = D("40")
    cast.option.lens.save()
    cast.branch.restricted_below_age = 99
    cast.branch.save()
    signature.refresh_from_db()
    after = read_snapshot(signature.snapshot, signature.snapshot_sha256)
    assert (after.case, after.figures, after.findings) == (before.case, before.figures, before.findings)
    assert assess.assess_dispense(_fresh(waiting)).findings != before.findings  # what is true now is another matter


def test_a_stored_copy_that_was_tampered_with_is_not_shown(cast, waiting):
    signature = sign(waiting, cast.supervisor)
    with pytest.raises(Damaged):
        read_snapshot(signature.snapshot.replace("-2.25", "-2.75"), signature.snapshot_sha256)


def test_what_was_shown_must_still_be_what_is_there(cast, waiting):
    with pytest.raises(Conflict, match="no longer what is recorded"):
        sign(waiting, cast.supervisor, seen_sha256="0" * 64)
    with pytest.raises(Conflict, match="has changed"):
        sign(waiting, cast.supervisor, version=waiting.version - 1)
    assert _fresh(waiting).state == State.WAITING


@pytest.mark.parametrize("deed", ["signed", "waiting"])
def test_any_later_change_opens_it_again(cast, waiting, deed):
    if deed == "signed":
        sign(waiting, cast.supervisor)
    made = _fresh(waiting)
    record.save_needs(actor=cast.trainee, dispense=made, version=record.part_version(made, "needs"), uses=["driving_day"])
    made = _fresh(made)
    assert made.state == State.OPEN
    assert sign_off.current_signature(made) is None
    assert not sign_off.may_issue(actor=cast.supervisor, dispense=made)
    lifted = made.signatures.filter(decision=Signature.Decision.LIFTED).count()
    assert lifted == (1 if deed == "signed" else 0)
    stops = {f.check for f in assess.assess_dispense(made).findings}
    assert ("order.changed-after-signature" in stops) == (deed == "signed")
    assert sign(forward(made), cast.second_supervisor)


def test_a_change_to_what_it_was_lifts_nothing(cast, waiting):
    sign(waiting, cast.supervisor)
    made = _fresh(waiting)
    record.save_needs(
        actor=cast.trainee,
        dispense=made,
        version=record.part_version(made, "needs"),
        uses=list(made.uses),
        working_distance_mm=made.working_distance_mm,
        first_progressive=made.first_progressive,
        wish=made.wish,
    )
    assert _fresh(made).state == State.SIGNED


# --- may it be ordered ----------------------------------------------------------------------------------------------------


def test_a_dispenser_answers_alone_and_a_trainee_never(cast):
    own = ready_dispense(cast)
    assert sign_off.may_issue(actor=cast.dispenser, dispense=own)
    assert not sign_off.may_issue(actor=cast.trainee, dispense=own)
    assert not sign_off.may_issue(actor=cast.elsewhere, dispense=own)
    other = ready_dispense(cast, actor=cast.trainee, client=ClientFactory(branch=cast.branch))
    assert "signed by a supervisor" in sign_off.why_not_issue(actor=cast.dispenser, dispense=other)
    other = forward(other)
    assert "waiting" in sign_off.why_not_issue(actor=cast.supervisor, dispense=other)
    sign(other, cast.supervisor)
    other = _fresh(other)
    assert sign_off.may_issue(actor=cast.dispenser, dispense=other)
    assert not sign_off.may_issue(actor=cast.trainee, dispense=other)


def test_an_open_confirm_keeps_it_from_being_ordered(cast):
    own = ready_dispense(cast, answered=False)
    assert "recorded reason" in sign_off.why_not_issue(actor=cast.dispenser, dispense=own)


def test_an_out_of_date_prescription_is_confirmed_with_the_signature_it_needs(cast):
    """For a trainee alone it is a stop; with a registered supervisor it asks for a reason, as the branch allows."""
    made = ready_dispense(cast, actor=cast.trainee)
    made.prescription.written_on = timezone.localdate() - timedelta(days=900)
    made.prescription.save()
    made = _fresh(made)
    out_of_date = [f for f in assess.assess_dispense(made).findings if f.message == "The prescription is out of date."]
    assert [f.severity for f in out_of_date] == ["stop"]
    made = forward(made)
    with pytest.raises(Refused, match="recorded reason"):
        sign(made, cast.supervisor)
    for finding in assess.assess_to_answer(made).open_confirms:
        assess.give_reason(
            actor=cast.supervisor, dispense=made, finding_key=finding.key, text="Housebound; seen by the GP."
        )
    assert sign(_fresh(made), cast.supervisor)
    assert sign_off.may_issue(actor=cast.supervisor, dispense=_fresh(made))


def test_after_the_signature_a_trainee_answers_nothing(cast):
    """What is asked after it was signed (the prescription has run out meanwhile) is read by nobody who signs."""
    made = signed_dispense(cast)
    made.prescription.written_on = timezone.localdate() - timedelta(days=900)
    made.prescription.save()
    asked = assess.assess_dispense(_fresh(made)).open_confirms
    assert asked
    with pytest.raises(Invalid) as problem:
        assess.give_reason(actor=cast.trainee, dispense=made, finding_key=asked[0].key, text="Eyes as before.")
    assert "signed" in problem.value.errors["reason"]
    assert assess.give_reason(actor=cast.supervisor, dispense=made, finding_key=asked[0].key, text="Housebound.")


@pytest.mark.parametrize("comment", ["x" * 2001, "look\x00again"])
def test_a_comment_that_cannot_be_kept_is_refused(cast, waiting, comment):
    with pytest.raises(Invalid):
        sign_off.return_to_dispenser(actor=cast.supervisor, dispense=waiting, version=waiting.version, comment=comment)
    assert _fresh(waiting).state == State.WAITING


@pytest.mark.parametrize("state", ["ordered", "collected", "cancelled"])
def test_what_is_closed_stays_closed(cast, waiting, state):
    Dispense.objects.filter(pk=waiting.pk).update(state=state)
    made = _fresh(waiting)
    for deed in (
        lambda: forward(made),
        lambda: sign(made, cast.supervisor),
        lambda: sign_off.return_to_dispenser(actor=cast.supervisor, dispense=made, version=made.version, comment="again"),
        lambda: sign_off.take_over(actor=cast.supervisor, dispense=made, version=made.version),
    ):
        with pytest.raises(Refused):
            deed()
    assert _fresh(made).state == state


def test_an_empty_desk_says_where_else_something_waits(cast, client):
    made = ready_dispense(cast, actor=cast.trainee)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    Post.objects.create(staff=cast.supervisor, branch=cast.other_branch, role="supervisor")
    Post.objects.create(staff=cast.dispenser, branch=cast.other_branch, role="supervisor")
    client.force_login(cast.supervisor)
    client.post("/branch/choose/", {"branch": cast.other_branch.pk, "next": "/sign-off/"})
    desk = client.get("/sign-off/").content.decode()
    assert f"Nothing waits for a signature at {cast.other_branch.name}." in desk
    assert f"{cast.branch.name}: 1 waits" in desk
    client.post("/branch/choose/", {"branch": cast.branch.pk, "next": "/sign-off/"})
    assert "Nothing waits" not in client.get("/sign-off/").content.decode()
    assert to_sign_elsewhere(cast.dispenser, cast.other_branch) == [], "a dispenser there signs nothing"
