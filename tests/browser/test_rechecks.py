"""Re-checks in a real browser: a changed limit is judged by the page itself, without a worker, and what differs is listed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen, wide

pytestmark = pytest.mark.browser
PICTURES = os.environ.get("DATUMLINE_PICTURES")  # a folder, to look at the pages


def picture(page, name: str) -> None:
    if PICTURES:
        page.screenshot(path=str(Path(PICTURES) / f"{name}.png"), full_page=True)


LIMITS = (("imbalance.note", "0.5"), ("centre.resin", "2.2"))


@pytest.fixture
def put_back(site):
    """The site is shared: other tests judge by the published limits."""
    yield
    site.manage(
        "shell", "-v0", "-c",
        "from practice.branches import change_limit; from practice.models import Branch, Post\n"
        f"for name in {[name for name, _ in LIMITS]}:\n"
        "    for branch in Branch.objects.filter(limits__has_key=name):\n"
        "        who = Post.objects.filter(branch=branch, role='manager').first().staff\n"
        "        change_limit(actor=who, branch=branch, name=name, value=None, reason='As published again.')",
    )  # fmt: skip


@pytest.mark.usefixtures("put_back")
def test_a_changed_limit_is_worked_off_by_the_page(sign_in, site):
    page = sign_in("manager", width="desktop")
    heard = listen(page)
    page.goto("/")
    page.click("summary:has-text('Manager')")
    page.click(".menu a:has-text('Re-checks')")
    page.wait_for_url("**/rechecks/")
    address = page.url
    assert_clean(page)
    limits = address.replace("/rechecks/", "/limits/")
    for name, value in LIMITS:
        page.goto(f"{limits}{name}/")
        page.fill("[name=value]", value)
        page.fill("[name=reason]", "Two pairs came back last year.")
        page.click("main button:has-text('Save') >> nth=0")
        page.wait_for_url(limits)
    page.goto("/")
    assert page.locator(".rechecked a").count() == 1
    assert_clean(page)
    picture(page, "today")
    page.click(".rechecked a")
    picture(page, "rechecks-running")
    page.wait_for_selector("#rechecks:not([hx-post])", timeout=240_000)
    assert page.locator(".recheck").count() >= 2
    assert page.locator(".recheck progress").count() == 0
    assert page.locator(".changed > li").count() >= 1
    assert_clean(page)
    assert not wide(page)
    picture(page, "rechecks-1440")
    for width, scheme in (("tablet", "light"), ("tablet", "dark")):
        other = sign_in("dispenser", width=width, color_scheme=scheme)
        other.goto(address)
        assert_clean(other)
        assert not wide(other)
        picture(other, f"rechecks-820-{scheme}")
    page.click("button:has-text('Looked at') >> nth=0")
    expect(page.locator("#rechecks")).to_contain_text("Looked at by")
    assert page.url == address
    assert heard == []
