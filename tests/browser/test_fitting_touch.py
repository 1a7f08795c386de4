"""A whole progressive dispense by touch: fingers on the glass, and the keyboard on the screen for what is typed into a field."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_people_pages import listen, wide
from tests.browser.waiting import next_page, settled, until, written

pytestmark = pytest.mark.browser


class Fingers:
    """Taps, and nothing else; `write` is the keyboard on the screen: it puts text into the field that was tapped."""

    def __init__(self, page) -> None:
        self.page, self.taps = page, 0

    def tap(self, selector: str) -> None:
        target = self.page.locator(selector).first
        target.scroll_into_view_if_needed()
        target.tap()
        self.taps += 1

    def write(self, name: str, text: str) -> None:
        field = f'[name="{name}"]'
        self.tap(field)
        until(self.page, f"document.activeElement.name === '{name}'")  # a tap on it lands on it
        self.page.keyboard.insert_text(text)  # as an on-screen keyboard does: text, no keys

    def open(self, part: str) -> None:
        if not self.page.locator(f"#part-{part}").evaluate("(d) => d.open"):
            self.tap(f"#part-{part} > summary")

    def settled(self) -> None:
        """Leaving the last field is a tap beside it."""
        self.tap(".page-head .facts")
        until(self.page, "!document.activeElement.matches('input,select,textarea,button')")
        settled(self.page)

    def choose(self, name: str, value: str) -> None:
        """The list that the system shows for a select is no part of the page."""
        self.page.select_option(f'[name="{name}"]', value)
        self.taps += 2


def test_a_whole_progressive_dispense_by_touch_alone(sign_in):
    page = sign_in("trainee", width="tablet", has_touch=True, is_mobile=True)
    heard = listen(page)
    hand = Fingers(page)
    page.goto("/clients/")
    with next_page(page):
        hand.tap("tbody th a")
    hand.tap("text=New dispense")
    page.wait_for_url(re.compile(r"/dispenses/D-\w+/"))

    hand.open("needs")
    hand.tap("label.choice:has(input[value=all_round])")
    hand.write("needs.working_distance_mm", "35 cm")
    hand.open("prescription")
    for eye, values in (("right", ("-225", "-75", "90", "200")), ("left", ("-250", "-50", "85", "200"))):
        for name, text in zip(("sphere", "cylinder", "axis", "add"), values, strict=True):
            hand.write(f"prescription.{eye}.{name}", text)
    hand.write("prescription.written_on", written())
    hand.write("prescription.vertex_mm", "12")
    hand.settled()

    hand.open("frame")
    hand.write("frame", "52")
    page.wait_for_selector(".frame-choice")
    with next_page(page):
        hand.tap(".frame-choice")
    hand.open("fit")
    hand.tap("#f-fit-adjusted label.choice")
    for name, text in (("vertex_mm", "13"), ("pantoscopic_deg", "9"), ("face_form_deg", "5")):
        hand.write(f"fit.{name}", text)
    hand.settled()
    hand.tap("#fit-actions [name=confirm]")
    page.wait_for_selector("#fit-actions .ok-words", state="attached")

    hand.open("readings")
    for quantity, eye, text in (
        ("far_pd", "right", "31.5 31.5"),
        ("far_pd", "left", "32 32"),
        ("height", "right", "22 22"),
        ("height", "left", "22 22.5"),
    ):
        hand.write(f"readings.{quantity}.{eye}", text)
    hand.settled()
    page.wait_for_selector("#adopt-all")
    hand.tap("#adopt-all")
    until(page, "!document.getElementById('adopt-all')")

    hand.open("lens")
    value = page.locator("#f-lens-design optgroup[label=progressive] option").first.get_attribute("value")
    hand.choose("lens.design", value)
    hand.write("lens.blank_diameter_mm", "70")
    hand.settled()
    print(f"taps: {hand.taps}")
    assert hand.taps <= 80
    assert not wide(page)
    page.reload()
    assert "Every part is there." in page.inner_text("#review")
    assert "Stairs and kerbs" in page.inner_text("#review")
    assert "−2.25 / −0.75 × 90 add +2.00" in page.text_content("#figures")
    assert heard == []


def test_a_part_folds_when_it_is_complete_and_left(sign_in):
    page = sign_in("trainee", width="tablet", has_touch=True, is_mobile=True)
    hand = Fingers(page)
    page.goto("/clients/")
    with next_page(page):
        hand.tap("tbody th a")
    hand.tap("text=New dispense")
    page.wait_for_url(re.compile(r"/dispenses/D-\w+/"))
    hand.tap("label.choice:has(input[value=all_round])")
    page.wait_for_selector("#head-needs:has-text('complete')")
    assert page.locator("#part-needs[open]").count() == 1  # not while one is in it
    hand.write("prescription.right.sphere", "-2")
    page.wait_for_selector("#part-needs:not([open])")
    assert "all-round" in page.inner_text("#head-needs")
    until(page, "document.activeElement.name === 'prescription.right.sphere'")
    box = page.locator('[name="prescription.right.sphere"]').bounding_box()
    assert 0 < box["y"] < 1100  # folding did not take the field away from under the finger
    hand.write("prescription.left.sphere", "-2")
    assert page.locator("#part-prescription[open]").count() == 1  # left, but not complete
    hand.tap("#part-needs > summary")
    expect(page.locator("#part-needs[open]")).to_have_count(1)  # opened again, it stays
