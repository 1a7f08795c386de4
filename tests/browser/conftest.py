"""A real site for the browser: its own database with the demo scenario, its own server process, real HTTP."""

from __future__ import annotations

import os
import random
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.browser.waiting import SECONDS, next_page
from tests.migrated import copied

ROOT = Path(__file__).resolve().parents[2]
# the same engine without what draws a window costs a fifth less of the processor
CHROMIUM = shutil.which("chromium-headless-shell") or shutil.which("chromium") or "/usr/bin/chromium"
CHROMIUM_ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
# made once for all workers, where the run has made them: a folder with key, static files and what `load_demo` printed, and
# on PostgreSQL the database with the demo in it
READY = Path(os.environ["TESTS_READY_SITE"]) if "TESTS_READY_SITE" in os.environ else None
READY_DATABASE = os.environ.get("TESTS_READY_DATABASE", "")
expect.set_options(timeout=SECONDS * 1000)
WIDTHS = {"desktop": {"width": 1440, "height": 1000}, "tablet": {"width": 820, "height": 1100}}


@dataclass(frozen=True)
class Site:
    """A running site: where it answers, who can sign in, and a lab's token."""

    url: str
    password: str
    people: dict[str, str]  # role -> user name of the first demo person with it
    token: str
    environment: dict[str, str]

    def manage(self, *arguments: str, stdin: str = "") -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments], cwd=ROOT, env=self.environment, input=stdin, text=True,
            capture_output=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


def _free_port() -> int:
    """Below what the system gives to connections that go out: none of those takes it before the server has it."""
    while True:
        port = random.SystemRandom().randint(20_000, 32_000)
        with socket.socket() as s:
            try:
                s.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port


def _answers(url: str, server: subprocess.Popen, log: Path) -> None:
    end = time.monotonic() + 3 * SECONDS
    while True:
        try:
            urllib.request.urlopen(url + "/sign-in/", timeout=SECONDS).close()
            return
        except OSError as problem:
            if server.poll() is not None:
                raise AssertionError(log.read_text()) from problem
            if time.monotonic() > end:
                raise AssertionError(log.read_text()) from problem
            time.sleep(0.1)


def parse_people(text: str) -> tuple[str, dict[str, str], str]:
    """Password, user name by role and lab token, as `load_demo` prints them."""
    people: dict[str, str] = {}
    for name, role in re.findall(r"^\s*(\S+)\s+.+?\s{2,}(trainee|dispenser|supervisor|manager)\b", text, re.M):
        people.setdefault(role, name)
    password = re.search(r"password[^:]*:\s*(.+)$", text, re.M | re.I)
    token = re.search(r"Bearer\s+([^\s\"']+)", text)
    assert password, text
    assert token, text
    return password.group(1).strip(), people, token.group(1)


@pytest.fixture(scope="session")
def site(tmp_path_factory):
    local = tmp_path_factory.mktemp("site")
    port = _free_port()
    environment = {**os.environ, "DATUMLINE_LOCAL": str(local), "DJANGO_SETTINGS_MODULE": "deploy.settings"}
    server_url = os.environ.get("DATUMLINE_DATABASE_URL", "")
    name = f"browser_{os.getpid()}"
    if server_url:
        with psycopg.connect(server_url, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{name}"')
            connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{READY_DATABASE or "template1"}"')
        environment["DATUMLINE_DATABASE_URL"] = server_url.rsplit("/", 1)[0] + "/" + name
    site = Site(f"http://127.0.0.1:{port}", "", {}, "", environment)
    if server_url and READY_DATABASE:
        shutil.copytree(READY, local, dirs_exist_ok=True)
        said = (READY / "said").read_text()
    else:
        copied(local / "datumline.sqlite3")
        site.manage("migrate", "--verbosity", "0")
        if READY:
            shutil.copytree(READY / "static", local / "static")
        else:
            site.manage("collectstatic", "--no-input", "--verbosity", "0")
        said = site.manage("load_demo", "--no-history", "--address", site.url)
    password, people, token = parse_people(said)
    with (local / "server.log").open("w") as log:
        server = subprocess.Popen(
            [Path(sys.executable).parent / "granian", "--interface", "wsgi", "--host", "127.0.0.1", "--port", str(port),
             "--workers", "2", "--blocking-threads", "1", "deploy.wsgi:application"],
            cwd=ROOT, env=environment, stdout=log, stderr=log,
        )  # fmt: skip
        try:
            _answers(site.url, server, local / "server.log")
            yield Site(site.url, password, people, token, environment)
        finally:
            server.terminate()
            try:
                server.wait(timeout=SECONDS)
            except subprocess.TimeoutExpired:  # what was asked has been answered: nobody waits for it any more
                server.kill()
                server.wait()
    if server_url:
        with psycopg.connect(server_url, autocommit=True) as connection:
            connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.fixture(scope="session")
def chromium():
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        yield browser
        browser.close()


def give_name_and_password(page: Page, site: Site, who: str) -> None:
    """Whatever page comes then: inside, or the second step."""
    page.goto("/sign-in/")
    page.fill("[name=username]", site.people.get(who, who))
    page.fill("[name=password]", site.password)
    with next_page(page):
        page.press("[name=password]", "Enter")


@pytest.fixture
def sign_in(site: Site, chromium: Browser):
    """sign_in(role or user name, width=..., **context options) -> a page of a fresh browser context, signed in."""
    contexts = []

    def do(who: str, width: str = "desktop", **options) -> Page:
        context = chromium.new_context(viewport=WIDTHS[width], base_url=site.url, **options)
        contexts.append(context)
        context.set_default_timeout(SECONDS * 1000)
        page = context.new_page()
        give_name_and_password(page, site, who)
        assert "/sign-in/" not in page.url, page.inner_text("body")
        return page

    yield do
    for context in contexts:
        context.close()
