"""What a maker offers with a design narrows what can be chosen; what was chosen before stays, and is spoken of."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal as D

import pytest
from django.urls import reverse

from dispensing import catalogue, lens_options, record
from dispensing.assess import assess_dispense
from dispensing.case import CurveStep
from dispensing.gather import case_of
from dispensing.models import CatalogueLens, Dispense, LensOption, Treatment
from orders import recheck
from orders.models import Recheck
from practice.errors import Invalid
from practice.models import AuditEvent
from tests.dispensing.test_compare_pages import page as compare_page
from tests.dispensing.test_compare_pages import text_of
from tests.dispensing.test_sheet import fields_of, url
from tests.factories import LensFactory, OptionFactory
from tests.orders.ready import ready_dispense

pytestmark = pytest.mark.django_db
CURVES = [{"from": "-6", "to": "-2", "curve": "3.5"}, {"from": "-2", "to": "4", "curve": "5.25"}]


@pytest.fixture
def shop(cast, client):
    """A dispense that is ready, its design made with a hard coating, an anti-reflection coating and one tint."""
    cast.hard, cast.clear, cast.mirror = (
        Treatment.objects.create(group=cast.group, code=code, kind="coating", name=name)
        for code, name in (("HC", "hard coating"), ("AR", "anti-reflection coating"), ("MIRROR", "silver mirror"))
    )
    cast.grey = Treatment.objects.create(
        group=cast.group, code="GREY", kind="tint", name="grey", transmittance_clear=D(74), transmittance_dark=D(74)
    )
    cast.dispense = ready_dispense(cast)
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(treatment_codes=["HC", "AR", "GREY"])
    LensOption.objects.filter(pk=cast.option.pk).update(base_curves=CURVES)
    client.force_login(cast.dispenser)
    cast.http = client
    return cast


def fresh(shop) -> Dispense:
    return Dispense.objects.get(pk=shop.dispense.pk)


def choose(shop, **values):
    now = fresh(shop)
    kept = {
        "option": now.lens_option, "coating": now.coating, "tint": now.tint, "blank_diameter_mm": now.blank_diameter_mm,
        "remark": now.lens_remark,
    }  # fmt: skip
    return record.choose_lens(
        actor=shop.dispenser, dispense=now, version=record.part_version(now, "lens"), **{**kept, **values}
    )


def findings(shop) -> dict[str, str]:
    return {f.check: f.severity for f in assess_dispense(fresh(shop)).findings}


# --- the case ----------------------------------------------------------------------------------------------------------


def test_the_case_has_the_table_the_codes_and_the_last_day(shop):
    choose(shop, coating=shop.hard, tint=shop.grey)
    day = date(2031, 5, 4)
    LensOption.objects.filter(pk=shop.option.pk).update(valid_until=day)
    CatalogueLens.objects.filter(pk=shop.lens.pk).update(valid_until=day + timedelta(days=9))
    Treatment.objects.filter(pk=shop.grey.pk).update(retired_on=day)
    lens = case_of(fresh(shop)).lens
    assert lens.design.front_curves == (
        CurveStep(sphere_from=-6.0, sphere_to=-2.0, curve=3.5), CurveStep(sphere_from=-2.0, sphere_to=4.0, curve=5.25),
    )  # fmt: skip
    assert lens.design.made_with == ("HC", "AR", "GREY")
    assert lens.design.offered_until == day
    assert (lens.coating_code, lens.coating_offered_until) == ("HC", None)
    assert (lens.tint.code, lens.tint.offered_until) == ("GREY", day - timedelta(days=1))
    Dispense.objects.filter(pk=shop.dispense.pk).update(state=Dispense.State.ORDERED)
    lens = case_of(fresh(shop)).lens  # what has gone to the lab was offered when it went
    assert (lens.design.offered_until, lens.tint.offered_until) == (None, None)


# --- choosing ----------------------------------------------------------------------------------------------------------


def test_one_that_the_design_is_not_made_with_cannot_be_chosen_anew(shop):
    before = AuditEvent.objects.count()
    with pytest.raises(Invalid) as refused:
        choose(shop, coating=shop.mirror)
    assert refused.value.errors == {
        "lens.coating": "Ridgeway 13 is not made with that coating. It is made with: anti-reflection coating, hard coating."
    }
    assert (fresh(shop).coating_id, AuditEvent.objects.count()) == (None, before)
    assert choose(shop, coating=shop.clear).changed


def test_what_was_chosen_before_stays_and_a_finding_says_so(shop):
    choose(shop, coating=shop.clear, tint=shop.grey)
    CatalogueLens.objects.filter(pk=shop.lens.pk).update(treatment_codes=["HC", "GREY"])
    Treatment.objects.filter(pk=shop.grey.pk).update(retired_on=date(2020, 1, 1))
    LensOption.objects.filter(pk=shop.option.pk).update(retired_on=date(2020, 1, 1))
    choose(shop, remark="engrave nothing")  # nothing else that is typed is held up
    now = fresh(shop)
    assert (now.coating_id, now.tint_id, now.lens_remark) == (shop.clear.pk, shop.grey.pk, "engrave nothing")
    said = findings(shop)
    assert (said["lens.treatment-not-made"], said["lens.no-longer-offered"]) == ("stop", "confirm")
    choose(shop, coating=None, tint=None)
    shop.grey.refresh_from_db()
    with pytest.raises(Invalid):  # once let go it cannot be taken again
        choose(shop, tint=shop.grey)


def test_the_sheet_narrows_the_choice_and_loses_nothing(shop):
    choose(shop, coating=shop.clear)
    html = shop.http.get(url(shop.dispense)).content.decode()
    assert 'data-code="MIRROR">silver mirror · not made with this design</option>' in html
    assert f'<option value="{shop.hard.pk}" data-code="HC">hard coating</option>' in html
    sets = re.search(r'<select id="f-lens-design"[^>]* data-with="([^"]*)"', html)[1].split("|")
    chosen = re.search(rf'<option value="{shop.option.lens_id}"[^>]* data-with="(\d+)"', html)[1]
    assert sets[int(chosen)] == "HC AR GREY"
    assert "Front curve R 3.50, L 5.25 D, maker&#x27;s table." in html
    assert 'aria-label="Ask for a front curve of 5.25 D"' in html
    data = fields_of(html, "lens")
    sent = {**data, "lens.coating": [str(shop.mirror.pk)], "lens.remark": ["typed meanwhile"]}
    answer = shop.http.post(url(shop.dispense, "save_part", "lens"), sent)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "Ridgeway 13 is not made with that coating." in page
    assert "typed meanwhile" in page
    assert fields_of(page, "lens")["lens.coating"] == [str(shop.mirror.pk)]
    assert (fresh(shop).coating_id, fresh(shop).lens_remark) == (shop.clear.pk, "")


def test_what_is_no_longer_offered_is_still_among_the_choices_of_its_dispense(shop):
    """Or the next save of the form would let it go without a word."""
    choose(shop, coating=shop.clear, tint=shop.grey)
    Treatment.objects.filter(pk__in=[shop.clear.pk, shop.grey.pk]).update(retired_on=date(2020, 1, 1))
    LensOption.objects.filter(pk=shop.option.pk).update(retired_on=date(2020, 1, 1))
    html = shop.http.get(url(shop.dispense)).content.decode()
    assert html.count("· no longer offered</option>") >= 3
    before = fresh(shop)
    shop.http.post(url(shop.dispense, "save_part", "lens"), fields_of(html, "lens"))
    now = fresh(shop)
    assert (now.lens_option_id, now.coating_id, now.tint_id) == (before.lens_option_id, shop.clear.pk, shop.grey.pk)


# --- comparing ---------------------------------------------------------------------------------------------------------


def test_designs_not_made_with_what_is_chosen_are_said_apart_and_warned_of(shop):
    choose(shop, coating=shop.clear)
    plain = OptionFactory(
        lens=LensFactory(group=shop.group, code="PLAIN", name="Hardonly", treatment_codes=["HC"]),
        material=shop.option.material,
    )
    answer = compare_page(shop.dispenser, shop.dispense)
    assert [r["key"] for r in answer.context["not_made"]] == [str(plain.pk)]
    assert "Hardonly is not made with anti-reflection coating." in text_of(answer)
    assert str(shop.option.pk) in {r["key"] for r in answer.context["rows"]}
    at = reverse("dispensing:compare_choose", args=[shop.dispense.reference])
    taken = shop.http.post(
        at, {"option": plain.pk, "version": record.part_version(fresh(shop), "lens")}, follow=True
    ).content.decode()
    assert "Hardonly is not made with anti-reflection coating, which is chosen" in taken
    assert (fresh(shop).lens_option_id, fresh(shop).coating_id) == (plain.pk, shop.clear.pk)
    assert findings(shop)["lens.treatment-not-made"] == "stop"


# --- the catalogue changes ------------------------------------------------------------------------------------------------


def test_a_design_no_longer_made_with_what_is_chosen_is_judged_again(shop):
    choose(shop, coating=shop.clear)
    lens = CatalogueLens.objects.get(pk=shop.lens.pk)
    catalogue.change_lens(
        actor=shop.manager, lens=lens, read=catalogue.as_read(lens), values={"treatment_codes": ["HC", "GREY"]}
    )
    recheck.work_off()
    row = Recheck.objects.get()
    assert "coatings and tints HC AR GREY → HC GREY" in row.why
    assert [(c.check_id, c.kind) for c in row.changes.filter(now="stop")] == [("lens.treatment-not-made", "raised")]


def test_another_table_of_front_curves_is_judged_again(shop):
    choose(shop, front_curve=D("3.5"))
    option = LensOption.objects.select_related("lens__group", "material").get(pk=shop.option.pk)
    lens_options.change_option(
        actor=shop.manager,
        option=option,
        read=lens_options.as_read(option),
        values={"base_curves": [{"from": "-6", "to": "4", "curve": "6"}]},
    )
    recheck.work_off()
    row = Recheck.objects.get()
    assert "front curves by power −6 to −2: 3.5; −2 to 4: 5.25 → −6 to 4: 6" in row.why
    assert "lens.front-curve-unlisted" in [c.check_id for c in row.changes.filter(now="confirm")]
