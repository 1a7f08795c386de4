"""The pages of people, places and the desk in a real browser: clean for axe, whole at both widths, quiet on the console."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean, violations
from tests.browser.waiting import next_page, until

pytestmark = pytest.mark.browser

PAGES = {
    "supervisor": ["/", "/clients/", "/clients/new/", "/sign-off/", "/password/"],
    "manager": ["/", "/branch/", "/staff/", "/staff/new/", "/audit/"],
    "trainee": ["/", "/sign-off/"],
}


# a question that a newer one replaced, or that was on its way when the page was left: told on the console, and in order
TAKEN_BACK = ("htmx:afterRequest", "htmx:sendAbort")


def listen(page):
    heard: list[str] = []

    def told(message) -> None:
        if message.type in {"error", "warning"} and not message.text.startswith(TAKEN_BACK):
            heard.append(message.text)

    page.on("console", told)
    page.on("pageerror", lambda error: heard.append(str(error)))
    return heard


def wide(page) -> bool:
    return page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")


@pytest.mark.parametrize(("width", "scheme"), [("desktop", "light"), ("tablet", "dark")])
@pytest.mark.parametrize("who", PAGES)
def test_pages_are_clean_whole_and_quiet(sign_in, who, width, scheme):
    page = sign_in(who, width=width, color_scheme=scheme)
    heard = listen(page)
    for path in PAGES[who]:
        assert page.goto(path).status == 200
        assert_clean(page)
        assert not wide(page), f"{path} is wider than {width}"
    page.goto("/clients/")
    page.click("tbody th a >> nth=0")
    page.wait_for_url(re.compile(r"/clients/C-\w+/$"))
    assert_clean(page)
    assert not wide(page)
    assert heard == []


def test_axe_does_find_what_is_wrong(sign_in):
    """The control: a page that is spoiled on purpose is not clean."""
    page = sign_in("trainee")
    page.goto("/clients/")
    page.evaluate("document.querySelector('label[for=f-q]').remove()")
    assert any(line.startswith("label") for line in violations(page))


def test_touch_targets_are_44_pixels(sign_in):
    page = sign_in("manager", width="tablet", has_touch=True)
    for path in ("/", "/clients/new/", "/branch/", "/staff/"):
        page.goto(path)
        small = page.evaluate(
            """() => [...document.querySelectorAll("button, .button, input:not([type=hidden]):not([hidden]), select, .nav a, summary")]
            .filter(e => e.offsetParent && e.type !== "checkbox" && e.type !== "radio")
            .map(e => [e.textContent.trim().slice(0, 30) || e.name, e.getBoundingClientRect().height])
            .filter(([, h]) => h < 44)"""
        )
        assert small == [], path


def test_the_colours_are_chosen_without_javascript(sign_in):
    page = sign_in("trainee", java_script_enabled=False, color_scheme="light")

    def paper() -> str:
        return page.locator("body").evaluate("e => getComputedStyle(e).backgroundColor")

    light = paper()
    page.click(".who summary")
    with next_page(page):
        page.click("button[name=look][value=dark]")
    assert page.locator("html").get_attribute("data-look") == "dark"
    assert paper() != light
    page.goto("/clients/")
    assert page.locator("html").get_attribute("data-look") == "dark"
    page.click(".who summary")
    with next_page(page):
        page.click("button[name=look][value='']")
    assert paper() == light


def test_a_client_is_put_on_record_by_keyboard_alone(sign_in):
    page = sign_in("trainee")
    heard = listen(page)
    page.goto("/clients/new/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    until(page, "document.activeElement.id === 'main'")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "f-given_name"
    for text in ("Aurelie", "Kestrel-Voss", "12/3/91"):
        page.keyboard.type(text)
        page.keyboard.press("Tab")
    page.wait_for_selector("#f-date_of_birth-echo:has-text('12 March 1991')")
    page.focus("#f-phone")
    page.keyboard.type("12")
    page.keyboard.press("Enter")
    expect(page.locator("#error-summary")).to_be_focused()
    assert_clean(page)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    until(page, "document.activeElement.id === 'f-phone'")
    assert page.input_value("#f-given_name") == "Aurelie"
    page.fill("#f-phone", "01632 960777")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"/clients/C-\w+/(#f-phone)?$"))
    assert "Kestrel-Voss" in page.inner_text("h1")
    assert heard == []


def test_the_search_answers_while_one_types_and_keeps_the_focus(sign_in):
    page = sign_in("trainee")
    page.goto("/clients/")
    page.focus("#f-q")
    page.keyboard.type("mosgr", delay=30)
    page.wait_for_selector("#found p:has-text('found for')")
    expect(page.locator("#found")).to_contain_text("Mossgrave")
    expect(page.locator("#f-q")).to_be_focused()
    assert page.url.endswith("/clients/")  # a name never gets into an address


def test_no_connection_is_said(sign_in):
    page = sign_in("trainee")
    page.goto("/clients/new/")
    assert not page.is_visible(".offline-bar")
    page.context.set_offline(True)
    page.wait_for_selector(".offline-bar", state="visible")
    assert "not saved yet" in page.inner_text(".offline-bar")
    page.context.set_offline(False)
    page.wait_for_selector(".offline-bar", state="hidden")


def test_the_font_is_ours_and_no_other_host_is_asked(sign_in, site):
    page = sign_in("trainee")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto("/clients/")
    until(page, "document.fonts.status === 'loaded' && document.fonts.check('16px \"Source Sans 3\"')")
    assert any(url.endswith(".woff2") for url in asked)
    assert all(url.startswith(site.url) for url in asked)
