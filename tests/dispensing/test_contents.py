"""Photographs and received documents in the database and in a store: the same from outside. The store is a real server of the S3
protocol over HTTP on loopback (moto, a general library)."""

from __future__ import annotations

import hashlib
import io
import json
import re
import socket
import time
import zipfile
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import DatabaseError
from django.urls import reverse
from django.utils import timezone

from dispensing import photographs, record
from dispensing.kept import DOCUMENTS, PHOTOGRAPHS
from dispensing.models import Photograph, Prescription
from orders.keeping import contents as keeping
from practice import contents
from practice.contents import move, store, sweep
from practice.errors import Refused
from practice.models import Client, LooseContent
from practice.privacy.erase import erase_client
from practice.privacy.export import export_client
from tests.dispensing.test_gather import whole
from tests.factories import small_jpeg
from tests.stores import FOLDER, keys_of, place

# HL7 VisionPrescription example 33123 (hl7.org/fhir/R5/visionprescription-example.json)
(EXAMPLE,) = Path(__file__).parents[1].rglob("visionprescription-example.json")
KEY = re.compile(r"^[0-9a-f]{2}/[0-9a-f]{30}$")


def document_text() -> str:
    return EXAMPLE.read_text()


@pytest.fixture
def desk(cast, client):
    cast.dispense = whole(cast)
    client.force_login(cast.trainee)
    cast.http = client
    return cast


def add(desk):
    return photographs.add_photograph(actor=desk.trainee, dispense=desk.dispense, sent=small_jpeg(), consent=True)


def url(desk, *more, name="photographs"):
    return reverse(f"dispensing:{name}", args=[desk.dispense.reference, *more])


def send(desk):
    return desk.http.post(url(desk), {"picture": SimpleUploadedFile("anna-quill.jpg", small_jpeg()), "consent": "1"})


def take_in(desk):
    version = record.part_version(type(desk.dispense).objects.get(pk=desk.dispense.pk), "prescription")
    record.import_prescription(actor=desk.trainee, dispense=desk.dispense, version=version, text=document_text())
    return Prescription.objects.get(source="imported")


@pytest.fixture(params=["database", "store"])
def kept_in(request):
    """Where contents go; everything of TestKept is run over both."""
    if request.param == "store":
        return request.getfixturevalue("bucket")
    return None


