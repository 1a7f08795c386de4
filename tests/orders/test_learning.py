"""Rates with intervals: against statsmodels, against hand counts, and honest with few pairs."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom
from statsmodels.stats.proportion import proportion_confint

from dispensing.drawings.shapes import Text
from dispensing.models import CatalogueLens, Dispense, LensOption, Reason
from orders import control, issue, learning, return_visit
from orders.models import Lab, Order, OrderEvent
from orders.models_learning import Tally, TallyMonth, TallyState
from orders.returns import bands
from orders.returns.charts import funnel, over_time
from orders.returns.words import CAUSES
from orders.summarise import _count, edition_of, summarise
from orders.web.learning_shown import standing_out, table_shown
from practice.models import Post
from tests.orders.ready import came_back, collected_order, ready_dispense


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


def sums(group, branch=None):
    return learning.Sums(group, branch, date(2000, 1, 1))


def test_what_is_counted(cast, three):
    summarise(cast.group)
    mine = sums(cast.group)
    for by in learning.BY:
        assert [(r.pairs, r.cases) for r in mine.rates(by).rows] == [(3, 1)], by
        assert [(r.pairs, r.cases) for r in mine.rates(by, "back").rows] == [(3, 2)], by
    assert mine.rates("method").rows[0].key == "pupillometer"
    assert (
        mine.rates("power").rows[0].key == "minus 0.50 to 2.99"
    )  # -2.25/-0.75 and -1.50/-1.00: mean spheres -2.625 and -2.00
    causes = {r.key: (r.pairs, r.cases) for r in mine.came_back(CAUSES).rows}
    assert causes == {"any cause": (3, 2), "Measured wrongly": (3, 1), "Fit of the frame": (3, 1)}
    assert [(r.name, r.pairs, r.cases) for r in mine.rejected().rows] == [(cast.lab.name, 3, 0)]
    assert sums(cast.group, cast.branch).rates("lab").rows == mine.rates("lab").rows
    assert [s.pairs for s in mine.over_time(cast.branch.today())["again"].steps] == [3]


def test_a_new_name_splits_no_row(cast, three):
    """A lab, a branch, a design and a person are who they are, whatever they were called in the month that was counted."""
    summarise(cast.group)
    before = cast.branch.today().replace(day=1) - timedelta(days=1)
    Tally.objects.update(month=before.replace(day=1))  # what an earlier month kept
    for row, field, name in (
        (cast.lab, "name", "Lab of another name"),
        (cast.branch, "name", "Branch of another name"),
        (cast.lens, "name", "Design of another name"),
        (cast.dispenser, "last_name", "Newname"),
    ):
        setattr(row, field, name)
        row.save()
    cast.dispenser.username = "newname"
    cast.dispenser.save()
    TallyState.objects.update(upto=datetime.now(UTC))
    summarise(cast.group)  # counts the month of today alone: the pairs are now in both months
    mine = sums(cast.group)
    for by, name in (
        ("lab", "Lab of another name"),
        ("branch", "Branch of another name"),
        ("design", "Design of another name"),
        ("person", cast.dispenser.display_name),
    ):
        assert [(r.name, r.pairs, r.cases) for r in mine.rates(by).rows] == [(name, 6, 2)], by
    assert [(r.name, r.pairs) for r in mine.rejected().rows] == [("Lab of another name", 6)]
    assert [(q.lab, q.pairs) for q in mine.lab_quality()] == [("Lab of another name", 6)]


def test_two_of_one_name_are_told_apart(cast, three):
    Lab.objects.filter(pk=cast.lab.pk).update(name="Twin Lenses")
    twin = Lab.objects.create(group=cast.group, code="TWIN", name="Twin Lenses")
    Order.objects.filter(pk=three[2].pk).update(lab=twin)
    summarise(cast.group)
    assert {r.name: r.pairs for r in sums(cast.group).rates("lab").rows} == {
        f"Twin Lenses ({cast.lab.code})": 2,
        "Twin Lenses (TWIN)": 1,
    }


@pytest.mark.parametrize("gone_back_to", [False, True])  # counted by name after this release had counted
def test_sums_that_an_earlier_release_kept_by_name_are_counted_anew(cast, three, gone_back_to):
    summarise(cast.group)
    edition = edition_of(cast.group) if gone_back_to else None
    TallyState.objects.update(upto=datetime.now(UTC) + timedelta(hours=2), edition=edition)
    Tally.objects.filter(by="lab").update(key=cast.lab.name)
    assert [r.name for r in sums(cast.group).rates("lab").rows] == [cast.lab.name]  # until then as it was kept
    assert summarise(cast.group) == 1
    assert set(Tally.objects.filter(by="lab").values_list("key", flat=True)) == {str(cast.lab.pk)}
    assert summarise(cast.group) <= 1


def test_only_the_own_group_and_the_time_asked_for(cast, three):
    summarise(cast.group)
    summarise(cast.foreign_branch.group)
    assert sums(cast.foreign_branch.group).rates("lab").rows == ()
    assert learning.Sums(cast.group, None, date(2100, 1, 1)).rates("lab").rows == ()


def test_what_was_changed_after_a_pair_came_back_is_not_laid_at_its_door(cast, three):
    """The dispense of a pair that is made again is open: its next lens is not the one that came back."""
    summarise(cast.group)
    before = [(r.key, r.cases) for r in sums(cast.group).rates("design").rows]
    other = CatalogueLens.objects.create(
        group=cast.group, code="OTHER", maker="M", name="Another design", family="progressive"
    )
    option = LensOption.objects.create(lens=other, material=cast.option.material)
    Dispense.objects.filter(pk=three[0].dispense_id).update(lens_option=option)
    summarise(cast.group, rebuild=True)
    assert [(r.key, r.cases) for r in sums(cast.group).rates("design").rows] == before


def rows_of(group):
    names = [f.name for f in Tally._meta.fields if f.name != "id"]
    return sorted(map(str, Tally.objects.filter(group=group).values_list(*names)))


def test_counting_again_and_counting_what_is_new_give_the_same(cast, three):
    """Idempotent; an increment equals a rebuild; a month that nobody touched is left alone; what is left over goes."""
    assert summarise(cast.group) == 1
    first = rows_of(cast.group)
    assert summarise(cast.group) == 1  # touched within the slack: counted again, to the same
    assert rows_of(cast.group) == first
    TallyState.objects.update(upto=datetime.now(UTC) + timedelta(hours=2))
    assert summarise(cast.group) == 0
    return_visit.record_visit(actor=cast.dispenser, order=three[2], complaints=["tired"], said="", typed={})
    TallyState.objects.update(upto=datetime.now(UTC) + timedelta(minutes=30))
    assert summarise(cast.group) == 1
    increment = rows_of(cast.group)
    assert increment != first
    Tally.objects.create(group=cast.group, month=date(1999, 1, 1), measure="handed", by="all", key="all", pairs=9)
    call_command("summarise", "--rebuild", stdout=StringIO())
    assert rows_of(cast.group) == increment


def at_the_turn_of_the_month(orders):
    """00:30 UTC of 1 March 2026: still February in Halifax, half past one in Vienna, half past midnight in London."""
    turn = datetime(2026, 3, 1, 0, 30, tzinfo=UTC)
    for order in orders:
        type(order.collection).objects.filter(order=order).update(at=turn)
        order.receipts.update(decided_at=turn)
        order.events.filter(kind="dispatched").update(at=turn)


def handed_by_month(group, branch=None):
    rows = Tally.objects.filter(group=group, branch=branch, measure="handed", by="all").order_by("month")
    return list(rows.values_list("month", "pairs"))


def test_a_month_is_that_of_the_branch(cast, three):
    """And a branch that is given another clock is counted anew, without being asked."""
    at_the_turn_of_the_month(three)
    february, march = date(2026, 2, 1), date(2026, 3, 1)
    for zone, month in (("America/Halifax", february), ("Europe/Vienna", march), ("Europe/London", march)):
        type(cast.branch).objects.filter(group=cast.group).update(time_zone=zone)
        summarise(cast.group)
        assert handed_by_month(cast.group, cast.branch) == handed_by_month(cast.group) == [(month, 3)], zone
        months = set(Tally.objects.filter(group=cast.group, measure="arrived").values_list("month", flat=True))
        assert months == {month}, zone


def test_branches_with_other_clocks_are_added_up_each_by_its_own(cast, three):
    at_the_turn_of_the_month(three)
    other = cast.branch.group.branches.exclude(pk=cast.branch.pk).first()
    Order.objects.filter(pk=three[2].pk).update(branch=other)
    type(other).objects.filter(pk=cast.branch.pk).update(time_zone="America/Halifax")
    type(other).objects.filter(pk=other.pk).update(time_zone="Europe/Vienna")
    summarise(cast.group)
    february, march = date(2026, 2, 1), date(2026, 3, 1)
    assert handed_by_month(cast.group, cast.branch) == [(february, 2)]
    assert handed_by_month(cast.group, other) == [(march, 1)]
    assert handed_by_month(cast.group) == [(february, 2), (march, 1)]
    first = rows_of(cast.group)
    assert summarise(cast.group) >= 0
    call_command("summarise", "--rebuild", stdout=StringIO())
    assert rows_of(cast.group) == first


def test_a_run_that_another_overtook_leaves_the_month_alone(cast, three):
    began = datetime.now(UTC)
    summarise(cast.group)
    month = cast.branch.today().replace(day=1)
    assert TallyMonth.objects.get().month == month
    assert _count(cast.group, month, began) == 0


def test_people_are_for_managers(cast, client, three):
    client.force_login(cast.dispenser)
    assert "Nothing has been added up yet" in client.get(reverse("orders:learning")).content.decode()
    summarise(cast.group)
    page = client.get(reverse("orders:learning")).content.decode()
    assert "by dispenser" not in page
    assert "As of " in page
    assert "Since then: 0 handed over" in page
    assert "too few" in page
    assert client.get(reverse("orders:learning_csv", args=["person"])).status_code == 403
    client.force_login(cast.manager)
    whole = client.get(reverse("orders:learning")).content.decode()
    assert "Came back, by dispenser" not in whole  # there are branches in it that are not theirs
    assert f"choose {cast.branch.name}" in whole
    assert client.get(reverse("orders:learning_csv", args=["person"])).status_code == 403
    assert client.get(reverse("orders:learning_csv", args=["person"]) + "?branch=HB").status_code == 403
    assert "Came back, by dispenser" in client.get(reverse("orders:learning") + "?branch=SM").content.decode()
    body = client.get(reverse("orders:learning_csv", args=["person"]) + "?branch=SM&cases=again").content.decode(
        "utf-8-sig"
    )
    assert body.splitlines()[0] == "dispenser,pairs handed over,cases,rate,low 95 %,high 95 %"
    assert body.splitlines()[1].endswith(",3,1,0.33333,0.06149,0.79234")  # Wilson for 1 of 3, by statsmodels


def test_people_of_the_whole_group_are_for_who_manages_all_of_it(cast, client, three):
    Post.objects.create(staff=cast.manager, branch=cast.other_branch, role="manager")
    summarise(cast.group)
    client.force_login(cast.manager)
    page = client.get(reverse("orders:learning")).content.decode()
    assert "Came back, by dispenser" in page
    assert "one branch at a time" not in page


def test_a_name_that_looks_like_a_formula_stays_a_name(cast, client, three):
    cast.lab.name = "=HYPERLINK(1)"
    cast.lab.save()
    summarise(cast.group)
    client.force_login(cast.dispenser)
    body = client.get(reverse("orders:learning_csv", args=["lab"])).content.decode()
    assert "'=HYPERLINK(1)" in body


def test_how_labs_deliver(cast, three, monkeypatch):
    summarise(cast.group)
    (row,) = sums(cast.group).lab_quality()
    assert (row.lab, row.pairs, row.used, row.dispatched, row.days) == (cast.lab.name, 3, None, 0, None)
    monkeypatch.setattr(learning, "FEWEST", 3)
    for order, days in zip(three, (2, 4, 9), strict=True):
        for later in (0, 5):  # a second dispatch of the same order does not count
            OrderEvent.objects.create(order=order, kind="dispatched", at=order.issued_at + timedelta(days=days + later))
    summarise(cast.group)
    (row,) = sums(cast.group).lab_quality()
    assert row.days == pytest.approx(5.0)
    # of every pair the left addition, cylinders, ... the greatest: vertical prism 0, axis 1 of 6 degrees, height 0.5 of 1 mm
    assert row.used == pytest.approx(0.5)


def test_findings_that_were_overridden_and_came_back(cast, three):
    """Of a pair that is made again the reasons of its own order count, of the others those of the dispense."""
    for order in (three[1], three[2]):
        Reason.objects.filter(dispense=order.dispense).delete()
    for part in ("right", "left"):
        Reason.objects.create(
            dispense=three[1].dispense, finding_key=f"pd.near-equals-far|measurements.{part}", text="So it is.", by=cast.dispenser,
            at=three[1].issued_at,
        )  # fmt: skip
    signed = {r["check"] for r in json.loads(three[0].document)["reasons"]}
    summarise(cast.group)
    rows = {r.key: (r.pairs, r.cases) for r in sums(cast.group).overridden().rows}
    assert rows == dict.fromkeys(signed, (1, 1)) | {"pd.near-equals-far": (1, 1)}


# --- limits ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pairs", [1, 7, 20, 60, 333, 1500])
@pytest.mark.parametrize("rate", [0.004, 0.03, 0.2, 0.5])
def test_funnel_limits_are_interpolated_binomial_quantiles(pairs, rate):
    """Spiegelhalter 2005, appendix A.1, with scipy's binomial distribution instead of our sums."""
    for got, p in zip(control.funnel_limits(pairs, rate), (0.001, 0.025, 0.975, 0.999), strict=True):
        r = binom.ppf(p, pairs, rate)
        alpha = (binom.cdf(r, pairs, rate) - p) / binom.pmf(r, pairs, rate)
        assert got == pytest.approx(min(1.0, max(0.0, (r - alpha) / pairs)), abs=1e-9)


