"""Clients: found in the ways one asks for them, added and changed with a trail, and never half saved."""

from __future__ import annotations

from datetime import date

import pytest
from django.urls import reverse

from practice import clients
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent, Client
from tests.factories import ClientFactory

TODAY = date(2026, 11, 25)
GOOD = {
    "given_name": "Ines",
    "family_name": "Corvane-Ruiz",
    "date_of_birth": "7/2/83",
    "sex": "female",
    "phone": "01632 960 441",
    "email": "ines@corvane.example",
    "address": "9 Netloft Lane\nSaltmarsh",
    "occupation": "harbour pilot",
    "visual_needs": "chart table at 45 cm <dim light>",
    "sight_impaired": "",
    "useful_eye": "",
    "notes": "",
}
VALUES = GOOD | {"date_of_birth": date(1983, 2, 7), "sight_impaired": False}


@pytest.fixture
def people(cast):
    def make(given, family, born, phone="", **more):
        return ClientFactory(
            branch=cast.branch, given_name=given, family_name=family, date_of_birth=born, phone=phone, **more
        )

    return {
        "sian": make("Siân", "O'Donnell-Grüber", date(1958, 4, 1), "+44 1632 960123"),
        "bram": make("Bram", "Oakhurst", date(1961, 3, 12), "01632 960987"),
        "bea": make("Beatrix", "Oakhurst", date(1925, 1, 1)),
        "olaf": make("Olaf", "Øverland", date(2025, 1, 1)),
        "ng": make("Li", "Ng", date(2001, 9, 9)),
    }


def find(cast, text):
    from practice import access

    return clients.find_clients(access.visible_clients(cast.trainee), text, today=TODAY)


@pytest.mark.parametrize(
    ("text", "who"),
    [
        ("oakhurst bram", ["bram"]),
        ("BRAM  oak", ["bram"]),
        ("o'donnell", ["sian"]),
        ("odonnell", ["sian"]),
        ("gruber sian", ["sian"]),
        ("overland", ["olaf"]),
        ("12/3/61", ["bram"]),
        ("12 march 1961", ["bram"]),
        ("1/1/25", ["bea", "olaf"]),  # both centuries
        ("oakhurst 1/1/25", ["bea"]),
        ("oakhurst 12 mar 1961", ["bram"]),
        ("01632 960123", ["sian"]),  # kept in the international form
        ("+44 1632 960987", ["bram"]),  # kept in the national one
        ("960987", ["bram"]),
        ("ng", ["ng"]),
        ("okahurst bram", ["bram"]),  # letters exchanged
        ("oakhrst beatrix", ["bea"]),  # one left out
        ("oakkhurst beatriks", ["bea"]),  # two slips in a long word
        ("odonell", ["sian"]),
        ("averland", ["olaf"]),
        ("okhur", ["bram", "bea"]),  # still being typed, and already wrong
        ("zzzz", []),
        ("%", []),
        ("'; drop table practice_client; --", []),
        ("x" * 10_000, []),
        ("", []),
        ("   ", []),
    ],
)
def test_finding(cast, people, text, who):
    found = {name for name, p in people.items() if p in find(cast, text)}
    assert found == set(who)


def test_a_reference_is_found_however_it_is_typed(cast, people):
    reference = people["bram"].reference
    for text in (reference, reference.lower(), reference[2:], f" {reference} "):
        assert find(cast, text) == [people["bram"]]


def test_the_exact_come_before_the_alike(cast, people):
    alike = ClientFactory(branch=cast.branch, given_name="Tove", family_name="Oakhusrt", date_of_birth=date(1990, 1, 1))
    found = find(cast, "oakhurst")
    assert found[-1] == alike
    assert {people["bram"], people["bea"]} <= set(found)


def test_nobody_of_another_group_is_found(cast):
    cast.foreign_client.family_name = "Vandersloot-Quay"
    cast.foreign_client.save()
    assert find(cast, "Vandersloot-Quay") == []
    assert find(cast, cast.foreign_client.reference) == []


def test_searching_stays_at_a_few_queries(cast, people, django_assert_max_num_queries):
    with django_assert_max_num_queries(7):
        find(cast, "okahurst bram")


# --- use cases ------------------------------------------------------------------------------------------------------------


