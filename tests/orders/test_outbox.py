"""The outbox: what is late and why, what is counted, what is printed, and what goes to another lab."""

from __future__ import annotations

import io
import json
from datetime import timedelta

import pdfplumber
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from dispensing.models import LensOption
from orders import issue, lab_progress, outbox, printing, receive, reissue
from orders.models import Lab, Order, OrderEvent, OutboxLimits
from orders.renderers.words import day
from practice import audit
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.factories import LabFactory
from tests.orders.ready import passed_order, ready_dispense


@pytest.fixture
def at(client, cast):
    client.force_login(cast.dispenser)
    return client


def ago(order, **delta):
    Order.objects.filter(pk=order.pk).update(issued_at=timezone.now() - timedelta(**delta))
    return Order.objects.get(pk=order.pk)


def keys_of(cast, **labs_more):
    by = outbox.standards([cast.branch], Lab.objects.filter(group=cast.group))
    rows = Order.objects.filter(branch=cast.branch)
    found = set(rows.filter(outbox.late(by)).values_list("pk", flat=True))
    # the database and the words agree about every order
    assert found == {o.pk for o in rows if by.why(o)}
    return found


# --- late


def test_late_by_promise_by_usual_days_and_by_silence(cast, make_order):
    today = cast.branch.today()
    promised, early, old, young, silent, fresh = (make_order() for _ in range(6))
    lab_progress.promise(lab=cast.lab, number=promised.number, on=today - timedelta(days=1))
    lab_progress.promise(lab=cast.lab, number=early.number, on=today)
    for order, days in ((promised, 2), (early, 30), (old, 11), (young, 9)):
        ago(order, days=days)
        lab_progress.acknowledge(lab=cast.lab, number=order.number)
    ago(silent, hours=25)
    ago(fresh, hours=23)
    assert keys_of(cast) == {promised.pk, old.pk, silent.pk}
    OutboxLimits.objects.create(branch=cast.branch, usual_days=8, unanswered_hours=30)
    assert keys_of(cast) == {promised.pk, old.pk, young.pk}
    Lab.objects.filter(pk=cast.lab.pk).update(usual_days=12)
    assert keys_of(cast) == {promised.pk}, "the lab's own days come before the branch's"


def test_a_promised_day_has_passed_where_it_has_passed_at_the_branch(cast, make_order):
    """Kiritimati is 26 hours ahead of the Baker Island meridian (tz database): the two never have the same day."""
    for branch, zone in ((cast.branch, "Etc/GMT+12"), (cast.other_branch, "Pacific/Kiritimati")):
        branch.time_zone = zone
        branch.save()
    day = cast.branch.today()
    assert day < cast.other_branch.today()
    now = timezone.now()
    west, east = (
        make_order(state="in_work", issued_at=now, promised_on=day, branch=b) for b in (cast.branch, cast.other_branch)
    )
    for branches in ([cast.branch, cast.other_branch], [cast.other_branch, cast.branch]):
        by = outbox.standards(branches, [cast.lab])
        assert list(Order.objects.filter(outbox.late(by))) == [east]
        assert by.why(west) == ""
        assert "past the day the lab promised" in by.why(east)


def test_what_is_at_the_branch_or_over_is_never_late(cast, make_order):
    for state in Order.State.values:
        order = make_order(state=state)
        Order.objects.filter(pk=order.pk).update(promised_on=cast.branch.today() - timedelta(days=3))
        ago(order, days=90)
    late = Order.objects.filter(pk__in=keys_of(cast)).values_list("state", flat=True)
    assert set(late) == {"issued", "acknowledged", "in_work", "rejected"}


def test_a_promise_made_before_the_pair_went_back_does_not_count(cast, make_order):
    now, today = timezone.now(), cast.branch.today()
    back, long_back, promised_anew = (make_order(state="rejected") for _ in range(3))
    for order, days, promise in ((back, 1, -5), (long_back, 20, -25), (promised_anew, 20, 2)):
        Order.objects.filter(pk=order.pk).update(
            rejected_at=now - timedelta(days=days), promised_on=today + timedelta(days=promise)
        )
        ago(order, days=60)
    assert keys_of(cast) == {long_back.pk}


# --- the page


def test_filters_by_age_lab_and_pseudo_state(cast, at, make_order):
    other = LabFactory(group=cast.group, name="Kelp Lane Optics")
    young, old, elsewhere = make_order(), make_order(), make_order(lab=other)
    ago(young, hours=2), ago(old, days=40), ago(elsewhere, days=10)
    lab_progress.ask(lab=cast.lab, number=young.number, text="Which blank?")

    def found(query):
        rows = at.get(reverse("orders:list") + query).content.decode().partition("data-picks")[2]
        return {o.number for o in (young, old, elsewhere) if f'value="{o.number}"' in rows}

    assert found("?age=1") == {young.number}
    assert found("?age=30") == {young.number, elsewhere.number}
    assert found("?age=-30") == {old.number}
    assert found("?age=-7&lab=" + other.code) == {elsewhere.number}
    assert found("?state=asked") == {young.number}
    assert found("?state=late") == {old.number, elsewhere.number}
    assert found("?state=lost&age=never") == {young.number, old.number, elsewhere.number}


