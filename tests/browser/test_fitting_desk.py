"""The sheet in a real browser: by keyboard alone, by touch, without a connection, two people at once, without a script."""

from __future__ import annotations

import json
import re
import time

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen, wide
from tests.browser.waiting import SECONDS, next_page, settled, steady, until, until_held, written

pytestmark = pytest.mark.browser


def start(page) -> str:
    """A new dispense for the first client found; the address of its sheet."""
    page.goto("/clients/")
    page.click("tbody th a >> nth=0")
    page.click("text=New dispense")
    page.wait_for_url(re.compile(r"/dispenses/D-\w+/"))
    return page.url


class Keys:
    """Presses keys and counts those that are not part of a value."""

    def __init__(self, page) -> None:
        self.page, self.count = page, 0

    def press(self, key: str, times: int = 1) -> None:
        for _ in range(times):
            self.page.keyboard.press(key)
            self.count += 1

    def value(self, text: str) -> None:
        self.page.keyboard.type(text)

    def enter(self, *values: str) -> None:
        for text in values:
            self.value(text)
            self.press("Enter")

    def until(self, key: str, name: str) -> None:
        for _ in range(40):
            if self.at == name:
                return
            self.press(key)
        raise AssertionError(f"{name} is not reached by {key}; at {self.at}")

    def arrives(self, name: str) -> None:
        """The focus comes to this field, perhaps only when a page or an answer has arrived."""
        end = time.monotonic() + SECONDS
        while self.at != name:
            assert time.monotonic() < end, f"the focus never came to {name}; at {self.at}"
            self.page.wait_for_timeout(20)

    @property
    def at(self) -> str:
        return self.page.evaluate(
            "document.activeElement.name || document.activeElement.id || document.activeElement.tagName"
        )


def test_a_whole_progressive_dispense_by_keyboard_alone(sign_in):
    """At most 120 keystrokes beyond the values themselves, and no mouse."""
    page = sign_in("trainee")
    heard = listen(page)
    start(page)
    keys = Keys(page)
    keys.press("Tab")
    keys.press("Enter")  # skip to the page
    keys.arrives("main")
    keys.until("Tab", "needs.uses")
    keys.press("Space")
    keys.press("Enter")
    keys.enter("35 cm", "")
    keys.arrives("prescription.right.sphere")
    keys.enter("-225", "-75", "90", "200", "", "", "-250", "-50", "85", "200", "", "")
    keys.enter(written(), "Dr Quill", "12", "")
    keys.arrives("frame")
    keys.value("52")
    keys.press("Enter")  # at once: the list comes when it comes
    keys.arrives("item")
    with next_page(page):
        keys.press("Enter")
    keys.arrives("fit.adjusted")
    keys.press("Space")
    keys.press("Enter")
    keys.enter("13", "9", "5")
    keys.arrives("confirm")
    settled(page)
    keys.press("Enter")
    page.wait_for_selector("#fit-actions .ok-words")
    settled(page)
    keys.until("Enter", "readings.far_pd.right")
    keys.enter("31.5 31.5", "32 32", "", "22 22", "22 22.5", "", "", "")
    settled(page)
    keys.until("Shift+Tab", "adopt")
    keys.press("Enter")
    until(page, "!document.getElementById('adopt-all')")
    settled(page)
    keys.arrives("lens.design")
    design = page.locator("#f-lens-design optgroup[label=progressive] option").first.inner_text().split(" · ")[0]
    keys.value(design)
    chosen = "document.activeElement.selectedOptions[0].textContent"
    while not page.evaluate(chosen).startswith(design):  # a list forgets what was typed into it a second ago
        page.wait_for_timeout(1200)
        keys.value(design)
    keys.press("Enter")
    keys.enter("", "", "", "70", "")
    settled(page)
    assert keys.count <= 120, keys.count
    print(f"keystrokes beyond the values: {keys.count}")
    page.reload()
    missing = page.inner_text("#review")
    assert "Every part is there." in missing, missing
    assert "−2.25 / −0.75 × 90 add +2.00" in page.inner_text("#figures")
    assert heard == []


def test_typing_is_echoed_checked_and_saved_as_one_goes(sign_in):
    page = sign_in("trainee")
    url = start(page)
    page.fill("#f-prescription-right-sphere", "-225")
    until(page, "document.getElementById('f-prescription-right-sphere-echo').textContent === '−2.25 D'")
    page.fill("#f-prescription-right-axis", "190")
    page.wait_for_selector("#f-prescription-right-axis-error:has-text('1 to 180')")
    page.press("#f-prescription-right-axis", "Tab")
    page.wait_for_selector("#saving:has-text('needs another look')")
    page.fill("#f-prescription-right-axis", "90")
    page.press("#f-prescription-right-axis", "Tab")
    settled(page)
    assert page.input_value("#f-prescription-right-sphere") == "−2.25"
    page.press("#f-prescription-right-sphere", "ArrowUp")
    assert page.input_value("#f-prescription-right-sphere") == "−2.00"
    page.press("#f-prescription-right-sphere", "Tab")
    settled(page)
    page.click("[data-copy=prescription]")
    settled(page)
    page.goto(url)
    assert page.input_value("#f-prescription-left-sphere") == "−2.00"
    assert page.input_value("#f-prescription-left-axis") == "90"
    assert "not yet known" in page.inner_text("#say > summary")


