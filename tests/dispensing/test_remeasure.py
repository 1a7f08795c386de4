"""Independent re-measure: nothing of the dispenser's readings before one's own are in, both kept, nothing leaks into the case."""

from __future__ import annotations

import math
import re
from decimal import Decimal as D

import pytest
from django.urls import reverse

from dispensing import measure, record, remeasure, sign_off
from dispensing.gather import case_of
from dispensing.measure import NewReading
from dispensing.models import Comparison, Dispense, Remeasure, SupervisorReading
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.orders.ready import ready_dispense, signed_dispense

ADOPTED = ("31.5", "32.0", "29.5", "30.0", "22.0")  # of ready_dispense


def reading(quantity, eye, value, **more):
    extra = {"method": "marked_lens", "reference": "box"} if quantity == "height" else {"method": "rule"}
    return NewReading(quantity=quantity, eye=eye, value=D(value), **{**extra, **more})


def measured(cast, dispense, *readings, had_seen=False, actor=None):
    return remeasure.remeasure(actor=actor or cast.supervisor, dispense=dispense, readings=readings, had_seen=had_seen)


@pytest.fixture
def dispense(cast):
    return ready_dispense(cast, actor=cast.trainee)


def url(dispense):
    return reverse("dispensing:remeasure", args=[dispense.reference])


# --- what differs, and what it does -------------------------------------------------------------------------------------


def test_each_difference_is_judged_by_what_it_does_with_this_prescription(cast, dispense):
    made = measured(
        cast,
        dispense,
        reading("far_pd", "right", "30.0"),
        reading("far_pd", "left", "32.0"),
        reading("height", "right", "20.5"),
        reading("near_pd", "right", "29.0"),
    )
    by = {(x.quantity, x.eye): x for x in made.comparisons.all()}
    right = by["far_pd", "right"]
    assert (right.theirs, right.ours, right.difference) == (D("31.50"), D("30.00"), D("1.50"))
    # Prentice's rule with the power along the horizontal: S + C sin²(axis)
    power = -2.25 - 0.75 * math.sin(math.radians(95)) ** 2
    assert f"{abs(1.5 * power / 10):.2f} Δ base in" in right.consequence
    assert right.need_mm == D("1.00")  # a fitting cross: 1 mm either way (ISO 21987), nearer than the prism's limit here
    assert right.within is False
    assert (by["far_pd", "left"].within, by["far_pd", "left"].consequence) == (True, "No difference.")
    assert by["height", "right"].difference == D("1.50")
    assert by["height", "right"].within is False
    assert by["near_pd", "right"].within is None
    assert "0.5 mm further out" in by["near_pd", "right"].consequence
    assert {x.of for x in by.values()} == {cast.trainee}
    assert (right.method, right.own_method) == ("pupillometer", "rule")


def test_heights_read_from_different_references_meet_in_the_box(cast, dispense):
    # the datum line is halfway up a box of b = 40: 2 above it is 22 in the box
    made = measured(cast, dispense, reading("height", "left", "2", reference="datum"))
    found = made.comparisons.get()
    assert (found.terms, found.theirs, found.ours) == ("box", D("22.00"), D("22.00"))


def test_several_readings_count_by_their_middle_one(cast, dispense):
    made = measured(cast, dispense, *(reading("far_pd", "left", v) for v in ("32.5", "39", "32")))
    assert made.comparisons.get().ours == D("32.5")
    assert made.readings.count() == 3


def test_ones_own_adopted_reading_is_no_comparison(cast, dispense):
    measure.add_readings(actor=cast.supervisor, dispense=dispense, readings=[reading("far_pd", "right", "31.0")])
    dispense.refresh_from_db()
    measure.adopt_value(
        actor=cast.trainee,
        dispense=dispense,
        version=record.part_version(dispense, "readings"),
        quantity="far_pd",
        eye="right",
        value=D("31.0"),
    )
    made = measured(cast, dispense, reading("far_pd", "right", "31.0"), reading("far_pd", "left", "32.0"))
    assert [x.eye for x in made.comparisons.all()] == ["left"]


# --- beside the record --------------------------------------------------------------------------------------------------


def test_a_re_measure_leaves_the_case_the_version_and_the_signature_alone(cast):
    signed = signed_dispense(cast)
    before, rows = case_of(signed), signed.readings.count()
    measured(cast, signed, reading("far_pd", "right", "25"), reading("height", "left", "10"), actor=cast.second_supervisor)
    after = Dispense.objects.get(pk=signed.pk)
    assert case_of(after) == before
    assert (after.version, after.state, after.readings.count()) == (signed.version, "signed", rows)
    assert sign_off.current_signature(after) is not None
    assert measure.suggestion(after.readings.all(), "far_pd", "right").value == D("31.5")
    event = AuditEvent.objects.get(action="dispense.remeasured")
    assert event.after["differences"] == {"far_pd.right": "6.50", "height.left": "12.00"}


@pytest.mark.parametrize(("had_seen", "blind"), [(False, True), (True, False)])
def test_only_what_was_taken_blind_counts_as_independent(cast, dispense, had_seen, blind):
    assert measured(cast, dispense, reading("far_pd", "right", "31"), had_seen=had_seen).blind is blind
    # by now they have seen the readings, whatever they say
    assert measured(cast, dispense, reading("far_pd", "right", "31"), had_seen=False).blind is False


