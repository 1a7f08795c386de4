"""Lens materials, coatings and tints of a group: kept whole, told about, judged again, and filled from files."""

from __future__ import annotations

from decimal import Decimal as D

import pytest

from dispensing import lens_parts
from dispensing.imports import export, undo
from dispensing.imports.kinds import KINDS
from dispensing.models import CatalogueLens, Dispense, LensMaterial, LensOption, Treatment
from orders import recheck
from orders.models import Recheck, RecheckChange
from practice.errors import Conflict, Invalid, NotAllowed
from practice.models import AuditEvent
from tests.dispensing.test_imports import checked, counts, done, faults
from tests.orders.ready import ready_dispense

pytestmark = pytest.mark.django_db
# a resin of high index; figures as makers publish them for this class of material (common practice)
RESIN = {
    "name": "1.67 resin", "nd": D("1.660"), "abbe": D(32), "density": D("1.35"), "impact": "good", "drilled": "good",
    "grooved": "good", "glass": False, "source": "maker's sheet",
}  # fmt: skip
GREY = {"kind": "tint", "name": "grey 75", "transmittance_clear": D(25), "transmittance_dark": D(25)}


def add(cast, model=LensMaterial, code="M167", **values):
    base = RESIN if model is LensMaterial else GREY
    return lens_parts.add_part(actor=cast.manager, group=cast.group, model=model, code=code, values=base | values).item


def change(cast, item, **values):
    return lens_parts.change_part(actor=cast.manager, item=item, read=lens_parts.as_read(item), values=values)


def test_added_changed_and_told_in_the_trail(cast):
    resin, grey = add(cast), add(cast, Treatment, "GREY75")
    assert change(cast, resin, density=D("1.36")).changed
    resin.refresh_from_db()
    assert resin.density == D("1.36")
    assert not change(cast, resin, density=D("1.360")).changed  # the same figure, written longer
    lens_parts.retire_treatment(actor=cast.manager, item=grey, reason="Given up.")
    lens_parts.retire_treatment(actor=cast.manager, item=grey, reason="Given up.")
    lens_parts.bring_treatment_back(actor=cast.manager, item=grey)
    trail = list(AuditEvent.objects.filter(action__startswith="catalogue.").order_by("pk").values_list("action", "subject"))
    assert trail == [
        ("catalogue.material_added", "material M167"),
        ("catalogue.treatment_added", "treatment GREY75"),
        ("catalogue.material_changed", "material M167"),
        ("catalogue.treatment_retired", "treatment GREY75"),
        ("catalogue.treatment_brought_back", "treatment GREY75"),
    ]


