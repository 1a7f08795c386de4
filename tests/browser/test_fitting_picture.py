"""The picture of the sheet: points dragged by mouse, finger and keys enter the readings; ghost, before and after, enlarged."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean
from tests.browser.test_fitting_desk import start
from tests.browser.test_people_pages import listen, wide
from tests.browser.waiting import next_page, settled, steady, until

pytestmark = pytest.mark.browser


def with_frame(page, tap: bool = False) -> str:
    """A new dispense with a prescription, a frame and a confirmed fit."""
    press = page.tap if tap else page.click
    url = start(page)
    page.fill("#f-prescription-right-sphere", "-225")
    page.fill("#f-prescription-left-sphere", "-250")
    press("#part-prescription summary h2")
    settled(page)
    page.fill("#f-frame-search", "52")
    page.wait_for_selector(".frame-choice")
    with next_page(page):
        press(".frame-choice >> nth=0")
    press("text=The fit is final")
    page.wait_for_selector("#fit-actions .ok-words", state="attached")  # on a tablet the part has folded
    settled(page)
    if tap:  # folding it scrolls to what comes next
        until(page, "!document.getElementById('part-fit').open")
    return url


def middle(page, key: str) -> tuple[float, float]:
    page.wait_for_selector(f'.handle[data-key="{key}"]')
    where = (
        f"""(() => {{ const b = document.querySelector('.handle[data-key="{key}"]')?.getBoundingClientRect();"""
        " return b && {x: b.x, y: b.y, width: b.width, height: b.height}; })()"
    )
    box = steady(page, lambda: page.evaluate(where))  # drawn anew with every size of the picture
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def scale(page) -> float:
    """Pixels a millimetre."""
    return page.evaluate("document.querySelector('#stage svg.pair').getScreenCTM().a")


def test_a_point_that_is_dragged_types_its_readings(sign_in):
    page = sign_in("trainee")
    heard = listen(page)
    url = with_frame(page)
    x, y = middle(page, "right.pupil")
    mm = scale(page)
    begin = page.evaluate("document.getElementById('pair-facts').dataset.c / 2")
    page.mouse.move(x + 3, y + 3)  # held off its middle: it does not jump
    page.mouse.down()
    page.mouse.move(x + 3 + 4 * mm, y + 3 - 2 * mm, steps=5)
    page.mouse.up()
    typed = page.input_value("[name='readings.far_pd.right']")
    assert abs(float(typed) - (begin - 4)) <= 0.51
    half_b = page.evaluate("document.getElementById('pair-facts').dataset.b / 2")
    assert abs(float(page.input_value("[name='readings.height.right']")) - (half_b + 2)) <= 0.51
    assert page.input_value("[name='readings.reference']") == "box"
    assert "R pupil: PD" in page.inner_text("#placed")
    page.wait_for_selector('#picture [data-part="right.pupil"]')  # the live answer draws it where it would be
    now = middle(page, "right.pupil")
    assert abs(now[0] - (x + 4 * mm)) <= 0.6 * mm
    assert page.locator(".reading-list li").count() == 0  # typed, not on record
    page.click("#placed-keep")
    page.wait_for_selector(".reading-list li", state="attached")
    settled(page)
    assert page.locator(".reading-list li").count() == 2
    assert "other" in page.text_content(".reading-list li >> nth=0")
    assert page.input_value("[name='readings.pd_method']") == "pupillometer"  # given back
    page.goto(url)
    assert page.locator("#readings-now details summary:has-text('1 reading')").count() == 2
    assert heard == []


def test_arrows_move_a_point_and_undo_takes_it_back(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    page.focus('.handle[data-key="left.pupil"]')
    for _ in range(4):
        page.keyboard.press("ArrowLeft")  # towards the nose for the left eye
    page.keyboard.press("ArrowUp")
    begin = page.evaluate("document.getElementById('pair-facts').dataset.c / 2")
    assert float(page.input_value("[name='readings.far_pd.left']")) == pytest.approx(begin - 2, abs=0.26)
    page.wait_for_selector('#picture [data-part="left.pupil"]')
    until(page, "document.activeElement.dataset.key === 'left.pupil'")  # the new picture keeps the focus
    page.click("#placed-undo")
    assert page.input_value("[name='readings.far_pd.left']") == ""
    until(page, "!document.querySelector('#picture [data-part=\"left.pupil\"]')")
    assert not page.is_visible("#placed")


def test_a_finger_drags_a_point_on_a_tablet(sign_in):
    page = sign_in("trainee", width="tablet", has_touch=True)
    with_frame(page, tap=True)
    until(page, "(window.scrollTo(0, 0), !document.querySelector('#sheet > aside').classList.contains('shrunk'))")
    x, y = middle(page, "right.pupil")
    mm = scale(page)
    touch = page.context.new_cdp_session(page)
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for part in (0.5, 1):
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x + 3 * mm * part, "y": y}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    begin = page.evaluate("document.getElementById('pair-facts').dataset.c / 2")
    until(page, "document.getElementsByName('readings.far_pd.right')[0].value !== ''")
    assert abs(float(page.input_value("[name='readings.far_pd.right']")) - (begin - 3)) <= 0.51
    page.tap("#placed-keep")
    page.wait_for_selector(".reading-list li", state="attached")
    assert not wide(page)


def test_enlarged_by_key_and_closed_again(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    before = page.locator("#stage svg.pair").bounding_box()["width"]
    page.focus("#f-needs-wish")
    page.keyboard.press("Alt+p")
    page.wait_for_selector("dialog.large[open] svg.pair")
    assert page.locator("#stage svg.pair").bounding_box()["width"] > before * 1.3
    assert_clean(page)
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog.large:not([open])", state="attached")
    expect(page.locator("#plan #stage svg.pair")).to_have_count(1)
    page.click("#enlarge")
    page.focus('.handle[data-key="right.pupil"]')
    page.keyboard.press("ArrowRight")
    assert page.is_visible("#placed-keep")
    page.click("#enlarge")
    expect(page.locator("#plan > #placed")).to_have_count(1)


def test_what_changed_is_marked_while_one_types(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    page.fill("[name='readings.far_pd.right']", "31")
    page.fill("[name='readings.height.right']", "22")
    page.select_option("[name='readings.reference']", "box")
    page.press("[name='readings.height.right']", "Enter")
    page.wait_for_selector("#adopt-all")
    page.click("#adopt-all")
    page.wait_for_selector('#picture [data-part="right.fitting"]', state="attached")
    page.fill("[name='readings.far_pd.right']", "34")
    page.wait_for_selector('#picture [data-part="right.before"]', state="attached")
    shown = "getComputedStyle(document.querySelector('#picture .before')).display"
    assert page.evaluate(shown) != "none"
    page.click("#show-before")
    assert page.evaluate(shown) == "none"
    assert "31.0" in page.inner_text("#readings-now .adopted-value >> nth=0")  # typing changed nothing on record


def test_the_earlier_pair_is_a_ghost_to_be_called_up(sign_in):
    page = sign_in("trainee")
    with_frame(page)  # the first client of the demo has a pair on record
    shown = "getComputedStyle(document.querySelector('#picture .ghost')).display"
    assert page.evaluate(shown) == "none"
    page.click("#show-ghost")
    assert page.evaluate(shown) != "none"
    assert page.get_attribute("#show-ghost", "aria-pressed") == "true"
    page.click("#enlarge")
    assert page.evaluate(shown) != "none"


def pinch(page, touch, x: float, y: float, apart: float, to: float) -> None:
    """Two fingers, side by side, from so many pixels apart to so many."""

    def points(d: float) -> list[dict[str, float]]:
        return [{"x": x - d / 2, "y": y, "id": 0}, {"x": x + d / 2, "y": y, "id": 1}]

    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": points(apart)})
    for part in (0.25, 0.5, 0.75, 1):
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": points(apart + (to - apart) * part)})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_two_fingers_enlarge_the_picture_and_go_closer(sign_in):
    page = sign_in("trainee", width="tablet", has_touch=True)
    heard = listen(page)
    with_frame(page, tap=True)
    page.evaluate("window.scrollTo(0, 0)")
    until(page, "!document.querySelector('#sheet > aside').classList.contains('shrunk')")
    touch = page.context.new_cdp_session(page)
    box = steady(page, page.locator("#stage svg.pair").bounding_box)
    pinch(page, touch, box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, 60, 160)
    page.wait_for_selector("dialog.large[open] svg.pair")
    before = steady(page, lambda: scale(page))
    x, y = middle(page, "right.pupil")
    pinch(page, touch, x, y + 60, 60, 150)  # beside the point, so that no finger lies on it
    until(page, f"document.querySelector('#stage svg.pair').getScreenCTM().a > {before * 2}")
    mm = steady(page, lambda: scale(page))
    x, y = middle(page, "right.pupil")
    touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for part in (0.5, 1):
        touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x + 3 * mm * part, "y": y}]})
    touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    begin = page.evaluate("document.getElementById('pair-facts').dataset.c / 2")
    until(page, "document.getElementsByName('readings.far_pd.right')[0].value !== ''")
    assert abs(float(page.input_value("[name='readings.far_pd.right']")) - (begin - 3)) <= 0.51
    page.wait_for_selector('#picture [data-part="right.pupil"]')  # drawn anew by the live answer: as close as before
    until(page, f"document.querySelector('#stage svg.pair').getScreenCTM().a > {before * 2}")
    assert_clean(page)
    page.tap("#enlarge")
    page.wait_for_selector("dialog.large:not([open])", state="attached")
    until(
        page,
        "(() => { const svg = document.querySelector('#plan #stage svg.pair'); return svg && svg.getAttribute('viewBox') === svg.dataset.whole; })()",
    )
    assert heard == []


def test_keys_go_closer_and_back(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    page.focus("#f-needs-wish")
    page.keyboard.press("Alt+p")
    page.wait_for_selector("dialog.large[open] svg.pair")
    whole, before = page.get_attribute("#stage svg.pair", "viewBox"), scale(page)
    page.keyboard.press("+")
    assert scale(page) == pytest.approx(before * 1.5, rel=0.02)
    at = page.get_attribute("#stage svg.pair", "viewBox")
    page.focus("#closer")
    page.keyboard.press("ArrowRight")
    assert page.get_attribute("#stage svg.pair", "viewBox") != at
    page.keyboard.press("0")
    assert page.get_attribute("#stage svg.pair", "viewBox") == whole
    assert page.is_disabled("#wider")


def test_a_segment_has_a_point_of_its_own_beside_the_pupil(sign_in):
    page = sign_in("trainee")
    with_frame(page)
    if not page.locator("#part-lens").evaluate("(d) => d.open"):
        page.click("#part-lens > summary")
    value = page.locator("#f-lens-design optgroup[data-segment] option").first.get_attribute("value")
    page.select_option("[name='lens.design']", value=value)
    page.wait_for_selector('.handle[data-key="right.segment top"]')
    settled(page)
    mm = scale(page)
    half_b = page.evaluate("document.getElementById('pair-facts').dataset.b / 2")
    for what, field, down in (("segment top", "height", 2), ("pupil", "pupil", -3)):
        x, y = middle(page, f"right.{what}")
        height = half_b - page.locator(f'.handle[data-key="right.{what}"]').evaluate("(h) => h.point.at.y")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x, y + down * mm, steps=4)
        page.mouse.up()
        typed = float(page.input_value(f"[name='readings.{field}.right']"))
        assert abs(typed - (height - down)) <= 0.51, what
    # the segment top goes up and down only: which way the eyes look sideways is the pupil's to say
    assert page.input_value("[name='readings.far_pd.right']") != ""
    page.click("#placed-keep")
    page.wait_for_selector(".reading-list li", state="attached")
    settled(page)
    assert page.locator(".reading-list li").count() == 3