@pytest.mark.parametrize("who", ["trainee", "dispenser", "unregistered", "elsewhere", "foreigner"])
def test_who_may_not(cast, dispense, who):
    with pytest.raises(NotAllowed):
        measured(cast, dispense, reading("far_pd", "right", "31"), actor=getattr(cast, who))
    assert not Remeasure.objects.exists()


def test_nobody_re_measures_their_own_and_nothing_is_compared_with_nothing(cast):
    own = ready_dispense(cast, actor=cast.supervisor)
    with pytest.raises(NotAllowed, match="own"):
        measured(cast, own, reading("far_pd", "right", "31"))
    empty = record.start_dispense(actor=cast.trainee, client=cast.client, branch=cast.branch)
    with pytest.raises(Refused, match="adopted"):
        measured(cast, empty, reading("far_pd", "right", "31"))


@pytest.mark.parametrize(
    ("bad", "field"),
    [
        ([], "readings"),
        ([reading("far_pd", "right", "99")], "readings.0.value"),
        ([reading("far_pd", "both", "63")], "readings.0.eye"),
        ([reading("far_pd", "right", "31"), reading("height", "left", "22", method="pupillometer")], "readings.1.method"),
    ],
)
def test_bad_readings_are_refused_whole(cast, dispense, bad, field):
    with pytest.raises(Invalid) as problem:
        measured(cast, dispense, *bad)
    assert field in problem.value.errors
    assert not SupervisorReading.objects.exists()
    with pytest.raises(Invalid, match="Some values") as problem:
        measured(cast, dispense, reading("far_pd", "right", "31"), had_seen=None)
    assert "had_seen" in problem.value.errors
    assert not Remeasure.objects.exists()


# --- the page -----------------------------------------------------------------------------------------------------------


def test_the_page_holds_none_of_the_readings_before_ones_own_are_in(cast, dispense, client):
    measured(cast, dispense, reading("far_pd", "right", "33.7"), actor=cast.second_supervisor)
    client.force_login(cast.supervisor)
    html = client.get(url(dispense)).content.decode()
    for value in (*ADOPTED, "33.7"):
        assert value not in html
    bad = client.post(url(dispense), {"readings.far_pd.right": "31,0 x", "had_seen": "no"}).content.decode()
    assert 'value="31,0 x"' in bad
    assert 'id="f-readings-far_pd-right-error"' in bad
    unsaid = client.post(
        url(dispense), {"readings.far_pd.right": "31.2", "readings.pd_method": "rule", "had_seen": ""}
    ).content.decode()
    assert "Say whether you had seen them" in unsaid
    assert 'value="31.2"' in unsaid
    for page in (bad, unsaid):
        for value in ADOPTED:
            assert value not in page.replace("like 31.5", "")  # the general hint of how a figure is typed
    assert Remeasure.objects.count() == 1
    said = {"readings.far_pd.right": "30 30.5 30", "readings.pd_method": "rule", "had_seen": "no"}
    assert client.post(url(dispense), said).status_code == 302
    shown = client.get(url(dispense)).content.decode()
    assert re.search(r"31\.5</td><td class=\"num\">30\.0</td><td class=\"num nowrap\"><b>\+1\.5", shown)
    assert "33.7" in shown  # the other supervisor's as well
    assert Remeasure.objects.filter(blind=True).count() == 2
    client.force_login(cast.trainee)
    assert "+1.5" in client.get(url(dispense)).content.decode()  # kept for both


@pytest.mark.parametrize("page", ["dispensing:sheet", "dispensing:sign_off"])
def test_whoever_opened_the_readings_first_is_not_blind_whatever_they_say(cast, dispense, client, page):
    client.force_login(cast.supervisor)
    client.get(reverse(page, args=[dispense.reference]))
    assert "will not count as blind" in client.get(url(dispense)).content.decode()
    client.post(url(dispense), {"readings.far_pd.right": "31", "readings.pd_method": "rule", "had_seen": "no"})
    assert not Remeasure.objects.get().blind


def test_a_value_adopted_afterwards_is_hidden_again(cast, dispense):
    measured(cast, dispense, reading("far_pd", "right", "31"))
    assert not remeasure.pending(actor=cast.supervisor, dispense=dispense)
    dispense.refresh_from_db()
    measure.adopt_value(
        actor=cast.trainee,
        dispense=dispense,
        version=record.part_version(dispense, "readings"),
        quantity="far_pd",
        eye="right",
        value=D("31.0"),
    )
    assert remeasure.pending(actor=cast.supervisor, dispense=dispense)
    assert not remeasure.pending(actor=cast.trainee, dispense=dispense)
    assert Comparison.objects.count() == 1


def test_an_instrument_is_kept_with_a_reading_and_offered_again(cast, dispense, client):
    client.force_login(cast.trainee)
    save = reverse("dispensing:save_part", args=[dispense.reference, "readings"])
    page = client.get(reverse("dispensing:sheet", args=[dispense.reference])).content.decode()
    token = re.search(r'name="entry" value="([0-9a-f]+)"', page).group(1)
    client.post(
        save,
        {
            "readings.far_pd.right": "31.5",
            "readings.pd_method": "pupillometer",
            "readings.height_method": "marked_lens",
            "readings.reference": "box",
            "readings.pd_instrument": "Desk 2",
            "entry": token,
            "version": "0",
        },
    )
    assert dispense.readings.last().instrument == "Desk 2"
    assert (
        'name="readings.pd_instrument" value="Desk 2"'
        in client.get(reverse("dispensing:sheet", args=[dispense.reference])).content.decode()
    )