def test_adding_leaves_a_row_in_the_trail(cast):
    client = clients.add_client(actor=cast.trainee, branch=cast.branch, values=VALUES)
    event = AuditEvent.objects.get(action="client.added")
    assert (event.client, event.actor, event.branch) == (client, cast.trainee, cast.branch)
    assert event.after["date_of_birth"] == "1983-02-07"
    assert client.search_name == "corvane ruiz ines"
    assert client.phone_digits == "01632960441"


def test_changing_keeps_what_was_before(cast):
    clients.change_client(actor=cast.trainee, client=cast.client, version=1, values={"phone": "01632 960000"})
    event = AuditEvent.objects.get(action="client.changed")
    assert (event.before, event.after) == ({"phone": ""}, {"phone": "01632 960000"})
    cast.client.refresh_from_db()
    assert cast.client.version == 2


def test_nothing_is_written_when_nothing_changed(cast):
    clients.change_client(actor=cast.trainee, client=cast.client, version=1, values={"phone": ""})
    assert not AuditEvent.objects.exists()
    assert Client.objects.get(pk=cast.client.pk).version == 1


def test_a_change_over_somebody_elses_is_refused(cast):
    clients.change_client(actor=cast.trainee, client=cast.client, version=1, values={"phone": "01632 960000"})
    with pytest.raises(Conflict):
        clients.change_client(actor=cast.dispenser, client=cast.client, version=1, values={"phone": "01632 960999"})
    assert Client.objects.get(pk=cast.client.pk).phone == "01632 960000"


def test_who_may_change_and_move(cast):
    with pytest.raises(NotAllowed):
        clients.change_client(actor=cast.elsewhere, client=cast.client, version=1, values={"phone": "01632 960000"})
    with pytest.raises(NotAllowed):
        clients.change_client(actor=cast.foreigner, client=cast.client, version=1, values={"phone": "01632 960000"})
    moved = clients.change_client(actor=cast.elsewhere, client=cast.client, version=1, values={"branch": cast.other_branch})
    assert moved.branch == cast.other_branch
    with pytest.raises(Invalid):
        clients.change_client(actor=cast.elsewhere, client=cast.client, version=2, values={"branch": cast.foreign_branch})


@pytest.mark.parametrize(
    "wrong", [{"sex": "other"}, {"date_of_birth": date(2990, 1, 1)}, {"email": "no"}, {"given_name": ""}]
)
def test_the_use_case_itself_refuses_what_cannot_be(cast, wrong):
    with pytest.raises(Invalid) as problem:
        clients.add_client(actor=cast.trainee, branch=cast.branch, values=VALUES | wrong)
    assert set(problem.value.errors) == set(wrong)
    assert not Client.objects.filter(family_name="Corvane-Ruiz").exists()


# --- the form ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def web(client, cast):
    client.force_login(cast.trainee)
    return client


def posted(cast, **values):
    return {**GOOD, "branch": cast.branch.pk, **values}


def test_a_good_form_puts_a_client_on_record(web, cast):
    answer = web.post(reverse("practice:new_client"), posted(cast))
    made = Client.objects.get(family_name="Corvane-Ruiz")
    assert answer.status_code == 302
    assert answer["Location"] == reverse("dispensing:client", args=[made.reference])
    assert made.date_of_birth == date(1983, 2, 7)
    assert made.visual_needs == "chart table at 45 cm <dim light>"
    page = web.get(answer["Location"]).content.decode()
    assert "&lt;dim light&gt;" in page
    assert "<dim light>" not in page


BAD = {
    "empty": "",
    "letters": "qwrtz qwrtz",
    "exponent": "1e9",
    "negative": "-12",
    "Unicode digits": "١٢٣",
    "script": "<script>alert(1)</script>",
    "long": "x" * 10_000,
}
# what of these a field takes: an occupation may be any words, an empty telephone number is none
FINE = {
    "given_name": {"letters"},
    "family_name": {"letters"},
    "date_of_birth": set(),
    "phone": {"empty"},
    "email": {"empty"},
    "occupation": {"empty", "letters", "exponent", "negative", "Unicode digits"},
    "address": {"empty", "letters", "exponent", "negative", "Unicode digits", "script"},
    "visual_needs": {"empty", "letters", "exponent", "negative", "Unicode digits", "script"},
    "notes": {"empty", "letters", "exponent", "negative", "Unicode digits", "script"},
    "sex": {"empty"},
    "useful_eye": {"empty"},
    "branch": set(),
}


