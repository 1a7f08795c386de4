"""deploy/SECURITY.md held against the standard's numbers and our tests; the headers and cookies it speaks of, on every kind of answer."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import timezone

from deploy import headers
from orders.labs import create_token
from practice import sessions
from practice.password_words import NotOfTheHouse
from tests.factories import PASSWORD
from tests.test_every_route import ROUTES, world  # noqa: F401 - a fixture

ROOT = Path(__file__).parents[2]
TABLE = (ROOT / "deploy/SECURITY.md").read_text()
NUMBERS = json.loads((ROOT / "tests/data/asvs_5_0_numbers.json").read_text())
_ROW = re.compile(r"^\| (?P<numbers>[0-9][0-9., –-]*) \| (?P<how>[^|]+) \| (?P<shown>[^|]+) \|$", re.M)
_TEST = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")
_FILE = re.compile(
    r"`((?:practice|dispensing|orders|deploy|tests|fixtures)/[\w/.\-]*|manage\.py|pyproject\.toml|README\.md|DEVELOPERS\.md)`"
)
_WAYS = ("`tests/", "by design:", "operator:", "not met:", "partly:", "does not apply:")


def rows() -> list[tuple[list[str], str, str]]:
    return [([n.strip() for n in m["numbers"].split(",")], m["how"], m["shown"]) for m in _ROW.finditer(TABLE)]


@cache
def functions_of(path: str) -> frozenset[str]:
    tree = ast.parse((ROOT / path).read_text())
    return frozenset(n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))


def test_every_number_of_levels_1_and_2_is_there_once():
    said = [n for numbers, _, _ in rows() for n in numbers]
    wanted = NUMBERS["1"] + NUMBERS["2"]
    assert len(set(wanted)) == len(wanted)
    assert [n for n in said if said.count(n) > 1] == []
    assert set(wanted) - set(said) == set(), "missing"
    assert set(said) - set(wanted) == set(), "of another level, or of none"


def test_every_row_says_how_it_is_shown_and_the_test_is_there():
    wrong = []
    for numbers, how, shown in rows():
        if not how.strip() or not any(way in shown for way in _WAYS):
            wrong.append((numbers, "does not say how it is shown"))
        for path, name in _TEST.findall(shown):
            if not (ROOT / path).exists() or name not in functions_of(path):
                wrong.append((numbers, f"{path}::{name} is not there"))
        if "`tests/" in shown and not _TEST.search(shown):
            wrong.append((numbers, "names a test in another form"))
    for path in set(_FILE.findall(TABLE)):
        if not (ROOT / path).exists():
            wrong.append(([], f"{path} is not there"))
    assert wrong == []
    assert sum(bool(_TEST.search(shown)) for _, _, shown in rows()) > 80


# --- what every answer carries ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def with_tls():
    """What the settings are with DATUMLINE_TLS on, from a process of its own."""
    asked = (
        "import json; from deploy import settings as s; print(json.dumps({n: getattr(s, n) for n in dir(s) "
        "if n.startswith(('SECURE_', 'SESSION_COOKIE', 'CSRF_COOKIE'))}))"
    )
    environment = {
        **os.environ,
        "DATUMLINE_TLS": "1",
        "DATUMLINE_SECRET_KEY": "k" * 20 + "abcdefghijklmnopqrstuvwxyz0123456789",
    }
    done = subprocess.run(
        [sys.executable, "-c", asked], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


@pytest.fixture
def tls(settings, with_tls):
    for name, value in with_tls.items():
        setattr(settings, name, tuple(value) if name == "SECURE_PROXY_SSL_HEADER" else value)


def faults_of(answer: HttpResponse, url: str, *, tls: bool = False, kept: bool = False) -> list[str]:
    found = []
    policy = answer.get("Content-Security-Policy", "")
    for part in ("default-src '", "object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'", "form-action '"):
        if part not in policy:
            found.append(part)
    if "unsafe" in policy or "*" in policy:
        found.append("an open policy")
    for name, value in (
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "same-origin"),
        ("X-Frame-Options", "DENY"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
    ):
        if answer.get(name) != value:
            found.append(name)
    if tls and answer.get("Strict-Transport-Security") != "max-age=31536000; includeSubDomains; preload":
        found.append("Strict-Transport-Security")
    if not kept and "no-store" not in answer.get("Cache-Control", ""):
        found.append("no-store")
    if "Access-Control-Allow-Origin" in answer:
        found.append("open to other origins")
    told = " ".join(f"{k}: {v}" for k, v in answer.items())
    if re.search(r"(?i)(django|python|granian|whitenoise|postgres)[/ ]?[0-9]|x-powered-by", told):
        found.append("a version")
    body = b"" if answer.streaming else answer.content
    if body and not answer.get("Content-Type"):
        found.append("Content-Type")
    if (
        answer.get("Content-Type", "").startswith(("text/", "application/xhtml"))
        and "charset" not in answer["Content-Type"]
    ):
        found.append("charset")
    for shut in answer._resource_closers:  # a file is shut; ending the request again would end the test's own connection
        shut()
    return [f"{url}: {what}" for what in found]


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_every_route_answers_with_every_header(world, tls):  # noqa: F811
    """Every address of the site, as the manager and as nobody, over TLS."""
    wrong = []
    manager, nobody = Client(), Client()
    manager.force_login(world.cast.manager)
    for name, route in ROUTES.items():
        url = reverse(name, kwargs=route.arguments(world))
        for browser in (manager, nobody):
            answer = browser.get(url, secure=True)
            wrong += faults_of(answer, url, tls=True, kept=url.startswith("/api/"))
    assert wrong == []


def test_other_kinds_of_answers_carry_them_too(cast, tls, settings, tmp_path):
    (tmp_path / "some.css").write_text("a { color: red }")
    settings.STATIC_ROOT = tmp_path
    client = Client(raise_request_exception=False)
    token = create_token(lab=cast.lab).text
    wrong = []
    for url, status, kept, more in (
        ("/health/live", 200, False, {}),
        ("/health/ready", 200, False, {}),
        ("/metrics", 404, False, {}),
        ("/static/some.css", 200, True, {}),
        ("/static/nothing.css", 404, True, {}),
        ("/static/", 404, True, {}),
        ("/.git/config", 404, False, {}),
        ("/nowhere/", 404, False, {}),
        ("/clients/%00", 400, False, {}),
        ("/clients/", 302, False, {}),
        ("/api/v1/orders", 401, False, {}),
        ("/api/v1/orders", 200, True, {"authorization": f"Bearer {token}"}),
        ("/api/v1/nothing", 404, False, {}),
    ):
        answer = client.get(url, headers=more, secure=True)
        if answer.status_code not in (status, 302 if status == 404 else status):
            wrong.append(f"{url}: {answer.status_code}")
        wrong += faults_of(answer, url, tls=True, kept=kept)
    settings.ALLOWED_HOSTS = ["only.example"]
    strange = client.get("/sign-in/", secure=True)
    assert strange.status_code == 400
    wrong += faults_of(strange, "another host", tls=True)
    assert wrong == []


def test_an_error_of_ours_says_nothing_and_carries_them(cast, monkeypatch):
    def broken(*_a, **_k):
        raise RuntimeError("select secret from somewhere")

    monkeypatch.setattr(sessions, "open_of", broken)
    client = Client(raise_request_exception=False)
    client.force_login(cast.manager)
    answer = client.get("/sessions/")
    assert answer.status_code == 500
    assert b"secret" not in answer.content
    assert b"Traceback" not in answer.content
    assert faults_of(answer, "500") == []


def test_an_order_as_pdf_is_kept_nowhere(world):  # noqa: F811
    client = Client()
    client.force_login(world.cast.manager)
    answer = client.get(reverse("orders:pdf", kwargs={"number": world.order.number}))
    assert answer["Content-Type"] == "application/pdf"
    assert faults_of(answer, "pdf") == []
    assert "no-store" in answer["Cache-Control"]
    assert re.fullmatch(r'inline; filename="[\w.-]+"', answer["Content-Disposition"])


# --- methods, ways without TLS ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["TRACE", "TRACK", "CONNECT", "PROPFIND", "DEBUG", ""])
@pytest.mark.parametrize("url", ["/", "/sign-in/", "/api/v1/orders", "/health/live", "/static/practice/tokens.css"])
def test_methods_nobody_answers_are_refused(db, url, method):
    answer = Client().generic(method, url, headers={"cookie": "secret=1"})
    assert answer.status_code == 405
    assert b"secret" not in answer.content
    assert faults_of(answer, url, kept=url.startswith("/static/")) == []


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "OPTIONS"])
def test_pages_take_get_and_post_only(cast, method):
    client = Client()
    client.force_login(cast.manager)
    answer = client.generic(method, "/clients/")
    assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD, POST")


def test_without_tls_pages_lead_to_it_and_programs_are_told(cast, tls):
    token = create_token(lab=cast.lab).text
    assert Client().get("/sign-in/")["Location"].startswith("https://")
    answer = Client().get("/api/v1/orders", headers={"authorization": f"Bearer {token}"})
    assert answer.status_code == 403
    assert answer["Content-Type"] == "application/problem+json"
    assert "Location" not in answer
    assert Client().get("/health/live").status_code == 200


# --- cookies ----------------------------------------------------------------------------------------------------------


def test_with_tls_every_cookie_belongs_to_this_host_alone(cast, tls):
    browser = Client(enforce_csrf_checks=True)
    page = browser.get("/sign-in/", secure=True)
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.content.decode())[1]
    same = {"secure": True, "headers": {"referer": "https://testserver/sign-in/"}}
    answers = [
        page,
        browser.post("/look/", {"look": "dark", "csrfmiddlewaretoken": token}, **same),
        browser.post(
            "/sign-in/", {"username": cast.manager.username, "password": PASSWORD, "csrfmiddlewaretoken": token}, **same
        ),
    ]
    assert answers[-1].status_code == 302
    page = browser.get("/devices/", secure=True)
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.content.decode())[1]
    answers.append(
        browser.post("/devices/", {"name": "front desk", "password": PASSWORD, "csrfmiddlewaretoken": token}, **same)
    )
    set_ = {name: morsel for answer in answers for name, morsel in answer.cookies.items()}
    assert set(set_) == {f"__Host-{n}" for n in ("sessionid", "csrftoken", "look", "known", "device")}
    for name, morsel in set_.items():
        assert morsel["secure"], name
        assert morsel["httponly"], name
        assert morsel["samesite"] == "Lax", name
        assert (morsel["path"], morsel["domain"]) == ("/", ""), name
        assert len(name) + len(morsel.value) < 4096
    page = browser.get("/devices/", secure=True).content.decode()
    assert 'data-look="dark"' in page
    assert "Change places" in page  # the device is known by its cookie
    gone = browser.post("/look/", {"look": "", "csrfmiddlewaretoken": token}, **same).cookies["__Host-look"]
    assert gone["max-age"] == 0
    assert gone["secure"]


def test_with_tls_a_cookie_somebody_else_may_have_set_is_not_believed(tls):
    request = RequestFactory().get("/")
    request.COOKIES = {
        "look": "dark",
        "sessionid": "x",
        "__Host-device": "d",
        "__Host-sessionid": "s",
        "__Host-csrftoken": "c",
    }
    headers.take_cookies(request)
    assert request.COOKIES == {"device": "d", "__Host-sessionid": "s", "__Host-csrftoken": "c"}


def test_without_tls_cookies_are_hidden_from_scripts_and_stay_on_the_site(cast):
    browser = Client()
    browser.post("/sign-in/", {"username": cast.manager.username, "password": PASSWORD})
    browser.get("/clients/")
    assert browser.cookies
    for morsel in browser.cookies.values():
        assert morsel["httponly"]
        assert morsel["samesite"] == "Lax"


# --- passwords and sessions ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "password",
    ["spectacles2026", "Datumline Dispensing 1", "lens-lens-lens-lens", "Welcome optician!", "PASSWORD frames 99"],
)
def test_words_of_the_house_make_no_password(password):
    with pytest.raises(ValidationError):
        NotOfTheHouse().validate(password)


def test_names_of_ones_own_places_make_no_password(cast):
    name = cast.branch.name
    with pytest.raises(ValidationError):
        NotOfTheHouse().validate(f"{name} 2026!", cast.manager)
    NotOfTheHouse().validate("otter under limestone", cast.manager)
    NotOfTheHouse().validate("two lenses by the quiet harbour", cast.manager)


@pytest.mark.parametrize(
    "password", ["o" * 40 + "tter under limestone" * 4, "  otter UNDER ☃ limestone ", "مرحبا يا اصدقاء الليل"]
)
def test_a_long_or_odd_password_is_taken_exactly_as_typed(client, cast, password):
    page = reverse("practice:password")
    client.post("/sign-in/", {"username": cast.trainee.username, "password": PASSWORD})
    done = client.post(page, {"old_password": PASSWORD, "new_password1": password, "new_password2": password})
    assert done.status_code == 302
    cast.trainee.refresh_from_db()
    assert cast.trainee.check_password(password)
    for other in (password[:-1], password.swapcase(), password.strip()):
        if other != password:
            assert not cast.trainee.check_password(other)


def test_a_session_in_use_ends_after_half_a_day(cast):
    browser = Client()
    browser.post("/sign-in/", {"username": cast.dispenser.username, "password": PASSWORD})
    session = browser.session
    session[sessions.BEGAN] = int(timezone.now().timestamp()) - 12 * 3600 + 60
    session.save()
    assert browser.get("/clients/").status_code == 200
    session = browser.session
    session[sessions.BEGAN] -= 61
    session.save()
    page = browser.get("/clients/", follow=True)
    assert page.redirect_chain
    assert "signed out after 12 hours" in page.content.decode()
    assert sessions.open_of(cast.dispenser) == []


def test_every_sign_in_has_a_session_of_its_own(cast):
    browser = Client()
    browser.get("/sign-in/")
    keys = set()
    for _ in range(3):
        browser.post("/sign-in/", {"username": cast.dispenser.username, "password": PASSWORD})
        keys.add(browser.session.session_key)
        browser.post("/sign-out/")
        assert browser.get("/clients/").status_code == 302
    assert len(keys) == 3
    assert all(len(k) == 32 for k in keys)  # of 36 signs each: 165 bits
