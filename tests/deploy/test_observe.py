"""Request ids, lines without personal data, health and figures: through the real middleware chain."""

from __future__ import annotations

import json
import logging
import re

import pytest
from django.db import IntegrityError, OperationalError
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from django.utils import timezone

from deploy import health, logs
from deploy.models import Worker
from orders.labs import create_token
from tests.factories import Cast

pytestmark = pytest.mark.django_db


@pytest.fixture
def lines(caplog):
    """What the JSON formatter would write."""
    caplog.set_level(logging.INFO)

    class Keep(logging.Handler):
        def __init__(self):
            super().__init__()
            self.found = []

        def emit(self, record):
            self.found.append(logs.Json().format(record))

    keep = Keep()
    root = logging.getLogger()
    root.addHandler(keep)
    yield keep.found
    root.removeHandler(keep)


def request_lines(lines):
    return [found for text in lines if (found := json.loads(text))["message"] == "request"]


def test_a_request_is_one_line_with_route_and_staff_and_nothing_of_what_was_asked(client: Client, cast: Cast, lines):
    person = cast.client
    client.force_login(cast.dispenser)
    response = client.get(f"/clients/{person.reference}/", {"q": person.family_name})
    assert response.status_code == 200
    (line,) = request_lines(lines)
    assert line["route"] == "dispensing:client"
    assert (line["method"], line["status"], line["staff"]) == ("GET", 200, cast.dispenser.pk)
    assert line["ms"] > 0
    assert line["request"] == response["X-Request-ID"]
    whole = "\n".join(lines)
    for private in (person.reference, person.family_name, person.given_name, cast.dispenser.username):
        assert private not in whole


def test_a_page_that_is_not_there_is_not_named_in_any_line(client: Client, cast: Cast, lines):
    client.force_login(cast.dispenser)
    client.get("/clients/C-SECRETS/?q=Dora")
    whole = "\n".join(lines)
    assert '"status":404' in whole
    assert "C-SECRETS" not in whole
    assert "Dora" not in whole


def test_an_error_is_written_without_what_was_typed_and_counted(client: Client, cast: Cast, lines, monkeypatch, settings):
    def fails(*args, **kwargs):
        typed = "Miriam Sandoval"
        raise IntegrityError(f"Key (family_name)=({typed}) already exists") from ValueError(typed)

    settings.METRICS_TOKEN = "a token for the figures"
    monkeypatch.setattr("practice.access.visible_clients", fails)
    client.force_login(cast.dispenser)
    client.raise_request_exception = False
    assert client.get("/clients/", {"q": "Sandoval"}).status_code == 500
    (error,) = [json.loads(text) for text in lines if "error" in json.loads(text)]
    assert error["error"]["kind"] == "django.db.utils.IntegrityError"
    assert error["error"]["after"][0]["kind"] == "ValueError"
    assert any("practice/web/clients.py" in place for place in error["error"]["places"])
    assert "Sandoval" not in "\n".join(lines)
    figures = client.get("/metrics", headers={"authorization": "Bearer a token for the figures"}).content.decode()
    assert 'datumline_database_errors_total{kind="IntegrityError"}' in figures


def test_lines_for_reading_hide_the_same():
    try:
        raise ValueError("Miriam Sandoval")
    except ValueError as error:
        record = logging.LogRecord(
            "x.y", logging.ERROR, __file__, 1, "no %s", ("Miriam",), (ValueError, error, error.__traceback__)
        )
    for form in (logs.Line(), logs.Json()):
        text = form.format(record)
        assert "ValueError" in text
        assert "Miriam" not in text
        assert "test_observe.py" in text


@pytest.mark.parametrize(
    ("sent", "proxies", "kept"),
    [
        ("proxy-id-12345", ["127.0.0.1"], True),
        ("proxy-id-12345", [], False),
        ("bad id\twith space", ["127.0.0.1"], False),
        ("x" * 65, ["127.0.0.1"], False),
        ("", ["127.0.0.1"], False),
    ],
)
def test_an_id_is_taken_from_a_trusted_proxy_only_and_only_well_formed(client: Client, settings, sent, proxies, kept):
    settings.TRUSTED_PROXIES = proxies
    answered = client.get("/health/live", headers={"x-request-id": sent})["X-Request-ID"]
    assert (answered == sent) is kept
    assert kept or re.fullmatch(r"[0-9a-f]{16}", answered)