def test_where_the_normal_limits_take_over_they_are_close_to_the_exact_ones():
    for got, p in zip(control.funnel_limits(30_000, 0.05), (0.001, 0.025, 0.975, 0.999), strict=True):
        assert got == pytest.approx(
            binom.ppf(p, 30_000, 0.05) / 30_000, abs=0.03 * (0.05 * 0.95 / 30_000) ** 0.5 + 1.5 / 30_000
        )


def test_p_chart_limits_are_those_of_the_handbook():
    """NIST/SEMATECH e-Handbook 6.3.3.2: 30 wafers of 50 chips, mean 0.2313, limits 0.0524 and 0.4102 (counts from memory: the sum of
    347 gives the handbook's mean)."""
    counts = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
    chart = control.p_chart([(str(i), c, 50) for i, c in enumerate(counts)])
    assert chart.middle == pytest.approx(0.2313, abs=5e-5)
    assert chart.steps[0].low == pytest.approx(0.0524, abs=5e-5)
    assert chart.steps[0].high == pytest.approx(0.4102, abs=5e-5)
    assert [s.label for s in chart.steps if s.outside] == ["14", "22"]
    assert control.p_chart([("x", 0, 0)]) is None


@pytest.mark.parametrize(("pairs", "cases"), [(40, 1), (128, 2), (30, 1), (200, 1), (60, 2)])
def test_with_few_cases_chance_alone_is_not_called_unusual(pairs, cases):
    """By scipy: a month of so many pairs at this rate lies above its limit once in a thousand times at most; three standard deviations
    alone would be passed by one in fifty (4 of 40 at 2.5 %: 1.7 %)."""
    chart = control.p_chart([(str(i), cases, pairs) for i in range(12)])
    beyond = binom.sf(int(chart.steps[0].high * pairs + 1e-9), pairs, cases / pairs)
    assert beyond <= 0.001 + 1e-9