def test_focus_stays_where_it_is_while_fragments_change(sign_in):
    page = sign_in("trainee")
    start(page)
    page.focus("#f-prescription-right-sphere")
    for more, understood in (("-2", "−2.00 D"), (".5", "−2.50 D")):
        page.keyboard.type(more)
        until(page, f"document.getElementById('f-prescription-right-sphere-echo').textContent === '{understood}'")
    assert page.evaluate("document.activeElement.id") == "f-prescription-right-sphere"
    assert page.input_value("#f-prescription-right-sphere") == "-2.5"


def test_without_a_connection_nothing_is_lost(sign_in):
    """A reading and a word typed offline: said to be unsaved, kept over a reload, sent once when the line is back."""
    page = sign_in("trainee")
    url = start(page)
    page.context.set_offline(True)
    page.fill("[name='readings.far_pd.right']", "31.5 32")
    page.press("[name='readings.far_pd.right']", "Enter")
    page.wait_for_selector("#saving[data-state=offline]")
    page.fill("#f-needs-wish", "thin")
    page.press("#f-needs-wish", "Tab")
    until(page, "Object.values(localStorage).map((all) => Object.keys(JSON.parse(all)).length).join() === '2'")
    page.context.set_offline(False)
    page.on("dialog", lambda dialog: dialog.accept())
    page.goto(url)  # the page is left and opened again before anything could be sent
    settled(page)
    page.reload()
    assert page.input_value("#f-needs-wish") == "thin"
    assert page.locator(".reading-list li").count() == 2
    assert page.evaluate("localStorage.length") == 0


def test_two_people_see_each_other_and_neither_overwrites_unseen(sign_in):
    first = sign_in("trainee")
    url = start(first)
    second = sign_in("dispenser")
    second.goto(url)
    second.fill("#f-needs-wish", "light")
    second.press("#f-needs-wish", "Tab")
    settled(second)
    first.fill("#f-needs-wish", "thin")
    first.press("#f-needs-wish", "Tab")
    first.wait_for_selector(".clash:has-text('Changed by')")
    assert first.inner_text(".theirs") == "theirs: light"
    assert first.input_value("#f-needs-wish") == "thin"
    second.reload()
    assert second.input_value("#f-needs-wish") == "light"
    first.click("text=Keep mine")
    settled(first)
    second.reload()
    assert second.input_value("#f-needs-wish") == "thin"
    first.wait_for_selector("#presence:not([hidden])", timeout=SECONDS * 1000)
    assert "here" in first.inner_text("#presence") or "is on" in first.inner_text("#presence")


def test_a_late_answer_never_covers_a_newer_one(sign_in):
    """The first preview is held back until the second has been shown."""
    page = sign_in("trainee")
    start(page)
    held = []

    def slow(route):
        if not held:
            held.append(route)  # answered at the end of the test
        else:
            route.continue_()

    page.route("**/preview/", slow)
    page.fill("#f-prescription-right-sphere", "-1")
    until_held(page, held, 1)
    page.fill("#f-prescription-right-sphere", "-3")
    until(page, "document.getElementById('f-prescription-right-sphere-echo').textContent === '−3.00 D'")
    stale = {
        "state": "typing",
        "fragments": {"head-prescription": "STALE"},
        "fields": {},
        "versions": {},
        "live": "STALE",
        "said": [],
    }
    held[0].fulfill(json=stale)
    page.wait_for_timeout(300)
    assert "STALE" not in page.content()


def test_the_answer_to_a_save_never_covers_what_was_typed_since(sign_in):
    """A save goes while a power is half typed; its answer comes when the field is already left."""
    page = sign_in("trainee")
    start(page)
    held = []
    page.route("**/save/prescription/", lambda route: held.append(route) if len(held) < 2 else route.continue_())

    page.focus("#f-prescription-right-sphere")
    page.keyboard.type("-225")
    page.focus("#f-prescription-right-add")
    page.keyboard.type("20")
    until_held(page, held, 1)
    page.keyboard.type("0")
    page.keyboard.press("Enter")
    page.wait_for_timeout(100)  # the second save waits for the first
    held[0].fulfill(response=held[0].fetch())
    until_held(page, held, 2)
    assert page.input_value("#f-prescription-right-sphere") == "−2.25"
    assert page.input_value("#f-prescription-right-add") == "200"
    assert page.get_attribute("#saving", "data-state") == "busy"
    held[1].fulfill(response=held[1].fetch())
    settled(page)
    assert page.input_value("#f-prescription-right-add") == "+2.00"


