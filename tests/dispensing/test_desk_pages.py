"""The start page, the client's page and the sign-off screen as people meet them."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal as D

import pytest
from django.urls import reverse
from django.utils import timezone

from dispensing import assess, sign_off, waiting
from dispensing.models import Dispense, Prescription, PrescriptionEye, Reason, Signature
from dispensing.web.trend import trend
from tests.factories import PASSWORD, ClientFactory
from tests.orders.ready import ready_dispense

State = Dispense.State


def _fresh(dispense):
    return Dispense.objects.get(pk=dispense.pk)


@pytest.fixture
def waits(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version, comment="Please look at the left height.")
    return _fresh(made)


def page_of(client, person, url):
    client.force_login(person)
    answer = client.get(url)
    return answer, answer.content.decode()


def sign_url(dispense):
    return reverse("dispensing:sign_off", args=[dispense.reference])


# --- start page -------------------------------------------------------------------------------------------------------------


def titles(answer):
    return [x["title"] for x in answer.context["lists"]]


def test_each_sees_what_waits_for_them(client, cast, waits):
    back = ready_dispense(cast, actor=cast.trainee, client=ClientFactory(branch=cast.branch, given_name="Bram"))
    sign_off.put_forward(actor=cast.trainee, dispense=back, version=back.version)
    sign_off.return_to_dispenser(
        actor=cast.supervisor, dispense=back, version=back.version, comment="Measure the left again."
    )
    answer, page = page_of(client, cast.trainee, "/")
    assert titles(answer) == ["Returned to you", "Put forward by you"]
    assert "Measure the left again." in page
    answer, page = page_of(client, cast.supervisor, "/")
    assert titles(answer) == ["To sign"]
    assert "(your trainee)" in page
    assert sign_url(waits) in page
    answer, _ = page_of(client, cast.second_supervisor, "/")
    assert titles(answer) == ["To sign"]
    answer, _ = page_of(client, cast.dispenser, "/")
    assert titles(answer) == []
    sign_off.sign(actor=cast.supervisor, dispense=waits, version=waits.version, password=PASSWORD)
    answer, _ = page_of(client, cast.dispenser, "/")
    assert titles(answer) == ["Signed, to be ordered"]
    answer, _ = page_of(client, cast.trainee, "/")
    assert titles(answer) == ["Returned to you"]


def test_the_riskiest_and_the_oldest_come_first(cast):
    def forward(days=0, **client):
        made = ready_dispense(cast, actor=cast.trainee, client=ClientFactory(branch=cast.branch, **client))
        sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
        Signature.objects.filter(dispense=made).update(at=timezone.now() - timedelta(days=days))
        return made

    plain, old, child = forward(), forward(days=5), forward(date_of_birth=date(2018, 1, 1), sight_impaired=True)
    rows = waiting.to_sign(cast.supervisor, cast.branch)
    assert [w.dispense for w in rows] == [old, child, plain]
    assert rows[1].risks[:2] == ("under 16", "registered sight-impaired")
    assert [w.dispense for w in waiting.to_sign(cast.manager, cast.branch)][-1] == child  # not registered: cannot sign it
    assert waiting.to_sign(cast.dispenser, cast.branch) == []


def test_a_high_power_and_a_prism_are_said(cast, waits):
    PrescriptionEye.objects.filter(prescription=waits.prescription, eye="right").update(
        sphere=D("-5.50"), cylinder=D("-0.75"), prism_h=D("1.00"), base_h="in"
    )
    assert {"high power", "prism", "progressive"} <= set(waiting.to_sign(cast.supervisor, cast.branch)[0].risks)


def test_the_lists_take_as_many_queries_for_many_as_for_one(cast, waits, django_assert_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    with CaptureQueriesContext(connection) as one:
        waiting.to_sign(cast.supervisor, cast.branch)
    for n in range(3):
        made = ready_dispense(cast, actor=cast.trainee, client=ClientFactory(branch=cast.branch, given_name=f"N{n}"))
        sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    with django_assert_num_queries(len(one)):
        assert len(waiting.to_sign(cast.supervisor, cast.branch)) == 4


# --- client page -------------------------------------------------------------------------------------------------------------


def test_a_clients_pairs_and_powers_over_the_years(client, cast, waits):
    for on, sphere in ((date(2019, 5, 1), "-1.00"), (date(2023, 5, 1), "-1.75")):
        rx = Prescription.objects.create(client=cast.client, written_on=on, prescriber="P. Quillfeather")
        PrescriptionEye.objects.create(prescription=rx, eye="right", sphere=D(sphere), cylinder=D("-0.50"), axis=D(90))
        PrescriptionEye.objects.create(prescription=rx, eye="left", sphere=D("-0.50"))
    answer, page = page_of(client, cast.supervisor, reverse("dispensing:client", args=[cast.client.reference]))
    assert waits.reference in page
    powers = answer.context["trends"][0]
    assert powers.rows[-1] == (date(2019, 5, 1), "−1.25", "−0.50")  # sphere and half the cylinder
    assert powers.rows[1] == (date(2023, 5, 1), "−2.00", "−0.50")
    assert powers.rows[0][1] == "−2.63"  # -2.25 -0.75/2, away from zero
    assert "right from −1.25 to −2.63" in powers.description
    assert 'role="img"' in page


def test_another_branch_of_the_group_reads_and_starts_its_own(client, cast, waits):
    answer, page = page_of(client, cast.elsewhere, reverse("dispensing:client", args=[cast.client.reference]))
    assert answer.status_code == 200
    assert waits.reference in page
    assert "New dispense" in page
    assert answer.context["here"] == cast.other_branch


@pytest.mark.parametrize("count", [0, 1])
def test_one_point_makes_no_trend(count):
    assert trend("PD", "mm", [(date(2020, 1, 1), 31.0, 32.0)] * count, least_span=2, digits=1) is None


def test_a_trend_is_to_scale():
    values = [(date(2020, 1, 1), -1.0, -2.0), (date(2022, 1, 1), -1.5, None), (date(2024, 1, 1), -2.0, -3.0)]
    shown = trend("Mean sphere", "D", values, least_span=1.0, digits=2, signed=True)
    right, left = shown.lines
    (x0, y0), (x1, y1), (x2, y2) = right.points
    assert (x1 - x0) / (x2 - x0) == pytest.approx(731 / 1461)  # days, with one leap day more in the first half
    assert (y1 - y0) == pytest.approx(y2 - y1)
    assert y2 == pytest.approx(left.points[0][1])  # -2.00 is at one height for both
    assert len(left.points) == 2
    by_words = {words: y for y, words in shown.levels}
    assert by_words["−2.00"] == pytest.approx(y2)


def test_small_changes_look_small():
    shown = trend("PD", "mm", [(date(2020, 1, 1), 31.0, 31.5), (date(2024, 1, 1), 31.5, 31.5)], least_span=2.0, digits=1)
    ys = [y for line in shown.lines for _, y in line.points]
    levels = [y for y, _ in shown.levels]
    assert max(ys) - min(ys) <= (max(levels) - min(levels)) / 3.9


# --- sign-off screen ---------------------------------------------------------------------------------------------------------


def deed(client, dispense, name, **values):
    return client.post(sign_url(dispense), {"deed": name, "version": dispense.version, **values})


def test_the_screen_shows_what_is_answered_for(client, cast, waits):
    answer, page = page_of(client, cast.supervisor, sign_url(waits))
    for words in ("−2.25 / −0.75 × 95", "52□18–145", "PD 31.5 / 32.0", "Ridgeway 13", "Please look at the left height."):
        assert words in page
    assert "<svg" in page
    assert answer.context["may_sign"]
    assert answer.context["may_return"]
    assert not answer.context["may_put_forward"]


@pytest.mark.parametrize(
    ("who", "can"),
    [
        ("trainee", set()),
        ("dispenser", {"may_take_over"}),
        ("supervisor", {"may_sign", "may_return", "may_take_over"}),
        ("manager", {"may_sign", "may_return", "may_take_over"}),
        ("elsewhere", set()),
    ],
)
def test_only_what_is_open_to_one_is_offered(client, cast, waits, who, can):
    answer, _ = page_of(client, getattr(cast, who), sign_url(waits))
    offered = {n for n in ("may_put_forward", "may_sign", "may_return", "may_take_over") if answer.context[n]}
    assert offered == can


def test_signing_on_the_screen_and_seeing_it_again(client, cast, waits):
    answer, _ = page_of(client, cast.supervisor, sign_url(waits))
    answer = deed(client, waits, "sign", seen=answer.context["seen"], password=PASSWORD)
    assert answer.status_code == 302
    signature = waits.signatures.last()
    assert signature.decision == "signed"
    url = reverse("dispensing:signature", args=[waits.reference, signature.pk])
    answer, page = page_of(client, cast.dispenser, url)
    assert "−2.25 / −0.75 × 95" in page
    assert signature.snapshot_sha256 in page
    Signature.objects.filter(pk=signature.pk).update(snapshot=signature.snapshot.replace("31.5", "33.5"))
    _, page = page_of(client, cast.dispenser, url)
    assert "not what was signed" in page
    assert "PD 33.5" not in page


def test_without_what_was_shown_nothing_is_signed(client, cast, waits):
    client.force_login(cast.supervisor)
    for seen in ("", "0" * 64, "<script>", "x" * 10_000):
        answer = deed(client, waits, "sign", seen=seen, password=PASSWORD)
        assert answer.status_code == 200
        assert "no longer what is recorded" in answer.content.decode()
    assert _fresh(waits).state == State.WAITING


@pytest.mark.parametrize(
    ("name", "values", "field"),
    [
        ("sign", {"password": ""}, "password"),
        ("sign", {"password": "wrong"}, "password"),
        ("sign", {"password": "x" * 10_000}, "password"),
        ("return", {"comment": ""}, "comment"),
        ("return", {"comment": "   "}, "comment"),
        ("return", {"comment": "x" * 10_000}, "comment"),
    ],
)
def test_what_is_missing_is_told_beside_its_field(client, cast, waits, name, values, field):
    client.force_login(cast.supervisor)
    seen = client.get(sign_url(waits)).context["seen"]
    answer = deed(client, waits, name, seen=seen, **values)
    assert answer.status_code == 200
    page = answer.content.decode()
    assert f'id="f-{field}-error"' in page
    assert f'href="#f-{field}"' in page
    assert "wrong" not in page
    if field == "comment":
        assert values["comment"].strip()[:50] in page
    assert _fresh(waits).state == State.WAITING


def test_a_comment_is_shown_as_it_was_written(client, cast, waits):
    client.force_login(cast.supervisor)
    assert deed(client, waits, "return", comment="<script>alert(1)</script> & so on").status_code == 302
    page = client.get(sign_url(waits)).content.decode()
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; so on" in page
    assert "<script>alert" not in page


@pytest.mark.parametrize("version", ["", "x", "-1", "1e9", "٢", "9" * 50, "0"])
def test_another_version_than_the_one_shown_is_a_conflict(client, cast, waits, version):
    client.force_login(cast.supervisor)
    answer = client.post(sign_url(waits), {"deed": "return", "version": version, "comment": "again"})
    assert answer.status_code == 200
    assert "has changed since" in answer.content.decode()
    assert _fresh(waits).state == State.WAITING


def test_a_reason_is_recorded_where_the_finding_is(client, cast):
    made = ready_dispense(cast, actor=cast.trainee, answered=False)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    made = _fresh(made)
    key = assess.assess_to_answer(made).open_confirms[0].key
    client.force_login(cast.supervisor)
    answer = deed(client, made, "reason", finding=key, reason="no")
    assert answer.status_code == 200
    page = answer.content.decode()
    assert "few words" in page
    assert 'value="no"' in page
    assert not Reason.objects.exists()
    assert deed(client, made, "reason", finding=key, reason="Read back by me.").status_code == 302
    assert Reason.objects.get().by == cast.supervisor
    assert "Read back by me." in client.get(sign_url(made)).content.decode()
    assert (
        "not there any more" in deed(client, made, "reason", finding="<script>", reason="Because of it.").content.decode()
    )


@pytest.mark.parametrize("name", ["", "issue", "<script>", "x" * 10_000])
def test_a_deed_that_is_none_does_nothing(client, cast, waits, name):
    client.force_login(cast.supervisor)
    answer = deed(client, waits, name)
    assert answer.status_code == 200
    assert "choose one of the buttons" in answer.content.decode()


def test_another_group_finds_nothing(client, cast, waits):
    sign_off.sign(actor=cast.supervisor, dispense=waits, version=waits.version, password=PASSWORD)
    client.force_login(cast.foreigner)
    for url in (sign_url(waits), reverse("dispensing:signature", args=[waits.reference, waits.signatures.last().pk])):
        assert client.get(url).status_code == 404
        assert client.post(url, {"deed": "sign"}).status_code in {404, 405}


def test_a_signature_is_shown_under_its_own_dispense_alone(client, cast, waits):
    sign_off.sign(actor=cast.supervisor, dispense=waits, version=waits.version, password=PASSWORD)
    signature, other = waits.signatures.last(), ready_dispense(cast)
    client.force_login(cast.supervisor)
    found = {
        r: client.get(reverse("dispensing:signature", args=[r, signature.pk])).status_code
        for r in (waits.reference, other.reference)
    }
    assert found == {waits.reference: 200, other.reference: 404}