def test_charts_say_what_lies_outside():
    rows = [("North", 400, 12), ("South", 410, 11), ("East", 390, 12), ("West", 380, 45)]
    picture = funnel(rows, "Made again, by branch")
    assert "West above the 99.8 % limits" in picture.description
    assert "fitting-bad" in picture.roles()
    assert funnel(rows[:2], "x") is None
    chart = control.p_chart([(f"M{i} 2026", 60 if i == 5 else 10, 400) for i in range(8)])
    assert "outside the limits: M5 2026" in over_time(chart, "Made again", 20).description
    assert over_time(control.p_chart([("a", 1, 3)] * 5), "x", 20) is None


def test_no_name_in_a_funnel_covers_another_or_a_mark():
    """Sixty groups, ten of them far off: each of these is named in the picture or in its words. Width of a letter as the picture reckons it."""
    rows = [(f"Longshore design {i:02d}", 200 + 13 * (i % 17), 30 if i % 6 == 0 else 8) for i in range(60)]
    picture = funnel(rows, "Came back, by lens design")
    texts = [s for s in picture.shapes if isinstance(s, Text) and s.role == "dim-text"]
    boxes = []
    for t in texts:
        wide = len(t.text) * t.size * 0.5
        left = t.x - {"start": 0, "middle": wide / 2, "end": wide}[t.anchor]
        boxes.append((left, t.y, left + wide, t.y + t.size * 0.7))
    assert texts
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (texts[i].text, a, b)
    named = {t.text for t in texts}
    missing = [name for name, _, cases in rows if cases == 30 and name not in named]
    assert missing
    assert all(name in picture.description for name in missing)


