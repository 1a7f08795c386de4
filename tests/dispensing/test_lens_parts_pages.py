"""The lists of materials and of coatings and tints, as the people of a group see and change them."""

from __future__ import annotations

import re
from decimal import Decimal as D

import pytest
from django.urls import reverse

from dispensing.models import CatalogueLens, Dispense, LensMaterial, Treatment
from orders.models import Recheck
from practice.models import AuditEvent
from tests.dispensing.test_compare_pages import text_of
from tests.factories import MaterialFactory
from tests.orders.ready import ready_dispense

pytestmark = pytest.mark.django_db
MATERIAL = {
    "code": "R167", "name": "1.67 resin", "nd": "1.660", "abbe": "32", "density": "1,35", "impact": "good", "drilled": "good",
    "grooved": "fair", "source": "maker's data, 2026",
}  # fmt: skip
TINT = {"code": "GREY", "kind": "tint", "name": "grey", "transmittance_clear": "15", "transmittance_dark": "15"}


@pytest.fixture
def manager(cast, client):
    client.force_login(cast.manager)
    return client


@pytest.fixture
def grey(cast):
    return Treatment.objects.create(
        group=cast.group, code="GREY", kind="tint", name="grey", transmittance_clear=D(15), transmittance_dark=D(15)
    )


def at(name, *codes):
    return reverse(f"dispensing:{name}", args=codes)


def field(html: str, name: str) -> str:
    """What stands in one field and what is said beside it."""
    parts = html.partition('<div class="actions"><button')[0].split('<div class="field')
    return next(part for part in parts if f'id="f-{name}"' in part)


def sent(html: str, **other) -> dict[str, str]:
    """The first form with a token of what was read, as a browser sends it, with other values."""
    form = next(f for f in re.findall(r"<form.*?</form>", html, re.S) if 'name="read"' in f)
    typed = dict(re.findall(r'<input type="(?:text|hidden)"[^>]* name="(\w+)" value="([^"]*)"', form))
    typed |= dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form))
    for name, options in re.findall(r'<select id="[^"]*" name="(\w+)".*?>(.*?)</select>', form, re.S):
        typed[name] = re.findall(r'value="([^"]*)" selected', options)[0]
    typed |= dict.fromkeys(re.findall(r'<input type="checkbox"[^>]* name="(\w+)" value="1" checked', form), "1")
    return {**typed, **other}


def deeds(group):
    return list(AuditEvent.objects.filter(group=group, action__startswith="catalogue.").values_list("action", "subject"))


def test_a_material_is_added_and_stands_in_the_list(cast, manager):
    assert text_of(manager.get(at("new_material"))).count("choose") == 3  # nothing is chosen for them
    answer = manager.post(at("new_material"), MATERIAL, follow=True)
    assert answer.redirect_chain[-1][0] == at("materials")
    row = LensMaterial.objects.get(group=cast.group, code="R167")
    assert (row.nd, row.abbe, row.density, row.impact, row.drilled, row.grooved, row.glass) == (
        D("1.660"), D("32.0"), D("1.35"), "good", "good", "fair", False,
    )  # fmt: skip
    said = text_of(answer)
    assert "1.67 resin is in the catalogue." in said
    assert "1.67 resin R167 1.660 32.0 1.35 good well fairly 0 maker's data, 2026" in said.replace("&#x27;", "'")
    assert deeds(cast.group) == [("catalogue.material_added", "material R167")]


def test_how_many_designs_use_each(cast, client, grey):
    """Options and designs that are retired do not count; a design that names no coatings is offered with all."""
    Treatment.objects.create(group=cast.group, code="HC", kind="coating", name="hard coating")
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(treatment_codes=["GREY"])
    client.force_login(cast.trainee)
    materials = text_of(client.get(at("materials")))
    assert "good well well 2" in materials
    treatments = text_of(client.get(at("treatments")))
    assert "hard coating HC coating 1 grey GREY tint 15 2" in treatments
    cast.single_option.retired_on = cast.group.today()
    cast.single_option.save()
    CatalogueLens.objects.filter(pk=cast.single.pk).update(retired_on=cast.group.today())
    assert "good well well 1" in text_of(client.get(at("materials")))
    assert "hard coating HC coating 0 grey GREY tint 15 1" in text_of(client.get(at("treatments")))