def test_late_ones_are_paged_oldest_first_and_none_is_left_out(cast, at, make_order, monkeypatch):
    from orders.web import outbox as web

    monkeypatch.setattr(web, "PAGE", 2)
    numbers = [make_order().number for _ in range(5)]
    for n, number in enumerate(numbers):  # the second to the fourth at one moment
        at_one = timezone.now().replace(microsecond=0) - timedelta(days=(40, 39, 39, 39, 38)[n])
        Order.objects.filter(number=number).update(issued_at=at_one.replace(minute=0, second=0))
    url, got = reverse("orders:list") + "?state=late", []
    while url:
        page = at.get(url).content.decode()
        got += [line.partition('"')[0] for line in page.split('name="order" value="')[1:]]
        older = page.partition('rel="next"')[0].rpartition('href="')[2] if 'rel="next"' in page else ""
        url = reverse("orders:list") + older.partition('"')[0].replace("&amp;", "&") if older else ""
    assert got == numbers


def test_counts_by_lab_and_state(cast, at, make_order):
    other = LabFactory(group=cast.group, name="Kelp Lane Optics")
    for state in ("issued", "issued", "dispatched", "collected"):
        make_order(state=state)
    make_order(lab=other, state="issued")
    found = outbox.standing(Order.objects.filter(branch=cast.branch), list(Lab.objects.filter(group=cast.group)))
    states = outbox.UNFINISHED
    assert {lab.pk: dict(zip(states, n, strict=True)) for lab, n in found.labs} == {
        cast.lab.pk: dict.fromkeys(states, 0) | {"issued": 2, "dispatched": 1},
        other.pk: dict.fromkeys(states, 0) | {"issued": 1},
    }
    assert dict(zip(states, found.totals, strict=True))["issued"] == 3
    page = at.get(reverse("orders:list")).content.decode()
    assert f"lab={other.code}&amp;state=issued" in page


def test_the_page_asks_the_same_number_of_questions_whatever_there_is(cast, at, make_order):
    def asked():
        with CaptureQueriesContext(connection) as queries:
            assert at.get(reverse("orders:list")).status_code == 200
        return len(queries)

    lab_progress.ask(lab=cast.lab, number=ago(make_order(), days=30).number, text="Which blank?")
    lab_progress.cannot_make(lab=cast.lab, number=make_order().number, reason="No such blank.")
    ago(make_order(), days=30)
    asked()
    few = asked()
    for _ in range(6):
        lab_progress.ask(lab=cast.lab, number=make_order().number, text="Which blank?")
        ago(make_order(), days=30)
    assert asked() == few <= 18


def test_limits_are_the_managers_and_guarded(cast, client):
    url = reverse("orders:outbox_limits")
    client.force_login(cast.dispenser)
    assert client.get(url).status_code == 403
    client.force_login(cast.manager)
    page = client.get(url).content.decode()
    seen = page.partition('name="seen" value="')[2].partition('"')[0]
    for bad in ({"usual_days": "0"}, {"usual_days": "soon"}, {"unanswered_hours": "9999"}, {"unanswered_hours": ""}):
        answer = client.post(url, {"seen": seen, "usual_days": "7", "unanswered_hours": "48", **bad})
        assert answer.status_code == 200
        assert 'aria-invalid="true"' in answer.content.decode()
    assert not OutboxLimits.objects.exists()
    assert client.post(url, {"seen": seen, "usual_days": "7", "unanswered_hours": "48"}).status_code == 302
    row = OutboxLimits.objects.get(branch=cast.branch)
    assert (row.usual_days, row.unanswered_hours) == (7, 48)
    assert AuditEvent.objects.filter(action="branch.outbox_limits_changed").count() == 1
    with pytest.raises(Conflict):
        outbox.change_limits(actor=cast.manager, branch=cast.branch, seen=seen, usual_days=5, unanswered_hours=5)
    with pytest.raises(NotAllowed):
        outbox.change_limits(actor=cast.dispenser, branch=cast.branch, seen=seen, usual_days=5, unanswered_hours=5)


# --- on paper


def texts(body):
    with pdfplumber.open(io.BytesIO(body)) as pdf:
        return [page.extract_text() for page in pdf.pages]


