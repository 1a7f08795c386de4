"""What is held on a client: all of it handed over, kept as long as the branch says, then forgotten for good."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import UTC, date, datetime, timedelta

import jsonschema
import pypdf
import pytest
from django.apps import apps
from django.db import DatabaseError, connection, models, transaction
from django.test import Client as Browser
from django.urls import reverse
from django.utils import timezone

from dispensing.models import Dispense, Photograph, Reading, Signature
from orders import guard, labs, verify
from orders.issue import cancel_order, issue_order
from orders.models import Collection, IdempotentAnswer, Order, OrderEvent, ReturnVisit
from orders.return_visit import decide_visit
from practice import audit, audit_guard, clients
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import AuditDetail, AuditEvent, AuditHead, Branch, Client, ConsentNote
from practice.privacy import consent
from practice.privacy.erase import erase_client, erase_due, why_not_erase
from practice.privacy.export import SCHEMA, export_client
from practice.privacy.registry import parts
from practice.privacy.retention import add_years, kept, report, rule
from tests.factories import PASSWORD, ClientFactory, PhotographFactory, small_jpeg
from tests.orders.ready import came_back, ready_dispense, signed_dispense
from tests.practice.test_places import just_signed_in

REASON = "Asked for in writing, answered within the month."
# words that say who somebody is, put wherever they can be put
SECRETS = ("Zoraida", "Quillfeather", "1958-07-29", "plays the cello", "01632 960123", "zoraida@example.org", "Dr Ottoline")


@pytest.fixture
def world(cast):
    """A client with everything a client can have: signed, ordered, cancelled, ordered again, collected, brought back, decided."""
    audit_guard.install()
    guard.install()
    client = clients.add_client(
        actor=cast.dispenser,
        branch=cast.branch,
        values={
            "given_name": "Zoraida",
            "family_name": "Quillfeather",
            "date_of_birth": date(1958, 7, 29),
            "phone": "01632 960123",
            "email": "zoraida@example.org",
            "notes": "Quillfeather plays the cello",
        },
    )
    Branch.objects.filter(pk=cast.branch.pk).update(name_on_lab_documents=True)
    cast.branch.refresh_from_db()
    client.branch.refresh_from_db()
    consent.note_consent(actor=cast.dispenser, client=client, purpose="reminders to Quillfeather by email", given=True)
    first = signed_dispense(cast, client=client)
    cancelled = issue_order(actor=cast.supervisor, dispense=first, lab=cast.lab)
    cancel_order(actor=cast.supervisor, order=cancelled, reason="Quillfeather changed her mind, plays the cello")
    from dispensing import record

    first.refresh_from_db()
    record.cancel_dispense(actor=cast.supervisor, dispense=first, version=first.version, reason="Quillfeather no more")
    second = ready_dispense(cast, client=client)
    Dispense.objects.filter(pk=second.pk).update(wish="plays the cello")
    second.prescription.prescriber = "Dr Ottoline"
    second.prescription.save()
    PhotographFactory(dispense=second, added_by=cast.dispenser)
    order = came_back(cast, issue_order(actor=cast.dispenser, dispense=Dispense.objects.get(pk=second.pk), lab=cast.lab))
    visit = ReturnVisit.objects.get(order=order)
    ReturnVisit.objects.filter(pk=visit.pk).update(words="Quillfeather plays the cello")
    decide_visit(
        actor=cast.dispenser, visit=visit, outcome="nothing", cause="adaptation", note="Quillfeather gets used to it"
    )
    browser = Browser()
    browser.force_login(cast.manager)
    browser.get(reverse("dispensing:client", args=[client.reference]))
    return client


def _collected(client: Client, dispenser) -> Dispense:
    return Dispense.objects.create(
        group=client.group, branch=client.branch, client=client, dispenser=dispenser, state=Dispense.State.COLLECTED
    )


def _years_pass(client: Client, years: int = 11) -> None:
    """All moments of a client's visits moved back, as if it had been then."""
    back = timedelta(days=366 * years)
    Client.objects.filter(pk=client.pk).update(created_at=client.created_at - back)
    for row in Dispense.objects.filter(client=client):
        Dispense.objects.filter(pk=row.pk).update(updated_at=row.updated_at - back)
    for model, way in (
        (Order, "dispense__client"),
        (Collection, "order__dispense__client"),
        (ReturnVisit, "order__dispense__client"),
    ):
        moment = "issued_at" if model is Order else "at"
        for row in model.objects.filter(**{way: client}):
            model.objects.filter(pk=row.pk).update(**{moment: getattr(row, moment) - back})