@pytest.mark.parametrize(
    ("name", "typed", "words"),
    [
        ("code", "two words", "no spaces"),
        ("code", "", "Give it a code."),
        ("name", " ", "Type the name."),
        ("nd", "16", "Out of range: 1.4"),
        ("nd", "1.6604", "At most 3 decimals."),
        ("abbe", "", "Needed."),
        ("density", "light", ""),
        ("impact", "", "Choose one."),
        ("drilled", "with a hammer", "Choose one."),
    ],
)
def test_bad_input_is_told_beside_its_field_and_nothing_typed_is_lost(cast, manager, name, typed, words):
    answer = manager.post(at("new_material"), {**MATERIAL, "glass": "1", name: typed})
    assert answer.status_code == 200
    html = answer.content.decode()
    beside = field(html, name)
    assert 'class="error"' in beside
    assert words in beside
    for other, value in MATERIAL.items():
        if other != name and "'" not in value:
            assert f'value="{value}"' in field(html, other)
            assert 'class="error"' not in field(html, other)
    assert "checked" in field(html, "glass")
    assert name in ("impact", "drilled") or f'value="{typed}"' in beside
    assert not LensMaterial.objects.filter(code="R167").exists()


def test_a_code_is_taken_once_in_a_group_and_free_in_another(cast, manager):
    MaterialFactory(group=cast.foreign_branch.group, code="R167")
    manager.post(at("new_material"), MATERIAL)
    answer = manager.post(at("new_material"), {**MATERIAL, "name": "another"})
    assert "has that code" in field(answer.content.decode(), "code")
    assert 'value="another"' in field(answer.content.decode(), "name")
    assert LensMaterial.objects.filter(group=cast.group, code="R167").get().name == "1.67 resin"


def test_a_material_is_changed_and_what_hangs_on_it_is_judged_again(cast, manager):
    cast.dispense = ready_dispense(cast)
    material = cast.option.material
    page = manager.get(at("change_material", material.code)).content.decode()
    assert "It is chosen in 1 dispense not yet ordered" in page
    unchanged = manager.post(at("change_material", material.code), sent(page), follow=True)
    assert "Nothing was different." in text_of(unchanged)
    answer = manager.post(at("change_material", material.code), sent(page, abbe="36", glass="1"), follow=True)
    assert "1.60 resin is changed." in text_of(answer)
    material.refresh_from_db()
    assert (material.abbe, material.glass, material.nd) == (D("36.0"), True, D("1.592"))
    assert Recheck.objects.filter(branch=cast.branch, subject=material.code).count() == 1
    again = text_of(manager.get(at("change_material", material.code)))
    assert "changed: Abbe number 41 → 36; glass no → yes" in again.replace(" :", ":")


def test_what_somebody_else_changed_first_is_not_overwritten(cast, manager):
    material = cast.option.material
    page = manager.get(at("change_material", material.code)).content.decode()
    manager.post(at("change_material", material.code), sent(page, name="1.60 resin, new"))
    answer = manager.post(at("change_material", material.code), sent(page, abbe="36"))
    assert answer.status_code == 200
    assert "Somebody else changed this" in text_of(answer)
    assert 'value="36"' in field(answer.content.decode(), "abbe")
    material.refresh_from_db()
    assert (material.name, material.abbe) == ("1.60 resin, new", D("41.0"))


@pytest.mark.parametrize("missing", ["transmittance_clear", "transmittance_dark"])
def test_a_tint_needs_what_it_lets_through(cast, manager, missing):
    """Without it nobody can say whether it may be worn for driving."""
    answer = manager.post(at("new_treatment"), {**TINT, missing: ""})
    assert "the maker states it" in field(answer.content.decode(), missing)
    other = next(n for n in ("transmittance_clear", "transmittance_dark") if n != missing)
    assert 'value="15"' in field(answer.content.decode(), other)
    assert not Treatment.objects.filter(group=cast.group).exists()


def test_a_coating_has_no_transmittance_and_a_tint_is_not_darker_at_its_palest(cast, manager):
    answer = manager.post(at("new_treatment"), {**TINT, "kind": "coating"})
    assert "A coating has none" in field(answer.content.decode(), "transmittance_dark")
    answer = manager.post(at("new_treatment"), {**TINT, "transmittance_dark": "88"})
    assert "less light through" in field(answer.content.decode(), "transmittance_dark")
    assert not Treatment.objects.filter(group=cast.group).exists()


