"""Re-checks: what a changed limit or catalogue entry does to work not yet begun, judged both ways, each item once."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from dispensing import catalogue, lens_options, sign_off
from dispensing.assess import Assessment, assess_dispense, give_reason, seen_by
from dispensing.checks import EDITION
from dispensing.checks.findings import Finding
from dispensing.models import CatalogueLens, Dispense, LensOption, Reason
from orders import recheck
from orders.issue import cancel_order, issue_order
from orders.models import Order, Recheck, RecheckChange, RecheckItem
from practice.branches import change_limit
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.factories import ClientFactory
from tests.orders.ready import ready_dispense, signed_dispense

pytestmark = pytest.mark.django_db
WHY = "Two pairs came back last year."


def set_limit(cast, name, value):
    change_limit(
        actor=cast.manager, branch=cast.branch, name=name, value=None if value is None else D(str(value)), reason=WHY
    )
    return Recheck.objects.first()


def raise_min_height(cast, height):
    lens = CatalogueLens.objects.get(pk=cast.lens.pk)
    catalogue.change_lens(
        actor=cast.manager, lens=lens, read=catalogue.as_read(lens), values={"min_height_mm": D(str(height))}
    )


def test_a_limit_raises_a_finding_and_taking_it_back_clears_it(cast):
    made = ready_dispense(cast)
    row = set_limit(cast, "imbalance.note", 0.5)
    assert (row.total, row.done, row.finished_at) == (1, 0, None)
    assert "1 → 0.5 Δ" in row.why
    assert recheck.work_off() == 1
    row.refresh_from_db()
    assert (row.done, bool(row.finished_at)) == (1, True)
    assert [(c.kind, c.check_id, c.was, c.now, c.dispense) for c in row.changes.all()] == [
        ("raised", "seeing.imbalance", "", "note", made)
    ]
    back = set_limit(cast, "imbalance.note", None)
    recheck.work_off()
    assert [(c.kind, c.check_id) for c in back.changes.all()] == [("gone", "seeing.imbalance")]


def test_what_differs_is_due_to_the_change_alone_however_many_wait(cast):
    """Two changes queue up and the second takes the first back: each re-check still shows its own."""
    ready_dispense(cast)
    first = set_limit(cast, "imbalance.note", 0.5)
    second = set_limit(cast, "imbalance.note", 2)
    recheck.work_off()
    assert [c.kind for c in first.changes.all()] == ["raised"]
    assert [c.kind for c in second.changes.all()] == ["gone"]


def test_only_what_no_lab_has_begun(cast):
    waiting = issue_order(actor=cast.supervisor, dispense=signed_dispense(cast), lab=cast.lab)
    begun_from = signed_dispense(cast, client=ClientFactory(branch=cast.branch))
    begun = issue_order(actor=cast.supervisor, dispense=begun_from, lab=cast.lab)
    Order.objects.filter(pk=begun.pk).update(state=Order.State.ACKNOWLEDGED)
    gone = ready_dispense(cast, client=ClientFactory(branch=cast.branch))
    Dispense.objects.filter(pk=gone.pk).update(state=Dispense.State.CANCELLED)
    row = set_limit(cast, "imbalance.note", 0.5)
    assert list(row.items.values_list("dispense", flat=True)) == [waiting.dispense_id]
    recheck.work_off()
    assert row.changes.get().order == waiting


def test_an_order_acknowledged_meanwhile_is_done_without_a_word(cast):
    order = issue_order(actor=cast.supervisor, dispense=signed_dispense(cast), lab=cast.lab)
    row = set_limit(cast, "imbalance.note", 0.5)
    Order.objects.filter(pk=order.pk).update(state=Order.State.ACKNOWLEDGED)
    recheck.work_off()
    row.refresh_from_db()
    assert row.finished_at
    assert not row.changes.exists()


def test_another_branch_is_not_concerned(cast):
    ready_dispense(cast)
    change_limit(actor=cast.manager, branch=cast.branch, name="imbalance.note", value=D("0.5"), reason=WHY)
    assert set(Recheck.objects.values_list("branch", flat=True)) == {cast.branch.pk}
    elsewhere = Recheck.objects.filter(branch=cast.other_branch)
    assert not elsewhere.exists()


def test_a_lens_whose_least_height_grows_stops_a_signed_dispense(cast):
    """The signature stays on record and is not silently valid: issuing judges again and refuses."""
    made = signed_dispense(cast)
    assert sign_off.may_issue(actor=cast.supervisor, dispense=made)
    raise_min_height(cast, 24)  # the adopted heights are 22
    recheck.work_off()
    row = Recheck.objects.get()
    assert row.kind == "lens"
    assert "min height 17 → 24" in row.why
    stops = [c for c in row.changes.all() if c.now == "stop"]
    assert stops
    assert all(c.kind in ("raised", "graver") and c.state == "signed" for c in stops)
    made = Dispense.objects.get(pk=made.pk)
    assert made.state == "signed"
    assert made.stops > 0
    assert not sign_off.may_issue(actor=cast.supervisor, dispense=made)
    with pytest.raises(Refused, match="must be cleared first"):
        issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab)
    assert not Order.objects.filter(dispense=made).exists()


def test_a_lens_change_that_no_check_reads_starts_nothing(cast):
    ready_dispense(cast)
    lens = CatalogueLens.objects.get(pk=cast.lens.pk)
    catalogue.change_lens(actor=cast.manager, lens=lens, read=catalogue.as_read(lens), values={"maker": "Fellwater Ltd"})
    assert not Recheck.objects.exists()


def test_a_frame_corrected_in_the_catalogue_is_told_to_dispenses_that_keep_the_old_copy(cast):
    made = ready_dispense(cast)
    catalogue.change_frame(
        actor=cast.manager, frame=cast.frame, read=catalogue.as_read(cast.frame), values={"b": D(30), "ed": D(53)}
    )
    recheck.work_off()
    row = Recheck.objects.get()
    kept = row.changes.filter(kind="figures").get()
    assert "b 40, now 30" in kept.message
    assert kept.dispense == made
    # 22 mm of fitting height leaves 8 mm above it in a box of 30 mm: less than the 10 mm the design wants
    assert any("above" in c.message.lower() for c in row.changes.filter(kind="raised")), list(row.changes.values("message"))
    made.refresh_from_db()
    assert made.frame["b"] == "40"


def test_figures_measured_on_the_frame_in_hand_do_not_follow_the_catalogue(cast):
    made = ready_dispense(cast)
    made.frame = {**made.frame, "b": "39"}
    made.save(update_fields=["frame"])
    catalogue.change_frame(
        actor=cast.manager, frame=cast.frame, read=catalogue.as_read(cast.frame), values={"b": D(30), "ed": D(54)}
    )
    recheck.work_off()
    assert not Recheck.objects.get().changes.exists()


def test_a_reason_given_for_the_limit_as_it_was_is_listed_as_void(cast):
    set_limit(cast, "frame.side.most", 150)
    made = ready_dispense(cast)
    made.frame = {**made.frame, "side": "155"}
    made.save(update_fields=["frame"])
    (asked,) = assess_dispense(made).open_confirms
    assert asked.check == "frame.side"
    give_reason(actor=cast.dispenser, dispense=made, finding_key=asked.key, text="A large head.")
    assert sign_off.may_issue(actor=cast.dispenser, dispense=made)
    row = set_limit(cast, "frame.side.most", 152)
    recheck.work_off()
    assert [(c.kind, c.check_id, c.limit) for c in row.changes.all()] == [("reason", "frame.side", "95 mm to 152 mm")]
    made.refresh_from_db()
    assert made.confirms == 1
    assert not sign_off.may_issue(actor=cast.dispenser, dispense=made)


def test_differences_tell_a_void_reason_from_a_holding_one(cast):
    base = assess_dispense(ready_dispense(cast))
    finding = Finding(check="pd.unequal", severity="confirm", message="unequal", limit="up to 4 mm", subjects=("a",))
    reason = Reason(finding_key=finding.key, seen=seen_by(finding), text="nose broken", by=cast.dispenser)
    before = Assessment(case=base.case, figures=base.figures, findings=(finding,), reasons={finding.key: reason})
    after = replace(before, findings=(replace(finding, limit="up to 3 mm"),), reasons={})
    assert [d.kind for d in recheck.differences(before, after)] == ["reason"]
    assert recheck.differences(before, before) == []
    graver = replace(before, findings=(replace(finding, severity="stop"),))
    assert [(d.kind, d.was, d.now) for d in recheck.differences(before, graver)] == [("graver", "confirm", "stop")]
    assert [d.kind for d in recheck.differences(graver, before)] == ["milder"]


def test_a_claimed_item_is_left_alone_until_its_claim_runs_out(cast):
    ready_dispense(cast)
    row = set_limit(cast, "imbalance.note", 0.5)
    RecheckItem.objects.update(claimed_until=timezone.now() + recheck.CLAIM)
    assert recheck.work_off() == 0
    RecheckItem.objects.update(claimed_until=timezone.now() - recheck.CLAIM)
    assert recheck.work_off() == 1
    row.refresh_from_db()
    assert row.done == row.total == 1


def test_two_workers_with_the_same_item_count_it_once(cast):
    ready_dispense(cast)
    row = set_limit(cast, "imbalance.note", 0.5)
    key = row.items.get().pk
    assert recheck._work(key) is True
    assert recheck._work(key) is False
    row.refresh_from_db()
    assert (row.done, row.changes.count()) == (1, 1)


def test_one_record_that_cannot_be_judged_holds_up_nothing(cast, monkeypatch):
    bad = ready_dispense(cast)
    good = ready_dispense(cast, client=ClientFactory(branch=cast.branch))
    row = set_limit(cast, "imbalance.note", 0.5)
    judge = recheck._judge

    def failing(to, dispense):
        if dispense.pk == bad.pk:
            raise ZeroDivisionError
        return judge(to, dispense)

    monkeypatch.setattr(recheck, "_judge", failing)
    recheck.work_off()
    row.refresh_from_db()
    assert row.finished_at
    assert row.done == 2
    assert row.items.get(dispense=bad).trouble
    assert not row.items.get(dispense=good).trouble
    assert row.changes.get().dispense == good


def test_a_change_that_is_refused_starts_nothing(cast):
    ready_dispense(cast)
    with pytest.raises(Invalid):
        change_limit(actor=cast.manager, branch=cast.branch, name="imbalance.note", value=D("0.5"), reason="no")
    with pytest.raises(NotAllowed):
        change_limit(actor=cast.dispenser, branch=cast.branch, name="imbalance.note", value=D("0.5"), reason=WHY)
    assert not Recheck.objects.exists()


def test_the_command_works_off_what_waits(cast, capsys):
    recheck.start_edition()  # no work is met yet
    ready_dispense(cast)
    ready_dispense(cast, client=ClientFactory(branch=cast.branch))
    set_limit(cast, "imbalance.note", 0.5)
    call_command("recheck", limit=1)
    assert capsys.readouterr().out == "1 judged again, 1 waiting.\n"
    call_command("recheck")
    assert capsys.readouterr().out == "1 judged again, 0 waiting.\n"


def test_the_page_works_off_slices_by_itself_and_today_says_so(cast, client):
    made = ready_dispense(cast)
    set_limit(cast, "imbalance.note", 0.5)
    client.force_login(cast.dispenser)
    page = reverse("orders:rechecks", args=[cast.branch.pk])
    step = reverse("orders:recheck_step", args=[cast.branch.pk])
    text = client.get(page).content.decode()
    assert f'hx-post="{step}"' in text
    assert "0 of 1" in text
    assert not RecheckChange.objects.exists()  # looking does no work
    today = reverse("orders:today")
    assert "being judged again" in client.get(today).content.decode()
    text = client.post(step, headers={"HX-Request": "true"}).content.decode()
    assert "hx-post" not in text
    assert made.reference in text
    assert "New, a note:" in text
    assert "what is said of 1 dispense<" in client.get(today).content.decode()
    row = Recheck.objects.get()
    answer = client.post(reverse("orders:recheck_look", args=[cast.branch.pk, row.pk]))
    assert answer.status_code == 302
    assert "changed limit" not in client.get(today).content.decode()
    assert AuditEvent.objects.filter(action="recheck.looked_at").count() == 1


def test_without_script_a_step_leads_back_to_the_page(cast, client):
    ready_dispense(cast)
    set_limit(cast, "imbalance.note", 0.5)
    client.force_login(cast.trainee)
    answer = client.post(reverse("orders:recheck_step", args=[cast.branch.pk]))
    assert answer.url == reverse("orders:rechecks", args=[cast.branch.pk])
    assert Recheck.objects.get().finished_at


def test_who_does_not_work_there_cannot_say_it_was_looked_at(cast, client):
    ready_dispense(cast)
    row = set_limit(cast, "imbalance.note", 0.5)
    recheck.work_off()
    client.force_login(cast.elsewhere)
    assert client.post(reverse("orders:recheck_look", args=[cast.branch.pk, row.pk])).status_code == 403
    row.refresh_from_db()
    assert row.looked_at is None


def test_signature_and_order_say_which_limits_they_were_judged_by(cast):
    set_limit(cast, "imbalance.note", 0.5)
    made = signed_dispense(cast)
    seen = json.loads(made.signatures.get(decision="signed").snapshot)
    assert (seen["thresholds"], seen["changed_limits"]) == (EDITION, {"imbalance.note": "0.5"})
    order = issue_order(actor=cast.supervisor, dispense=made, lab=cast.lab)
    judged_by = {"edition": EDITION, "changed": {"imbalance.note": "0.5"}}
    assert order.events.get(kind="issued").data["judged_by"] == judged_by
    assert AuditEvent.objects.filter(action="order.issued").get().after["judged_by"] == judged_by
    # a later change does not rewrite it
    set_limit(cast, "imbalance.note", 2)
    recheck.work_off()
    assert order.events.get(kind="issued").data["judged_by"] == judged_by
    cancel_order(actor=cast.supervisor, order=order, reason="To be made lighter.")


def test_a_new_edition_of_the_limits_judges_again_once_a_branch_and_leaves_a_branchs_own_limit(cast, monkeypatch):
    made = ready_dispense(cast)
    own = set_limit(cast, "imbalance.ask", 3.5)
    recheck.work_off()
    monkeypatch.setattr(recheck, "BEFORE_THIS_EDITION", {"imbalance.note": 2.0, "imbalance.ask": 1.0})
    call_command("recheck", verbosity=0)
    row = Recheck.objects.get(branch=cast.branch, subject=f"edition {EDITION}")
    assert (row.by, row.before, row.total, row.done) == (None, {"imbalance.note": 2.0}, 1, 1)
    assert "2 → 1 Δ" in row.why
    imbalance = abs(assess_dispense(made).figures.vertical_imbalance_near)
    assert bool(row.changes.filter(check_id="seeing.imbalance", was="", now="note")) == (1.0 <= imbalance < 2.0)
    assert recheck.start_edition() == 0
    assert row in recheck.rechecks_of(cast.branch)
    assert own in recheck.rechecks_of(cast.branch)


def test_an_edition_that_met_no_work_is_not_shown(cast):
    assert recheck.start_edition() >= 1
    assert not recheck.rechecks_of(cast.branch).exists()


def test_a_lens_option_that_is_made_to_less_stops_a_signed_dispense(cast):
    dispense = signed_dispense(cast)
    option = dispense.lens_option
    lens_options.change_option(
        actor=cast.manager, option=option, read=lens_options.as_read(option), values={"prism_max": D(1)}
    )
    assert not Recheck.objects.filter(total=0).exists()
    row = Recheck.objects.get(kind="option")
    assert (row.subject, row.total) == (f"{option.lens.code}/{option.material.code}", 1)
    lens_options.change_option(
        actor=cast.manager,
        option=option,
        read=lens_options.as_read(LensOption.objects.get(pk=option.pk)),
        values={"sphere_min": D(0), "blank_diameters": [40]},
    )
    recheck.work_off()
    raised = set(RecheckChange.objects.filter(recheck__kind="option", kind="raised").values_list("check_id", flat=True))
    assert raised >= {"lens.power-range", "lens.blank-not-listed"}


@pytest.mark.parametrize("which", ["lens", "option"])
def test_a_retired_lens_is_listed_for_the_branch_and_brought_back_it_is_gone(cast, client, which):
    """What is at the lab was offered that day: an order not yet acknowledged is not asked about."""
    issue_order(actor=cast.supervisor, dispense=signed_dispense(cast), lab=cast.lab)
    made = ready_dispense(cast, client=ClientFactory(branch=cast.branch))
    if which == "lens":
        catalogue.retire(actor=cast.manager, item=cast.lens, reason="The maker gave it up.")
    else:
        lens_options.retire_option(actor=cast.manager, option=cast.option, reason="The maker gave it up.")
    row = Recheck.objects.get()
    assert row.why.endswith(": retired")
    assert [i.dispense for i in row.items.all()] == [made]
    recheck.work_off()
    assert [(c.dispense, c.kind, c.check_id, c.now) for c in row.changes.all()] == [
        (made, "raised", "lens.no-longer-offered", "confirm")
    ]
    if which == "lens":
        catalogue.bring_back(actor=cast.manager, item=cast.lens)
    else:
        lens_options.bring_option_back(actor=cast.manager, option=cast.option)
    recheck.work_off()
    back = Recheck.objects.first()
    assert back.why.endswith(": brought back")
    assert [(c.kind, c.check_id) for c in back.changes.all()] == [("gone", "lens.no-longer-offered")]
    client.force_login(cast.manager)
    page = client.get(reverse("orders:rechecks", args=[cast.branch.pk])).content.decode()
    assert (
        'class="shape is-ok"' in page
    )  # a finding is a mark and its words; without the mark the words stand in its narrow place


def test_a_design_and_its_option_retired_one_after_the_other_are_both_told(cast):
    ready_dispense(cast)
    catalogue.retire(actor=cast.manager, item=cast.lens, reason="The maker gave it up.")
    lens_options.retire_option(actor=cast.manager, option=cast.option, reason="The maker gave it up.")
    recheck.work_off()
    assert [r.changes.count() for r in Recheck.objects.order_by("pk")] == [1, 1]


def test_an_option_retired_long_after_its_design_says_nothing_new(cast):
    ready_dispense(cast)
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(retired_on=date(2020, 1, 1))
    lens_options.retire_option(actor=cast.manager, option=cast.option, reason="The maker gave it up.")
    recheck.work_off()
    assert [r.changes.count() for r in Recheck.objects.all()] == [0]


def test_a_last_day_that_has_passed_is_judged_as_retiring_is(cast):
    ready_dispense(cast)
    lens = CatalogueLens.objects.get(pk=cast.lens.pk)
    catalogue.change_lens(
        actor=cast.manager, lens=lens, read=catalogue.as_read(lens), values={"valid_until": date(2020, 1, 1)}
    )
    recheck.work_off()
    assert [c.check_id for c in Recheck.objects.get().changes.all()] == ["lens.no-longer-offered"]


def test_a_retired_frame_is_told_to_who_has_still_to_get_it(cast, client):
    made = ready_dispense(cast)
    catalogue.retire(actor=cast.manager, item=cast.frame, reason="Not delivered any more.")
    recheck.work_off()
    row = Recheck.objects.get()
    (line,) = row.changes.all()
    assert (line.dispense, line.kind, line.now) == (made, "retired", "note")
    client.force_login(cast.manager)
    page = client.get(reverse("orders:rechecks", args=[cast.branch.pk])).content.decode()
    assert "taken out of the catalogue" in page
    catalogue.bring_back(actor=cast.manager, item=cast.frame)
    assert Recheck.objects.count() == 1


@pytest.mark.parametrize("which", ["lens", "option", "frame"])
def test_what_was_exchanged_before_its_turn_came_is_not_said_to_be_retired(cast, which):
    made = ready_dispense(cast)
    if which == "frame":
        catalogue.retire(actor=cast.manager, item=cast.frame, reason="Not delivered any more.")
        Dispense.objects.filter(pk=made.pk).update(frame_item=None)
    else:
        if which == "lens":
            catalogue.retire(actor=cast.manager, item=cast.lens, reason="The maker gave it up.")
        else:
            lens_options.retire_option(actor=cast.manager, option=cast.option, reason="The maker gave it up.")
        lens, option = CatalogueLens.objects.get(pk=cast.lens.pk), LensOption.objects.get(pk=cast.option.pk)
        lens.pk, lens.code, lens.retired_on = None, "ANOTHER", None
        lens.save()
        option.pk, option.lens, option.retired_on = None, lens, None
        option.save()
        Dispense.objects.filter(pk=made.pk).update(lens_option=option)
    recheck.work_off()
    row = Recheck.objects.get()
    assert (row.done, row.changes.count()) == (1, 0)
    assert not row.items.exclude(trouble="").exists()
