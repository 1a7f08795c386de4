"""The photograph method in a real browser: a drawn face is added, marked by mouse, by touch and by keys, measured and adopted."""

from __future__ import annotations

import json
import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.axe import assert_clean
from tests.browser.waiting import next_page, steady, until
from tests.dispensing.optics.pinhole import Scene

pytestmark = pytest.mark.browser

ORDER = (
    "pupil.right", "pupil.left",
    *(f"rim.{side}.{place}" for side in ("right", "left") for place in ("nasal", "temporal", "top", "bottom")),
    "reference.1", "reference.2",
)  # fmt: skip

MAKE = """
import json
from decimal import Decimal as D
from dispensing import record
from dispensing.models import CatalogueFrame, Dispense
from practice.models import Client, Staff
who = Staff.objects.get(username="{who}")
post = who.posts.select_related("branch").first()
frame = next(f for f in CatalogueFrame.objects.filter(group=who.group, mount="full_rim", retired_on=None) if f.a and f.b and f.dbl)
client = Client.objects.filter(group=who.group).exclude(dispenses__state="open").order_by("pk").last()
made = record.start_dispense(actor=who, client=client, branch=post.branch)
record.choose_frame(actor=who, dispense=made, version=0, item=frame)
record.confirm_fit(actor=who, dispense=made, version=0, adjusted=["level"], vertex_mm=D(13), pantoscopic_deg=D(9), face_form_deg=D(5))
groove = float(frame.groove_mm if frame.groove_mm is not None else post.branch.groove_mm)
print("MADE", json.dumps(dict(reference=made.reference, a=float(frame.a), b=float(frame.b), dbl=float(frame.dbl), groove=groove)))
"""


@pytest.fixture
def made(site, tmp_path):
    """A dispense with frame and fit, a scene behind that frame, and its picture as a file."""
    out = site.manage("shell", "-c", MAKE.format(who=site.people["dispenser"]))
    facts = json.loads(re.search(r"^MADE (.*)$", out, re.M).group(1))
    scene = Scene(
        a=facts["a"],
        b=facts["b"],
        dbl=facts["dbl"],
        groove=facts["groove"],
        size=(2400, 1800),
        focal_px=9500.0,
        camera_roll=2.0,
    )
    file = tmp_path / "front.jpg"
    scene.draw().save(file, quality=92)
    return facts["reference"], scene, file


def upload(page: Page, reference: str, file) -> None:
    page.goto(f"/dispenses/{reference}/photographs/")
    page.set_input_files("#f-picture", file)
    page.check("#f-consent")
    page.click("text=Add the picture")
    page.wait_for_url(re.compile(r"/photographs/\d+/$"))
    page.locator("#photo").evaluate("photo => photo.decode()")


def screen(page: Page, point) -> tuple[float, float]:
    """Where a pixel of the picture lies on the screen now."""
    box = steady(page, page.locator("#photo").bounding_box)
    return box["x"] + point[0] * box["width"] / 2400, box["y"] + point[1] * box["height"] / 1800


def placed(page: Page, name: str) -> tuple[float, float]:
    return tuple(float(page.input_value(f"[name='{axis}.{name}']")) for axis in "xy")


def figures(page: Page) -> dict[str, float]:
    page.wait_for_selector("#results tbody")
    page.wait_for_selector("#results:not([aria-busy])")
    return {
        row.locator("th").inner_text(): float(row.locator("td >> nth=0").inner_text())
        for row in page.locator("#results tbody tr").all()
    }


def quiet(page: Page) -> list[str]:
    heard: list[str] = []
    page.on("console", lambda m: heard.append(m.text) if m.type in {"error", "warning"} else None)
    page.on("pageerror", lambda e: heard.append(str(e)))
    return heard


