"""A session that ends while a form is being typed: what was typed stays, and is saved after signing in again in another tab."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import give_name_and_password

pytestmark = pytest.mark.browser


def again(page, site, who):
    """Sign in in another tab of the same browser."""
    other = page.context.new_page()
    give_name_and_password(other, site, who)
    assert "/sign-in/" not in other.url
    other.close()


def test_what_was_typed_outlives_the_session(sign_in, site):
    page = sign_in("dispenser", width="tablet")
    page.clock.install()
    page.goto("/clients/new/")
    for name, value in (("given_name", "Ottilie"), ("family_name", "Harbourlight"), ("date_of_birth", "3/4/1961")):
        page.fill(f"[name={name}]", value)
    page.clock.fast_forward(120_000)
    page.context.clear_cookies()  # as when it was unused for too long
    save = page.locator("main form[data-keep] button[type=submit]").first
    save.click()
    expect(page.locator(".signed-out")).to_contain_text("You are signed out. What you typed stays here")
    expect(page.locator("[name=family_name]")).to_have_value("Harbourlight")
    assert page.url.endswith("/clients/new/")
    again(page, site, "manager")
    save.click()
    expect(page.locator(".signed-out")).to_contain_text("Somebody else is signed in")
    page.context.clear_cookies()
    again(page, site, "dispenser")
    save.click()
    expect(page.locator("h1")).to_contain_text("Ottilie Harbourlight")


def test_somebody_else_to_whom_the_page_is_not_open_is_somebody_else_too(sign_in, site):
    page = sign_in("manager")
    page.clock.install()
    page.goto("/staff/new/")
    page.fill("[name=last_name]", "Harbourlight")
    page.clock.fast_forward(120_000)
    page.context.clear_cookies()
    again(page, site, "dispenser")
    page.locator("main form[data-keep] button[type=submit]").first.click()
    expect(page.locator(".signed-out")).to_contain_text("Somebody else is signed in here now")
    expect(page.locator("[name=last_name]")).to_have_value("Harbourlight")
