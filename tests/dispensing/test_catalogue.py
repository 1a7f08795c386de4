"""The catalogues: who may change them, what a change brings with it, and that lists and pages show what there is."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from dispensing import catalogue
from dispensing.catalogue import FrameWish, find_frames, find_lenses
from dispensing.models import CatalogueFrame, CatalogueLens, LensOption
from dispensing.optics.boxing import box
from dispensing.optics.outlines import outline_for
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.factories import FrameFactory


@pytest.fixture
def sized(cast):
    """A frame with an outline that fits its box."""
    cast.frame.shape = "pantoscopic"
    cast.frame.outline = list(outline_for(52, 40, None, "pantoscopic"))
    cast.frame.ed = Decimal("57")
    cast.frame.save()
    cast.frame.refresh_from_db()
    return cast


def change(cast, **values):
    return catalogue.change_frame(actor=cast.manager, frame=cast.frame, read=catalogue.as_read(cast.frame), values=values)


# --- who and how ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor", "elsewhere", "foreigner"])
def test_only_a_manager_of_the_group_changes_the_catalogue(sized, who):
    with pytest.raises(NotAllowed):
        catalogue.change_frame(
            actor=getattr(sized, who), frame=sized.frame, read=catalogue.as_read(sized.frame), values={"colour": "moss"}
        )
    with pytest.raises(NotAllowed):
        catalogue.retire(actor=getattr(sized, who), item=sized.frame, reason="no longer made")
    with pytest.raises(NotAllowed):
        catalogue.add_frame(actor=getattr(sized, who), group=sized.group, code="X1", values={})
    sized.frame.refresh_from_db()
    assert sized.frame.retired_on is None


def test_a_change_is_in_the_audit_trail_with_before_and_after(sized):
    assert change(sized, colour="moss").changed
    event = AuditEvent.objects.get(action="catalogue.frame_changed")
    assert (event.before, event.after) == ({"colour": "horn"}, {"colour": "moss"})
    assert event.subject == f"frame {sized.frame.code}"


def test_nothing_different_leaves_no_trace(sized):
    assert not change(sized, colour="horn").changed
    assert not AuditEvent.objects.filter(action="catalogue.frame_changed").exists()


def test_somebody_elses_change_is_not_overwritten_unseen(sized):
    read = catalogue.as_read(sized.frame)
    change(sized, colour="moss")
    with pytest.raises(Conflict):
        catalogue.change_frame(actor=sized.manager, frame=sized.frame, read=read, values={"colour": "red"})


def test_another_box_gets_another_outline(sized):
    saved = change(sized, a=Decimal("54"), b=Decimal("41"), ed=Decimal("59"))
    row = CatalogueFrame.objects.get(pk=sized.frame.pk)
    shape = box(row.outline)
    assert (shape.a, shape.b, shape.ed) == pytest.approx((54, 41, 59), abs=0.25)
    assert any("outline" in words for words in saved.said)


def test_an_outline_without_a_known_shape_is_taken_away(sized):
    change(sized, shape="")
    assert CatalogueFrame.objects.get(pk=sized.frame.pk).outline == []


def test_drill_points_do_not_outlive_their_box(sized):
    sized.frame.drill_points = [{"x": 20, "y": 5, "diameter": 1.4}]
    sized.frame.save()
    saved = change(sized, a=Decimal("54"), ed=None)
    assert CatalogueFrame.objects.get(pk=sized.frame.pk).drill_points == []
    assert "drill points" in saved.said[0]


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"a": Decimal("5")}, "a"),
        ({"a": Decimal("NaN")}, "a"),
        ({"a": None}, "a"),
        ({"ed": Decimal("45")}, "ed"),  # smaller than the box
        ({"ed": Decimal("70")}, "ed"),  # beyond its diagonal, 65.6
        ({"mount": "glued"}, "mount"),
        ({"gtin": "4006381333932"}, "gtin"),  # 4006381333931 has the right check digit (GS1)
        ({"maker": ""}, "maker"),
        ({"model": "x" * 81}, "model"),
        ({"model": "a\x00b"}, "model"),
        ({"weight_g": Decimal("4000")}, "weight_g"),
    ],
)
def test_figures_that_no_frame_has_are_refused_by_field(sized, values, field):
    with pytest.raises(Invalid) as caught:
        change(sized, **values)
    assert set(caught.value.errors) == {field}
    assert not AuditEvent.objects.filter(action="catalogue.frame_changed").exists()


def test_a_new_frame_draws_its_outline_from_its_shape(cast):
    values = {
        "maker": "Quaylight", "model": "Tern 413", "a": Decimal(50), "b": Decimal(38), "dbl": Decimal(18), "shape": "quadra",
        "mount": "full_rim",
    }  # fmt: skip
    saved = catalogue.add_frame(actor=cast.manager, group=cast.group, code="TERN-413", values=values)
    row = CatalogueFrame.objects.get(code="TERN-413")
    assert box(row.outline).a == pytest.approx(50, abs=0.05)
    assert float(row.ed) == pytest.approx(2 * max(row.outline), abs=0.06)
    assert saved.said
    with pytest.raises(Invalid) as caught:
        catalogue.add_frame(actor=cast.manager, group=cast.group, code="TERN-413", values=values)
    assert set(caught.value.errors) == {"code"}


@pytest.mark.parametrize("code", ["", "two words", "a/b", "x" * 41, "../x", "ä"])
def test_a_code_is_a_plain_key(cast, code):
    with pytest.raises(Invalid) as caught:
        catalogue.add_frame(actor=cast.manager, group=cast.group, code=code, values={})
    assert set(caught.value.errors) == {"code"}


def test_retired_is_not_deleted_and_can_come_back(cast):
    with pytest.raises(Invalid):
        catalogue.retire(actor=cast.manager, item=cast.frame, reason=" ")
    for _ in range(2):
        catalogue.retire(actor=cast.manager, item=cast.frame, reason="no longer made")
    assert not find_frames(CatalogueFrame.objects.all(), FrameWish()).filter(pk=cast.frame.pk).exists()
    assert find_frames(CatalogueFrame.objects.all(), FrameWish(retired=True)).filter(pk=cast.frame.pk).exists()
    assert AuditEvent.objects.filter(action="catalogue.frame_retired").count() == 1
    catalogue.bring_back(actor=cast.manager, item=cast.frame)
    assert CatalogueFrame.objects.get(pk=cast.frame.pk).retired_on is None


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"corridor_mm": None}, "corridor_mm"),
        ({"min_height_mm": Decimal(80)}, "min_height_mm"),
        ({"add_min": Decimal(4)}, "add_max"),
        ({"family": "quadrifocal"}, "family"),
        ({"family": "trifocal", "segment_width_mm": Decimal(28), "segment_depth_mm": Decimal(26)}, "intermediate_depth_mm"),
    ],
)
def test_a_lens_keeps_what_its_family_needs(cast, values, field):
    with pytest.raises(Invalid) as caught:
        catalogue.change_lens(actor=cast.manager, lens=cast.lens, read=catalogue.as_read(cast.lens), values=values)
    assert set(caught.value.errors) == {field}


# --- finding ----------------------------------------------------------------------------------------------------------


def test_frames_are_found_by_words_sizes_and_pd(cast):
    big = FrameFactory(group=cast.group, code="BIG", model="Eider 500", colour="moss", a=58, b=48, dbl=19, child=False)
    small = FrameFactory(group=cast.group, code="KID", model="Acorn 12", a=40, b=32, dbl=14, child=True)
    everything = CatalogueFrame.objects.filter(group=cast.group)

    def found(**wish):
        return set(find_frames(everything, FrameWish(**wish)))

    assert found(text="eider MOSS") == {big}
    assert found(text="acorn moss") == set()
    assert found(child=True) == {small}
    assert found(a_least=Decimal(53)) == {big}
    assert found(b_least=Decimal(41)) == {big}
    assert found(c_most=Decimal(60)) == {small}
    assert found(c_least=Decimal(60), c_most=Decimal(75)) == {cast.frame}
    assert found(text="%") == found(text="_x_") == set()
    assert found(text="eider\x00moss") == {big}  # PostgreSQL would refuse the character itself


def test_lenses_are_found_by_family_and_material(cast):
    everything = CatalogueLens.objects.filter(group=cast.group)
    assert set(find_lenses(everything, family="progressive")) == {cast.lens}
    assert set(find_lenses(everything, text="plain")) == {cast.single}
    assert set(find_lenses(everything, material=cast.option.material.code)) == {cast.lens, cast.single}
    LensOption.objects.filter(lens=cast.lens).update(retired_on="2026-01-01")
    assert set(find_lenses(everything, material=cast.option.material.code)) == {cast.single}


# --- pages ------------------------------------------------------------------------------------------------------------

PAGES = ["/frames/", "/lenses/", "/frames/{frame}/", "/lenses/{lens}/"]
CHANGES = ["/frames/new", "/frames/{frame}/change", "/lenses/{lens}/change"]


def address(cast, page):
    return page.format(frame=cast.frame.code, lens=cast.lens.code)


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor", "manager", "elsewhere"])
def test_everybody_in_the_group_sees_the_catalogues(sized, client, who, page):
    client.force_login(getattr(sized, who))
    answer = client.get(address(sized, page))
    assert answer.status_code == 200
    may = '/change"' in answer.text or "/frames/new" in answer.text
    assert may == (who == "manager" and page != "/lenses/")


@pytest.mark.parametrize("page", [*PAGES[2:], *CHANGES[1:]])
def test_another_group_s_items_do_not_exist(cast, client, page):
    client.force_login(cast.foreigner)  # a manager, elsewhere
    assert client.get(address(cast, page)).status_code == 404


@pytest.mark.parametrize("page", CHANGES)
def test_changing_is_for_managers(cast, client, page):
    client.force_login(cast.supervisor)
    assert client.get(address(cast, page)).status_code == 403
    client.force_login(cast.manager)
    assert client.get(address(cast, page)).status_code == 200


def test_the_frame_page_draws_the_frame(sized, client):
    client.force_login(sized.trainee)
    text = client.get(f"/frames/{sized.frame.code}/").text
    assert text.count('data-part="right.outline"') == text.count('data-part="left.outline"') == 1
    assert "Box 52.0 by 40.0 mm, 18.0 mm between lenses." in text
    assert "70 mm" in text  # c = a + d
    assert "PD ?" not in text


def test_the_list_draws_each_front(sized, client):
    client.force_login(sized.trainee)
    assert client.get("/frames/").text.count('class="outline"') == 1  # both lenses in one path
    CatalogueFrame.objects.update(outline=[])
    assert 'class="outline"' not in client.get("/frames/").text


def test_a_search_that_is_not_understood_says_so_and_keeps_what_was_typed(cast, client):
    client.force_login(cast.trainee)
    answer = client.get("/frames/", {"a_least": "wide", "q": "tern"})
    assert answer.status_code == 200
    assert 'value="wide"' in answer.text
    assert 'id="f-a_least-error"' in answer.text
    assert cast.frame.code in answer.text


def test_a_form_with_an_error_keeps_what_was_typed_and_saves_nothing(sized, client):
    client.force_login(sized.manager)
    page = f"/frames/{sized.frame.code}/change"
    data = {"maker": "Quaylight", "model": "<b>x</b>", "a": "1e9", "b": "40", "dbl": "18", "mount": "full_rim"}
    answer = client.post(page, data)
    assert answer.status_code == 200
    assert 'value="1e9"' in answer.text
    assert 'id="f-a-error"' in answer.text
    assert "<b>x</b>" not in answer.text
    assert CatalogueFrame.objects.get(pk=sized.frame.pk).model == "Tern 412"


def test_a_frame_can_be_changed_and_retired_from_its_page(sized, client):
    client.force_login(sized.manager)
    page = f"/frames/{sized.frame.code}/change"
    shown = client.get(page).context
    data = {f.name: "" if f.value is None else f.value for f in shown["fields"] if f.kind != "tick"} | {
        "colour": "moss",
        "read": shown["read"],
    }
    assert client.post(page, data).status_code == 302
    row = CatalogueFrame.objects.get(pk=sized.frame.pk)
    assert row.colour == "moss"
    assert row.outline == sized.frame.outline
    client.post(f"/frames/{sized.frame.code}/retire", {"reason": "no longer made"})
    assert CatalogueFrame.objects.get(pk=sized.frame.pk).retired_on is not None
    assert client.get(f"/frames/{sized.frame.code}/").status_code == 200  # still there to be looked at


def test_pages_keep_the_search_and_the_count_of_queries_does_not_grow(cast, client, django_assert_max_num_queries):
    FrameFactory.create_batch(60, group=cast.group)
    client.force_login(cast.trainee)
    client.get("/frames/")
    with django_assert_max_num_queries(12):
        answer = client.get("/frames/", {"q": "tern", "page": "2"})
    assert "2 of 3" in answer.text
    assert "?q=tern&amp;page=3" in answer.text


def test_what_is_retired_is_retired_today_at_every_branch(cast, monkeypatch):
    cast.branch.time_zone, cast.other_branch.time_zone = "America/Los_Angeles", "Pacific/Auckland"
    cast.branch.save()
    cast.other_branch.save()
    at = datetime(2026, 12, 1, 1, tzinfo=UTC)  # still the afternoon of 30 November in Los Angeles
    monkeypatch.setattr("django.utils.timezone.now", lambda: at)
    catalogue.retire(actor=cast.manager, item=cast.frame, reason="no longer made")
    assert CatalogueFrame.objects.get(pk=cast.frame.pk).retired_on == date(2026, 11, 30)