# --- handing over -----------------------------------------------------------------------------------------------------


def test_an_export_holds_all_of_it_in_the_documented_shape(cast, world):
    export = export_client(actor=cast.supervisor, client=world, reason=REASON)
    data = json.loads(export.json)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(data)
    for secret in SECRETS:
        assert secret in export.json.decode(), secret
    dispenses = data["dispensing"]["dispenses"]
    assert len(dispenses) == 2
    assert sum(len(d["readings"]) for d in dispenses) == Reading.objects.filter(dispense__client=world).count() > 0
    signed = next(s for d in dispenses for s in d["signatures"] if s["decision"] == "signed")
    assert signed["seen"]["case"]["prescription"]
    collected = data["orders"]["orders"][-1]
    assert collected["document"]["order"]["number"] == collected["number"]
    assert collected["collection"]["by"]
    assert all(collected[n] for n in ("receipts", "returns", "events"))
    assert data["consents"][0]["given"] is True
    assert [w["by"] for w in data["who_looked"]] == [cast.manager.display_name]
    archive = zipfile.ZipFile(io.BytesIO(export.archive))
    assert archive.testzip() is None
    photograph = Photograph.objects.get(dispense__client=world)
    name = f"photographs/{photograph.dispense.reference}-{photograph.pk}.jpg"
    assert set(archive.namelist()) == {"held.json", "held.pdf", "held-1.0.schema.json", name}
    assert archive.read(name) == bytes(photograph.image) == small_jpeg()
    paper = "".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(export.pdf)).pages)
    for secret in SECRETS:
        assert secret in " ".join(paper.split()), secret
    told = AuditEvent.objects.get(action="client.exported")
    assert (told.actor, told.client, told.after) == (cast.supervisor, world, {"reason": REASON, "files": 1})


def test_every_table_about_a_client_belongs_to_a_part(db):
    """Walks all models of the site from Client outwards by their foreign keys: what leads to one client is exported and erased."""
    known = {m for part in parts() for m in part.models} | {AuditEvent, AuditDetail, ConsentNote}
    reached, new = {Client}, {Client}
    while new:
        new = {
            model
            for model in apps.get_models()
            for f in model._meta.get_fields()
            if isinstance(f, models.ForeignKey) and f.related_model in new and model not in reached
        }
        reached |= new
    assert {Dispense, Reading, Order, OrderEvent} <= reached
    assert reached - {Client} == known, (reached - {Client}) ^ known


def test_only_a_supervisor_or_manager_hands_over_and_says_why(cast):
    world = cast.client
    with pytest.raises(NotAllowed):
        export_client(actor=cast.dispenser, client=world, reason=REASON)
    with pytest.raises(Invalid) as wrong:
        export_client(actor=cast.manager, client=world, reason=" a ")
    assert "reason" in wrong.value.errors
    assert not AuditEvent.objects.filter(action="client.exported").exists()
    browser = Browser()
    browser.force_login(cast.manager)
    url = reverse("practice:hand_over", args=[world.reference])
    for own in ({}, {"password": "402816"}):  # as somebody who is here by PIN
        refused = browser.post(url, {"format": "json", "reason": REASON} | own)
        assert b"export-password-error" in refused.content
    assert browser.post(url, {"format": "json", "reason": REASON, "password": PASSWORD}).content.startswith(b"{")
    just_signed_in(browser)
    empty = browser.post(url, {"format": "zip", "reason": ""})
    assert (empty.status_code, b"Say who asked" in empty.content) == (200, True)
    assert browser.post(url, {"format": "exe", "reason": REASON}).status_code == 404
    for form, begins in (("zip", b"PK"), ("json", b"{"), ("pdf", b"%PDF")):
        answer = browser.post(url, {"format": form, "reason": REASON})
        assert answer.content.startswith(begins)
        assert answer["Content-Disposition"] == f'attachment; filename="{world.reference}-held.{form}"'
    browser.force_login(cast.dispenser)
    assert b"supervisor or manager" in browser.post(url, {"format": "zip", "reason": REASON}).content