def test_a_tint_and_a_coating_are_added_and_keep_their_kind(cast, manager):
    manager.post(at("new_treatment"), {**TINT, "transmittance_clear": "88.5"})
    coating = {**TINT, "code": "HC", "kind": "coating", "name": "hard coating"}
    manager.post(at("new_treatment"), coating | {"transmittance_clear": "", "transmittance_dark": ""})
    said = text_of(manager.get(at("treatments")))
    assert "hard coating HC coating 2 grey GREY tint 88.5 to 15 2" in said
    page = manager.get(at("change_treatment", "HC")).content.decode()
    assert "transmittance" not in page
    manager.post(at("change_treatment", "HC"), sent(page, name="hard coat", kind="tint", transmittance_clear="15"))
    row = Treatment.objects.get(group=cast.group, code="HC")
    assert (row.name, row.kind, row.transmittance_clear) == ("hard coat", "coating", None)


def test_retiring_needs_a_reason_and_says_whom_it_concerns(cast, manager, grey):
    cast.dispense = ready_dispense(cast)
    Dispense.objects.filter(pk=cast.dispense.pk).update(tint=grey)
    Treatment.objects.create(
        group=cast.group, code="ZZ", kind="tint", name="zinc", transmittance_clear=80, transmittance_dark=80
    )
    assert "It is chosen in 1 dispense not yet ordered" in text_of(manager.get(at("change_treatment", "GREY")))
    answer = manager.post(at("retire_treatment", "GREY"), {"reason": " "}, follow=True)
    assert answer.redirect_chain[-1][0] == at("change_treatment", "GREY")
    assert "Say why it is retired." in text_of(answer)
    grey.refresh_from_db()
    assert grey.retired_on is None
    answer = manager.post(at("retire_treatment", "GREY"), {"reason": "no longer made"}, follow=True)
    said = text_of(answer)
    assert said.index("zinc ZZ") < said.index("grey retired GREY")  # retired ones last, and marked
    assert "reason nothing → no longer made" in text_of(manager.get(at("change_treatment", "GREY")))
    assert Recheck.objects.filter(branch=cast.branch, subject="GREY").count() == 1
    manager.post(at("retire_treatment", "GREY"), {"deed": "bring back"})
    grey.refresh_from_db()
    assert grey.retired_on is None
    assert [deed for deed, _ in deeds(cast.group)][-2:] == [
        "catalogue.treatment_retired",
        "catalogue.treatment_brought_back",
    ]


def test_who_is_no_manager_reads_and_changes_nothing(cast, client, grey):
    client.force_login(cast.supervisor)
    for listed in ("materials", "treatments"):
        html = client.get(at(listed)).content.decode()
        assert "/change" not in html
        assert "/new" not in html
    assert client.post(at("new_material"), MATERIAL).status_code == 403
    assert client.post(at("new_treatment"), TINT).status_code == 403
    assert client.post(at("change_treatment", "GREY"), {"name": "brown"}).status_code == 403
    assert client.post(at("retire_treatment", "GREY"), {"reason": "because"}).status_code == 403
    grey.refresh_from_db()
    assert (grey.name, grey.retired_on) == ("grey", None)
    assert deeds(cast.group) == []


def test_another_group_sees_and_reaches_none_of_it(cast, client, grey):
    client.force_login(cast.foreigner)  # a manager there
    assert "None in the catalogue yet." in text_of(client.get(at("materials")))
    assert "None in the catalogue yet." in text_of(client.get(at("treatments")))
    assert client.get(at("change_material", cast.option.material.code)).status_code == 404
    assert client.post(at("change_treatment", "GREY"), {"name": "brown"}).status_code == 404
    assert client.post(at("retire_treatment", "GREY"), {"reason": "because"}).status_code == 404


def test_a_design_called_as_the_lists_are_is_still_reached(cast, client):
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(code="materials")
    client.force_login(cast.trainee)
    page = client.get(at("lenses")).content.decode()
    for listed in ("materials", "treatments"):
        assert f'href="{at(listed)}"' in page
    assert cast.lens.name in text_of(client.get(at("lens", "materials")))