def test_many_sheets_in_one_file_and_what_was_printed(cast, at, make_order):
    orders = [make_order() for _ in range(3)]
    issue_of = {"order": [o.number for o in reversed(orders)], "what": "sheets"}
    answer = at.post(reverse("orders:print"), issue_of)
    assert answer["Content-Type"] == "application/pdf"
    pages = texts(answer.content)
    assert [next(o.number for o in orders if o.number in page) for page in pages] == [o.number for o in orders]
    assert all("page 1 of 1" in page for page in pages)
    for order in orders:
        event = order.events.get(kind="sheet_printed")
        assert event.by_staff == cast.dispenser
    kept = AuditEvent.objects.get(action="order.sheets_printed")
    assert kept.after["numbers"] == [o.number for o in orders]
    assert audit.verify(cast.group) is None


def test_printed_once_is_not_printed_again_unless_asked(cast, at, make_order):
    first, second = make_order(), make_order()
    url = reverse("orders:print")
    assert at.post(url, {"order": [first.number], "what": "labels"})["Content-Type"] == "application/pdf"
    both = {"order": [first.number, second.number], "what": "labels"}
    page = at.post(url, both)
    assert page["Content-Type"].startswith("text/html")
    assert "1 of 2" in page.content.decode()
    assert not second.events.filter(kind="label_printed").exists()
    rest = texts(at.post(url, {**both, "rest": "1"}).content)
    assert len(rest) == 1
    assert second.number in rest[0]
    assert "printed already" in at.post(url, {**both, "rest": "1"}).content.decode()
    assert len(texts(at.post(url, {**both, "again": "1"}).content)) == 2
    assert first.events.filter(kind="label_printed").count() == 2
    # sheets are another thing than labels
    assert at.post(url, {**both, "what": "sheets"})["Content-Type"] == "application/pdf"
    assert "sheet, label" in at.get(reverse("orders:list")).content.decode()
    assert "Tray label printed" in at.get(reverse("orders:detail", args=[first.number])).content.decode()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"what": "sheets"}, "Choose 1 to"),
        ({"order": "SM-999999", "what": "sheets"}, "Choose 1 to"),
        ({"order": "\x00", "what": "sheets"}, "Choose 1 to"),
        ({"order": "SM-000001", "what": "poems"}, "Choose sheets"),
        ({"order": "SM-000001"}, "Choose sheets"),
    ],
)
def test_what_cannot_be_printed_is_said(at, make_order, given, words):
    make_order()
    answer = at.post(reverse("orders:print"), {**given, "back": "?state=late"})
    assert answer.status_code == 200
    assert words in answer.content.decode()
    assert not OrderEvent.objects.filter(kind__endswith="_printed").exists()


def test_only_at_ones_own_branch_and_a_cancelled_one_says_so(cast, at, make_order):
    order = make_order()
    with pytest.raises(NotAllowed):
        printing.print_orders(actor=cast.elsewhere, orders=[order], what="sheets")
    issue.cancel_order(actor=cast.dispenser, order=order, reason="wrong frame")
    page = texts(at.post(reverse("orders:print"), {"order": order.number, "what": "sheets"}).content)[0]
    assert "CANCELLED: DO NOT MAKE" in page
    with pytest.raises(Invalid):
        printing.print_orders(actor=cast.dispenser, orders=[], what="sheets")


# --- the trace


def test_the_way_of_an_order_on_one_page(cast, at):
    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    number = order.number
    lab_progress.note_fetched(lab=cast.lab, keys=[order.pk])
    lab_progress.acknowledge(lab=cast.lab, number=number)
    lab_progress.promise(lab=cast.lab, number=number, on=cast.branch.today())
    lab_progress.report_progress(lab=cast.lab, number=number, state="in_work")
    lab_progress.report_progress(lab=cast.lab, number=number, state="dispatched", tracking="QK 4471 0093")

    def steps():
        page = at.get(reverse("orders:detail", args=[number])).content.decode()
        block = page.partition('<ol class="steps">')[2].partition("</ol>")[0]
        return [(li.partition('"what">')[2].partition("<")[0], "not yet" not in li, li) for li in block.split("<li")[1:]]

    found = steps()
    assert [(name, done) for name, done, _ in found] == [
        ("Issued", True),
        ("Fetched by the lab", True),
        ("Acknowledged", True),
        ("Promised", True),
        ("In work", True),
        ("Dispatched", True),
        ("Arrived", False),
        ("Checked", False),
        ("Collected", False),
    ]
    assert cast.dispenser.display_name in found[0][2]
    assert cast.lab.name in found[2][2]
    assert "QK 4471 0093" in found[5][2]
    passed_order(cast, Order.objects.get(pk=order.pk))
    assert [name for name, done, _ in steps() if not done] == ["Collected"]