@pytest.mark.parametrize("kind", BAD)
@pytest.mark.parametrize("field", FINE)
def test_bad_input_is_told_beside_its_field_keeps_what_was_typed_and_saves_nothing(web, cast, field, kind):
    before = Client.objects.count()
    typed = BAD[kind]
    answer = web.post(reverse("practice:new_client"), posted(cast, **{field: typed}))
    if kind in FINE[field]:
        assert answer.status_code == 302
        assert Client.objects.count() == before + 1
        return
    assert answer.status_code == 200
    assert Client.objects.count() == before
    assert not AuditEvent.objects.exists()
    page = answer.content.decode()
    assert f'id="f-{field}-error"' in page
    assert f'href="#f-{field}"' in page
    assert f"f-{field}-error" in page.split(f'id="f-{field}"', 1)[1].split(">", 1)[0]  # aria-describedby
    assert "<script>alert" not in page
    shown = {f.name: f for _, fields in answer.context["parts"] for f in fields}
    assert str(shown[field].value) == typed
    assert shown["address"].value == (typed if field == "address" else GOOD["address"])


def test_a_change_form_that_is_refused_keeps_the_version_it_was_read_at(web, cast):
    url = reverse("practice:edit_client", args=[cast.client.reference])
    page = web.get(url)
    clients.change_client(actor=cast.dispenser, client=cast.client, version=1, values={"phone": "01632 960999"})
    answer = web.post(url, posted(cast, version=page.context["version"], occupation="bookbinder"))
    assert answer.status_code == 200
    assert "Somebody else changed" in answer.content.decode()
    assert answer.context["version"] == "1"
    row = Client.objects.get(pk=cast.client.pk)
    assert (row.phone, row.occupation) == ("01632 960999", "")


@pytest.mark.parametrize("version", ["", "x", "-1", "1e9", "٢", "9" * 50])
def test_a_version_that_is_none_is_a_conflict(web, cast, version):
    url = reverse("practice:edit_client", args=[cast.client.reference])
    answer = web.post(url, posted(cast, version=version))
    assert answer.status_code == 200
    assert "Nothing of yours was saved" in answer.content.decode()


def test_somebody_already_on_record_is_pointed_out_once(web, cast):
    same = {"given_name": cast.client.given_name, "family_name": "Oakhurst-Tane", "date_of_birth": "12/3/1961"}
    count = Client.objects.count()
    answer = web.post(reverse("practice:new_client"), posted(cast, **same))
    assert answer.status_code == 200
    assert cast.client.reference in answer.content.decode()
    assert Client.objects.count() == count
    answer = web.post(reverse("practice:new_client"), posted(cast, **same, another="1"))
    assert answer.status_code == 302
    assert Client.objects.count() == count + 1


def test_a_branch_one_does_not_work_at_is_no_choice(web, cast):
    for branch in (cast.other_branch, cast.foreign_branch):
        answer = web.post(reverse("practice:new_client"), posted(cast, branch=branch.pk))
        assert answer.status_code == 200
        assert "one of the branches you work at" in answer.content.decode()


def test_another_groups_client_is_not_there(web, cast):
    for name in ("practice:edit_client", "dispensing:client"):
        assert web.get(reverse(name, args=[cast.foreign_client.reference])).status_code == 404


def test_the_list_has_pages_and_the_search_answers_in_place(web, cast):
    ClientFactory.create_batch(60, branch=cast.branch)
    assert "page 1" in web.get(reverse("practice:clients")).content.decode()
    second = web.get(reverse("practice:clients"), {"page": "2"}).content.decode()
    assert "page 2" in second and 'rel="next"' not in second  # noqa: PT018
    assert "page 1" in web.get(reverse("practice:clients"), {"page": "999"}).content.decode()
    assert "page 1" in web.get(reverse("practice:clients"), {"page": "x"}).content.decode()
    found = web.get(reverse("practice:clients"), {"q": "<script>"}).content.decode()
    assert "&lt;script&gt;" in found
    assert "<script>\u201d" not in found


def test_the_date_is_read_back_while_it_is_typed(web):
    url = reverse("practice:read_birth_date")
    assert web.post(url, {"date_of_birth": "12/3/61"}).content.decode().startswith("12 March 1961 · ")
    refused = web.post(url, {"date_of_birth": "<b>"})
    assert refused["Content-Type"].startswith("text/plain")
    assert "Day, month, year" in refused.content.decode()
    assert web.get(url).content == b""