def test_marked_by_mouse_measured_and_adopted(sign_in, made):
    reference, scene, file = made
    page = sign_in("dispenser")
    heard = quiet(page)
    upload(page, reference, file)
    points = scene.points()
    assert "right eye: place it" in page.inner_text("#stage-now")
    for name in ORDER:
        page.mouse.click(*screen(page, points[name]))
        assert placed(page, name) == pytest.approx(points[name], abs=2.5), name
    assert "12 of 12" in page.inner_text("#stage-now")
    page.fill("[name=camera_mm]", "1000")
    rough = figures(page)
    assert rough["Far PD, R"] == pytest.approx(scene.pd_right, abs=0.6)
    # one point after the other exactly: enlarged, and dragged to where it belongs
    for name in ORDER:
        page.locator(f"[data-point='{name}'] .point-pick").click()
        page.click("#zoom-in")
        page.click("#zoom-in")
        page.click("#zoom-in")
        x, y = screen(page, placed(page, name))
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 30, y + 30, steps=3)
        page.mouse.move(*screen(page, points[name]), steps=3)
        assert page.is_visible("#loupe")
        page.mouse.up()
        page.click("#zoom-fit")
        assert placed(page, name) == pytest.approx(points[name], abs=0.8), name
    exact = figures(page)
    assert exact["Far PD, R"] == pytest.approx(scene.pd_right, abs=0.2)
    assert exact["Far PD, L"] == pytest.approx(scene.pd_left, abs=0.2)
    assert exact["Height in the box, R"] == pytest.approx(scene.height_right, abs=0.2)
    assert exact["Height in the box, L"] == pytest.approx(scene.height_left, abs=0.2)
    with next_page(page):
        page.click("text=Keep the points")
    page.wait_for_selector("text=The points are kept.")
    assert placed(page, "rim.left.top") == pytest.approx(points["rim.left.top"], abs=0.8)
    page.click("text=Use these readings")
    page.wait_for_url(re.compile(rf"/dispenses/{reference}/#part-readings$"))
    text = page.text_content("#readings-now")
    assert text.count("photograph") >= 4
    page.click("#adopt-all")
    expect(page.locator("#adopt-all")).to_have_count(0)
    expect(page.locator("#readings-now .adopted-value", has_text=f"{exact['Far PD, R']:.1f}").first).to_be_visible()
    assert heard == []


def test_marked_by_keys_alone(sign_in, made):
    reference, scene, file = made
    page = sign_in("dispenser")
    upload(page, reference, file)
    points = scene.points()
    page.focus("#stage")
    page.keyboard.press("ArrowRight")  # starts from the middle of what is seen
    x, y = placed(page, "pupil.right")
    assert (x, y) == pytest.approx((1201, 900), abs=1)
    dx, dy = round(points["pupil.right"][0] - x), round(points["pupil.right"][1] - y)
    for key, n in (("ArrowLeft" if dx < 0 else "ArrowRight", abs(dx)), ("ArrowUp" if dy < 0 else "ArrowDown", abs(dy))):
        for _ in range(n // 10):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(n % 10):
            page.keyboard.press(key)
    assert placed(page, "pupil.right") == pytest.approx(points["pupil.right"], abs=0.6)
    assert "right eye" in page.inner_text("#live")
    page.keyboard.press("Enter")
    assert "left eye: place it" in page.inner_text("#stage-now")
    page.keyboard.press("PageUp")
    page.keyboard.press("Delete")
    assert page.input_value("[name='x.pupil.right']") == ""
    before = page.locator("#photo").bounding_box()["width"]
    page.keyboard.press("+")
    assert page.locator("#photo").bounding_box()["width"] > before * 1.4
    page.keyboard.press("Tab")  # and out again: the picture holds nobody
    assert page.evaluate("document.activeElement.id") != "stage"


def test_marked_by_touch(sign_in, made):
    reference, scene, file = made
    page = sign_in("dispenser", width="tablet", has_touch=True)
    upload(page, reference, file)
    points = scene.points()
    for name in ORDER:
        page.locator("#stage").scroll_into_view_if_needed()
        page.touchscreen.tap(*screen(page, points[name]))
        until(page, f"document.getElementsByName('x.{name}')[0].value !== ''")
        assert placed(page, name) == pytest.approx(points[name], abs=3.5), name
    page.fill("[name=camera_mm]", "1000")
    assert figures(page)["Far PD, both eyes"] == pytest.approx(scene.pd_right + scene.pd_left, abs=1.0)


def test_two_fingers_enlarge_and_one_moves_the_picture(sign_in, made):
    reference, _, file = made
    page = sign_in("dispenser", width="tablet", has_touch=True)
    upload(page, reference, file)
    page.locator("#stage").scroll_into_view_if_needed()
    box = page.locator("#stage").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = page.context.new_cdp_session(page)

    def fingers(kind, *points):
        touch.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": a, "y": b, "id": i} for i, (a, b) in enumerate(points)]},
        )

    fingers("touchStart", (x - 40, y), (x + 40, y))
    for spread in (60, 80, 100, 120):
        fingers("touchMove", (x - spread, y), (x + spread, y))
    fingers("touchEnd")
    until(page, f"document.getElementById('photo').getBoundingClientRect().width > {2.7 * box['width']}")
    larger = steady(page, page.locator("#photo").bounding_box)
    assert larger["width"] == pytest.approx(3 * box["width"], rel=0.1)
    fingers("touchStart", (x, y + 100))
    for step in (20, 40, 60):
        fingers("touchMove", (x + step, y + 100))
    fingers("touchEnd")
    until(page, f"Math.abs(document.getElementById('photo').getBoundingClientRect().x - {larger['x'] + 60}) <= 3")
    assert page.input_value("[name='x.pupil.right']") == ""  # neither places a point
    page.click("#zoom-fit")
    assert page.locator("#photo").bounding_box()["width"] == pytest.approx(box["width"], abs=3)


