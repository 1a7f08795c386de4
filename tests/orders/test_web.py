"""The branch's pages of orders: who sees what, what a mistake looks like, what a click does."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from orders import issue, lab_progress
from orders.models import Order, Question
from practice.models import AuditEvent
from tests.factories import LabFactory
from tests.orders.ready import ready_dispense, signed_dispense

REASON = "Client chose another frame."


@pytest.fixture
def ready(cast):
    return ready_dispense(cast)


@pytest.fixture
def order(cast, ready):
    return issue.issue_order(actor=cast.dispenser, dispense=ready, lab=cast.lab)


@pytest.fixture
def at(client):
    """The test client signed in as somebody."""

    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in


def urls_of(order):
    number, reference = order.number, order.dispense.reference
    return {
        "list": reverse("orders:list"),
        "detail": reverse("orders:detail", args=[number]),
        "pdf": reverse("orders:pdf", args=[number]),
        "tray_label": reverse("orders:tray_label", args=[number]),
        "issue": reverse("orders:issue", args=[reference]),
        "cancel": reverse("orders:cancel", args=[number]),
        "replace": reverse("orders:replace", args=[number]),
    }


# --- who sees what


def test_nobody_without_signing_in(client, order):
    for name, url in urls_of(order).items():
        response = client.post(url) if name in ("cancel", "replace") else client.get(url)
        assert response.status_code == 302, name
        assert "/sign-in" in response["Location"]


@pytest.mark.parametrize("role", ["trainee", "dispenser", "supervisor", "manager", "elsewhere"])
def test_everybody_of_the_group_sees_an_order(cast, at, order, role):
    client = at(getattr(cast, role))
    for name in ("list", "detail", "pdf", "tray_label"):
        assert client.get(urls_of(order)[name]).status_code == 200, name
    assert client.get(urls_of(order)["pdf"]).content.startswith(b"%PDF-")


def test_another_groups_order_does_not_exist(cast, at, order):
    client = at(cast.foreigner)
    for name, url in urls_of(order).items():
        if name == "list":
            assert order.number not in client.get(url).content.decode()
        elif name in ("cancel", "replace"):
            assert client.post(url, {"reason": REASON, "lab": cast.lab.code}).status_code == 404, name
        else:
            assert client.get(url).status_code == 404, name
    order.refresh_from_db()
    assert order.state == "issued"


def test_unknown_numbers_and_references_are_not_found(cast, at):
    client = at(cast.dispenser)
    for url in ("/orders/SM-999999/", "/orders/SM-999999.pdf", "/dispenses/D-XXXXXXX/order/", "/orders/é/"):
        assert client.get(url).status_code == 404, url
    assert client.get("/orders/SM%00/").status_code == 400


@pytest.mark.parametrize("role", ["trainee", "elsewhere"])
def test_who_may_not_cancel_sees_no_button_and_is_refused(cast, at, order, role):
    client = at(getattr(cast, role))
    page = client.get(urls_of(order)["detail"]).content.decode()
    assert "Cancel this order" not in page
    response = client.post(urls_of(order)["cancel"], {"reason": REASON, "version": order.version})
    assert response.status_code == 200
    assert "Nothing was saved" in response.content.decode()
    order.refresh_from_db()
    assert order.state == "issued"


# --- issuing


def test_from_the_sheet_to_the_lab(cast, at, ready):
    client = at(cast.dispenser)
    url = reverse("orders:issue", args=[ready.reference])
    page = client.get(url).content.decode()
    for shown in ("−2.25", "−0.75", "31.5", "22.0", "Ridgeway 13", "Quaylight Tern 412", cast.lab.name):
        assert shown in page
    response = client.post(url, {"lab": cast.lab.code, "version": ready.version})
    order = Order.objects.get()
    assert response["Location"] == reverse("orders:detail", args=[order.number])
    assert client.get(url)["Location"] == response["Location"], "an ordered dispense leads to its order"
    again = client.post(url, {"lab": cast.lab.code, "version": ready.version})
    assert again["Location"] == response["Location"], "a second click is the same order"
    assert Order.objects.count() == 1


@pytest.mark.parametrize("lab", ["", "NOSUCH", "x" * 10_000, "\x00", "<script>alert(1)</script>", "٣"])
def test_no_lab_no_order(cast, at, ready, lab):
    client = at(cast.dispenser)
    response = client.post(reverse("orders:issue", args=[ready.reference]), {"lab": lab, "version": ready.version})
    assert response.status_code == 200
    page = response.content.decode()
    assert "Choose the lab." in page
    assert "<script>alert" not in page
    assert not Order.objects.exists()


@pytest.mark.parametrize("version", ["", "0", "-1", "1e9", "x", "٣", "9" * 50])
def test_what_was_not_looked_at_is_not_issued(cast, at, ready, version):
    response = at(cast.dispenser).post(
        reverse("orders:issue", args=[ready.reference]), {"lab": cast.lab.code, "version": version}
    )
    assert response.status_code == 200
    assert "has changed since" in response.content.decode()
    assert not Order.objects.exists()


def test_a_trainees_goes_after_the_signature_only(cast, at):
    made = ready_dispense(cast, actor=cast.trainee)
    url = reverse("orders:issue", args=[made.reference])
    assert "signed by a supervisor" in at(cast.dispenser).get(url).content.decode()
    response = at(cast.dispenser).post(url, {"lab": cast.lab.code, "version": made.version})
    assert "signed by a supervisor" in response.content.decode()
    assert not Order.objects.exists()
    signed = signed_dispense(cast)
    url = reverse("orders:issue", args=[signed.reference])
    assert at(cast.trainee).post(url, {"lab": cast.lab.code, "version": signed.version}).status_code == 200
    assert not Order.objects.exists(), "a trainee issues nothing"
    assert at(cast.supervisor).post(url, {"lab": cast.lab.code, "version": signed.version}).status_code == 302
    assert Order.objects.get().issued_by == cast.supervisor


def test_what_stops_it_is_shown_and_nothing_can_be_pressed(cast, at, ready):
    ready.prescription.eyes.filter(eye="right").update(axis=None)
    page = at(cast.dispenser).get(reverse("orders:issue", args=[ready.reference])).content.decode()
    assert "Issue the order" not in page
    assert "cannot be ordered yet" in page


# --- cancel and replace


@pytest.mark.parametrize("reason", ["", "  ", "no", "x" * 10_000, "nul\x00"])
def test_a_bad_reason_stands_beside_its_field_and_is_kept(cast, at, order, reason):
    response = at(cast.dispenser).post(urls_of(order)["cancel"], {"reason": reason, "version": order.version})
    page = response.content.decode()
    assert response.status_code == 200
    assert 'id="f-cancel-reason-error"' in page
    assert 'id="f-replace-reason-error"' not in page
    if reason.strip() and "\x00" not in reason:
        assert f'value="{reason}"' in page
    order.refresh_from_db()
    assert order.state == "issued"


def test_words_in_a_reason_are_only_words(cast, at, order):
    client = at(cast.dispenser)
    words = "<script>alert(1)</script> & “quoted”"
    client.post(urls_of(order)["cancel"], {"reason": words, "version": order.version})
    page = client.get(urls_of(order)["detail"]).content.decode()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_cancelling_by_the_page(cast, at, order):
    client = at(cast.dispenser)
    response = client.post(urls_of(order)["cancel"], {"reason": REASON, "version": order.version}, follow=True)
    page = response.content.decode()
    assert REASON in page
    assert "has not yet said that it knows" in page
    assert reverse("orders:issue", args=[order.dispense.reference]) in page
    lab_progress.acknowledge(lab=cast.lab, number=order.number, what="cancellation")
    assert "The lab knows." in client.get(urls_of(order)["detail"]).content.decode()


def test_not_over_what_the_lab_did_meanwhile(cast, at, order):
    lab_progress.report_progress(lab=cast.lab, number=order.number, state="in_work")
    page = at(cast.dispenser).post(urls_of(order)["cancel"], {"reason": REASON, "version": 1}).content.decode()
    assert "moved this order on" in page
    assert f'value="{REASON}"' in page
    order.refresh_from_db()
    assert order.state == "in_work"


def test_replacing_by_the_page(cast, at, order):
    other = LabFactory(group=cast.group, name="Kelp Lane Optical")
    client = at(cast.dispenser)
    bad = client.post(urls_of(order)["replace"], {"reason": REASON, "lab": cast.foreign_lab.code, "version": 1})
    assert "Choose one of your labs." in bad.content.decode()
    response = client.post(urls_of(order)["replace"], {"reason": REASON, "lab": other.code, "version": 1}, follow=True)
    new = Order.objects.get(replaces=order)
    assert new.lab == other
    assert f'Stands in for <a href="{urls_of(order)["detail"]}">' in response.content.decode()
    assert new.number in client.get(urls_of(order)["detail"]).content.decode()


def test_answering_a_question(cast, at, order):
    question = lab_progress.ask(lab=cast.lab, number=order.number, text="Axis 80 or 08?")
    client = at(cast.dispenser)
    url = reverse("orders:answer", args=[order.number, question.pk])
    assert "Write an answer." in client.post(url, {"answer": "  "}).content.decode()
    assert client.post(url, {"answer": "80."}).status_code == 302
    assert Question.objects.get().answered_by == cast.dispenser
    assert AuditEvent.objects.filter(action="order.answered").count() == 1
    assert "answered this question already" in client.post(url, {"answer": "90."}).content.decode()
    assert at(cast.foreigner).post(url, {"answer": "80."}).status_code == 404


# --- the list


def test_the_list_finds_by_number_state_lab_and_branch(cast, at, make_order):
    first, second = make_order(), make_order()
    Order.objects.filter(pk=second.pk).update(state="dispatched")
    client = at(cast.dispenser)

    def found(query):
        rows = client.get(reverse("orders:list") + query).content.decode().partition("<tbody>")[2]
        return {o.number for o in (first, second) if o.number in rows}

    assert found("") == {first.number, second.number}
    assert found("?q=" + first.number.lower()) == {first.number}
    assert found("?q=SM-0000") == {first.number, second.number}
    assert found(f"?q={second.dispense.reference}") == {second.number}
    assert found("?state=dispatched") == {second.number}
    assert found(f"?branch={cast.other_branch.pk}") == set()
    assert found("?branch=all") == {first.number, second.number}
    assert found("?lab=" + cast.lab.code) == {first.number, second.number}
    for odd in (
        "?q=%01",
        "?state=lost",
        "?branch=x",
        "?before=x",
        "?before=" + "9" * 30,
        "?q=" + "x" * 10_000,
        "?lab=%E2%82%AC",
    ):
        assert client.get(reverse("orders:list") + odd).status_code == 200, odd


def test_older_orders_are_a_page_away_and_none_is_left_out(cast, at, make_order, monkeypatch):
    from orders.web import outbox as web

    monkeypatch.setattr(web, "PAGE", 3)
    numbers = [make_order().number for _ in range(7)]
    client, url, got = at(cast.dispenser), reverse("orders:list"), []
    while url:
        page = client.get(url).content.decode()
        got += [n for n in reversed(numbers) if f">{n}</a>" in page]
        older = page.partition('rel="next"')[0].rpartition('href="')[2] if 'rel="next"' in page else ""
        url = reverse("orders:list") + older.partition('"')[0].replace("&amp;", "&") if older else ""
    assert got == numbers[::-1]


def test_what_needs_somebody_stands_above(cast, at, make_order):
    asked, late, back, fine = (make_order() for _ in range(4))
    lab_progress.ask(lab=cast.lab, number=asked.number, text="Which blank?")
    lab_progress.promise(lab=cast.lab, number=late.number, on=cast.branch.today() - timedelta(days=1))
    lab_progress.promise(lab=cast.lab, number=fine.number, on=cast.branch.today() + timedelta(days=1))
    lab_progress.cannot_make(lab=cast.lab, number=back.number, reason="No such blank.")
    page = at(cast.dispenser).get(reverse("orders:list")).content.decode()
    above = page.partition("Need somebody")[2].partition("</section>")[0]
    assert all(o.number in above for o in (asked, late, back))
    assert fine.number not in above
    assert "Which blank?" in above
    assert "No such blank." in above
    assert "1 day past" in above


def test_queries_of_the_list_do_not_grow(cast, at, make_order, django_assert_max_num_queries):
    client = at(cast.dispenser)
    make_order()
    client.get(reverse("orders:list"))
    for _ in range(4):
        make_order()
    with django_assert_max_num_queries(18):
        client.get(reverse("orders:list"))


def test_the_documentation_is_open_and_complete(client, db):
    from orders.api.problems import PROBLEMS

    page = client.get("/api/v1/docs")
    assert page.status_code == 200
    text = page.content.decode()
    for code in PROBLEMS:
        assert f'id="problem-{code}"' in text
    for path in ("/api/v1/orders", "/api/v1/orders/{number}/acknowledgement", "lenses.{right,left}.ordered.sphere"):
        assert path in text
    assert "http://" not in text.replace("http://testserver", "").replace("http://www.w3.org", "")
    assert client.post("/api/v1/docs").status_code == 405