# --- what is shown --------------------------------------------------------------------------------------------------------


def table(count, odd=(), small=()):
    """So many branches of 100 to 399 pairs at 4 %; `odd` at 20 %, `small` with 10 pairs."""
    rows = []
    for i in range(count):
        pairs = 10 if i in small else 100 + i % 300
        rows.append(learning.Row(f"b{i:03d}", pairs, round(pairs * (0.2 if i in odd else 0.04))))
    return learning.Table(
        "branch",
        "Came back, by branch",
        "branch",
        "pairs handed over",
        tuple(sorted(rows, key=lambda r: (-r.pairs, r.key))),
    )


def test_a_short_table_is_whole_and_begins_with_ones_own():
    rows = [replace(r, name="Saltmarsh") if r.key == "b004" else r for r in table(16).rows]
    shown = table_shown(replace(table(16), rows=tuple(rows)), {"b004"}, whole=False)
    assert shown["left_out"] == 0
    assert len(shown["rows"]) == 16
    assert (shown["rows"][0]["name"], shown["rows"][0]["own"]) == ("Saltmarsh", True)
    assert [r["row"].pairs for r in shown["rows"][1:]] == sorted((r["row"].pairs for r in shown["rows"][1:]), reverse=True)


def test_a_long_table_shows_all_that_stands_out_and_ones_own_and_says_how_many_are_left_out():
    odd = set(range(0, 300, 15))  # twenty: more than a shortened table has rows
    shown = table_shown(table(300, odd, small={7}), {"b007"}, whole=False)
    keys = [r["row"].key for r in shown["rows"]]
    assert {f"b{i:03d}" for i in odd} | {"b007"} <= set(keys)
    assert keys.index("b007") == 20  # after what stands out, though it is too small for a rate
    assert len(keys) + shown["left_out"] == 300
    assert all(r["place"].words == "above the 99.8 % limits" for r in shown["rows"][:20])
    assert shown["funnel"] is None
    assert shown["funnel_elsewhere"]
    whole = table_shown(table(300, odd), set(), whole=True)
    assert (len(whole["rows"]), whole["left_out"]) == (300, 0)
    assert whole["funnel"] is not None
    lines = standing_out([], [shown])
    assert len(lines["lines"]) + lines["more"] == 20
    assert lines["compared"] == 299