@pytest.mark.parametrize(
    ("model", "values", "field"),
    [
        (LensMaterial, {"name": " "}, "name"),
        (LensMaterial, {"nd": D("15.9")}, "nd"),
        (LensMaterial, {"nd": None}, "nd"),
        (LensMaterial, {"nd": D("1.6604")}, "nd"),
        (LensMaterial, {"density": D("1.355")}, "density"),
        (Treatment, {"transmittance_clear": D("25.05")}, "transmittance_clear"),
        (LensMaterial, {"nd": D("NaN")}, "nd"),
        (LensMaterial, {"abbe": D("0.32")}, "abbe"),
        (LensMaterial, {"density": D(1350)}, "density"),
        (LensMaterial, {"impact": "some"}, "impact"),
        (LensMaterial, {"drilled": ""}, "drilled"),
        (Treatment, {"kind": "glue"}, "kind"),
        (Treatment, {"transmittance_clear": None}, "transmittance_clear"),
        (Treatment, {"transmittance_dark": D(0)}, "transmittance_dark"),
        (Treatment, {"transmittance_clear": D(101)}, "transmittance_clear"),
        (Treatment, {"transmittance_dark": D(90)}, "transmittance_dark"),
        (Treatment, {"kind": "coating"}, "transmittance_clear"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(cast, model, values, field):
    before = model.objects.count()
    with pytest.raises(Invalid) as refused:
        add(cast, model, **values)
    assert field in refused.value.errors
    assert model.objects.count() == before


def test_a_code_once_a_change_seen_and_only_by_a_manager(cast):
    resin, grey = add(cast), add(cast, Treatment, "GREY75")
    with pytest.raises(Invalid) as refused:
        add(cast)
    assert refused.value.errors == {"code": "Another one of this catalogue has that code."}
    with pytest.raises(Invalid) as refused:
        change(cast, grey, kind="coating", transmittance_clear=None, transmittance_dark=None)
    assert refused.value.errors == {"kind": lens_parts.STAYS}
    read = lens_parts.as_read(resin)
    change(cast, resin, abbe=D(33))
    with pytest.raises(Conflict):
        lens_parts.change_part(actor=cast.manager, item=resin, read=read, values={"abbe": D(31)})
    with pytest.raises(Invalid):
        lens_parts.retire_treatment(actor=cast.manager, item=grey, reason=" ")
    for deed in (
        lambda: lens_parts.add_part(actor=cast.dispenser, group=cast.group, model=LensMaterial, code="X", values=RESIN),
        lambda: lens_parts.change_part(actor=cast.dispenser, item=resin, read="", values={}),
        lambda: lens_parts.retire_treatment(actor=cast.dispenser, item=grey, reason="x"),
    ):
        with pytest.raises(NotAllowed):
            deed()


def test_a_tint_that_lets_less_through_is_judged_again_for_driving_at_night(cast):
    """ISO 12312-1: 75 per cent at least for driving at night (the limit of the check, with its source)."""
    tint = add(cast, Treatment, "PALE", name="pale grey", transmittance_clear=D(85), transmittance_dark=D(85))
    made = ready_dispense(cast)
    Dispense.objects.filter(pk=made.pk).update(tint=tint, uses=["all_round", "driving_night"])
    assert lens_parts.open_dispenses_with(tint).get() == made
    change(cast, tint, transmittance_clear=D(70), transmittance_dark=D(70))
    recheck.work_off()
    row = Recheck.objects.get()
    assert row.why == "pale grey: light let through at its palest, % 85 → 70, light let through at its darkest, % 85 → 70"
    assert ("raised", "tint.night") in set(row.changes.values_list("kind", "check_id"))
    lens_parts.retire_treatment(actor=cast.manager, item=tint, reason="Given up.")
    recheck.work_off()
    assert RecheckChange.objects.filter(recheck=Recheck.objects.first(), kind="raised").exists()


def test_a_material_that_must_not_be_drilled_is_judged_again_where_it_is(cast):
    made = ready_dispense(cast)
    frame = made.frame | {"mount": "drilled"}
    Dispense.objects.filter(pk=made.pk).update(frame=frame)
    material = LensMaterial.objects.get(pk=cast.option.material.pk)
    change(cast, material, drilled="no")
    recheck.work_off()
    row = Recheck.objects.get()
    assert (row.kind, row.subject, row.total) == ("medium", material.code, 1)
    assert row.changes.filter(kind="raised").exists()


def test_the_name_alone_starts_no_recheck(cast):
    ready_dispense(cast)
    change(cast, LensMaterial.objects.get(pk=cast.option.material.pk), name="another name")
    assert not Recheck.objects.exists()


def test_there_and_back_in_files(cast):
    add(cast)
    add(cast, Treatment, "GREY75")
    add(cast, Treatment, "AR", kind="coating", transmittance_clear=None, transmittance_dark=None)
    for name, number in (("materials", LensMaterial.objects.filter(group=cast.group).count()), ("treatments", 2)):
        kind = KINDS[name]
        job = checked(cast, "".join(export.csv_lines(export.rows_of(kind, kind.all(cast.group)))), kind=name)
        assert counts(job) == (0, 0, number, 0), faults(job)


def test_a_new_group_fills_its_shelves_from_files_in_the_order_they_build_on_each_other(cast):
    text = "material code;description;refractive index;abbe;specific gravity;mineral\nM174;1.74 resin;1,740;33;1.47;no\n"
    first = done(cast, text, kind="materials")
    assert counts(first) == (1, 0, 0, 0), faults(first)
    tints = "code,type,name,transmittance clear,transmittance dark\nSUN,photochromic,Sunturn grey,88,12\n"
    second = done(cast, tints, kind="treatments")
    assert counts(second) == (1, 0, 0, 0), faults(second)
    assert Treatment.objects.get(code="SUN").kind == "tint"
    CatalogueLens.objects.filter(pk=cast.lens.pk).update(treatment_codes=["SUN"])
    assert undo.hindrances(second) == ["SUN is what a design is made with since."]
    LensOption.objects.filter(pk=cast.option.pk).update(material=LensMaterial.objects.get(code="M174"))
    assert "A later import stands on this one" in undo.hindrances(first)[0]


def test_lines_that_cannot_be_are_named(cast):
    job = checked(cast, "code,kind,name,transmittance_clear\nX,tint,dark,\nY,glue,z,5\n", kind="treatments", extent="line")
    assert counts(job) == (0, 0, 0, 2)
    assert {f[1] for f in faults(job)} == {"transmittance_clear", "transmittance_dark", "kind"}