def test_enter_asks_for_frames_again_where_no_answer_came(sign_in):
    page = sign_in("trainee")
    start(page)
    page.route("**/frames/?frame=*", lambda route: route.abort())
    with page.expect_event("requestfailed", lambda request: "frames/?frame=52" in request.url):
        page.fill("#f-frame-search", "52")
    page.unroute("**/frames/?frame=*")
    typed = page.evaluate("Date.now()")
    until(page, f"Date.now() > {typed} + 1000 && !document.querySelector('.htmx-request')")
    page.press("#f-frame-search", "Enter")
    expect(page.locator(".frame-choice").first).to_be_focused()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", ["desktop", "tablet"])
def test_the_sheet_is_clean_and_whole(sign_in, width, scheme):
    page = sign_in("trainee", width=width, color_scheme=scheme)
    heard = listen(page)
    start(page)
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true })")
    page.fill("#f-prescription-right-sphere", "abc")
    page.press("#f-prescription-right-sphere", "Tab")
    page.wait_for_selector("#saving:has-text('needs another look')")
    assert_clean(page)
    assert not wide(page)
    page.goto("/measuring/")
    assert_clean(page)
    assert not wide(page)
    assert heard == []


def test_on_a_tablet_findings_are_one_line_and_the_picture_shrinks(sign_in):
    page = sign_in("trainee", width="tablet", has_touch=True)
    start(page)
    assert page.locator("#say[open]").count() == 0
    page.evaluate("window.scrollTo(0, 0)")
    page.wait_for_selector("#sheet > aside:not(.shrunk)")
    before = steady(page, page.locator("#picture svg").first.bounding_box)["height"]
    page.evaluate("window.scrollTo(0, 900)")
    page.wait_for_selector("#sheet > aside.shrunk")
    until(page, f"document.querySelector('#picture svg').getBoundingClientRect().height < {before * 0.7}")
    until(page, "document.querySelector('#picture svg').getBoundingClientRect().y >= 0")
    page.tap("#say > summary")
    expect(page.locator("#say .finding").first).to_be_visible()
    small = page.evaluate(
        """[...document.querySelectorAll('form.sheet-form input:not([type=hidden]):not([type=checkbox]):not([type=radio]), form.sheet-form select, form.sheet-form button, label.choice')]
        .filter((e) => e.offsetParent && !e.closest('details:not([open])') && !e.classList.contains('visually-hidden'))
        .map((e) => [e.name || e.textContent.trim(), e.getBoundingClientRect().height]).filter(([, h]) => h < 43.5)"""
    )
    assert small == []


def test_without_a_script_every_part_is_saved_by_its_button(sign_in):
    page = sign_in("trainee", java_script_enabled=False)
    url = start(page)

    def press(selector: str) -> None:
        with next_page(page):
            page.click(selector)

    page.fill("#f-needs-wish", "thin")
    page.check("input[name='needs.uses'][value=near]")
    press("text=Save needs")
    page.fill("#f-prescription-right-sphere", "-225")
    page.fill("#f-prescription-left-sphere", "abc")
    press("text=Save prescription")
    assert page.locator("#f-prescription-left-sphere-error").inner_text().startswith("Not understood")
    assert page.input_value("#f-prescription-right-sphere") == "-225"
    page.fill("#f-prescription-left-sphere", "-250")
    press("text=Save prescription")
    page.fill("#f-frame-search", "52")
    press(".frame-search button")
    press(".frame-choice >> nth=0")
    press("text=The fit is final")
    page.fill("[name='readings.far_pd.right']", "31 31.5")
    press("text=Add readings")
    press("text=Adopt 31.2")
    page.goto(url)
    assert page.input_value("#f-prescription-left-sphere") == "−2.50"
    assert "31.25" in page.inner_text("#readings-now")


def test_the_page_and_what_it_loads_are_small(sign_in):
    page = sign_in("trainee")
    url = start(page)
    page.goto("about:blank")  # nothing of the page before is on its way any more
    answers = []
    page.on("response", lambda answer: answers.append(answer))
    page.goto(url, wait_until="networkidle")
    sizes = {r.url: len(r.body()) for r in answers if r.status == 200 and "/static/" in r.url}
    html = len(page.request.get(url).body())
    assert html < 100_000, html
    assert sizes
    assert sum(sizes.values()) < 250_000, json.dumps(sizes, indent=1)
