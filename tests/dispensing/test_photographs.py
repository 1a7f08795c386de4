"""Photographs of a dispense: what is kept of a file, who may see it, how it goes, and the readings that come of it."""

from __future__ import annotations

import dataclasses
import io
import json
import re
import struct
import zlib
from decimal import Decimal as D

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from dispensing import measure, photographs, picture_file, record
from dispensing.gather import case_of
from dispensing.models import Dispense, Photograph, Reading
from dispensing.photographs import Stated
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import AuditEvent
from tests.dispensing.optics.pinhole import Scene, find_points
from tests.dispensing.test_gather import whole
from tests.factories import LensFactory, OptionFactory, small_jpeg


def scene_of(frame) -> Scene:
    """A face behind the frame of the cast, before a camera 1 m away; vertex as `whole` records it, tilts as the app takes them."""
    return Scene(a=float(frame.a), b=float(frame.b), dbl=float(frame.dbl), vertex=12.5, size=(2400, 1800), focal_px=9500.0)


def as_bytes(picture: Image.Image, kind: str = "PNG", **more) -> bytes:
    written = io.BytesIO()
    picture.save(written, kind, **more)
    return written.getvalue()


@pytest.fixture(scope="module")
def drawn():
    return {}


@pytest.fixture
def desk(cast, client, drawn):
    """A signed-in trainee, a whole dispense, a scene and its picture."""
    cast.dispense = whole(cast)
    cast.scene = scene_of(cast.frame)
    if "png" not in drawn:
        drawn["png"] = as_bytes(cast.scene.draw())
    cast.png = drawn["png"]
    client.force_login(cast.trainee)
    cast.http = client
    return cast


def add(desk, sent=None, consent=True, actor=None):
    return photographs.add_photograph(
        actor=actor or desk.trainee, dispense=desk.dispense, sent=desk.png if sent is None else sent, consent=consent
    )


def url(dispense, *more, name="photographs"):
    return reverse(f"dispensing:{name}", args=[dispense.reference, *more])


def upload(desk, sent, name="face.png", kind="image/png", consent="1"):
    data = {"picture": SimpleUploadedFile(name, sent, content_type=kind)}
    if consent:
        data["consent"] = consent
    return desk.http.post(url(desk.dispense), data)


CAMERA = Stated(camera_mm=D(1000))


def placed(desk, **stated):
    made = add(desk)
    points = desk.scene.points()
    return photographs.place_points(
        actor=desk.trainee, photograph=made, version=1, points=points, stated=dataclasses.replace(CAMERA, **stated)
    )


# --- what is kept of a file --------------------------------------------------------------------------------------------------


def test_nothing_but_pixels_is_kept():
    """EXIF with a place, a maker and a time; a comment; a colour profile: none of it, and none of the bytes, is left."""
    exif = Image.Exif()
    exif[0x010F] = "Saltmarsh Cameras"
    exif[0x9286] = b"ASCII\x00\x00\x00the client is at home"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (52.0, 57.0, 12.0), "E", (0.0, 50.0, 3.0)
    sent = as_bytes(
        Image.new("RGB", (800, 600), (120, 90, 60)),
        "JPEG",
        exif=exif,
        comment=b"a secret remark",
        icc_profile=b"profile" * 40,
    )
    with Image.open(io.BytesIO(sent)) as before:  # the control: it is there in what was sent
        assert before.getexif().get_ifd(0x8825)[1] == "N"
        assert b"a secret remark" in sent
    kept = picture_file.read_picture(sent)
    with Image.open(io.BytesIO(kept.data)) as after:
        assert after.format == "JPEG"
        assert dict(after.getexif()) == {}
        assert not {"exif", "icc_profile", "comment", "xmp"} & set(after.info)
    for secret in (b"Saltmarsh", b"secret", b"profile", b"at home", b"Exif", b"GPS", b"ICC"):
        assert secret not in kept.data
    markers = set(re.findall(rb"\xff([\xe0-\xef\xfe])", kept.data[: kept.data.index(b"\xff\xda")]))
    assert markers <= {b"\xe0"}  # JFIF alone