class TestKept:
    def test_a_picture_is_kept_served_and_removed(self, desk, kept_in, django_capture_on_commit_callbacks):
        assert send(desk).status_code == 302
        made = Photograph.objects.get()
        assert (made.image is None, made.image_key == "") == ((True, False) if kept_in else (False, True))
        served = desk.http.get(url(desk, made.pk, name="photograph_picture"))
        assert hashlib.sha256(served.content).hexdigest() == made.sha256
        assert (served["Content-Type"], served["Cache-Control"]) == ("image/jpeg", "private, no-store")
        assert not served.has_header("Location")
        for page in (url(desk), url(desk, made.pk, name="photograph")):
            assert desk.http.get(page).status_code == 200
        with django_capture_on_commit_callbacks(execute=True):
            photographs.remove_photograph(actor=desk.trainee, photograph=made, reason="client asked")
        gone = Photograph.objects.get()
        assert (gone.image, gone.image_key, gone.sha256) == (None, "", made.sha256)
        assert desk.http.get(url(desk, made.pk, name="photograph_picture")).status_code == 404
        assert not LooseContent.objects.exists()
        assert not kept_in or keys_of(kept_in) == []

    def test_who_may_not_see_it_does_not_get_it(self, desk, kept_in, client):
        made = add(desk)
        client.force_login(desk.foreigner)
        assert client.get(url(desk, made.pk, name="photograph_picture")).status_code == 404
        client.logout()
        assert client.get(url(desk, made.pk, name="photograph_picture")).status_code == 302

    def test_a_received_document_is_kept_and_handed_over_with_the_picture(self, desk, kept_in):
        add(desk)
        row = take_in(desk)
        assert (row.imported_document == "", row.imported_key == "") == ((True, False) if kept_in else (False, True))
        assert contents.read(DOCUMENTS, row) == document_text().encode()
        export = export_client(actor=desk.supervisor, client=desk.client, reason="asked for it at the desk")
        told = json.loads(export.json)["dispensing"]
        (given,) = [p for p in told["prescriptions"] if p["source"] == "imported"]
        assert given["imported_document"] == document_text()
        assert "key" not in " ".join((*given, *told["dispenses"][0]["photographs"][0]))
        archive = zipfile.ZipFile(io.BytesIO(export.archive))
        (name,) = [n for n in archive.namelist() if n.endswith(".jpg")]
        assert hashlib.sha256(archive.read(name)).hexdigest() == Photograph.objects.get().sha256

    def test_a_document_with_a_mark_before_it_is_what_was_received(self, desk, kept_in):
        """Some programs put U+FEFF first: the digest is of what came, the text is kept without it."""
        version = record.part_version(desk.dispense, "prescription")
        record.import_prescription(
            actor=desk.trainee, dispense=desk.dispense, version=version, text="\ufeff" + document_text()
        )
        row = Prescription.objects.get(source="imported")
        assert row.imported_sha256 == hashlib.sha256(("\ufeff" + document_text()).encode()).hexdigest()
        assert contents.read(DOCUMENTS, row) == document_text().encode()
        assert move.look_through().wrong == []

    def test_erasing_a_client_takes_both(self, desk, kept_in, django_capture_on_commit_callbacks):
        add(desk)
        take_in(desk)
        assert not kept_in or len(keys_of(kept_in)) == 2
        old = timezone.now() - timedelta(days=366 * 11)
        Client.objects.filter(pk=desk.client.pk).update(created_at=old)
        type(desk.dispense).objects.filter(client=desk.client).update(state="cancelled", updated_at=old)
        with django_capture_on_commit_callbacks(execute=True):
            erase_client(actor=desk.manager, client=desk.client, reason="nothing demands to keep it")
        row, document = Photograph.objects.get(), Prescription.objects.get(source="imported")
        assert (row.image, row.image_key, row.sha256) == (None, "", "")
        assert (document.imported_document, document.imported_key, document.imported_sha256) == ("", "", "")
        assert not kept_in or keys_of(kept_in) == []

    def test_what_is_refused_late_leaves_nothing(self, desk, kept_in, monkeypatch):
        """Refused or failed after the bytes were written: no row, and what is left in the store goes after an hour, not before."""
        monkeypatch.setattr(photographs, "MOST_KEPT", 0)
        with pytest.raises(Refused):
            add(desk)
        monkeypatch.setattr(photographs, "MOST_KEPT", 12)
        monkeypatch.setattr(photographs, "_audit", lambda *_: (_ for _ in ()).throw(DatabaseError("no room")))
        with pytest.raises(DatabaseError):
            add(desk)
        assert not Photograph.objects.exists()
        left = 2 if kept_in else 0
        assert (LooseContent.objects.count(), len(keys_of(kept_in)) if kept_in else 0) == (left, left)
        call_command("sweep_contents")
        assert LooseContent.objects.count() == left
        LooseContent.objects.update(since=timezone.now() - contents.LOOSE_FOR - timedelta(seconds=1))
        call_command("sweep_contents")
        assert not LooseContent.objects.exists()
        assert not kept_in or keys_of(kept_in) == []


# --- the store --------------------------------------------------------------------------------------------------------------


def test_objects_are_private_encrypted_and_named_by_chance(desk, bucket):
    made = add(desk)
    assert KEY.match(made.image_key)
    (name,) = keys_of(bucket)
    assert name == f"{FOLDER}/{made.image_key}"
    head = bucket.Object(name).get()
    assert (head["ServerSideEncryption"], head["ContentType"]) == ("AES256", "image/jpeg")
    assert head["Metadata"] == {}
    grants = bucket.Object(name).Acl().grants
    assert {g["Grantee"]["Type"] for g in grants} == {"CanonicalUser"}  # the owner, no group of everybody
    assert not LooseContent.objects.exists()


def test_a_store_that_is_away_is_said_and_nothing_is_half_saved(desk, server, bucket, settings):
    made = add(desk)
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        settings.CONTENTS = place(f"http://127.0.0.1:{closed.getsockname()[1]}")
        desk.http.raise_request_exception = False
        answer = send(desk)
        assert answer.status_code == 503
        assert "does not answer just now. Nothing was saved" in answer.content.decode()
        assert 'name="consent"' in answer.content.decode()
        assert "checked" in answer.content.decode()  # what was ticked stays
        version = record.part_version(type(desk.dispense).objects.get(pk=desk.dispense.pk), "prescription")
        taken = desk.http.post(url(desk, name="import_prescription"), {"text": document_text(), "version": version})
        assert "does not answer just now. Nothing was saved" in taken.content.decode()
        assert not Prescription.objects.filter(source="imported").exists()
        assert Photograph.objects.count() == 1
        shown = desk.http.get(url(desk, made.pk, name="photograph_picture"))
        assert (shown.status_code, shown["Retry-After"]) == (503, "5")
        assert "store of pictures and documents" in shown.content.decode()
        assert desk.http.get(url(desk, made.pk, name="photograph")).status_code == 200  # the rest of the page is there
    settings.CONTENTS = place(server)
    assert desk.http.get(url(desk, made.pk, name="photograph_picture")).status_code == 200
    LooseContent.objects.update(since=timezone.now() - timedelta(days=1))
    assert sweep.sweep().deleted == 2  # of the tries that failed; deleting what is not there does no harm