def test_without_a_script_the_figures_are_typed(sign_in, made):
    reference, scene, file = made
    page = sign_in("dispenser", java_script_enabled=False)
    page.goto(f"/dispenses/{reference}/photographs/")
    page.set_input_files("#f-picture", file)
    page.check("#f-consent")
    with next_page(page):
        page.click("text=Add the picture")
    for name, (x, y) in scene.points().items():
        page.fill(f"[name='x.{name}']", f"{x:.1f}")
        page.fill(f"[name='y.{name}']", f"{y:.1f}")
    page.fill("[name=camera_mm]", "1000")
    with next_page(page):
        page.click("text=Keep the points")
    row = page.locator("#results tbody tr").first
    assert float(row.locator("td >> nth=0").inner_text()) == pytest.approx(scene.pd_right, abs=0.1)
    page.click("summary:has-text('Remove the picture')")
    page.fill("#f-reason", "the client asked")
    with next_page(page):
        page.click("button:has-text('Remove the picture')")
    assert "removed by" in page.inner_text("main")
    assert page.locator("img").count() == 0


@pytest.mark.parametrize(("width", "scheme"), [("desktop", "light"), ("tablet", "dark")])
def test_clean_and_whole(sign_in, made, width, scheme):
    reference, scene, file = made
    page = sign_in("dispenser", width=width, color_scheme=scheme)
    heard = quiet(page)
    page.goto(f"/dispenses/{reference}/photographs/")
    assert_clean(page)
    upload(page, reference, file)
    assert_clean(page)
    for name in ORDER:
        page.mouse.click(*screen(page, scene.points()[name]))
    page.fill("[name=camera_mm]", "1000")
    figures(page)
    page.click("text=Where the ± comes from")
    assert_clean(page)
    assert not page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth")
    small = page.evaluate(
        """() => [...document.querySelectorAll("main button, main .button, main input:not([type=hidden]), main select")]
        .filter(e => e.offsetParent && e.type !== "checkbox" && getComputedStyle(e).visibility !== "hidden")
        .map(e => [e.textContent.trim().slice(0, 30) || e.name, e.getBoundingClientRect().height]).filter(([, h]) => h < 44)"""
    )
    assert small == []
    page.fill("[name=camera_mm]", "far away")
    with next_page(page):
        page.click("text=Keep the points")
    page.wait_for_selector("#error-summary")
    assert_clean(page)
    assert placed(page, "pupil.left") == pytest.approx(scene.points()["pupil.left"], abs=4)
    assert heard == []
