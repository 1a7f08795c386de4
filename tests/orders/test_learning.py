"""Rates with intervals: against statsmodels, against hand counts, and honest with few pairs."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from orders import issue, learning, return_visit
from orders.models import Order
from practice import access
from tests.orders.ready import came_back, collected_order, ready_dispense

LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_is_statsmodels(counts):
    cases, of = counts
    got = learning.wilson(cases, of)
    low, high = proportion_confint(cases, of, alpha=0.05, method="wilson")
    assert got.low == pytest.approx(low, abs=1e-9)
    assert got.high == pytest.approx(high, abs=1e-9)
    assert got.low <= got.rate + 1e-12
    assert got.rate <= got.high + 1e-12


@pytest.mark.parametrize(("cases", "of"), [(1, 0), (-1, 3), (4, 3)])
def test_counts_that_cannot_be(cases, of):
    with pytest.raises(ValueError, match="between"):
        learning.wilson(cases, of)


def test_few_pairs_have_no_rate():
    assert learning.Row("x", learning.FEWEST - 1, 1).interval is None
    assert learning.Row("x", learning.FEWEST, 1).interval is not None


@pytest.fixture
def three(cast):
    """Three pairs collected; one came back and is made again, one came back and was adjusted."""
    orders = [
        came_back(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))
        for _ in range(2)
    ]
    third = collected_order(cast, issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab))
    return_visit.decide_visit(
        actor=cast.dispenser,
        visit=orders[0].returns.get(),
        outcome="remake",
        cause="measurement",
        bears="branch",
        note="Too low.",
    )
    return_visit.decide_visit(actor=cast.dispenser, visit=orders[1].returns.get(), outcome="adjust", cause="fit")
    return [*orders, third]


def test_what_is_counted(cast, three):
    mine = access.scoped(Order.objects.all(), cast.dispenser)
    for by in learning.BY:
        rows = learning.rates(mine, by=by, since=LONG_AGO).rows
        assert [(r.pairs, r.cases) for r in rows] == [(3, 1)], by
    assert learning.rates(mine, by="method", since=LONG_AGO).rows[0].key == "pupillometer"
    causes = {r.key: (r.pairs, r.cases) for r in learning.came_back(mine, LONG_AGO).rows}
    assert causes == {"any cause": (3, 2), "Measured wrongly": (3, 1), "Fit of the frame": (3, 1)}
    assert [(r.key, r.pairs, r.cases) for r in learning.rejected(mine, LONG_AGO).rows] == [(cast.lab.name, 3, 0)]


def test_only_the_own_group_and_the_time_asked_for(cast, three):
    theirs = access.scoped(Order.objects.all(), cast.foreigner)
    assert learning.rates(theirs, by="lab", since=LONG_AGO).rows == ()
    later = datetime.now(UTC) + timedelta(days=1)
    assert learning.rates(access.scoped(Order.objects.all(), cast.dispenser), by="lab", since=later).rows == ()


def test_people_are_for_managers(cast, client, three):
    client.force_login(cast.dispenser)
    page = client.get(reverse("orders:learning")).content.decode()
    assert "by dispenser" not in page
    assert "too few" in page
    assert client.get(reverse("orders:learning_csv", args=["person"])).status_code == 403
    client.force_login(cast.manager)
    assert "by dispenser" in client.get(reverse("orders:learning")).content.decode()
    body = client.get(reverse("orders:learning_csv", args=["person"])).content.decode()
    assert body.splitlines()[0] == "dispenser,pairs handed over,cases,rate,low 95 %,high 95 %"
    assert body.splitlines()[1].endswith(",3,1,0.33333,0.06149,0.79234")  # Wilson for 1 of 3, by statsmodels


def test_a_name_that_looks_like_a_formula_stays_a_name(cast, client, three):
    cast.lab.name = "=HYPERLINK(1)"
    cast.lab.save()
    client.force_login(cast.dispenser)
    body = client.get(reverse("orders:learning_csv", args=["lab"])).content.decode()
    assert "'=HYPERLINK(1)" in body


def test_how_labs_deliver(cast, three, monkeypatch):
    from orders.models import OrderEvent

    mine = access.scoped(Order.objects.all(), cast.dispenser)
    (row,) = learning.lab_quality(mine, LONG_AGO)
    assert (row.lab, row.pairs, row.used, row.dispatched, row.days) == (cast.lab.name, 3, None, 0, None)
    monkeypatch.setattr(learning, "FEWEST", 3)
    for order, days in zip(three, (2, 4, 9), strict=True):
        for later in (0, 5):  # a second dispatch of the same order does not count
            OrderEvent.objects.create(order=order, kind="dispatched", at=order.issued_at + timedelta(days=days + later))
    (row,) = learning.lab_quality(mine, LONG_AGO)
    assert row.days == pytest.approx(5.0)
    # of every pair the left addition, cylinders, ... the greatest: vertical prism 0, axis 1 of 6 degrees, height 0.5 of 1 mm
    assert row.used == pytest.approx(0.5)


def test_findings_that_were_overridden_and_came_back(cast, three):
    from dispensing.models import Reason

    for order in (three[0], three[2]):
        Reason.objects.filter(dispense=order.dispense).delete()
        for part in ("right", "left"):
            Reason.objects.create(
                dispense=order.dispense, finding_key=f"pd.near-equals-far|measurements.{part}", text="So it is.", by=cast.dispenser,
                at=order.issued_at,
            )  # fmt: skip
    Reason.objects.filter(dispense=three[1].dispense).delete()
    rows = learning.overridden(access.scoped(Order.objects.all(), cast.dispenser), LONG_AGO).rows
    assert [(r.key, r.pairs, r.cases) for r in rows] == [("pd.near-equals-far", 2, 1)]