def test_a_store_that_says_nothing_is_given_up_and_left_alone_for_a_while(desk, settings):
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        settings.CONTENTS = place(f"http://127.0.0.1:{silent.getsockname()[1]}", timeout_s=1)
        began = time.monotonic()
        with pytest.raises(store.Away, match=r"no answer within 1 s"):
            store.current().get("x")
        assert 1.9 <= time.monotonic() - began < 60  # tried twice
        began = time.monotonic()
        for _ in range(20):
            with pytest.raises(store.Away, match="a moment ago"):
                store.current().get("x")
        assert time.monotonic() - began < 20  # asked, each would have taken two seconds


def test_removing_does_not_wait_for_a_store_that_is_away(
    desk, server, bucket, settings, django_capture_on_commit_callbacks
):
    made = add(desk)
    settings.CONTENTS = place("http://127.0.0.1:9")
    with django_capture_on_commit_callbacks(execute=True):
        photographs.remove_photograph(actor=desk.trainee, photograph=made, reason="client asked")
    assert Photograph.objects.get().image_key == ""
    assert len(keys_of(bucket)) == 1
    with pytest.raises(CommandError, match=r"cannot be reached|a moment ago"):
        call_command("sweep_contents")
    settings.CONTENTS = place(server)
    call_command("sweep_contents")
    assert keys_of(bucket) == []
    assert not LooseContent.objects.exists()


def test_what_is_damaged_or_lost_is_shown_to_nobody_and_named(desk, bucket, capsys):
    made, other = add(desk), add(desk)
    bucket.Object(f"{FOLDER}/{made.image_key}").put(Body=b"another picture")
    bucket.Object(f"{FOLDER}/{other.image_key}").delete()
    desk.http.raise_request_exception = False
    for row in (made, other):
        answer = desk.http.get(url(desk, row.pk, name="photograph_picture"))
        assert answer.status_code == 500
        assert b"another picture" not in answer.content
    with pytest.raises(CommandError, match="2 are not what was put in"):
        call_command("verify_contents")
    said = capsys.readouterr().out
    assert f"photograph {made.pk}: what is in the store is not what was put in" in said
    assert f"photograph {other.pk}: it is not in the store" in said


def test_a_note_that_was_held_after_all_deletes_nothing(desk, bucket):
    made = add(desk)
    LooseContent.objects.create(key=made.image_key, since=timezone.now() - timedelta(days=1))
    assert (sweep.sweep().held, len(keys_of(bucket))) == (1, 1)


def test_objects_of_nobody_are_listed_and_left(desk, bucket, capsys):
    add(desk)
    bucket.Object(f"{FOLDER}/ab/of-another-site").put(Body=b"x")
    bucket.Object("outside/the-folder").put(Body=b"x")
    call_command("verify_contents", "--unknown")
    said = capsys.readouterr().out
    assert "unknown  ab/of-another-site" in said
    assert "1 objects are unknown" in said
    call_command("sweep_contents")
    assert len(keys_of(bucket)) == 3


# --- moved ------------------------------------------------------------------------------------------------------------------


def test_moved_to_the_store_and_back_and_taken_up_where_it_stopped(desk, server, bucket, settings, monkeypatch):
    settings.CONTENTS = place(server, for_new=False)
    pictures, document = [add(desk) for _ in range(3)], take_in(desk)
    before = {row.pk: bytes(row.image) for row in pictures}
    with pytest.raises(CommandError, match="still sends what is new to the database"):
        call_command("move_contents", "--to", "store")
    settings.CONTENTS = place(server)
    real, tries = store.Store.put, []

    def put(self, *values):
        tries.append(values)
        if len(tries) == 3:
            raise store.Away("it went away")
        real(self, *values)

    monkeypatch.setattr(store.Store, "put", put)
    with pytest.raises(CommandError, match="it went away What was moved so far is moved: start the command again"):
        call_command("move_contents", "--to", "store")
    assert sorted(p.image_key == "" for p in Photograph.objects.all()) == [False, False, True]
    monkeypatch.setattr(store.Store, "put", real)
    call_command("move_contents", "--to", "store")
    for row in Photograph.objects.all():
        assert row.image is None
        assert contents.read(PHOTOGRAPHS, row) == before[row.pk]
    document.refresh_from_db()
    assert (document.imported_document, contents.read(DOCUMENTS, document)) == ("", document_text().encode())
    looked = move.look_through()
    assert (looked.here, looked.there, looked.wrong) == (0, 4, [])
    assert len(keys_of(bucket)) == 4
    settings.CONTENTS = place(server, for_new=False)
    call_command("move_contents", "--to", "database")
    assert {row.pk: bytes(row.image) for row in Photograph.objects.all()} == before
    document.refresh_from_db()
    assert (document.imported_document, document.imported_key) == (document_text(), "")
    sweep.sweep()
    LooseContent.objects.update(since=timezone.now() - timedelta(days=1))  # of the put that failed
    sweep.sweep()
    assert keys_of(bucket) == []


