"""The way back in a real browser: arrived outside, rejected, made again, passed, handed over, back again, decided."""

from __future__ import annotations

import json
import re

import pytest
from playwright.sync_api import expect

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen, wide
from tests.browser.waiting import next_page

pytestmark = pytest.mark.browser


def _fresh_order(site) -> tuple[str, dict]:
    """Number and document of an order that the demo has issued and not yet sent out."""
    out = site.manage(
        "shell", "-v0", "-c",
        "from orders.models import Order; "
        "o = Order.objects.filter(state__in=['issued', 'acknowledged', 'in_work', 'dispatched'], branch__code__in=['SM', 'HR'], dispense__lens_option__lens__family='progressive')"
        ".order_by('pk').first(); print(o.number); print(o.document)",
    )  # fmt: skip
    number, document = out.strip().splitlines()[-2:]
    return number, json.loads(document)


def _readings(document: dict) -> dict[str, str]:
    found = {}
    for eye in ("right", "left"):
        o, c = document["lenses"][eye]["ordered"], document["lenses"][eye]["centration"]
        thinning = float(document["lens"]["prism_thinning_down"])
        up = float(o["prism"]["up"]) - thinning + 0.1
        found |= {
            f"{eye}.sphere": o["sphere"],
            f"{eye}.cylinder": o["cylinder"] if o["axis"] else "DS",
            f"{eye}.axis": (o["axis"] or "").removesuffix(".0"),
            f"{eye}.add": o["addition"],
            f"{eye}.prism_in": f"{abs(float(o['prism']['in'])):.2f} {'in' if float(o['prism']['in']) >= 0 else 'out'}",
            f"{eye}.prism_up": f"{abs(up):.2f} {'up' if up >= 0 else 'down'}",
            f"{eye}.pd": c["far_pd"],
            f"{eye}.height": c["height"],
        }
    return {k: v for k, v in found.items() if v}


def _measure(page, number: str, readings: dict[str, str]) -> None:
    page.goto("/arrivals/")
    page.fill("[name=number]", number.lower())
    page.press("[name=number]", "Enter")
    page.wait_for_url(f"**/orders/{number}/receipt/")
    for name, value in readings.items():
        page.fill(f"[name='{name}']", value)
    page.wait_for_selector("#verdict-now table")
    for box in page.locator("[name=points]").all():
        box.check()


def _look(page) -> None:
    assert_clean(page)
    assert not wide(page), page.url


@pytest.mark.parametrize("width", ["desktop", "tablet"])
def test_from_reject_to_outcome(sign_in, site, width):
    number, document = _fresh_order(site)
    page = sign_in("wren", width=width)
    heard = listen(page)
    readings = _readings(document)
    off = str(float(readings["right.sphere"]) + 0.37)

    _measure(page, number, {**readings, "right.sphere": off})
    page.wait_for_selector("#verdict-now:has-text('Outside tolerance')")
    _look(page)
    page.click("text=Keep the readings and judge")
    page.wait_for_url(re.compile(r"/receipt/\d+/$"))
    _look(page)
    page.fill("#f-reject-reason", "Right lens 0.37 too strong in plus.")
    page.click("text=Reject the pair")
    page.wait_for_url(f"**/orders/{number}/")
    expect(page.locator("main")).to_contain_text("Rejected to the lab")
    _look(page)

    _measure(page, number, readings)
    page.click("text=Keep the readings and judge")
    page.wait_for_url(re.compile(r"/receipt/\d+/$"))
    expect(page.locator(".verdict-head")).to_contain_text("Everything measured is within tolerance")
    page.click("text=Pass the pair")
    page.wait_for_url(f"**/orders/{number}/")
    page.click("text=Hand it over")
    page.wait_for_url("**/collection/")
    _look(page)
    with next_page(page):
        page.click("button:has-text('Hand over')")
    page.wait_for_selector("#error-summary")
    _look(page)
    for name in ("fit", "cautions", "advice"):
        for box in page.locator(f"[name={name}]").all():
            box.check()
    page.select_option("[name=marks]", "yes")
    page.fill("[name='acuity.both']", "6/5")
    with next_page(page):
        page.click("button:has-text('Hand over')")
    page.wait_for_selector("text=Sheet for the client")
    _look(page)
    assert page.request.get(f"/orders/{number}/handover.pdf?large=1").body().startswith(b"%PDF-")

    page.click("text=They came back")
    page.wait_for_url("**/return/")
    page.click(".choice:has-text('Near is not sharp')")
    page.fill("[name='right.height']", str(float(readings["right.height"]) + 4))
    page.fill("[name='left.height']", str(float(readings["left.height"]) + 4))
    _look(page)
    page.click("text=Look for what could explain it")
    page.wait_for_url(re.compile(r"/return/\d+/$"))
    expect(page.locator("main")).to_contain_text("fits what they say")
    _look(page)
    page.select_option("[name=outcome]", "remake")
    page.select_option("[name=cause]", "measurement")
    page.select_option("[name=bears]", "branch")
    page.fill("[name=note]", "Heights 4 mm too low on the frame as worn.")
    page.click("button:has-text('Decide')")
    page.wait_for_url("**/dispenses/**")
    page.goto(f"/orders/{number}/")
    assert "The pair came back and is made again" in page.inner_text("main")
    _look(page)
    page.goto("/learning/")
    _look(page)
    assert heard == []


def test_without_javascript_the_same_form_leads_to_the_verdict(sign_in, site):
    number, document = _fresh_order(site)
    page = sign_in("wren", java_script_enabled=False)
    page.goto(f"/orders/{number}/receipt/")
    for name, value in _readings(document).items():
        page.fill(f"[name='{name}']", value)
    page.fill("[name='right.axis']", "200")
    with next_page(page):
        page.click("text=Keep the readings and judge")
    assert "An axis is from 1 to 180." in page.inner_text("#error-summary")
    assert page.input_value("[name='right.axis']") == "200"
    page.fill("[name='right.axis']", (document["lenses"]["right"]["ordered"]["axis"] or "").removesuffix(".0"))
    with next_page(page):
        page.click("text=Keep the readings and judge")
    assert "within tolerance" in page.inner_text(".verdict-head")
