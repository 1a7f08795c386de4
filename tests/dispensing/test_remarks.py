"""Comments tied to a field: said once by whoever returns a dispense, seen beside that field; and taking over."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse

from dispensing import sign_off
from dispensing.models import Dispense, Remark
from practice.errors import Invalid
from practice.models import AuditEvent, Post
from tests.factories import BranchFactory
from tests.orders.ready import ready_dispense

State = Dispense.State
FIELD = "readings.height.left"


def _fresh(dispense):
    return Dispense.objects.get(pk=dispense.pk)


@pytest.fixture
def waiting(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    return _fresh(made)


def give_back(cast, dispense, *remarks, comment=""):
    return sign_off.return_to_dispenser(
        actor=cast.supervisor, dispense=dispense, version=dispense.version, comment=comment, remarks=remarks
    )


def test_a_comment_on_a_field_is_enough_and_is_kept_with_the_return(cast, waiting):
    signature = give_back(
        cast, waiting, (FIELD, " Read it   again, at her eye level. "), ("fit", "Sides too tight."), ("", "")
    )
    assert list(signature.remarks.values_list("path", "text")) == [
        (FIELD, "Read it again, at her eye level."),
        ("fit", "Sides too tight."),
    ]
    assert AuditEvent.objects.get(action="dispense.returned").after["remarks"] == [
        f"{FIELD}: Read it again, at her eye level.",
        "fit: Sides too tight.",
    ]


@pytest.mark.parametrize(
    ("at", "text", "words"),
    [
        ("", "Which?", "Choose what"),
        ("readings.height.middle", "Again.", "not on the sheet"),
        (FIELD, "  ", "Say what"),
        (FIELD, "x" * 401, "At most 400"),
        (FIELD, "a\x00b", "cannot be kept"),
    ],
)
def test_a_comment_that_cannot_be_kept_returns_nothing(cast, waiting, at, text, words):
    with pytest.raises(Invalid) as problem:
        give_back(cast, waiting, (FIELD, "Fine."), (at, text), comment="Look again.")
    assert words in problem.value.errors["remark.1"]
    assert _fresh(waiting).state == State.WAITING
    assert not Remark.objects.exists()


def _next(client, dispense):
    html = client.get(reverse("dispensing:sheet", args=[dispense.reference])).content.decode()
    return re.sub(r"<[^>]+>", "", re.search(r'id="next" data-fragment>(.*?)</span>\n', html, re.S)[1])


def test_what_comes_next_is_what_this_person_can_do(cast, waiting, client):
    """Who waits for a signature is not told to sign, and who only looks is not told to mend."""
    client.force_login(cast.trainee)
    assert _next(client, waiting) == ""
    client.force_login(cast.supervisor)
    assert _next(client, waiting) == "next Sign or return"
    give_back(cast, waiting, comment="Look at the fit.")
    client.force_login(cast.trainee)
    assert _next(client, waiting).startswith("next Mend what was returned")
    Post.objects.filter(staff=cast.dispenser).update(
        branch=BranchFactory(group=cast.group)
    )  # sees it, and may not change it
    client.force_login(cast.dispenser)
    assert _next(client, waiting) == ""


def test_the_trainee_sees_it_beside_the_field_and_in_the_history_until_it_goes_forward_again(cast, waiting, client):
    give_back(cast, waiting, (FIELD, "Her eye level <was> lower."), ("lens", "Why this corridor?"))
    client.force_login(cast.trainee)
    sheet_url = reverse("dispensing:sheet", args=[waiting.reference])
    page = client.get(sheet_url).content.decode()
    beside = page[page.index('id="f-readings-height-left"') :]
    assert "Her eye level &lt;was&gt; lower." in beside[: beside.index('id="f-readings-pupil-right"')]
    readings, lens = page.index('id="part-readings"'), page.index('id="part-lens"')
    assert page.index('id="returned-with"') < page.index('href="#f-readings-height-left"') < page.index('id="part-needs"')
    assert readings < page.index('href="#f-readings-height-left"', readings) < lens < page.index("Why this corridor?", lens)
    for part, opened in (
        ("readings", True),
        ("lens", True),
        ("fit", False),
    ):  # what is complete is folded, but not what is remarked on
        assert bool(re.search(rf'id="part-{part}"[^>]* open>', page)) is opened
    top = page[page.index('id="returned-with"') : page.index('id="part-needs"')]
    assert '<a href="#part-lens">Lens</a>: Why this corridor?' in top
    history = client.get(reverse("dispensing:sign_off", args=[waiting.reference])).content.decode()
    assert re.search(r"Readings, height, left:</b> Her eye level", history)
    returned = _fresh(waiting)
    sign_off.put_forward(actor=cast.trainee, dispense=returned, version=returned.version)
    assert "Her eye level" not in client.get(sheet_url).content.decode()
    assert "Her eye level" in client.get(reverse("dispensing:sign_off", args=[waiting.reference])).content.decode()


def test_a_refused_comment_keeps_what_was_typed(cast, waiting, client):
    client.force_login(cast.supervisor)
    url = reverse("dispensing:sign_off", args=[waiting.reference])
    typed = {"deed": "return", "version": waiting.version, "at": [FIELD, ""], "remark": ["Again <i>", "and this"]}
    page = client.post(url, typed).content.decode()
    assert 'value="Again &lt;i&gt;"' in page
    assert f'<option value="{FIELD}" selected>' in page
    assert 'id="f-remark-1-error">Choose what this is about.' in page
    assert 'href="#f-remark-1"' in page
    assert _fresh(waiting).state == State.WAITING
    typed["at"][1] = "fit"
    assert client.post(url, typed).status_code == 302
    assert _fresh(waiting).state == State.RETURNED
    assert Remark.objects.count() == 2


def test_taking_over_is_in_the_history_and_in_the_audit_trail(cast, waiting, client):
    sign_off.take_over(actor=cast.supervisor, dispense=waiting, version=waiting.version)
    event = AuditEvent.objects.get(action="dispense.taken_over")
    assert (event.actor, event.before, event.after) == (
        cast.supervisor,
        {"dispenser": cast.trainee.pk},
        {"dispenser": cast.supervisor.pk},
    )
    client.force_login(cast.trainee)
    page = client.get(reverse("dispensing:sign_off", args=[waiting.reference])).content.decode()
    assert "<b>taken over</b>" in page
    assert f"From {cast.trainee.display_name}." in page