# --- how long ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("born", "last", "until"),
    [
        # counted by hand from the settings 10 years, age 25, of age from 18
        (date(1958, 7, 29), date(2026, 3, 1), date(2036, 3, 1)),
        (date(1958, 7, 29), date(2024, 2, 29), date(2034, 3, 1)),  # a day that year has not
        (date(2016, 5, 4), date(2026, 3, 1), date(2041, 5, 4)),  # ten years old: to the 25th birthday
        (date(2008, 3, 2), date(2026, 3, 1), date(2036, 3, 1)),  # 17: ten years are longer than to 25
        (date(2008, 3, 1), date(2026, 3, 1), date(2036, 3, 1)),  # 18 that day: an adult
        (date(2012, 2, 29), date(2020, 1, 1), date(2037, 3, 1)),
    ],
)
def test_until_when_a_record_is_kept(born, last, until):
    assert rule(Branch(keep_adult_years=10, keep_child_until_age=25, adult_from_age=18), born, last)[0] == until


def test_the_day_of_an_erasure_is_that_of_the_branch(cast):
    cast.branch.time_zone = "Pacific/Auckland"
    cast.branch.save()
    client = cast.client
    client.branch, client.erased_at = cast.branch, datetime(2026, 11, 30, 13, tzinfo=UTC)
    assert why_not_erase(client) == "This client was erased on 1 December 2026."


# --- forgetting -------------------------------------------------------------------------------------------------------


def test_it_is_refused_with_the_day_from_which_it_may_be_done(cast, world):
    day = add_years(cast.branch.today(), 10)
    with pytest.raises(Refused, match=f"may be erased from {day.day} {day:%B %Y}"):
        erase_client(actor=cast.manager, client=world, reason=REASON)
    _years_pass(world)
    with pytest.raises(NotAllowed):
        erase_client(actor=cast.supervisor, client=world, reason=REASON)
    with pytest.raises(Invalid):
        erase_client(actor=cast.manager, client=world, reason="old")
    going = ready_dispense(cast, client=world)
    Dispense.objects.filter(pk=going.pk).update(updated_at=timezone.now() - timedelta(days=366 * 11))
    with pytest.raises(Refused, match=f"{going.reference} is being prepared"):
        erase_client(actor=cast.manager, client=world, reason=REASON)
    world.refresh_from_db()
    assert world.given_name == "Zoraida"
    # the strictest branch a client was at decides, and the last visit counts
    today = cast.branch.today()
    Branch.objects.filter(pk=cast.other_branch.pk).update(keep_adult_years=30)
    Dispense.objects.filter(pk=going.pk).update(branch=cast.other_branch, updated_at=timezone.now())
    found = kept(Client.objects.get(pk=world.pk))
    assert (found.until, found.branch) == (add_years(today, 30), cast.other_branch)
    assert AuditDetail.objects.filter(event__client=world).exists()


def _everything() -> str:
    """Every value of every table, as the database holds it."""
    found = []
    with connection.cursor() as c:
        for table in connection.introspection.table_names(c):
            c.execute(f'SELECT * FROM "{table}"')
            found.append(
                f"{table}: {[[bytes(v) if isinstance(v, memoryview) else v for v in row] for row in c.fetchall()]}"
            )
    return "\n".join(found)