def test_the_short_way_of_the_lab_feed_is_measured_and_named_too(client: Client, cast: Cast, lines, settings):
    settings.METRICS_TOKEN = "a token for the figures"
    bearer = {
        "authorization": "Bearer " + create_token(actor=cast.manager, branch=cast.branch, lab=cast.lab, label="x").text
    }
    response = client.get("/api/v1/orders", headers=bearer)
    assert response.status_code == 200
    assert response["X-Request-ID"]
    (line,) = request_lines(lines)
    assert line["route"] == "orders_api:orders" or line["route"] == "orders"
    figures = client.get("/metrics", headers={"authorization": "Bearer a token for the figures"}).content.decode()
    assert f'datumline_requests_total{{method="GET",route="{line["route"]}",status="200"}}' in figures
    assert "datumline_feed_waiting" in figures


def test_live_needs_no_database_and_no_known_host(client: Client, settings):
    settings.ALLOWED_HOSTS = ["practice.example"]
    settings.SECURE_SSL_REDIRECT = True
    response = client.get("/health/live", headers={"host": "10.1.2.3"})
    assert (response.status_code, response.json()) == (200, {"live": True})
    assert client.post("/health/live").status_code == 405


def test_ready_says_what_is_missing(client: Client, monkeypatch):
    health._known.clear()
    found = client.get("/health/ready")
    assert found.status_code == 200
    assert found.json() == {
        "ready": True, "database": "answers", "migrations": "applied", "worker": "warning: none has been heard of",
    }  # fmt: skip
    Worker.objects.create(name="a:1:x", started_at=timezone.now(), seen_at=timezone.now())
    assert client.get("/health/ready").json()["worker"].startswith("heard of 0 s")

    health._known.clear()
    MigrationRecorder.Migration.objects.filter(app="deploy").delete()
    found = client.get("/health/ready")
    assert found.status_code == 503
    assert "to be applied" in found.json()["migrations"]
    health._known.clear()

    def away():
        raise OperationalError("connection refused to 10.0.0.1")

    monkeypatch.setattr(health, "missing_migrations", away)
    found = client.get("/health/ready")
    assert (found.status_code, found.json()) == (503, {"ready": False, "database": "does not answer"})


@pytest.mark.parametrize(
    ("token", "networks", "sent", "status"),
    [
        ("", [], "", 404),
        ("a token for the figures", [], "", 404),
        ("a token for the figures", [], "another", 404),
        ("a token for the figures", [], "a token for the figures", 200),
        ("", ["127.0.0.0/8"], "", 200),
        ("", ["10.0.0.0/8"], "", 404),
        ("a token for the figures", ["10.0.0.0/8"], "a token for the figures", 404),
    ],
)
def test_figures_are_for_whom_the_settings_name(client: Client, settings, token, networks, sent, status):
    settings.METRICS_TOKEN, settings.METRICS_FROM = token, networks
    response = client.get("/metrics", headers={"authorization": f"Bearer {sent}"} if sent else {})
    assert response.status_code == status
    if status == 200:
        assert b"datumline_database_up 1.0" in response.content


def test_behind_trusted_proxies_the_address_is_that_of_whoever_asked(client: Client, settings, monkeypatch):
    seen = []
    monkeypatch.setattr(health, "answer", lambda request: seen.append(request.META["REMOTE_ADDR"]))
    settings.TRUSTED_PROXIES = ["127.0.0.1"]
    client.get("/sign-in/", headers={"x-forwarded-for": "9.9.9.9, 203.0.113.7"})
    settings.TRUSTED_PROXIES = []
    client.get("/sign-in/", headers={"x-forwarded-for": "203.0.113.7"})
    assert seen == ["203.0.113.7", "127.0.0.1"]
