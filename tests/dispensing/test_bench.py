"""The Bench page: typed in the trade's notation, shown back, the error beside its field, the address keeps all."""

from __future__ import annotations

import re
from html import unescape
from urllib.parse import urlencode

import pytest
from django.test import Client
from django.urls import reverse

from dispensing.calculations import all_calculations, find
from dispensing.optics.errors import NotationError
from dispensing.web.bench import example_as_typed, understood, written

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(cast):
    client = Client()
    client.force_login(cast.trainee)

    def get(name, live=False, **typed):
        address = reverse("dispensing:bench_one", args=[name]) + ("?" + urlencode(typed) if typed else "")
        response = client.get(address, headers={"HX-Request": "true"} if live else {})
        assert response.status_code == 200
        return unescape(response.content.decode())

    get.client = client
    return get


def shown(html, label):
    found = re.search(rf"<dt>{re.escape(label)}</dt><dd[^>]*>([^<]*)</dd>", html)
    assert found, label
    return found[1]


def part(html, ident):
    found = re.search(rf'id="{ident}"[^>]*>([^<]*)<', html)
    return found[1] if found else None


def test_signed_out_people_are_sent_to_sign_in(client):
    assert client.get(reverse("dispensing:bench")).status_code == 302


def test_every_calculation_is_listed_and_opens_with_its_example(page):
    listed = page.client.get(reverse("dispensing:bench")).content.decode()
    for c in all_calculations():
        assert reverse("dispensing:bench_one", args=[c.name]) in listed
        html = page(c.name)
        assert "Example" in html
        assert c.formula in html
        assert c.source in html
        assert 'class="error"' not in html
        assert "style=" not in html
        for words in c.cautions:
            assert words in html
    assert len(listed) < 100_000


def test_the_address_keeps_what_was_typed(page):
    html = page("transpose", sphere="-225", cylinder="−0,50", axis="0")
    assert 'value="-225"' in html
    assert part(html, "f-sphere-echo") == "−2.25 D"
    assert part(html, "f-axis-echo") == "axis 180"
    assert shown(html, "Lens") == "−2.75/+0.50×90"
    assert "keeps the figures" in html


def test_prism_with_its_base_or_with_a_sign(page):
    html = page("combine-prism", eye="left", first_in="2 in", second_up="1.5 down")
    assert shown(html, "Resultant") == "2.50 Δ"
    assert shown(html, "Base, 0 to 360") == "216.87°"  # oph142, left eye: 2 in with 1.5 down is base 217
    again = page("combine-prism", eye="left", first_in="2", second_up="-1.5")
    assert shown(again, "Base, 0 to 360") == "216.87°"
    assert part(again, "f-second_up-echo") == "1.50 Δ down"
    wrong = page("combine-prism", first_in="2 up")
    assert part(wrong, "f-first_in-error") == "Here the base is in or out."


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"sphere": "abc"}, "sphere", "Not understood: write it like −2.25."),
        ({"sphere": ""}, "sphere", "This is needed."),
        ({"sphere": "-30"}, "sphere", "Could be −0.30 or −30.00: write it with a decimal point."),
        ({"sphere": "1", "cylinder": "-1"}, "axis", "A cylinder needs an axis."),
        ({"sphere": "1", "cylinder": "-1", "axis": "190"}, "axis", "An axis is from 1 to 180."),
        ({"sphere": "45.00"}, "sphere", "Out of range: −40 to 40 D."),
    ],
)
def test_the_error_is_beside_its_field_and_nothing_typed_is_lost(page, typed, field, words):
    html = page("transpose", **{"sphere": "", "cylinder": "", "axis": "", **typed})
    assert part(html, f"f-{field}-error") == words
    assert f'href="#f-{field}"' in html
    for name, text in typed.items():
        assert re.search(rf'name="{name}" value="{re.escape(text)}"', html)


def test_typed_markup_is_text(page):
    response = page.client.get(
        reverse("dispensing:bench_one", args=["transpose"]), {"sphere": '"><script>alert(1)</script>'}
    )
    assert b"<script>alert" not in response.content


def test_what_the_optics_refuse_is_said(page):
    html = page("decentration-for-prism", sphere="pl", base_in="2")
    assert "This cannot be worked out" in html
    assert "must be worked" in html


def test_cleared(page):
    html = page("transpose", clear="1")
    assert 'name="sphere" value=""' in html
    assert "Fill in the fields" in html
    assert 'class="error"' not in html


def test_while_typing_only_the_answer_and_the_echoes_come(page):
    html = page("transpose", live=True, sphere="-225", cylinder="", axis="")
    assert "<html" not in html
    assert "<input" not in html
    assert part(html, "f-sphere-echo") == "−2.25 D"
    wrong = page("transpose", live=True, sphere="x", cylinder="", axis="")
    assert part(wrong, "f-sphere-echo") == "Not understood: write it like −2.25."
    assert 'class="echo error" id="f-sphere-echo"' in wrong
    assert 'href="#f-sphere"' in wrong


def test_readings(page):
    html = page("repeatability", readings="31,5 32,0 31,5\n33.0; 32.5\n29.5 30 30")
    assert part(html, "f-readings-echo") == "8 readings of 3"
    assert shown(html, "Within-subject SD") == "0.303"
    assert part(page("outlier", readings="31.5 x"), "f-readings-error") == "Not understood: write it like 1.5."
    assert part(page("outlier", readings="31.5"), "f-readings-error") == "At least two readings, at most 1000."


def test_a_page_that_is_not_there(page):
    assert page.client.get("/bench/no-such/").status_code == 404
    assert page.client.post(reverse("dispensing:bench")).status_code == 405


@pytest.mark.parametrize("found", all_calculations(), ids=lambda c: c.name)
def test_an_example_typed_in_is_the_example(found):
    """There and back: what the page writes into its fields is read as the same values."""
    typed = example_as_typed(found)
    for i in found.inputs:
        value = found.example.get(i.name, i.default)
        got = understood(i, typed[i.name])
        if i.kind == "axis" and value == 0:
            value = 180
        if isinstance(value, float | int):
            assert got == pytest.approx(value)
        elif value is None:
            assert got is None
        else:
            assert got == value
        assert i.kind in ("choice", "text") or value is None or written(i, value)


def test_choices_are_checked():
    eye = find("tilt").input("eye")
    assert understood(eye, "left") == "left"
    with pytest.raises(NotationError, match="Choose"):
        understood(eye, "third")