def test_nothing_that_says_who_somebody_is_is_left_anywhere(cast, world):
    """Looks through every table of the database, and at the pages afterwards."""
    before = _everything()
    number = Order.objects.filter(dispense__client=world).latest("pk").number
    for secret in ("Zoraida", "Quillfeather", "plays the cello", "Dr Ottoline"):
        assert secret in before
    assert "Quillfeather" in Order.objects.get(number=number).document
    readings = list(Reading.objects.filter(dispense__client=world).values_list("value", flat=True))
    _years_pass(world)
    other = ClientFactory(branch=cast.branch, given_name="Somebody", family_name="Else-Entirely")
    erase_client(actor=cast.manager, client=world, reason=REASON)
    after = _everything()
    for secret in (*SECRETS, "1958-", "date(1958", str(small_jpeg())[2:-1]):
        at = after.casefold().find(secret.casefold())
        assert at < 0, after[max(0, at - 300) : at + 60]
    # what was made stays, and nobody else is touched
    assert list(Reading.objects.filter(dispense__client=world).values_list("value", flat=True)) == readings
    other.refresh_from_db()
    assert other.family_name == "Else-Entirely"
    # the trail still holds, and so do the orders
    assert audit.verify(cast.group) is None
    assert [what for _, what in verify.differences() if what] == []
    told = AuditEvent.objects.get(action="client.erased")
    assert told.after["reason"] == REASON
    assert set(told.after["orders"]) == set(Order.objects.filter(dispense__client=world).values_list("number", flat=True))
    # pages about what remains open, and offer nothing more
    browser = Browser()
    browser.force_login(cast.manager)
    signature = Signature.objects.filter(dispense__client=world, decision="signed").get()
    dispense = Order.objects.get(number=number).dispense
    for url in (
        reverse("dispensing:client", args=[world.reference]),
        reverse("practice:held", args=[world.reference]),
        reverse("dispensing:sheet", args=[dispense.reference]),
        reverse("dispensing:photographs", args=[dispense.reference]),
        reverse("dispensing:signature", args=[signature.dispense.reference, signature.pk]),
        *(reverse(f"orders:{n}", args=[number]) for n in ("detail", "pdf", "collect", "handover")),
        reverse("practice:audit") + f"?client={world.reference}",
    ):
        answer = browser.get(url)
        assert answer.status_code == 200, url
        assert b"uillfeather" not in answer.content
    assert b"New dispense" not in browser.get(reverse("dispensing:client", args=[world.reference])).content
    assert world.reference.encode() not in browser.get(reverse("practice:clients")).content
    with pytest.raises(Refused, match="was erased on"):
        erase_client(actor=cast.manager, client=world, reason=REASON)
    world.refresh_from_db()
    with pytest.raises(Refused, match="has been erased"):
        clients.change_client(actor=cast.manager, client=world, version=world.version, values={"given_name": "Back"})
    with pytest.raises(Refused, match="has been erased"):
        ready_dispense(cast, client=world)


# columns of text that say nothing about anybody: codes, names of methods and instruments, digests, numbers
KEPT = {
    "Dispense": {"reference", "fit_frame_identity", "compensation"},
    "PrescriptionEye": {"eye", "base_h", "base_v", "near_base_h", "near_base_v", "acuity", "near_acuity"},
    "Prescription": {"read_back", "imported_key"},  # names by chance in the store: what is under them goes (test_contents)
    "Reading": {"quantity", "eye", "method", "reference", "frame_identity", "instrument", "entry"},
    "Adoption": {"quantity", "eye", "reference", "how", "frame_identity"},
    "Photograph": {"frame_identity", "looking", "mark", "removed_reason", "image_key"},
    "Reason": {"finding_key"},
    "Signature": {"snapshot_sha256"},
    "Remark": {"path"},
    "Remeasure": {"frame_identity"},
    "SupervisorReading": {"quantity", "eye", "method", "reference", "instrument"},
    "Comparison": {"quantity", "eye", "terms", "method", "instrument", "own_method", "consequence"},
    "Presence": {"part"},
    "Order": {"number", "document", "document_sha256", "schema_version"},  # the document: see above
    "OrderEvent": {"kind"},
    "Question": {"field"},
    "ReceiptCheck": {"standard", "outcome", "statement"},
    "Collection": {"marks_rechecked"},
    "ReturnVisit": {"cause", "outcome_word"},
    "WebhookMessage": {"message_id", "kind", "trouble"},
    "RecheckItem": {"trouble"},
    "RecheckChange": {"state", "check_id", "finding_key", "was", "now", "message", "limit"},
}


