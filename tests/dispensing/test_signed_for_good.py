"""What was signed is what is shown a year later, after every record that has to do with it has changed; a change lifts it."""

from __future__ import annotations

import re
from datetime import date, timedelta
from decimal import Decimal as D

from django.apps import apps
from django.db import models, transaction
from django.db.models import F
from django.test import Client as Browser
from django.urls import reverse
from django.utils import timezone

from dispensing import measure, record, sign_off
from dispensing.models import Dispense, Signature
from practice.models import AuditDetail, AuditEvent, AuditHead, SignedIn, Staff
from tests.factories import FrameFactory
from tests.orders.ready import signed_dispense

LEFT_ALONE = (Signature, AuditEvent, AuditDetail, AuditHead, SignedIn)
NOT_THESE = {"password", "time_zone", "is_active", "is_staff", "is_superuser", "image"}  # by which the page is reached


def _others(model: type[models.Model]) -> set[str]:
    """Fields that have to stay different from row to row."""
    return {n for c in model._meta.constraints if isinstance(c, models.UniqueConstraint) for n in c.fields}


def _another(f: models.Field) -> object:
    """Something else than what stands in any row of this column; None where there is nothing else to put."""
    if isinstance(f, models.CharField | models.TextField) and not f.choices:
        return "changed since"[: f.max_length] if f.max_length else "changed since"
    if isinstance(f, models.BooleanField):
        return True
    if isinstance(f, models.DecimalField | models.IntegerField):
        return F(f.name) + 1
    if isinstance(f, models.DateTimeField):
        return timezone.now() - timedelta(days=3000)
    if isinstance(f, models.DateField):
        return date(2001, 1, 1)
    return [] if isinstance(f, models.JSONField) else None


def _change_everything() -> int:
    changed = 0
    for model in apps.get_models():
        if model._meta.app_label not in ("practice", "dispensing") or model in LEFT_ALONE:
            continue
        for f in model._meta.concrete_fields:
            if f.primary_key or f.unique or f.is_relation or f.name in NOT_THESE | _others(model):
                continue
            if (value := _another(f)) is not None:
                changed += model._default_manager.exclude(**{f"{f.name}__isnull": True}).update(**{f.name: value})
    return changed


def _shown(browser: Browser, url: str) -> str:
    """The page below its heading, which names the client and the signing person as they are called today."""
    page = browser.get(url)
    assert page.status_code == 200
    found = re.search(r"<h1>As it was signed</h1>.*?</div>(.*)</main>", page.content.decode(), re.S)
    assert found
    return found.group(1)


def test_a_year_later_the_page_is_the_same_to_the_letter(cast, monkeypatch):
    dispense = signed_dispense(cast)
    signature = dispense.signatures.get(decision="signed")
    url = reverse("dispensing:signature", args=[dispense.reference, signature.pk])
    browser = Browser()
    browser.force_login(cast.second_supervisor)
    before = _shown(browser, url)
    assert "−2.25" in before
    assert "Ridgeway 13" in before
    assert _change_everything() > 150
    later = timezone.now() + timedelta(days=370)
    monkeypatch.setattr(timezone, "now", lambda: later)
    browser.force_login(Staff.objects.get(pk=cast.second_supervisor.pk))
    assert _shown(browser, url) == before
    assert Dispense.objects.get(pk=dispense.pk).lens_option.lens.name == "changed since"


READING = measure.NewReading(quantity="far_pd", eye="right", value=D("33.0"), method="rule")
DEEDS = {
    "needs": lambda cast, d, part: record.save_needs(**part("needs"), uses=["driving_day"]),
    "prescription": lambda cast, d, part: record.save_prescription(
        **part("prescription"), right={"sphere": D("-2.50")}, left={"sphere": D("-1.50")}, prescriber="P. Quillfeather"
    ),
    "frame": lambda cast, d, part: record.choose_frame(**part("frame"), item=FrameFactory(group=cast.group)),
    "fit": lambda cast, d, part: record.confirm_fit(**part("fit"), adjusted=[], vertex_mm=D("13.0")),
    "a reading": lambda cast, d, part: measure.add_readings(actor=cast.trainee, dispense=d, readings=[READING]),
    "a reading left out": lambda cast, d, part: measure.strike_out_reading(
        actor=cast.trainee, dispense=d, reading=d.readings.first(), reason="misread"
    ),
    "an adopted value": lambda cast, d, part: measure.adopt_value(
        **part("readings"), quantity="far_pd", eye="right", value=D("31.0")
    ),
    "a reason for readings": lambda cast, d, part: measure.save_measurement_reason(
        **part("readings"), reason="Head held turned."
    ),
    "lens": lambda cast, d, part: record.choose_lens(**part("lens"), option=cast.single_option),
}


def test_any_change_of_any_part_lifts_the_signature(cast):
    dispense = signed_dispense(cast)
    for deed, do in DEEDS.items():
        with transaction.atomic():
            d = Dispense.objects.get(pk=dispense.pk)

            def part(name, d=d):
                return {"actor": cast.trainee, "dispense": d, "version": record.part_version(d, name)}

            do(cast, d, part)
            after = Dispense.objects.get(pk=d.pk)
            assert after.state == Dispense.State.OPEN, deed
            assert sign_off.current_signature(after) is None, deed
            assert after.signatures.last().decision == Signature.Decision.LIFTED, deed
            assert AuditEvent.objects.filter(action="dispense.signature_lifted").count() == 1, deed
            assert not sign_off.may_issue(actor=cast.supervisor, dispense=after), deed
            transaction.set_rollback(True)
    assert Dispense.objects.get(pk=dispense.pk).state == Dispense.State.SIGNED
