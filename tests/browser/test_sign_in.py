"""Signing in as people do: a passkey with Chromium's own authenticator, an app's code, and changing places on a tablet."""

from __future__ import annotations

import time

import pytest
from allauth.mfa.totp.internal import auth as totp

from tests.browser.axe import assert_clean
from tests.browser.conftest import WIDTHS, give_name_and_password
from tests.browser.test_people_pages import listen, wide
from tests.browser.waiting import SECONDS

pytestmark = pytest.mark.browser


@pytest.fixture
def at_localhost(site, chromium):
    """A page of the site under a name: a passkey belongs to a name, never to a number such as 127.0.0.1."""
    contexts = []

    def do(width="desktop"):
        context = chromium.new_context(viewport=WIDTHS[width], base_url=site.url.replace("127.0.0.1", "localhost"))
        contexts.append(context)
        context.set_default_timeout(SECONDS * 1000)
        return context.new_page()

    yield do
    for context in contexts:
        context.close()
    # the site is shared: nobody after this is asked for a second factor
    site.manage("shell", "-c", "from allauth.mfa.models import Authenticator as A; A.objects.all().delete()")


def sign_out(page):
    page.goto("/sessions/")
    page.click(".who summary")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in/**")


def clean(page):
    assert_clean(page)
    assert not wide(page), page.url


def test_a_passkey_is_set_up_and_asked_for(site, at_localhost):
    page = at_localhost()
    heard = listen(page)
    give_name_and_password(page, site, "dispenser")
    tools = page.context.new_cdp_session(page)
    tools.send("WebAuthn.enable")
    options = {
        "protocol": "ctap2",
        "transport": "internal",
        "hasResidentKey": True,
        "hasUserVerification": True,
        "isUserVerified": True,
        "automaticPresenceSimulation": True,
    }
    key = tools.send("WebAuthn.addVirtualAuthenticator", {"options": options})["authenticatorId"]
    page.goto("/factors/passkey/")
    clean(page)
    page.fill("[name=name]", "My phone")
    page.get_by_role("button", name="Set it up").click()
    page.get_by_text("Your recovery codes, shown only now").wait_for()
    clean(page)
    assert len(tools.send("WebAuthn.getCredentials", {"authenticatorId": key})["credentials"]) == 1
    assert page.locator(".codes li").count() == 10
    sign_out(page)
    give_name_and_password(page, site, "dispenser")
    assert page.url.endswith("/sign-in/second/")
    clean(page)
    tools.send("WebAuthn.setUserVerified", {"authenticatorId": key, "isUserVerified": True})
    page.get_by_role("button", name="Use your passkey").click()
    page.wait_for_url(lambda url: "/sign-in/" not in url)
    assert page.locator(".who summary").count() == 1
    # without the device nothing opens
    tools.send("WebAuthn.removeVirtualAuthenticator", {"authenticatorId": key})
    sign_out(page)
    give_name_and_password(page, site, "dispenser")
    page.goto("/clients/")
    assert "/sign-in/" in page.url
    assert heard == []


def test_people_change_places_on_a_tablet_with_an_apps_code_where_it_is_set_up(site, at_localhost):
    page = at_localhost("tablet")
    heard = listen(page)
    give_name_and_password(page, site, "supervisor")
    page.goto("/factors/")
    clean(page)
    page.get_by_role("link", name="Set up an app").click()
    page.wait_for_url("**/factors/app/")
    clean(page)
    secret = page.inner_text(".key").replace(" ", "")
    assert page.locator(".qr svg").bounding_box()["width"] > 150

    def code(later=0):
        return totp.format_hotp_value(totp.hotp_value(secret, int(time.time()) // 30 + later))

    page.fill("[name=code]", code())
    page.get_by_role("button", name="Set it up").click()
    page.get_by_text("Your recovery codes, shown only now").wait_for()
    page.goto("/devices/")
    clean(page)
    page.fill("[name=name]", "Front desk")
    page.get_by_role("button", name="Enrol this device").click()
    page.get_by_text("this one").wait_for()
    clean(page)
    page.goto("/pin/")
    clean(page)
    page.fill("[name=pin]", "402816")
    page.fill("[name=again]", "402816")
    page.fill("[name=password]", site.password)
    page.get_by_role("button", name="Set PIN").click()
    page.get_by_text("PIN set.").wait_for()
    sign_out(page)
    give_name_and_password(page, site, "supervisor")
    page.fill("[name=code]", code(1))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/sign-in/" not in url)
    name = page.inner_text(".who summary").split("·")[0].strip()
    sign_out(page)
    give_name_and_password(page, site, "trainee")
    page.goto("/clients/")
    page.get_by_role("link", name="Change places").click()
    page.wait_for_url("**/change-place/**")
    clean(page)
    page.get_by_label(name).check()
    page.fill("[name=pin]", "402816")
    page.get_by_role("button", name="Go to your place").click()
    page.wait_for_url(lambda url: "/change-place/" not in url)
    assert page.inner_text(".who summary").startswith(name)
    assert "/clients/" not in page.url
    assert heard == []