def test_png_text_and_transparency_are_gone():
    from PIL.PngImagePlugin import PngInfo

    text = PngInfo()
    text.add_text("Author", "a secret remark")
    sent = as_bytes(Image.new("RGBA", (400, 400), (10, 20, 30, 0)), pnginfo=text)
    kept = picture_file.read_picture(sent)
    assert b"secret" not in kept.data
    with Image.open(io.BytesIO(kept.data)) as after:
        assert after.mode == "RGB"
        assert min(after.getpixel((200, 200))) > 250  # transparent becomes white


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_that_lies_on_its_side_is_turned_upright(orientation):
    """The eight orientations of EXIF, against a picture with one red corner: after turning it is where the camera's top left was."""
    upright = Image.new("RGB", (600, 400), "white")
    upright.paste((250, 0, 0), (0, 0, 150, 100))
    undo = {
        1: None,
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }[orientation]
    stored = upright if undo is None else upright.transpose(undo)
    exif = Image.Exif()
    exif[0x0112] = orientation
    kept = picture_file.read_picture(as_bytes(stored, "JPEG", exif=exif))
    assert (kept.width, kept.height) == (600, 400)
    with Image.open(io.BytesIO(kept.data)) as after:
        red, green, _ = after.getpixel((40, 40))
        assert red > 200
        assert green < 60
        assert min(after.getpixel((560, 360))) > 200