def test_nothing_is_compared_where_rows_are_not_alike():
    causes = learning.Table("cause", "t", "cause", "pairs", table(30, {3}).rows, compares=False)
    assert standing_out([], [table_shown(causes, (), whole=False)]) == {"lines": [], "more": 0, "compared": 0}


def test_one_table_alone_has_every_row_and_people_their_names(cast, client, three):
    summarise(cast.group)
    client.force_login(cast.manager)
    page = client.get(reverse("orders:learning") + "?table=person&branch=SM").content.decode()
    assert cast.dispenser.display_name in page
    assert "Over time" not in page
    assert "by lens design" not in page
    client.force_login(cast.dispenser)
    page = client.get(reverse("orders:learning") + "?table=person").content.decode()  # not theirs to see: the page as it is
    assert "What stands out" in page
    assert "by dispenser" not in page


# --- power bands ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("powers", "band"),
    [
        ([(-6.0, 0.0), (1.0, 0.0)], "minus 6.00 and over"),
        ([(-5.5, -1.0)], "minus 6.00 and over"),
        ([(-5.99, 0.0)], "minus 3.00 to 5.99"),
        ([(2.75, 0.5)], "plus 3.00 to 5.99"),
        ([(0.25, 0.0), (-0.25, 0.0)], bands.PLANO),
        ([], ""),
    ],
)
def test_bands(powers, band):
    assert bands.band_of(powers) == band
    assert band in (*bands.ORDER, "")
