"""The sheet when answers come late, people change on a shared tablet, and links are tapped before everything is saved."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import give_name_and_password
from tests.browser.test_fitting_desk import start
from tests.browser.test_fitting_picture import middle, scale, with_frame
from tests.browser.waiting import settled, until, until_held

pytestmark = pytest.mark.browser


def as_somebody_else(page, site, who: str) -> None:
    """The same browser, another person."""
    page.context.clear_cookies()
    give_name_and_password(page, site, who)
    assert "/sign-in/" not in page.url


def test_what_is_kept_on_a_shared_tablet_is_never_sent_as_somebody_else(sign_in, site):
    page = sign_in("trainee")
    url = start(page)
    page.on("dialog", lambda dialog: dialog.accept())
    page.route("**/save/**", lambda route: route.abort())
    page.fill("#f-needs-wish", "thin")
    page.press("#f-needs-wish", "Tab")
    page.fill("[name='readings.far_pd.right']", "31.5")
    page.press("[name='readings.far_pd.right']", "Enter")
    page.wait_for_selector("#saving[data-state=offline]")
    as_somebody_else(page, site, "dispenser")
    page.unroute("**/save/**")
    sent = []
    page.on("request", lambda r: sent.append(r.url) if "/save/" in r.url else None)
    page.goto(url)
    page.wait_for_selector("#messages:has-text('Somebody else typed here')")
    page.wait_for_timeout(500)
    assert page.input_value("#f-needs-wish") == ""
    assert sent == []
    as_somebody_else(page, site, "trainee")
    page.goto(url)
    settled(page)
    assert len(sent) == 2
    assert page.input_value("#f-needs-wish") == "thin"
    assert page.locator(".reading-list li").count() == 1
    assert page.evaluate("localStorage.length") == 0


def test_deeds_done_without_a_connection_go_in_the_order_they_were_done(sign_in):
    """Confirmed at 13, then changed to 14: the confirmation must not bring 13 back."""
    page = sign_in("trainee")
    url = with_frame(page)
    page.context.set_offline(True)
    page.fill("#f-fit-vertex_mm", "13")
    page.press("#f-fit-vertex_mm", "Tab")
    page.click("#fit-actions [name=confirm]")
    page.fill("#f-fit-vertex_mm", "14")
    page.press("#f-fit-vertex_mm", "Tab")
    page.wait_for_selector("#saving[data-state=offline]")
    page.context.set_offline(False)
    settled(page)
    page.goto(url)
    assert page.input_value("#f-fit-vertex_mm") == "14.0"


def test_a_link_waits_for_what_is_being_saved(sign_in):
    """The next page may be the order: it has to rest on what was typed last."""
    page = sign_in("trainee")
    start(page)
    held = []
    page.route("**/save/prescription/", lambda route: held.append(route))
    page.fill("#f-prescription-right-sphere", "-225")
    page.click("text=Fitting card (PDF) >> nth=0", no_wait_after=True)  # leaves the field, and is tapped
    until_held(page, held, 1)
    page.wait_for_timeout(300)
    assert "/dispenses/" in page.url
    assert page.get_attribute("#saving", "data-state") == "busy"
    left = []
    page.on("request", lambda r: left.append(r.url) if r.is_navigation_request() else None)
    held[0].fulfill(response=held[0].fetch())
    until_held(page, left, 1)
    assert "card" in left[0]


def test_two_changes_at_once_are_both_saved(sign_in):
    """A tap leaves one field and ticks another in the same moment."""
    page = sign_in("trainee", width="tablet", has_touch=True)
    url = start(page)
    page.fill("#f-prescription-right-sphere", "-225")
    page.tap("label.choice:has(input[value=near])")
    expect(page.locator("input[name='needs.uses'][value=near]")).to_be_checked()
    settled(page)
    page.goto(url)
    assert page.input_value("#f-prescription-right-sphere") == "−2.25"
    assert page.is_checked("input[name='needs.uses'][value=near]")


def test_a_save_shows_what_a_newer_preview_cannot(sign_in):
    """The answer to a reading comes after the answer to a later preview: the reading is in the list all the same."""
    page = sign_in("trainee")
    with_frame(page)
    held = []
    page.route("**/save/readings/", lambda route: held.append(route))
    page.fill("[name='readings.far_pd.right']", "31.5")
    page.press("[name='readings.far_pd.right']", "Enter")
    until_held(page, held, 1)
    page.keyboard.type("32")
    page.wait_for_selector("#f-readings-far_pd-left-echo:has-text('32.0')")  # the preview of 32 has come
    held[0].fulfill(response=held[0].fetch())
    page.wait_for_selector(".reading-list li", state="attached")
    assert page.input_value("[name='readings.far_pd.left']") == "32"


def test_a_reading_typed_beside_a_placed_point_goes_by_its_own_method(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    x, y = middle(page, "right.pupil")
    mm = scale(page)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 3 * mm, y, steps=4)
    page.mouse.up()
    placed = page.input_value("[name='readings.far_pd.right']")
    assert placed
    page.fill("[name='readings.far_pd.left']", "32")
    page.press("[name='readings.far_pd.left']", "Enter")
    page.wait_for_selector(".reading-list li", state="attached")
    page.wait_for_timeout(300)
    assert page.locator(".reading-list li").count() == 1  # the point is placed and not kept
    assert "pupillometer" in page.text_content(".reading-list li >> nth=0")
    assert page.input_value("[name='readings.far_pd.right']") == placed
    page.click("#placed-keep")
    until(page, "document.querySelectorAll('.reading-list li').length === 3")
    assert re.search("other", page.text_content("#readings-now"))


def test_up_and_down_go_to_the_next_step_from_anywhere(sign_in):
    page = sign_in("trainee")
    start(page)
    field = "#f-prescription-right-sphere"
    for typed, key, shown in (
        ("pl", "ArrowUp", "+0.25"),
        ("-2.12", "ArrowUp", "−2.00"),
        ("2.25-", "ArrowUp", "−2.00"),
        ("-212", "ArrowDown", "−2.25"),
        ("about 2", "ArrowUp", "about 2"),
    ):
        page.fill(field, typed)
        page.press(field, key)
        assert page.input_value(field) == shown, (typed, key)


def test_enter_in_a_reason_for_leaving_out_adds_nothing_and_no_echo_stays_behind(sign_in):
    """The first button of the form would add readings that nobody typed, and refuse for want of them."""
    page = sign_in("trainee")
    with_frame(page)
    page.fill("[name='readings.far_pd.right']", "31.5 41")
    page.wait_for_selector("#f-readings-far_pd-right-echo:has-text('41.0')")
    page.press("[name='readings.far_pd.right']", "Enter")
    settled(page)
    page.wait_for_selector(".reading-list li:has-text('41.0')", state="attached")
    assert page.input_value("[name='readings.far_pd.right']") == ""
    assert page.text_content("#f-readings-far_pd-right-echo") == "", "the echo went with what it echoed"
    page.locator("#readings-now .more summary").click()
    page.locator("button[name=strike]").first.click()
    expect(page.locator("#strike-far_pd-right")).to_be_focused()  # nothing is left out without a reason
    page.fill("#strike-far_pd-right", "typing slip")
    page.press("#strike-far_pd-right", "Enter")
    expect(page.locator("button[name=strike]").first).to_be_focused()
    page.locator(".reading-list li:has-text('41.0') button[name=strike]").click()
    page.wait_for_selector(".reading-list .struck:has-text('left out: typing slip')", state="attached")
    settled(page)


def test_what_is_typed_stays_in_view_after_a_refusal_and_the_state_wherever_one_is(sign_in):
    """One field of a part refused: findings and figures go on speaking of the others, which are not on record either."""
    page = sign_in("trainee")
    start(page)
    page.fill("#f-prescription-right-sphere", "-225")
    page.fill("#f-prescription-left-sphere", "minus two")
    page.press("#f-prescription-left-sphere", "Tab")
    page.wait_for_selector("#saving:has-text('needs another look')")
    expect(page.locator("#figures")).to_contain_text("−2.25")  # the refusal knows only what is on record
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    expect(page.locator("#saving")).to_be_in_viewport()


def test_a_tablet_that_is_turned_has_its_findings_beside_the_work_again(sign_in):
    page = sign_in("trainee", "tablet")
    start(page)
    assert not page.evaluate("document.getElementById('say').open")
    page.set_viewport_size({"width": 1180, "height": 820})
    page.wait_for_selector("#say[open]")
    page.set_viewport_size({"width": 820, "height": 1180})
    page.wait_for_selector("#say:not([open])")


def test_a_button_that_is_held_while_an_answer_comes_is_pressed_all_the_same(sign_in):
    """Leaving the field saves it, and the answer brings the button anew: the one under the finger stays until it is let go."""
    page = sign_in("trainee")
    with_frame(page)
    page.fill("#f-fit-vertex_mm", "14")
    page.hover("#fit-actions [name=confirm]")
    page.mouse.down()
    settled(page)
    with page.expect_request(lambda request: "confirm=1" in (request.post_data or "")):
        page.mouse.up()
    settled(page)
    # and what comes next, drawn anew by each answer, keeps the focus
    page.fill("#f-fit-vertex_mm", "13")
    with page.expect_response(lambda response: "/save/fit/" in response.url):
        page.focus("#next-thing")
    settled(page)
    expect(page.locator("#next-thing")).to_be_focused()
