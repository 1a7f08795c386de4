"""The record of cases: what is counted, how agreement is told, who may read it, and an export in which no client is left."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal as D
from types import SimpleNamespace

import numpy as np
import pdfplumber
import pytest
from django.urls import reverse
from django.utils import timezone
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from dispensing import sign_off
from dispensing.measure import NewReading
from dispensing.models import Comparison, Dispense, Goal, PrescriptionEye, Remeasure
from dispensing.remeasure import remeasure
from dispensing.training import agreeing, goals
from dispensing.training.cases import BANDS, HIGH_BAND, cases_of, counted, power_band
from dispensing.training.everybody import compared_at
from dispensing.training.pictures import limits_picture, signed, trend_picture
from dispensing.training.record import record_of
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent, Post
from tests.factories import ClientFactory, StaffFactory
from tests.orders.ready import ready_dispense


def compared(
    cast, differences, *, person=None, quantity="far_pd", blind=True, days=7, method="rule", instrument="", outside=0.9
):
    """One dispense with one re-measure for each difference, `days` apart, ending now."""
    person, moment = person or cast.trainee, timezone.now()
    for i, difference in enumerate(differences):
        at = moment - timedelta(days=days * (len(differences) - i))
        d = Dispense.objects.create(
            group=cast.group,
            branch=cast.branch,
            client=cast.client,
            dispenser=person,
            state="signed",
            lens_option=cast.option,
        )
        Dispense.objects.filter(pk=d.pk).update(created_at=at)
        made = Remeasure.objects.create(dispense=d, by=cast.supervisor, at=at, blind=blind, dispense_version=1)
        ours = D("31") + D(i % 5) / 2
        Comparison.objects.create(
            remeasure=made,
            quantity=quantity,
            eye="right",
            theirs=ours + D(str(difference)),
            ours=ours,
            of=person,
            method=method,
            instrument=instrument,
            within=abs(difference) <= outside,
        )


FEW = [0.5, -0.5, 0.0, 1.0, 0.5, -1.0, 0.0, 0.5, 1.0]
ENOUGH = [*FEW, -0.5, 0.5, 1.0]


# --- counting -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sphere", "cylinder", "band"),
    [
        ("-2.00", None, BANDS[0][1]),
        ("-1.50", "-0.75", BANDS[1][1]),
        ("4.00", "0.25", BANDS[2][1]),
        ("1.00", "-7.00", HIGH_BAND),
        ("-5.87", None, BANDS[2][1]),  # eighths: not yet 6.00, which is what "high" begins with
        ("6.00", None, HIGH_BAND),
        ("2.12", None, BANDS[0][1]),
    ],
)
def test_a_power_band_goes_by_the_stronger_principal_power(sphere, cylinder, band):
    eye = PrescriptionEye(eye="right", sphere=D(sphere), cylinder=D(cylinder) if cylinder else None)
    assert power_band([eye]) == band
    assert power_band([PrescriptionEye(eye="left", sphere=D("-9"), balance=True), eye]) == band
    assert power_band([PrescriptionEye(eye="left", sphere=None)]) == "not recorded"


def test_cases_are_counted_by_method_lens_and_power_and_a_return_stays_on_record(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    assert cases_of(cast.trainee) == []  # still being prepared
    for n in range(2):
        made.refresh_from_db()
        sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
        made.refresh_from_db()
        if n == 0:
            sign_off.return_to_dispenser(
                actor=cast.supervisor,
                dispense=made,
                version=made.version,
                comment="Once more.",
                remarks=[("readings.height.left", "Eye level.")],
            )
    sign_off.take_over(actor=cast.supervisor, dispense=made, version=made.version)
    record = record_of(cast.trainee)
    assert dict(record.tables) == {
        "Lens": [("progressive", 1, 1)],
        "Power": [(BANDS[1][1], 1, 1)],
        "PDs by": [("pupillometer", 1, 1)],
        "Heights by": [("marked lens", 1, 1)],
    }
    (case,) = record.cases
    assert (case.outcome, [r.comment for r in case.returns]) == ("taken over", ["Once more."])
    assert cases_of(cast.dispenser) == []


# --- agreement ----------------------------------------------------------------------------------------------------------


def test_nothing_is_said_of_too_few_pairs(cast):
    compared(cast, FEW)
    (pairs,) = record_of(cast.trainee).by_quantity
    assert (pairs.n, pairs.found, pairs.outside_range) == (9, None, None)


def test_limits_of_agreement_of_enough_pairs(cast):
    compared(cast, ENOUGH)
    compared(cast, [5.0] * 12, blind=False)  # not independent: not counted
    compared(cast, [4.0] * 12, person=cast.dispenser)
    (pairs,) = record_of(cast.trainee).by_quantity
    d = np.array(ENOUGH)
    found = pairs.found
    assert found.n == 12
    assert found.bias == pytest.approx(d.mean())
    assert (found.lower, found.upper) == pytest.approx((d.mean() - 1.96 * d.std(ddof=1), d.mean() + 1.96 * d.std(ddof=1)))
    half = stats.t.ppf(0.975, 11) * d.std(ddof=1) / np.sqrt(12)
    assert (found.bias_low, found.bias_high) == pytest.approx((d.mean() - half, d.mean() + half), abs=1e-6)
    assert pairs.outside == 4
    assert pairs.outside_range == pytest.approx(tuple(100 * np.array(proportion_confint(4, 12, method="wilson"))), abs=0.01)


@pytest.mark.parametrize(("k", "n"), [(0, 10), (1, 12), (7, 30), (30, 30)])
def test_share_limits_are_wilsons(k, n):
    want = 100 * np.array(proportion_confint(k, n, method="wilson"))
    assert agreeing.share_limits(k, n) == pytest.approx(tuple(want), abs=0.01)


def test_drift_is_welchs_interval_with_the_freedom_rounded_down():
    rng = np.random.default_rng(7)
    a, b = rng.normal(0.9, 0.5, 14), rng.normal(0.0, 0.8, 40)
    found = agreeing.drift(list(a), list(b))
    welch = stats.ttest_ind(a, b, equal_var=False)
    half = stats.t.ppf(0.975, int(welch.df)) * abs((a.mean() - b.mean()) / welch.statistic)
    assert found.by == pytest.approx(a.mean() - b.mean())
    assert (found.low, found.high) == pytest.approx((found.by - half, found.by + half), abs=1e-6)
    assert found.drifts
    assert agreeing.drift([0.0] * 9, list(b)) is None
    assert not agreeing.drift([0.2] * 12, [0.0] * 12).drifts  # certain, and smaller than a rule can be read


def test_the_picture_has_every_pair_where_its_figures_put_it(cast):
    compared(cast, ENOUGH)
    (pairs,) = record_of(cast.trainee).by_quantity
    picture = limits_picture(pairs, pairs.found)
    points = [picture.named(f"pair.{i}") for i in range(12)]
    bias = picture.named("bias").points[0][1]
    lower, upper = (picture.named(n).points[0][1] for n in ("lower", "upper"))
    scale = (upper - lower) / (pairs.found.upper - pairs.found.lower)
    for point, d in zip(points, pairs.differences, strict=True):
        assert point.y - bias == pytest.approx((d - pairs.found.bias) * scale)
        assert 0 < point.x < picture.width
        assert 0 < point.y < picture.height
    means = [(float(c.theirs) + float(c.ours)) / 2 for _, c in pairs.rows]
    assert np.corrcoef([p.x for p in points], means)[0, 1] == pytest.approx(1.0)
    assert signed(pairs.found.upper, 2) in picture.description
    quarters = agreeing.by_quarter(pairs)
    assert sum(q.n for q in quarters) == 12
    assert sum(q.n * q.mean for q in quarters) == pytest.approx(sum(ENOUGH))
    assert trend_picture(pairs) is not None


# --- who may read it ----------------------------------------------------------------------------------------------------


def test_own_record_and_that_of_those_one_trains(cast, client):
    url = reverse("dispensing:training", args=[cast.trainee.pk])
    stranger = StaffFactory(group=cast.group)
    Post.objects.create(staff=stranger, branch=cast.other_branch, role="manager")
    expected = {
        "trainee": 200,
        "supervisor": 200,
        "manager": 200,
        "second_supervisor": 404,
        "dispenser": 404,
        "elsewhere": 404,
        "foreigner": 404,
    }
    for who, status in expected.items():
        client.force_login(getattr(cast, who))
        assert client.get(url).status_code == status, who
        for name in ("training_csv", "training_pdf"):
            assert client.get(reverse(f"dispensing:{name}", args=[cast.trainee.pk])).status_code == status
    client.force_login(stranger)
    assert client.get(url).status_code == 404
    client.force_login(cast.supervisor)
    assert cast.trainee.display_name in client.get(reverse("dispensing:own_training")).content.decode()


def test_a_goal_is_due_by_the_clock_of_the_branch(cast, monkeypatch):
    cast.branch.time_zone = "Pacific/Auckland"
    cast.branch.save()
    at = datetime(2026, 11, 30, 13, tzinfo=UTC)  # 2 in the morning of 1 December there
    monkeypatch.setattr("django.utils.timezone.now", lambda: at)
    with pytest.raises(Invalid):
        goals.set_goal(actor=cast.supervisor, trainee=cast.trainee, text="Yesterday there", due_on=date(2026, 11, 30))
    assert goals.set_goal(actor=cast.supervisor, trainee=cast.trainee, text="Today there", due_on=date(2026, 12, 1))


def test_goals_are_set_by_whoever_trains_and_kept(cast, client):
    client.force_login(cast.supervisor)
    url = reverse("dispensing:training", args=[cast.trainee.pk])
    wrong = client.post(url, {"deed": "set", "text": "Heights <b>", "due_on": "31/2/2030"}).content.decode()
    assert "There is no such day." in wrong
    assert 'value="Heights &lt;b&gt;"' in wrong
    assert not Goal.objects.exists()
    assert client.post(url, {"deed": "set", "text": "Heights within 1 mm", "due_on": "3 Nov 2126"}).status_code == 302
    goal = Goal.objects.get()
    assert (goal.trainee, goal.set_by, goal.due_on) == (cast.trainee, cast.supervisor, date(2126, 11, 3))
    for who in ("trainee", "dispenser", "second_supervisor", "elsewhere"):
        with pytest.raises(NotAllowed):
            goals.set_goal(actor=getattr(cast, who), trainee=cast.trainee, text="Something else")
        with pytest.raises(NotAllowed):
            goals.close_goal(actor=getattr(cast, who), goal=goal, met=True)
    with pytest.raises(Invalid):
        goals.set_goal(actor=cast.manager, trainee=cast.trainee, text="Old", due_on=date(2020, 1, 1))
    assert client.post(url, {"deed": "met", "goal": goal.pk}).status_code == 302
    with pytest.raises(Refused):
        goals.close_goal(actor=cast.manager, goal=goal, met=False)
    assert list(AuditEvent.objects.filter(action__startswith="training.").values_list("action", flat=True)) == [
        "training.goal_set",
        "training.goal_met",
    ]
    client.force_login(cast.trainee)
    assert "Heights within 1 mm" in client.get(reverse("dispensing:own_training")).content.decode()
    assert client.post(url, {"deed": "set", "text": "My own goal"}).status_code == 200
    assert Goal.objects.count() == 1


# --- the portfolio ------------------------------------------------------------------------------------------------------


@pytest.fixture
def portfolio(cast, client):
    """A record with everything in it that names its client, in every place where somebody could have typed it."""
    person = ClientFactory(
        branch=cast.branch,
        given_name="Zephyrine",
        family_name="Quillworth-Asante",
        date_of_birth=date(1958, 7, 23),
        phone="01632 960 417",
        email="zq@saltmarsh.example",
        notes="Zephyrine prefers mornings",
    )
    made = ready_dispense(cast, actor=cast.trainee, client=person)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version, comment="Zephyrine's second pair")
    made.refresh_from_db()
    remeasure(
        actor=cast.supervisor,
        dispense=made,
        readings=[NewReading(quantity="far_pd", eye="right", value=D("30"), method="rule")],
        had_seen=False,
    )
    sign_off.return_to_dispenser(
        actor=cast.supervisor,
        dispense=made,
        version=made.version,
        comment="Mrs Quillworth-Asante, born 23/07/1958: again.",
        remarks=[("readings.height.left", "Zephyrine's eye level.")],
    )
    goals.set_goal(actor=cast.supervisor, trainee=cast.trainee, text="See Zephyrine once more")
    compared(cast, ENOUGH)
    client.force_login(cast.trainee)
    answer = [client.get(reverse(f"dispensing:training_{kind}", args=[cast.trainee.pk])) for kind in ("csv", "pdf")]
    return person, made, *answer


def _forbidden(person, made):
    b = person.date_of_birth
    day = [b.isoformat(), f"{b:%d/%m/%Y}", "23 July", "July 1958", "23 Jul", "1958"]
    return [
        "zephyrine",
        "quillworth",
        "asante",
        person.reference,
        made.reference,
        "960 417",
        "zq@",
        *day,
        cast_names(person),
    ]


def cast_names(person):
    return person.full_name


def test_no_client_is_left_in_the_csv(cast, portfolio):
    person, made, answer, _ = portfolio
    text = answer.content.decode()
    references = Dispense.objects.values_list("reference", flat=True)
    for word in (*_forbidden(person, made), *references, cast.client.family_name, cast.client.reference):
        assert word.lower() not in text.lower(), word
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 13
    assert not any(str(timezone.localdate()) in row["month"] for row in rows)
    newest = rows[-1]
    assert newest["PD far right: adopted minus re-measured, mm"] == "1.50"
    assert (newest["times returned"], newest["returned for"]) == ("1", "Readings, height, left")
    assert newest["outside tolerance"] == "1"


def test_no_client_is_left_in_the_pdf_and_its_figures_are_those_of_the_page(cast, portfolio):
    person, made, _, answer = portfolio
    with pdfplumber.open(io.BytesIO(answer.content)) as pdf:
        text = "\n".join(page.extract_text() for page in pdf.pages)
        told = str(pdf.metadata)
        for page in pdf.pages:  # nothing runs over the edge
            assert all(w["x0"] > 0 and w["x1"] < page.width and w["bottom"] < page.height for w in page.extract_words())
    for word in (*_forbidden(person, made), cast.client.family_name, cast.client.reference):
        assert word.lower() not in (text + told).lower(), word
        assert word.encode() not in answer.content
    found = record_of(cast.trainee).by_quantity[0].found
    assert f"{signed(found.bias, 2)} ({signed(found.bias_low, 2)} to {signed(found.bias_high, 2)})" in text
    assert "Readings, height, left" in text
    assert cast.trainee.display_name in text


def test_a_page_without_cases_and_one_with_many(cast, client, django_assert_max_num_queries):
    client.force_login(cast.dispenser)
    assert "has been re-measured blind yet" in client.get(reverse("dispensing:own_training")).content.decode()
    compared(cast, ENOUGH)
    compared(cast, ENOUGH, quantity="height", method="marked_lens")
    client.force_login(cast.trainee)
    client.get(reverse("dispensing:own_training"))
    with django_assert_max_num_queries(20):
        page = client.get(reverse("dispensing:own_training")).content.decode()
    assert page.count('<svg class="pic') == 4
    assert "style=" not in page


# --- everybody ----------------------------------------------------------------------------------------------------------


def test_a_drifting_instrument_is_named_and_few_readings_are_not_judged(cast, client):
    compared(cast, [d + 1.2 for d in ENOUGH], instrument="Desk 2", method="pupillometer")
    compared(cast, ENOUGH * 2, person=cast.dispenser, instrument="Desk 1", method="pupillometer")
    compared(cast, [9.0, 9.0], person=cast.unregistered, instrument="Desk 3")
    compared(cast, [7.0] * 12, instrument="Desk 3", blind=False)
    groups = agreeing.against_others(compared_at([cast.branch]), lambda x: x.instrument)
    by = {g.pairs.name: g for g in groups}
    assert {n: g.pairs.n for n, g in by.items()} == {"Desk 1": 24, "Desk 2": 12, "Desk 3": 2}
    d = np.array(ENOUGH)
    others = np.array([*ENOUGH, *ENOUGH, 9.0, 9.0])
    assert by["Desk 2"].drift.by == pytest.approx(1.2 + d.mean() - others.mean())
    assert by["Desk 3"].drift is None
    client.force_login(cast.supervisor)
    page = client.get(reverse("dispensing:agreement")).content.decode()
    row = page[page.index(">Desk 3<") :]
    assert "too few to say" in row[: row.index("</tr>")]
    assert "9.00" not in page
    assert cast.dispenser.display_name in page
    client.force_login(cast.dispenser)
    assert client.get(reverse("dispensing:agreement")).status_code == 403


def test_another_branch_is_not_counted_where_one_does_not_sign(cast):
    compared(cast, ENOUGH)
    assert len(compared_at([cast.branch])) == 12
    assert compared_at([cast.other_branch]) == []
    assert compared_at([cast.foreign_branch]) == []


# --- small numbers ------------------------------------------------------------------------------------------------------


def test_a_quarter_with_few_pairs_has_no_mean(cast):
    """Twelve pairs of which at most four fall into one quarter: the points are drawn, no line of means between them."""
    compared(cast, ENOUGH, days=30)
    (pairs,) = record_of(cast.trainee).by_quantity
    assert {q.n for q in agreeing.by_quarter(pairs)} <= {1, 2, 3, 4}
    picture = trend_picture(pairs)
    assert len([s for s in picture.shapes if type(s).__name__ == "Circle"]) == 12
    assert any(getattr(s, "text", "") == "too few in" for s in picture.shapes)


def test_a_quarter_with_enough_has_its_mean(cast):
    compared(cast, ENOUGH * 2, days=7)
    (pairs,) = record_of(cast.trainee).by_quantity
    enough = [q for q in agreeing.by_quarter(pairs) if q.enough]
    circles = [s for s in trend_picture(pairs).shapes if type(s).__name__ == "Circle"]
    assert len(circles) == 24 + len(enough)
    assert enough


def test_a_small_sure_difference_is_said_to_be_little(cast, client):
    steady = [0.1, 0.2, 0.3, 0.2, 0.1, 0.3] * 3
    compared(cast, steady, method="rule")
    compared(cast, [d - 0.3 for d in steady], method="pupillometer")
    client.force_login(cast.supervisor)
    page = client.get(reverse("dispensing:agreement")).content.decode()
    assert "0.30 mm more: little" in page
    assert "0.30 mm less: little" in page
    assert "than the others</b>" not in page


def test_bands_of_power_stand_from_low_to_high():
    words = [HIGH_BAND, HIGH_BAND, BANDS[1][1], BANDS[0][1], BANDS[0][1], BANDS[0][1]]
    cases = [SimpleNamespace(band=w, returns=()) for w in words]
    assert [w for w, _, _ in counted(cases, "band")] == [BANDS[0][1], BANDS[1][1], HIGH_BAND]
