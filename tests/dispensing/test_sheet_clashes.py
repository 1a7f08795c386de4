"""Answers that were lost, deeds that came late, figures that changed between reading and answering."""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal as D

from django.test import Client

from dispensing import assess, measure, record
from dispensing.models import Adoption, Dispense, Reading, Reason
from tests.dispensing.test_gather import whole
from tests.dispensing.test_sheet import FRAGMENTS, desk, fields_of, page, url, version  # noqa: F401
from tests.factories import PASSWORD
from tests.orders.ready import ready_dispense


def test_a_confirmation_is_not_taken_for_the_save_before_it(desk):  # noqa: F811
    """Two deeds read at one version, the answer to the first lost: the second still confirms."""
    made = desk.dispense
    record.save_fit(actor=desk.trainee, dispense=made, version=version(made, "fit"), adjusted=["level"], vertex_mm=D(13))
    sent = fields_of(page(desk), "fit") | {"fit.vertex_mm": ["14"]}
    desk.http.post(url(made, "save_part", "fit"), sent, headers=FRAGMENTS)
    assert Dispense.objects.get().fit_confirmed_at is None
    answer = desk.http.post(url(made, "save_part", "fit"), sent | {"confirm": ["1"]}, headers=FRAGMENTS)
    assert answer.json()["state"] == "saved"
    made = Dispense.objects.get()
    assert made.fit_confirmed_at is not None
    assert made.vertex_mm == 14


def test_readings_and_their_adoption_are_kept_together_or_not_at_all(desk):  # noqa: F811
    made = desk.dispense
    at = version(made, "readings")
    measure.add_readings(
        actor=desk.dispenser,
        dispense=made,
        readings=[measure.NewReading(quantity="far_pd", eye="left", value=D(31), method="pupillometer")],
    )
    sent = fields_of(page(desk), "readings") | {
        "version": [str(at)],  # read before that reading came
        "readings.far_pd.left": ["33"],
        "adopt": ["far_pd|left|33||chosen"],
    }
    before = (Reading.objects.count(), Adoption.objects.count())
    answer = desk.http.post(url(made, "adopt"), sent)
    assert answer.status_code == 409
    assert (Reading.objects.count(), Adoption.objects.count()) == before
    assert 'value="33"' in answer.content.decode()  # typed, and still there


def test_adopting_says_that_a_signature_is_lifted(desk):  # noqa: F811
    made = desk.dispense
    Dispense.objects.filter(pk=made.pk).update(state=Dispense.State.WAITING)
    sent = {"version": version(made, "readings"), "adopt": "far_pd|right|32||chosen"}
    answer = desk.http.post(url(made, "adopt"), sent, headers=FRAGMENTS).json()
    assert answer["state"] == "saved"
    assert any("signature is lifted" in words for words in answer["said"])


def test_a_reason_goes_only_with_the_figures_it_was_written_for(cast, client):
    made = ready_dispense(cast, actor=cast.trainee, answered=False)
    client.force_login(cast.trainee)
    html = client.get(url(made)).content.decode()
    finding = assess.assess_dispense(made).open_confirms[0]
    form = next(f for f in re.findall(r'<form method="post" class="reason".*?</form>', html, re.S) if finding.key in f)
    seen = re.search(r'name="seen" value="(\w+)"', form)[1]
    stale = {"finding": finding.key, "reason": "measured twice", "seen": "0" * 16}
    answer = client.post(url(made, "reason"), stale, headers=FRAGMENTS).json()
    assert answer["state"] == "refused"
    assert "look again" in answer["fragments"]["findings"]
    assert "measured twice" in answer["fragments"]["findings"]  # what was typed stays
    client.post(url(made, "sign_off"), {"deed": "reason", "figures": "0" * 16, **stale})
    assert not Reason.objects.exists()
    client.post(url(made, "reason"), stale | {"seen": seen}, headers=FRAGMENTS)
    assert Reason.objects.get().finding_key == finding.key


def test_the_field_of_a_reason_is_named_after_its_finding(desk):  # noqa: F811
    """A place in the list is another finding's place a moment later, and what is half typed is put back by name."""
    html = page(desk)
    named = dict(re.findall(r'name="finding" value="([^"]+)".*?<input id="(reason-\w+)"', html))
    assert len(named) >= 2
    record.save_prescription(  # without its vertex distance: a stop comes before all of them
        actor=desk.trainee,
        dispense=desk.dispense,
        version=version(desk.dispense, "prescription"),
        right={"sphere": D("-4.75"), "cylinder": D("-1.25"), "axis": D(170), "add": D("2.25")},
        left={"sphere": D("-5.25"), "prism_h": D(2), "base_h": "out", "add": D("2.25")},
        written_on=date(2026, 11, 3),
    )
    again = dict(re.findall(r'name="finding" value="([^"]+)".*?<input id="(reason-\w+)"', page(desk)))
    assert named.keys() & again.keys()
    assert {k: v for k, v in again.items() if k in named} == {k: v for k, v in named.items() if k in again}
    assert len(set(again.values())) == len(again)


def test_a_page_of_whoever_was_here_before_saves_nothing(cast):
    """On a shared tablet the next person signs in while a page of the one before is still open in another tab."""
    made = whole(cast)
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(cast.trainee)
    html = browser.get(url(made)).content.decode()
    token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', html)[1]
    sent = fields_of(html, "needs") | {"needs.wish": ["thin"]}
    browser.post("/sign-out/", {"csrfmiddlewaretoken": token})
    door = browser.get("/sign-in/").content.decode()
    fresh = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', door)[1]
    browser.post("/sign-in/", {"username": cast.dispenser.username, "password": PASSWORD, "csrfmiddlewaretoken": fresh})
    assert browser.get(url(made)).status_code == 200  # it is the dispenser who is in now
    answer = browser.post(url(made, "save_part", "needs"), sent, headers=FRAGMENTS | {"x-csrftoken": token})
    assert answer.status_code == 403
    assert "json" not in answer.headers["Content-Type"]  # by which the page knows to ask for a sign-in
    assert Dispense.objects.get().wish == ""
