"""Queries written once: the same rows as Django gives, whoever asks."""

from __future__ import annotations

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.db.models import Count
from django.http import Http404
from django.test import RequestFactory

from dispensing.gather import for_case
from dispensing.models import Dispense, Reading
from dispensing.prepared import Prepared
from dispensing.web.sheet.load import again, load
from tests.dispensing.test_gather import whole


def _request(staff):
    request = RequestFactory().get("/")
    request.user = staff
    request.session = SessionStore()
    return request


def test_a_prepared_query_gives_the_rows_of_its_queryset(cast, django_assert_num_queries):
    dispense = whole(cast)
    again(dispense)  # written by now
    with django_assert_num_queries(1):
        found = again(dispense)
        assert found.lens_option.lens.name
        assert found.lens_option.material.nd
        assert found.branch.group_id == dispense.group_id
        assert found.client.full_name
    plain = for_case(Dispense.objects.all()).get(pk=dispense.pk)
    for field in Dispense._meta.concrete_fields:
        assert getattr(found, field.attname) == getattr(plain, field.attname), field.name
        assert type(getattr(found, field.attname)) is type(getattr(plain, field.attname)), field.name
    for name in ("client", "branch", "dispenser", "prescription", "frame_item", "lens_option", "coating", "tint"):
        assert getattr(found, name) == getattr(plain, name), name
    assert (found.hands_role, found.hands_decision) == (plain.hands_role, plain.hands_decision)
    found.wish = "thin"
    found.save(update_fields=["wish"])  # a row like any other
    assert again(dispense).wish == "thin"


def test_what_one_may_not_see_is_not_found(cast):
    dispense = whole(cast)
    assert load(_request(cast.trainee), dispense.reference) == dispense
    for staff in (cast.foreigner, cast.trainee):
        if staff is cast.trainee:
            staff.is_active = False
        with pytest.raises(Http404):
            load(_request(staff), dispense.reference)
    with pytest.raises(Http404):
        load(_request(cast.dispenser), "D-NONE")


def test_values_never_stay_from_an_earlier_question(cast):
    one, other = whole(cast), whole(cast)
    asked = Prepared(lambda dispense: Reading.objects.filter(dispense=dispense).order_by("pk"), "dispense")
    assert asked.rows(dispense=one.pk) == list(one.readings.order_by("pk"))
    assert asked.rows(dispense=other.pk) == list(other.readings.order_by("pk"))
    assert asked.rows(dispense=one.pk) != asked.rows(dispense=other.pk)
    assert asked.rows(dispense=0) == []


def test_a_key_that_is_not_used_as_it_is_is_found_out(cast):
    computed = Prepared(lambda dispense: Reading.objects.filter(dispense__gte=dispense + 1), "dispense")
    with pytest.raises(TypeError, match="not used as it is"):
        computed.rows(dispense=1)
    unused = Prepared(lambda dispense: Dispense.objects.annotate(n=Count("readings")), "dispense")
    with pytest.raises(TypeError, match="not used as it is"):
        unused.rows(dispense=1)
    with pytest.raises(TypeError, match="made for"):
        computed.rows(client=1)