def test_what_is_not_what_its_digest_says_is_not_moved(desk, server, bucket, settings, capsys):
    settings.CONTENTS = place(server, for_new=False)
    good, bad = add(desk), add(desk)
    Photograph.objects.filter(pk=bad.pk).update(image=b"spoilt long ago")
    settings.CONTENTS = place(server)
    with pytest.raises(CommandError, match="1 moved, 1 left"):
        call_command("move_contents", "--to", "store")
    assert f"photograph {bad.pk}: it is not what its digest says" in capsys.readouterr().out
    assert bytes(Photograph.objects.get(pk=bad.pk).image) == b"spoilt long ago"
    assert Photograph.objects.get(pk=good.pk).image is None
    bucket.Object(f"{FOLDER}/{Photograph.objects.get(pk=good.pk).image_key}").put(Body=b"spoilt there")
    settings.CONTENTS = place(server, for_new=False)
    with pytest.raises(CommandError, match="0 moved, 1 left"):
        call_command("move_contents", "--to", "database")
    assert Photograph.objects.get(pk=good.pk).image is None


def test_a_picture_removed_while_it_is_moved_stays_removed(desk, bucket, server, settings, monkeypatch):
    settings.CONTENTS = place(server, for_new=False)
    made = add(desk)
    settings.CONTENTS = place(server)
    real = store.Store.get

    def get(self, key):
        photographs.remove_photograph(actor=desk.trainee, photograph=made, reason="client asked")
        return real(self, key)

    monkeypatch.setattr(store.Store, "get", get)
    assert move.to_store().moved == 0
    row = Photograph.objects.get()
    assert (row.image, row.image_key) == (None, "")
    LooseContent.objects.update(since=timezone.now() - timedelta(days=1))
    sweep.sweep()
    assert keys_of(bucket) == []


# --- in backups -----------------------------------------------------------------------------------------------------------------


def test_packed_for_a_backup_and_brought_back(desk, server, bucket, settings, tmp_path):
    pictures, document = [add(desk), add(desk)], take_in(desk)
    found = keeping.wanted("default")
    assert len(found) == 3
    packed = keeping.pack(tmp_path, found, include=True)
    assert (packed.count, packed.wrong, packed.gone, packed.left_out) == (3, [], [], "")
    manifest = {"contents": packed.said()}
    assert list(keeping.unpack(tmp_path, manifest, "default", put=False)) == []
    bucket.objects.delete()  # the store burnt as well
    assert list(keeping.unpack(tmp_path, manifest, "default", put=True)) == []
    assert move.look_through().wrong == []
    spoilt = tmp_path / "contents" / pictures[0].image_key
    whole_one = spoilt.read_bytes()
    spoilt.write_bytes(b"x")
    (told,) = keeping.unpack(tmp_path, manifest, "default", put=False)
    assert "not what its digest says" in told
    spoilt.unlink()
    (told,) = keeping.unpack(tmp_path, manifest, "default", put=False)
    assert "was not in the store when the backup was made" in told
    spoilt.write_bytes(whole_one)
    settings.CONTENTS = None  # a site without a store: into the database
    assert list(keeping.unpack(tmp_path, manifest, "default", put=True)) == []
    assert not Photograph.objects.exclude(image_key="").exists()
    document.refresh_from_db()
    assert document.imported_document == document_text()
    looked = move.look_through()
    assert (looked.here, looked.there, looked.wrong) == (3, 0, [])


def test_a_backup_tells_what_it_has_not(desk, server, bucket, settings, tmp_path):
    made, other = add(desk), add(desk)
    found = keeping.wanted("default")
    photographs.remove_photograph(actor=desk.trainee, photograph=other, reason="while the backup is made")
    bucket.Object(f"{FOLDER}/{other.image_key}").delete()
    packed = keeping.pack(tmp_path, found, include=True)
    assert (packed.gone, packed.wrong) == ([other.image_key], [])
    bucket.objects.delete()
    assert keeping.pack(tmp_path, found, include=True).wrong == [made.image_key]
    left = keeping.pack(tmp_path, found, include=False).said()
    (told,) = keeping.unpack(tmp_path, {"contents": left}, "default", put=False)
    assert "left out of the backup, and is not in the store" in told
    settings.CONTENTS = place("http://127.0.0.1:9")
    away = keeping.pack(tmp_path, found, include=True)
    assert "cannot be reached" in away.left_out
    assert not (tmp_path / "contents").exists()
    settings.CONTENTS = None
    (told,) = keeping.unpack(tmp_path, {"contents": left}, "default", put=False)
    assert "it is in bucket practice-records, and no store is set here" in told
    assert keeping.missing("default") == (1, [])