def test_after_a_rejection_the_way_begins_anew(cast):
    from orders import trace
    from orders.receipt.points import points_for

    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="dispatched")
    points = [p.code for p in points_for(json.loads(order.document), statement="")]
    check = receive.record_receipt(
        actor=cast.dispenser, order=Order.objects.get(pk=order.pk), typed={"right.sphere": "-4.00"}, points=points
    )
    receive.reject_to_lab(actor=cast.dispenser, check=check, reason="Right sphere is far out.")
    order.refresh_from_db()
    names = [(s.label, s.at is not None) for s in trace.steps(order, order.events.all())]
    assert names == [  # it was never fetched nor acknowledged: that is not to come any more
        ("Issued", True),
        ("Rejected to the lab", True),
        ("Promised", False),
        ("In work", False),
        ("Dispatched", False),
        ("Arrived", False),
        ("Checked", False),
        ("Collected", False),
    ]


def test_what_an_order_went_by_without_is_not_said_to_come(cast, make_order):
    from orders import trace

    order = make_order()

    def to_come():
        order.refresh_from_db()
        return [s.label for s in trace.steps(order, order.events.all()) if s.at is None]

    assert to_come()[:3] == ["Fetched by the lab", "Acknowledged", "Promised"]
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="in_work")
    assert to_come()[:2] == ["Promised", "Dispatched"], "a day may still be promised"
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="dispatched")
    assert to_come() == ["Arrived", "Checked", "Collected"]


def test_a_question_about_an_order_on_its_way_is_asked_about_and_said_in_words(cast, at, make_order):
    order = make_order()
    lab_progress.promise(lab=cast.lab, number=order.number, on=cast.branch.today())
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="dispatched")
    lab_progress.ask(lab=cast.lab, number=order.number, text="Which address?", field="lenses.right.ordered.axis")
    assert outbox.asked_about(Order.objects.all()) == [order.pk]
    page = at.get(reverse("orders:detail", args=[order.number])).content.decode()
    assert "about right ordered axis" in page
    assert "lenses.right" not in page
    assert f"for {day(cast.branch.today().isoformat())}" in page.partition('<ol class="trace">')[2]


# --- another lab


def test_what_a_lab_cannot_make_goes_to_another(cast, at):
    other = LabFactory(group=cast.group, name="Kelp Lane Optics")
    old = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    lab_progress.cannot_make(lab=cast.lab, number=old.number, reason="No 75 mm blank in this index.")
    text = Order.objects.get(pk=old.pk).document
    page = at.get(reverse("orders:detail", args=[old.number])).content.decode()
    assert "Kelp Lane Optics would get the same to make" in page
    assert "cannot make it. No 75 mm blank" in page, "the reason is there to be sent"
    old.refresh_from_db()
    sent = at.post(
        reverse("orders:replace", args=[old.number]),
        {"lab": other.code, "reason": "No 75 mm blank there.", "version": old.version},
    )
    assert sent.status_code == 302
    new = Order.objects.get(replaces=old)
    old.refresh_from_db()
    assert (old.state, old.document, new.lab) == ("cancelled", text, other)
    assert json.loads(new.document)["order"]["replaces"]["number"] == old.number
    assert Order.objects.filter(dispense=old.dispense).exclude(state="cancelled").count() == 1
    assert reissue.differences(json.loads(text), json.loads(new.document)) == []
    for number in (old.number, new.number):
        page = at.get(reverse("orders:detail", args=[number])).content.decode()
        assert old.number in page
        assert new.number in page


def test_a_range_that_has_changed_meanwhile_is_met_before_it_is_sent(cast, at):
    other = LabFactory(group=cast.group, name="Kelp Lane Optics")
    old = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    lab_progress.cannot_make(lab=cast.lab, number=old.number, reason="No such blank.")
    LensOption.objects.filter(pk=cast.option.pk).update(sphere_min=-1)  # the range does not reach this power any more
    again = reissue.look_again(actor=cast.dispenser, order=Order.objects.get(pk=old.pk), lab=other)
    assert again.no
    assert "cannot go to another lab" in at.get(reverse("orders:detail", args=[old.number])).content.decode()
    refused = at.post(reverse("orders:replace", args=[old.number]), {"lab": other.code, "reason": "No such blank there."})
    assert refused.status_code == 200
    assert Order.objects.get(pk=old.pk).state == "cannot_make", "both or neither"


def test_differences_are_named_by_their_path():
    from tests.orders.examples import example_document

    old, new = example_document(), example_document()
    new["lenses"]["right"]["ordered"]["sphere"] = "-2.50"
    new["lens"]["design"]["corridor"] = None
    new["frame"]["outline"]["radii"][0] += 1
    new["client"]["name"] = "somebody else"  # nothing that is made
    found = {d.path: (d.was, d.now) for d in reissue.differences(old, new)}
    assert found.pop("frame.outline")
    assert found == {"lenses.right.ordered.sphere": ("-2.31", "-2.50"), "lens.design.corridor": ("13.00", "nothing")}