def test_every_other_column_of_words_is_emptied(cast, world):
    """A new column of text has to be emptied by its part, or said here to hold nothing about anybody."""
    with guard.set_aside():
        for part in parts():
            for model in part.models:
                for f in model._meta.concrete_fields:
                    if not isinstance(f, models.CharField | models.TextField) or f.choices or f.unique:
                        continue
                    if f.name not in KEPT[model.__name__]:
                        secret = "Zoraida"[: f.max_length] if f.max_length else "Zoraida"
                        model._default_manager.update(**{f.name: secret})
    _years_pass(world)
    erase_client(actor=cast.manager, client=Client.objects.get(pk=world.pk), reason=REASON)
    left = _everything()
    assert "Zoraida" not in left, left[max(0, left.find("Zoraida") - 400) : left.find("Zoraida") + 60]


def test_the_database_lets_words_go_only_of_a_client_who_is_erased(cast, world):
    order = Order.objects.filter(dispense__client=world).latest("pk")
    tries = (
        lambda: AuditDetail.objects.filter(event__client=world).delete(),
        lambda: AuditDetail.objects.filter(event__client=world).update(after={}),
        lambda: Order.objects.filter(pk=order.pk).update(document="{}"),
        lambda: OrderEvent.objects.filter(order=order).update(note=""),
    )
    for attempt in tries:
        with pytest.raises(DatabaseError), transaction.atomic():
            attempt()
    _years_pass(world)
    erase_client(actor=cast.manager, client=world, reason=REASON)
    for attempt in (
        lambda: AuditDetail.objects.filter(event__client=world).update(after={}),
        lambda: Order.objects.filter(pk=order.pk).update(document="{}", document_sha256="0" * 64),
        lambda: OrderEvent.objects.filter(order=order).update(kind="another"),
        lambda: OrderEvent.objects.filter(order=order).delete(),
        lambda: AuditEvent.objects.filter(client=world).delete(),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            attempt()
    # what is left of a document is known to the chain
    Order.objects.filter(pk=order.pk).update(document="{}")
    assert [w.what for _, w in verify.differences() if w] == [
        "its text is not what was left of it when its client was erased"
    ]


# --- the report and several at once -------------------------------------------------------------------------------------


def test_the_report_names_who_is_due_and_a_batch_goes_whole_or_not_at_all(cast):
    world = ClientFactory(branch=cast.branch, given_name="Zoraida", family_name="Quillfeather")
    PhotographFactory(dispense=_collected(world, cast.dispenser), added_by=cast.dispenser)
    _years_pass(world)
    young = ClientFactory(branch=cast.branch, family_name="Stays")
    found = report(cast.group, [cast.branch, cast.other_branch])
    assert [(r.branch, [k.client for k in r.due], r.held) for r in found] == [
        (cast.branch, [world], 3),
        (cast.other_branch, [], 0),
    ]
    with pytest.raises(Refused, match=young.reference):
        erase_due(actor=cast.manager, branch=cast.branch, references=[world.reference, young.reference], reason=REASON)
    world.refresh_from_db()
    assert world.erased_at is None
    browser = Browser()
    browser.force_login(cast.manager)
    url = reverse("practice:retention")
    page = browser.get(url).content.decode()
    assert f'value="{world.reference}"' in page
    assert f'value="{young.reference}"' not in page
    lines = list(csv.reader(io.StringIO(browser.get(reverse("practice:retention_csv")).content.decode("utf-8-sig"))))
    assert [line[1] for line in lines[1:]] == [world.reference]
    assert "Quillfeather" not in str(lines)
    chosen = {"branch": cast.branch.pk, "client": [world.reference]}
    shown = browser.post(url, {**chosen, "deed": "preview"}).content.decode()
    assert "1 client, 1 dispense, 1 photograph<" in shown
    assert AuditEvent.objects.filter(action="client.erased").count() == 0
    assert "password-error" in browser.post(url, {**chosen, "deed": "erase", "reason": REASON}).content.decode()
    one = reverse("practice:held", args=[world.reference])
    assert "erase-password-error" in browser.post(one, {"deed": "erase", "reason": REASON}).content.decode()
    world.refresh_from_db()
    assert world.erased_at is None
    just_signed_in(browser)
    assert "Say why" in browser.post(url, {**chosen, "deed": "erase", "reason": "x"}).content.decode()
    assert browser.post(url, {**chosen, "deed": "erase", "reason": REASON}).status_code == 302
    world.refresh_from_db()
    assert world.erased_at is not None
    assert why_not_erase(world)


def test_what_a_lab_was_answered_forgets_the_words_too(cast, world, client):
    """Kept under its Idempotency-Key, so that a repeat is answered alike: alike, but without what says who it is."""
    order = Order.objects.filter(dispense__client=world, state="collected").get()
    headers = {"Authorization": f"Bearer {labs.create_token(lab=cast.lab).text}", "Idempotency-Key": "a-1"}
    url, asked = f"/api/v1/orders/{order.number}/questions", {"text": "Is this for Quillfeather?"}
    first = client.post(url, asked, content_type="application/json", headers=headers)
    assert "Quillfeather" in IdempotentAnswer.objects.get().body
    _years_pass(world)
    erase_client(actor=cast.manager, client=world, reason=REASON)
    assert "Quillfeather" not in IdempotentAnswer.objects.get().body
    again = client.post(url, asked, content_type="application/json", headers=headers)
    assert again["Idempotency-Replayed"] == "true"
    assert again.json() == first.json() | {"text": ""}


# --- consent ----------------------------------------------------------------------------------------------------------


def test_consent_is_given_and_taken_back_each_on_record(cast):
    browser = Browser()
    browser.force_login(cast.trainee)
    url = reverse("practice:held", args=[cast.client.reference])
    early = browser.post(url, {"deed": "withdrawn", "purpose": "reminders by post"})
    assert b"nothing to take back" in early.content
    assert b'value="reminders by post"' in early.content
    assert (
        browser.post(
            url, {"deed": "given", "purpose": "Reminders by post", "on": "1/11/2026", "how": "in words"}
        ).status_code
        == 302
    )
    assert browser.post(url, {"deed": "withdrawn", "purpose": "reminders BY post"}).status_code == 302
    rows = list(ConsentNote.objects.values_list("purpose", "given", "by"))
    assert rows == [("Reminders by post", True, cast.trainee.pk), ("Reminders by post", False, cast.trainee.pk)]
    assert [n.given for n in consent.standing(cast.client)] == [False]
    for typed, words in (
        ({"purpose": ""}, b"Say what it is for"),
        ({"purpose": "photographs", "on": "tomorrow"}, b"Day, month, year"),
    ):
        assert words in browser.post(url, {"deed": "given", **typed}).content
    assert [e.action for e in AuditEvent.objects.filter(action__startswith="consent").order_by("pk")] == [
        "consent.given",
        "consent.withdrawn",
    ]
    assert AuditHead.objects.get(group=cast.group).sequence == AuditEvent.objects.filter(group=cast.group).count()
