"""The pages after the order: what is typed wrongly stays and is explained, what is kept is shown, who may not is told."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime

import pdfplumber
import pytest
from django.urls import reverse

from orders import issue
from orders.models import Collection, Order, ReceiptCheck, ReturnVisit
from orders.renderers import handover_sheet
from tests.orders import examples
from tests.orders.ready import GOOD_READINGS, came_back, collected_order, passed_order, ready_dispense


@pytest.fixture
def order(cast):
    return issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)


@pytest.fixture
def at(client):
    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in


def fresh(order):
    return Order.objects.get(pk=order.pk)


def text_of(pdf: bytes) -> str:
    with pdfplumber.open(io.BytesIO(pdf)) as document:
        return "\n".join(page.extract_text() for page in document.pages)


# --- finding


@pytest.mark.parametrize("change", [str, str.lower, lambda s: f"  {s} "])
def test_a_scanned_number_opens_its_order(cast, at, order, change):
    answer = at(cast.trainee).get(reverse("orders:arrivals"), {"number": change(order.number)})
    assert answer["Location"] == reverse("orders:receive", args=[order.number])


@pytest.mark.parametrize("typed", ["ZZ-999999", "<script>", "é" * 60])
def test_an_unknown_number_is_said_and_kept(cast, at, order, typed):
    answer = at(cast.trainee).get(reverse("orders:arrivals"), {"number": typed})
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "No order has this number" in page
    assert "<script>" not in page.split("<main")[1]


def test_another_groups_number_is_unknown(cast, at, order):
    page = at(cast.foreigner).get(reverse("orders:arrivals"), {"number": order.number}).content.decode()
    assert "No order has this number" in page


# --- measuring


def test_the_form_asks_for_what_this_pair_has(cast, at, order):
    page = at(cast.trainee).get(reverse("orders:receive", args=[order.number])).content.decode()
    for name in ("right.add", "left.tilt", "right.prism_up"):
        assert f'name="{name}"' in page
    assert 'name="right.transmittance"' not in page  # no tint
    assert "written from memory" in page
    assert "bought copy" in page


def test_what_was_typed_wrongly_is_kept_and_explained_beside_its_field(cast, at, order):
    url = reverse("orders:receive", args=[order.number])
    page = at(cast.trainee).post(
        url, {**GOOD_READINGS, "right.axis": "195", "left.prism_in": "-1", "remark": "bent side", "points": ["secure"]}
    )
    text = page.content.decode()
    assert page.status_code == 200
    assert not ReceiptCheck.objects.exists()
    assert re.search(
        r'id="f-right-axis" name="right.axis" value="195"[^>]*aria-invalid="true" aria-describedby="f-right-axis-error"',
        text,
    )
    assert "An axis is from 1 to 180." in text
    assert 'value="-1"' in text
    assert 'value="bent side"' in text
    assert re.search(r'value="secure" checked', text)
    assert 'href="#f-right-axis"' in text


def test_readings_are_kept_and_lead_to_their_verdict(cast, at, order):
    client = at(cast.trainee)
    answer = client.post(reverse("orders:receive", args=[order.number]), GOOD_READINGS)
    check = ReceiptCheck.objects.get()
    assert answer["Location"] == reverse("orders:verdict", args=[order.number, check.pk])
    page = client.get(answer["Location"]).content.decode()
    assert "Everything measured is within tolerance" in page
    assert "Pass the pair" not in page  # a trainee measures, others decide
    assert page.count('class="pic bar"') > 10


def test_a_stale_page_saves_nothing(cast, at, order):
    page = at(cast.dispenser).post(reverse("orders:receive", args=[order.number]), {**GOOD_READINGS, "version": "99"})
    assert "Somebody has moved this order on" in page.content.decode()
    assert not ReceiptCheck.objects.exists()


def test_the_live_verdict_keeps_nothing(cast, at, order):
    url = reverse("orders:receive_preview", args=[order.number])
    page = (
        at(cast.trainee)
        .post(url, {"right.sphere": "-3.25", "right.cylinder": "-0.75", "right.axis": "95", "right.add": "x"})
        .content.decode()
    )
    assert "Outside tolerance" in page
    assert "1 figure not understood" in page
    assert "<html" not in page
    assert not ReceiptCheck.objects.exists()


# --- deciding


def test_reject_asks_why_and_shows_it(cast, at, order):
    client = at(cast.dispenser)
    client.post(reverse("orders:receive", args=[order.number]), {**GOOD_READINGS, "right.axis": "110"})
    url = reverse("orders:verdict", args=[order.number, ReceiptCheck.objects.get().pk])
    page = client.post(url, {"deed": "pass"}).content.decode()
    assert "Something is outside tolerance" in page
    page = client.post(url, {"deed": "reject", "reason": "x"}).content.decode()
    assert 'id="f-reject-reason"' in page
    assert "Say it in 4 to 400 characters." in page
    assert fresh(order).state == "received"
    assert client.post(url, {"deed": "reject", "reason": "Axis 15 degrees off."})["Location"]
    page = client.get(reverse("orders:detail", args=[order.number])).content.decode()
    assert "Rejected to the lab: Axis 15 degrees off." in page
    assert client.post(url, {"deed": "nonsense"}).status_code == 200


def test_only_a_registered_person_sees_how_to_accept(cast, at, order):
    at(cast.dispenser).post(reverse("orders:receive", args=[order.number]), {**GOOD_READINGS, "right.axis": "110"})
    url = reverse("orders:verdict", args=[order.number, ReceiptCheck.objects.get().pk])
    assert "Accept the pair" in at(cast.dispenser).get(url).content.decode()
    page = at(cast.unregistered).get(url).content.decode()
    assert "Accept the pair" not in page
    assert "Only a registered person" in page
    at(cast.unregistered).post(url, {"deed": "accept", "reason": "Fine for now."})
    assert fresh(order).state == "received"


def test_the_report_says_what_the_page_says(cast, at, order):
    client = at(cast.dispenser)
    client.post(
        reverse("orders:receive", args=[order.number]), {**GOOD_READINGS, "right.axis": "110", "remark": "Left side bent."}
    )
    check = ReceiptCheck.objects.get()
    url = reverse("orders:receipt_report", args=[order.number, check.pk])
    text = text_of(client.get(url).content)
    for shown in (
        order.number,
        "Outside tolerance",
        "Right axis: +15.0 °, allowed ±",
        "ISO 21987:2017",
        "Left side bent.",
        "bought copy",
        "not decided yet",
    ):
        assert shown in text, shown
    assert client.get(url).content == client.get(url).content


def test_every_order_has_its_own_checks_only(cast, at, order):
    other = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    client = at(cast.dispenser)
    client.post(reverse("orders:receive", args=[order.number]), GOOD_READINGS)
    pk = ReceiptCheck.objects.get().pk
    assert client.get(reverse("orders:verdict", args=[other.number, pk])).status_code == 404


# --- collection


def test_collection_errors_keep_what_was_ticked(cast, at, order):
    order = passed_order(cast, order)
    url = reverse("orders:collect", args=[order.number])
    page = at(cast.dispenser).post(url, {"fit": ["level"], "acuity.both": "6/6", "marks": "yes"}).content.decode()
    assert "Not every point is ticked" in page
    assert "Every caution has to be said" in page
    assert re.search(r'name="fit" value="level" checked', page)
    assert 'value="6/6"' in page
    assert not Collection.objects.exists()


def test_the_clients_sheet_in_both_sizes(cast, at, order):
    client = at(cast.dispenser)
    url = reverse("orders:handover", args=[order.number])
    assert client.get(url).status_code == 404  # nothing to take home yet
    collected_order(cast, order)
    usual, large = client.get(url).content, client.get(url + "?large=1").content
    words = text_of(usual).replace("\n", " ")
    for shown in (
        "Your new spectacles",
        "On stairs and kerbs",
        "come back to us",
        "Rinse the lenses",
        "−2.25 −0.75 × 95",
        cast.client.full_name,
    ):
        assert shown in words, shown
    assert text_of(large).replace("\n", " ").count("Rinse the lenses") == 1
    with pdfplumber.open(io.BytesIO(usual)) as a, pdfplumber.open(io.BytesIO(large)) as b:
        body = {round(c["size"]) for c in a.pages[0].chars}, {round(c["size"]) for c in b.pages[0].chars}
    assert 11 in body[0]
    assert 18 in body[1]


@pytest.mark.parametrize("large", [False, True])
def test_the_foot_of_the_clients_sheet_loses_nothing(large):
    document = examples.example_document()
    document["branch"] |= {
        "name": "Quaylight Opticians at the Old Harbour Warehouse",
        "address": "\n".join(f"{n} Long Quay behind the northern breakwater" for n in range(1, 6)),
        "phone": "+44 1632 960 147",
    }
    by = "Bartholomew Featherstonehaugh-Cholmondeley, dispensing optician"
    at = datetime(2026, 11, 30, 10, tzinfo=UTC)
    data = handover_sheet.render(document, (), client="Ada Quill", on=at, by=by, large=large)
    with pdfplumber.open(io.BytesIO(data)) as pdf:
        words = pdf.pages[-1].extract_words()
        said = " ".join(w["text"] for w in words)
        assert max(w["bottom"] for w in words) < pdf.pages[-1].height - 10
        sizes = {round(c["size"], 1) for c in pdf.pages[-1].chars}
    assert min(sizes) >= (13.5 if large else 9.0)  # it wraps; it does not shrink
    assert "+44 1632 960 147" in said
    assert "dispensing optician" in said
    assert "5 Long Quay" in said


def test_advice_fits_lens_and_person(cast, at, order):
    from orders.handover.points import Person, advice_for, cautions_for
    from tests.orders.receipt.pairs import document, ordered

    def codes(person=Person(), **change):  # noqa: B008
        doc = document(ordered(-2.0), ordered(-2.0), **change)
        return {s.code for s in (*advice_for(doc, person), *cautions_for(doc, person))}

    def tint(clear, dark):
        return {"name": "grey", "transmittance_clear": clear and str(clear), "transmittance_dark": dark and str(dark)}

    assert "no_driving" in codes(tint=tint(6, 6))
    assert {"no_night_driving"} <= codes(tint=tint(40, 15)) - {"no_driving"}
    assert not {"no_driving", "no_night_driving"} & codes(tint=tint(76, 76))
    assert "photochromic" in codes(tint=tint(88, 14))
    assert "tint_not_known" in codes(tint=tint(None, None)) & codes(tint=tint(88, None)) & codes(tint=tint(None, 40))
    assert "no_driving" in codes(tint=tint(6, None))
    assert "steps" in codes(family="progressive")
    assert "steps" not in codes()
    assert "desk_not_road" in codes(family="degressive")
    assert {"first_progressive", "drive_later"} <= codes(Person(first_progressive=True), family="progressive")
    assert "child" in codes(Person(age=9))
    assert "one_eye" in codes(Person(useful_eye="left"))
    assert "not_safety" not in codes(Person(uses=("safety",)))


# --- return visit


def test_a_return_visit_by_its_pages(cast, at, order):
    order = collected_order(cast, order)
    client = at(cast.dispenser)
    url = reverse("orders:return_visit", args=[order.number])
    page = client.post(url, {"complaints": ["double"], "right.pd": "abc", "vertex": "15"}).content.decode()
    assert re.search(r'value="double" checked', page)
    assert 'value="abc"' in page
    assert 'aria-describedby="f-right-pd-error"' in page
    assert not ReturnVisit.objects.exists()
    client.post(
        url, {"complaints": ["double"], "right.height": "25", "left.height": "19", "right.pd": "31", "left.pd": "32"}
    )
    visit = ReturnVisit.objects.get()
    url = reverse("orders:visit", args=[order.number, visit.pk])
    page = client.get(url).content.decode()
    assert "fits what they say" in page
    page = client.post(url, {"outcome": "adapt", "cause": "adaptation", "look_again_on": "soon"}).content.decode()
    assert "Write the day like 2026-12-09." in page
    assert 'value="soon"' in page
    page = client.post(url, {"outcome": "remake", "cause": "measurement"}).content.decode()
    assert "Say who bears the cost." in page
    answer = client.post(url, {"outcome": "remake", "cause": "measurement", "bears": "branch", "note": "Heights 3 mm off."})
    assert answer["Location"] == reverse("dispensing:sheet", args=[order.dispense.reference])
    page = client.get(reverse("orders:detail", args=[order.number])).content.decode()
    assert "The pair came back and is made again: Heights 3 mm off." in page
    assert "issue it again" in page


def test_today_shows_what_arrived_and_what_waits_for_its_client(cast, at, order):
    client = at(cast.dispenser)
    client.post(reverse("orders:receive", args=[order.number]), {**GOOD_READINGS, "right.axis": "110"})
    assert "Arrived, to be checked" in client.get("/").content.decode()
    passed_order(cast, order)
    assert "Checked, to be collected" in client.get("/").content.decode()


def test_today_shows_who_came_back_and_leads_to_the_visit(cast, at, order):
    order = came_back(cast, order)
    page = at(cast.dispenser).get("/").content.decode()
    assert "Come back, not decided yet" in page
    assert reverse("orders:visit", args=[order.number, order.returns.get().pk]) in page


def test_the_pair_before_is_typed_at_the_visit(cast, at, order):
    order = collected_order(cast, order)
    client = at(cast.dispenser)
    url = reverse("orders:return_visit", args=[order.number])
    assert "None is on record" in client.get(url).content.decode()
    page = client.post(url, {"complaints": ["swim"], "old.right.sphere": "-2", "old.left.sphere": "two"}).content.decode()
    assert 'aria-describedby="f-old-left-sphere-error"' in page
    assert 'name="old.right.sphere" value="-2"' in page
    client.post(url, {"complaints": ["swim"], "old.right.sphere": "-150", "old.left.sphere": "-075"})
    page = client.get(reverse("orders:visit", args=[order.number, ReturnVisit.objects.get().pk])).content.decode()
    assert "The pair before (measured now)" in page
    assert "change from the pair before" in page


def test_what_is_outside_and_what_looks_like_a_slip_is_said_while_typing(cast, at, order):
    """Both lenses read in each other's place: said at once, not only once it is kept."""
    crossed = {**GOOD_READINGS} | {
        f"{eye}.{name}": GOOD_READINGS[f"{other}.{name}"]
        for eye, other in (("right", "left"), ("left", "right"))
        for name in ("sphere", "cylinder", "axis")
    }
    page = at(cast.dispenser).post(reverse("orders:receive_preview", args=[order.number]), crossed).content.decode()
    assert "right and left may be exchanged" in page
    assert re.search(r"<li>Right principal power, more minus: [+−][0-9.]+ D, allowed ±0.12</li>", page)


def test_what_no_figure_explains_has_where_to_look(cast, at, order):
    order = collected_order(cast, order)
    client = at(cast.dispenser)
    client.post(reverse("orders:return_visit", args=[order.number]), {"complaints": ["reflections"]})
    page = client.get(reverse("orders:visit", args=[order.number, ReturnVisit.objects.get().pk])).content.decode()
    assert "Reflections or glare: nothing that is computed explains this." in page
    assert "Look at the coating" in page


def test_a_decided_visit_is_closed(cast, at, order):
    order = came_back(cast, order)
    client = at(cast.dispenser)
    url = reverse("orders:visit", args=[order.number, order.returns.get().pk])
    client.post(url, {"outcome": "adjust", "cause": "fit"})
    page = client.get(url).content.decode()
    assert "Adjusted" in page
    assert 'name="outcome"' not in page
    assert "decided already" in client.post(url, {"outcome": "nothing", "cause": "fit"}).content.decode()