def png_header(width: int, height: int) -> bytes:
    """A PNG that says it is large and holds a few bytes of zeros that unpack to a lot."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    body = zlib.compress(b"\0" * min(width * height // 8, 5_000_000), 9)
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def png_text_bomb() -> bytes:
    good = as_bytes(Image.new("RGB", (400, 400)))
    data = b"Comment\0\0" + zlib.compress(b"a" * 80_000_000, 9)
    chunk = struct.pack(">I", len(data)) + b"zTXt" + data + struct.pack(">I", zlib.crc32(b"zTXt" + data))
    return good[:33] + chunk + good[33:]


HOSTILE = {
    "ten thousand square": (png_header(10_000, 10_000), "million pixels"),
    "a bomb": (png_header(60_000, 60_000), "million pixels"),
    "text that unpacks to 80 MB": (png_text_bomb(), "damaged"),
    "empty": (b"", "empty"),
    "text": (b"not a picture at all" * 20, "no JPEG"),
    "a page": (b"<html><script>alert(1)</script></html>", "no JPEG"),
    "a vector picture": (b'<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>', "no JPEG"),
    "a GIF": (as_bytes(Image.new("P", (400, 400)), "GIF"), "no JPEG"),
    "a TIFF": (as_bytes(Image.new("RGB", (400, 400)), "TIFF"), "no JPEG"),
    "a WebP": (as_bytes(Image.new("RGB", (400, 400)), "WEBP"), "no JPEG"),
    "a JPEG cut short": (small_jpeg(900, 700)[:-900], "damaged"),
    "a PNG cut short": (as_bytes(Image.effect_noise((500, 500), 60))[:-4000], "damaged"),
    "a header and no more": (small_jpeg()[:180], ""),
    "too small": (small_jpeg(200, 150), "too small"),
    "too many bytes": (small_jpeg() + b"\0" * picture_file.MOST_BYTES, "larger than"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_are_refused_in_words(name):
    sent, words = HOSTILE[name]
    with pytest.raises(Invalid) as wrong:
        picture_file.read_picture(sent)
    assert words in wrong.value.errors["picture"]


def test_a_file_that_is_a_picture_and_a_page_loses_the_page():
    """A JPEG with a script behind its end is decoded; what is kept has neither."""
    kept = picture_file.read_picture(small_jpeg() + b"<script>alert(1)</script>")
    assert b"script" not in kept.data


def test_a_large_picture_is_kept_smaller_and_keeps_its_shape():
    kept = picture_file.read_picture(as_bytes(Image.new("L", (7200, 5400), 90), "JPEG"))
    assert (kept.width, kept.height) == (3600, 2700)


# --- use cases ---------------------------------------------------------------------------------------------------------------


def test_consent_is_asked_for(desk):
    with pytest.raises(Invalid) as wrong:
        add(desk, consent=False)
    assert "consent" in wrong.value.errors
    assert not Photograph.objects.exists()


def test_adding_is_audited_and_lifts_no_signature(desk):
    before = Dispense.objects.get(pk=desk.dispense.pk)
    made = add(desk)
    after = Dispense.objects.get(pk=desk.dispense.pk)
    assert (after.version, after.state) == (before.version, before.state)
    event = AuditEvent.objects.get(action="dispense.photograph_added")
    assert event.after == {"sha256": made.sha256, "consent": True}
    assert event.client == desk.client


def test_only_people_of_the_branch_and_only_while_it_is_open(desk):
    with pytest.raises(NotAllowed):
        add(desk, actor=desk.elsewhere)
    made = add(desk)
    Dispense.objects.filter(pk=desk.dispense.pk).update(state="ordered")
    for deed in (
        lambda: add(desk),
        lambda: photographs.place_points(actor=desk.trainee, photograph=made, version=1, points={}, stated=CAMERA),
        lambda: photographs.take_readings(actor=desk.trainee, photograph=made, version=1),
    ):
        with pytest.raises(Refused, match="ordered"):
            deed()
    photographs.remove_photograph(actor=desk.trainee, photograph=made, reason="client asked")  # at any time
    with pytest.raises(NotAllowed):
        photographs.remove_photograph(actor=desk.elsewhere, photograph=made, reason="x")


def test_a_dozen_is_enough(desk):
    small = small_jpeg()
    made = [add(desk, small) for _ in range(photographs.MOST_KEPT)]
    with pytest.raises(Refused, match="Remove one"):
        add(desk, small)
    photographs.remove_photograph(actor=desk.trainee, photograph=made[0], reason="blurred")
    add(desk, small)


def test_points_are_placed_over_nobody_elses(desk):
    row = placed(desk)
    assert row.version == 2
    same = photographs.place_points(
        actor=desk.trainee, photograph=row, version=2, points=photographs.points_of(row), stated=CAMERA
    )
    assert same.version == 2  # nothing changed, nothing written
    assert AuditEvent.objects.filter(action="dispense.photograph_points").count() == 1
    with pytest.raises(Conflict):
        photographs.place_points(actor=desk.dispenser, photograph=row, version=1, points={}, stated=CAMERA)
    assert len(Photograph.objects.get(pk=row.pk).points) == 12


@pytest.mark.parametrize(
    ("points", "stated", "field"),
    [
        ({"pupil.right": (2401.0, 5.0)}, {}, "points.pupil.right"),
        ({"nose": (1.0, 1.0)}, {}, "points.nose"),
        ({}, {"camera_mm": D(20)}, "camera_mm"),
        ({}, {"camera_mm": D("NaN")}, "camera_mm"),
        ({}, {"looking": "sideways"}, "looking"),
        ({}, {"reference_kind": "guess"}, "reference_kind"),
    ],
)
def test_slips_are_named_and_nothing_is_saved(desk, points, stated, field):
    made = add(desk)
    with pytest.raises(Invalid) as wrong:
        photographs.place_points(
            actor=desk.trainee, photograph=made, version=1, points=points, stated=dataclasses.replace(CAMERA, **stated)
        )
    assert list(wrong.value.errors) == [field]
    assert Photograph.objects.get(pk=made.pk).version == 1


def test_the_readings_are_what_was_drawn(desk):
    """A drawn face: points found from the pixels of the picture that is kept, readings within 0.3 mm of what was drawn."""
    made = add(desk)
    with Image.open(io.BytesIO(bytes(Photograph.objects.get(pk=made.pk).image))) as kept:
        points = find_points(kept, 0.0)
    photographs.take_readings(actor=desk.trainee, photograph=made, version=1, points=points, stated=CAMERA)
    got = {(r.quantity, r.eye): r for r in Reading.objects.filter(method="photograph")}
    truth = {
        ("far_pd", "right"): desk.scene.pd_right,
        ("far_pd", "left"): desk.scene.pd_left,
        ("height", "right"): desk.scene.height_right,
        ("height", "left"): desk.scene.height_left,
    }
    assert got.keys() == truth.keys()
    for key, true in truth.items():
        assert float(got[key].value) == pytest.approx(true, abs=0.3)
    assert {r.reference for r in got.values()} == {"", "box"}
    assert got["height", "left"].frame_identity == desk.dispense.frame["identity"]
    assert "95 %" in got["far_pd", "right"].as_typed
    assert not Dispense.objects.get(pk=desk.dispense.pk).adoptions.filter(eye="left").exists()  # adopting is another choice


def test_where_the_lens_has_a_segment_the_pupil_is_no_segment_top(desk):
    bifocal = OptionFactory(
        lens=LensFactory(
            group=desk.group,
            family="flat_top_bifocal",
            corridor_mm=None,
            segment_width_mm=D(28),
            segment_depth_mm=D(19),
            segment_centre_below_top_mm=D(5),
        )
    )
    record.choose_lens(
        actor=desk.trainee, dispense=desk.dispense, version=record.part_version(desk.dispense, "lens"), option=bifocal
    )
    row = placed(desk)
    photographs.take_readings(actor=desk.trainee, photograph=row, version=row.version)
    taken = Reading.objects.filter(method="photograph")
    assert {r.quantity for r in taken} == {"far_pd", "pupil"}
    assert {r.reference for r in taken if r.quantity == "pupil"} == {"box"}


def test_taken_twice_it_is_one_set_and_new_points_are_a_new_one(desk):
    row = placed(desk)
    for _ in range(2):
        photographs.take_readings(actor=desk.trainee, photograph=row, version=2)
    assert Reading.objects.filter(method="photograph").count() == 4
    points = photographs.points_of(row)
    points["pupil.right"] = (points["pupil.right"][0] + 5, points["pupil.right"][1])
    photographs.take_readings(actor=desk.trainee, photograph=row, version=2, points=points, stated=CAMERA)
    assert Reading.objects.filter(method="photograph").count() == 8


def test_taking_readings_lifts_a_signature_and_is_all_or_nothing(desk):
    row = placed(desk)
    points = photographs.points_of(row)
    del points["pupil.left"]
    with pytest.raises(Invalid) as wrong:
        photographs.take_readings(actor=desk.trainee, photograph=row, version=2, points=points, stated=CAMERA)
    assert list(wrong.value.errors) == ["points.pupil.left"]
    again = Photograph.objects.get(pk=row.pk)
    assert (again.version, "pupil.left" in again.points) == (2, True)  # the points of the refused try are not kept either
    assert not Reading.objects.filter(method="photograph").exists()


def test_a_picture_of_another_frame_or_fit_gives_nothing(desk):
    row = placed(desk)
    version = record.part_version(Dispense.objects.get(pk=desk.dispense.pk), "frame")
    record.choose_frame(
        actor=desk.trainee,
        dispense=desk.dispense,
        version=version,
        measured={"name": "own", "a": D(50), "b": D(32), "dbl": D(19)},
    )
    with pytest.raises(Refused, match="frame was changed"):
        photographs.take_readings(actor=desk.trainee, photograph=row, version=2)


def test_a_picture_from_before_the_final_fit_gives_nothing(desk):
    row = placed(desk)
    Dispense.objects.filter(pk=desk.dispense.pk).update(fit_confirmed_at=record.base.now())
    with pytest.raises(Refused, match="final fit"):
        photographs.take_readings(actor=desk.trainee, photograph=row, version=2)


def test_the_frame_itself_can_be_the_reference(desk):
    row = placed(desk, reference_kind="frame")
    found = photographs.result_of(row, case_of(desk.dispense))
    assert found.far_pd_right.value == pytest.approx(desk.scene.pd_right, abs=0.01)
    assert found.far_pd_both.u > 0.3  # 0.65 mm in 122


def test_the_frames_own_figures_show_a_wrong_scale(desk):
    row = placed(desk, reference_kind="length", reference_mm=D("90"))
    notes = " ".join(photographs.result_of(row, case_of(desk.dispense)).notes)
    assert "The picture has a 5" in notes
    assert "scale or a rim point is off" in notes
    assert not photographs.result_of(placed(desk), case_of(desk.dispense)).notes  # the control


def test_removal_takes_the_bytes_and_keeps_the_fact(desk):
    row = placed(desk)
    with pytest.raises(Invalid):
        photographs.remove_photograph(actor=desk.trainee, photograph=row, reason=" ")
    photographs.remove_photograph(actor=desk.dispenser, photograph=row, reason="client asked for it")
    gone = Photograph.objects.get(pk=row.pk)
    assert gone.image is None
    assert (gone.removed_by, gone.removed_reason, len(gone.points)) == (desk.dispenser, "client asked for it", 12)
    event = AuditEvent.objects.get(action="dispense.photograph_removed")
    assert event.before == {"sha256": row.sha256}
    assert event.after == {"reason": "client asked for it"}
    with pytest.raises(Refused, match="removed"):
        photographs.take_readings(actor=desk.trainee, photograph=row, version=2)
    photographs.remove_photograph(actor=desk.trainee, photograph=row, reason="again")  # no second time
    assert AuditEvent.objects.filter(action="dispense.photograph_removed").count() == 1
    assert "desk" not in json.dumps(event.after)


# --- over HTTP ------------------------------------------------------------------------------------------------------------------


def test_a_picture_is_uploaded_and_served_as_ours(desk):
    """Whatever name and type it is sent under, it comes back as a JPEG of ours, never cached by others, never run."""
    answer = upload(desk, desk.png, name='x".html\r\nX-Bad: 1', kind="text/html")
    made = Photograph.objects.get()
    assert answer.url == url(desk.dispense, made.pk, name="photograph")
    served = desk.http.get(url(desk.dispense, made.pk, name="photograph_picture"))
    assert served["Content-Type"] == "image/jpeg"
    assert served["X-Content-Type-Options"] == "nosniff"
    assert served["Cache-Control"] == "private, no-store"
    policy = served["Content-Security-Policy"].split("; ")
    assert {"default-src 'none'", "frame-ancestors 'none'", "sandbox"} <= set(policy)
    assert served["Content-Disposition"] == f'inline; filename="{desk.dispense.reference}-{made.pk}.jpg"'
    assert served.content == bytes(made.image)
    assert served.content[:3] == b"\xff\xd8\xff"
    for page in (url(desk.dispense), answer.url):
        shown = desk.http.get(page)
        assert shown.status_code == 200
        assert "no-store" in shown["Cache-Control"]


def test_refusals_stand_beside_the_field(desk):
    for sent, consent, words in (
        (b"nonsense", "1", "no JPEG"),
        (desk.png, "", "Ask the client"),
        (png_header(10_000, 10_000), "1", "million pixels"),
    ):
        answer = upload(desk, sent, consent=consent)
        assert answer.status_code == 200
        assert words in answer.content.decode()
        assert "error-summary" in answer.content.decode()
    assert "Choose a picture" in desk.http.post(url(desk.dispense), {"consent": "1"}).content.decode()
    assert not Photograph.objects.exists()


def test_what_is_too_large_is_refused_unread(desk):
    """By the length the request states; none of the body is read."""

    class Untouched(io.BytesIO):
        def read(self, *_):
            raise AssertionError("the body was read")

    request = {
        "wsgi.input": Untouched(b""),
        "CONTENT_LENGTH": str(10**9),
        "CONTENT_TYPE": "multipart/form-data; boundary=x",
    }
    answer = desk.http.post(url(desk.dispense), **request)
    assert answer.status_code == 413
    assert "larger than" in answer.content.decode()


def test_an_upload_without_its_token_is_refused(desk):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(desk.trainee)
    data = {"picture": SimpleUploadedFile("x.png", desk.png), "consent": "1"}
    assert strict.post(url(desk.dispense), data).status_code == 403
    assert not Photograph.objects.exists()
    strict.get(url(desk.dispense))
    data = {"picture": SimpleUploadedFile("x.png", desk.png), "consent": "1"}
    token = strict.cookies["csrftoken"].value
    assert strict.post(url(desk.dispense), {**data, "csrfmiddlewaretoken": token}).status_code == 302


def test_another_group_and_another_dispense_find_nothing(desk):
    made = add(desk)
    other = whole(desk)
    stranger = Client()
    stranger.force_login(desk.foreigner)
    for name in ("photograph", "photograph_picture"):
        assert stranger.get(url(desk.dispense, made.pk, name=name)).status_code == 404
        assert (
            desk.http.get(url(other, made.pk, name=name)).status_code == 404
        )  # the right picture under the wrong dispense
        assert Client().get(url(desk.dispense, made.pk, name=name)).status_code == 302
    assert stranger.post(url(desk.dispense, made.pk, name="remove_photograph"), {"reason": "x"}).status_code == 404
    assert stranger.post(url(desk.dispense), {"consent": "1"}).status_code == 404
    assert desk.http.get(url(desk.dispense, 2**70, name="photograph")).status_code == 404
    reader = Client()
    reader.force_login(desk.elsewhere)  # of the same group, without a post here: sees, changes nothing
    assert reader.get(url(desk.dispense, made.pk, name="photograph")).status_code == 200
    assert reader.post(url(desk.dispense, made.pk, name="remove_photograph"), {"reason": "x"}).status_code == 403
    assert Photograph.objects.get(pk=made.pk).image is not None


def test_a_removed_picture_is_not_served(desk):
    made = placed(desk)
    page = url(desk.dispense, made.pk, name="photograph")
    desk.http.post(url(desk.dispense, made.pk, name="remove_photograph"), {"reason": "client asked"})
    assert desk.http.get(url(desk.dispense, made.pk, name="photograph_picture")).status_code == 404
    shown = desk.http.get(page).content.decode()
    assert "client asked" in shown
    assert "From the points that were placed" in shown
    assert "<img" not in shown
    assert "client asked" in desk.http.get(url(desk.dispense)).content.decode()


def form_of(desk, **more):
    data = {
        "version": "1",
        "reference_kind": "card",
        "camera_mm": "1000",
        "looking": "camera",
        "mark": "pupil",
        "deed": "save",
    }
    for name, (x, y) in desk.scene.points().items():
        data[f"x.{name}"], data[f"y.{name}"] = f"{x:.1f}", f"{y:.1f}"
    return {**data, **more}


def test_without_a_script_points_are_typed_and_readings_taken(desk):
    made = add(desk)
    page = url(desk.dispense, made.pk, name="photograph")
    assert "Still to place" in desk.http.get(page).content.decode()
    assert desk.http.post(page, form_of(desk)).status_code == 302
    shown = desk.http.get(page).content.decode()
    assert f"<b>{desk.scene.pd_right}</b>" in shown
    assert 'class="cross"' in shown
    answer = desk.http.post(page, form_of(desk, version="2", deed="use"))
    assert answer.url.endswith("#part-readings")
    assert Reading.objects.filter(method="photograph").count() == 4


def test_other_readings_are_compared(desk):
    """`whole` has a pupillometer 31.5 R (drawn: 31.0, agrees) and a marked lens 22 (drawn: 21, within both); 26 does not agree."""
    made = placed(desk)
    page = url(desk.dispense, made.pk, name="photograph")
    shown = desk.http.get(page).content.decode()
    assert "−0.5, agrees" in shown
    reading = {"quantity": "height", "eye": "left", "value": D(26), "method": "levelled_gauge"}
    measure.add_readings(actor=desk.trainee, dispense=desk.dispense, readings=[measure.NewReading(**reading)])
    assert "−5.0: look again" in desk.http.get(page).content.decode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"x.pupil.right": "abc"}, "error"),
        ({"x.pupil.right": ""}, "Needs both figures"),
        ({"y.pupil.right": "99999"}, "error"),
        ({"x.pupil.right": "200", "deed": "use"}, "lies beside its lens"),
        ({"camera_mm": "1 m"}, "error"),
        ({"camera_mm": "", "deed": "use"}, "how far the camera was"),
        ({"reference_kind": "length", "deed": "use"}, "needs its length"),
        ({"version": "7"}, "placed points on this picture since"),
        ({"version": "x"}, "placed points on this picture since"),
    ],
)
def test_what_is_typed_wrong_is_said_and_kept(desk, change, words):
    made = add(desk)
    page = url(desk.dispense, made.pk, name="photograph")
    data = form_of(desk, **change)
    answer = desk.http.post(page, data)
    assert answer.status_code == (409 if "version" in change else 200)
    shown = answer.content.decode()
    assert words in shown
    assert "error-summary" in shown
    assert f'value="{data["x.rim.left.top"]}"' in shown  # nothing typed is lost
    assert Photograph.objects.get(pk=made.pk).version == 1
    assert not Reading.objects.filter(method="photograph").exists()


def test_the_preview_saves_nothing(desk):
    made = add(desk)
    preview = url(desk.dispense, made.pk, name="photograph_preview")
    before = AuditEvent.objects.count()
    answer = desk.http.post(preview, form_of(desk))
    assert f"<b>{desk.scene.pd_left}</b>" in answer.content.decode()
    assert "<html" not in answer.content.decode()
    for broken in ({}, {"x.pupil.left": "?"}, form_of(desk, camera_mm=""), form_of(desk, reference_kind="nonsense")):
        assert desk.http.post(preview, broken).status_code == 200
    assert AuditEvent.objects.count() == before
    assert Photograph.objects.get(pk=made.pk).points == {}
