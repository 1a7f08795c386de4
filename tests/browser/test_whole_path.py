"""From an empty record to a lab that has the order: trainee, supervisor and lab, over real HTTP, and the PDF read back.

The lab is a plain HTTP client. What the PDF says is held against the JSON of the same order: every power, prism, axis and
distance.
"""

from __future__ import annotations

import io
import json
import random
import re
import urllib.error
import urllib.request
from typing import Any

import pdfplumber
import pytest

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen
from tests.browser.waiting import SECONDS, next_page, settled, until, written

pytestmark = pytest.mark.browser


def lab_call(site, path: str, *, data: dict[str, Any] | None = None, key: str = "") -> tuple[int, bytes]:
    headers = {"Authorization": f"Bearer {site.token}"}
    if data is not None:
        headers["Content-Type"] = "application/json"
    if key:
        headers["Idempotency-Key"] = f'"{key}"'
    body = None if data is None else json.dumps(data).encode()
    request = urllib.request.Request(site.url + path, data=body, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=SECONDS) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as problem:
        return problem.code, problem.read()


def waiting(site) -> dict[str, dict[str, Any]]:
    """Every order that waits for the lab, by number, following the feed to its end."""
    found, after, more = {}, 0, True
    while more:
        status, body = lab_call(site, f"/api/v1/orders?after={after}")
        assert status == 200, body
        page = json.loads(body)
        found |= {o["number"]: o for o in page["orders"]}
        after, more = page["last"], page["more"]
    return found


def fill(page, name: str, text: str) -> None:
    page.fill(f"[name='{name}']", text)
    page.press(f"[name='{name}']", "Tab")


def test_from_prescription_to_a_lab_that_has_the_order(site, sign_in):
    before = waiting(site)
    page = sign_in("trainee")
    heard = listen(page)

    # a client who has never been here
    page.goto("/clients/new/")
    page.fill("[name=given_name]", "Ottoline")
    family = "Marshcroft-" + "".join(random.choices("aeiou", k=8))  # nobody of that name is on record
    page.fill("[name=family_name]", family)
    page.fill("[name=date_of_birth]", f"{random.randint(1, 28)} 3 19{random.randint(56, 68)}")
    page.click("main button[type=submit], main form button:not([type=button]) >> nth=0")
    page.wait_for_url(re.compile(r"/clients/C-\w+/"))
    assert f"Ottoline {family}" in page.inner_text("h1")
    page.click("text=New dispense")
    page.wait_for_url(re.compile(r"/dispenses/D-\w+/"))
    sheet = page.url

    # the sheet, in the order of the work
    page.check("[name='needs.uses'][value=all_round]", force=True)
    settled(page)
    for name, text in {
        "prescription.right.sphere": "-225",
        "prescription.right.cylinder": "-75",
        "prescription.right.axis": "95",
        "prescription.right.add": "200",
        "prescription.right.prism_h": "1 in",
        "prescription.left.sphere": "-150",
        "prescription.left.cylinder": "-1",
        "prescription.left.axis": "80",
        "prescription.left.add": "200",
        "prescription.left.prism_h": "1 in",
        "prescription.written_on": written(),
        "prescription.prescriber": "P. Quillfeather",
        "prescription.vertex_mm": "12",
    }.items():
        fill(page, name, text)
    settled(page)
    page.fill("#f-frame-search", "Alder 247")
    page.wait_for_selector(".frame-choice")
    with next_page(page):
        page.locator(".frame-choice", has_text="52□18").first.click()
    page.check("[name='fit.adjusted'] >> nth=0", force=True)
    for name, text in {"fit.vertex_mm": "12", "fit.pantoscopic_deg": "8", "fit.face_form_deg": "5"}.items():
        fill(page, name, text)
    settled(page)
    page.click("button:has-text('The fit is final')")
    page.wait_for_selector("#fit-actions .ok-words")
    settled(page)
    fill(page, "readings.far_pd.right", "31.5 31.5")
    fill(page, "readings.far_pd.left", "32 32")
    page.select_option("[name='readings.reference'], [name='readings.height_reference']", "box")
    fill(page, "readings.height.right", "21.5 21.5")
    fill(page, "readings.height.left", "21.5 21.5")
    page.press("[name='readings.height.left']", "Enter")
    settled(page)
    page.click("#adopt-all")
    until(page, "!document.getElementById('adopt-all')")
    settled(page)
    design = page.locator("#f-lens-design optgroup[label=progressive] option", has_text="Ridgeway 13").first.get_attribute(
        "value"
    )
    page.select_option("#f-lens-design", design)
    settled(page)
    material = page.locator("#f-lens-material option", has_text="hard resin 1.50").first.get_attribute("value")
    page.select_option("#f-lens-material", material)
    fill(page, "lens.blank_diameter_mm", "70")
    settled(page)

    # nothing on record could show a typing slip: the powers are typed again, blind
    page.goto(sheet)
    with next_page(page):
        page.click(".finding a:has-text('Read back now')")
    again = {
        "right": {"sphere": "-2.25", "cylinder": "-0.75", "axis": "95", "add": "2", "prism_h": "1 in"},
        "left": {"sphere": "-1.5", "cylinder": "-1.00", "axis": "80", "add": "2.00", "prism_h": "1 in"},
    }
    for eye, values in again.items():
        for name, text in values.items():
            fill(page, f"prescription.{eye}.{name}", text)
    page.click("button:has-text('Compare')")
    page.wait_for_url(re.compile(r"/dispenses/D-\w+/(#|$)"))
    assert "Every part is there." in page.inner_text("#review")

    # each finding that asks gets its reason where it stands
    for _ in range(6):
        ask = page.locator(".finding.is-confirm:not(.is-answered) input[name=reason]")
        if not ask.count():
            break
        ask.first.fill("Looked at again and right for this client.")
        ask.first.press("Enter")
        settled(page)
        page.goto(sheet)
    assert page.locator(".finding.is-stop, .finding.is-unknown").count() == 0, page.inner_text("#say")
    with next_page(page):
        page.click("#review .actions a.button:not(.plain)")
    with next_page(page):
        page.click("button:has-text('Put forward')")
    assert "A trainee signed" not in page.inner_text("main")
    assert "Only a supervisor or manager" in page.inner_text("main")
    reference = re.search(r"D-\w+", page.url)
    assert reference is not None

    # the supervisor finds it on the desk, signs it with the password, and issues it
    desk = sign_in("supervisor")
    desk.click("header summary")
    with next_page(desk):
        desk.click("header button:has-text('Saltmarsh')")
    desk.goto("/sign-off/")
    with next_page(desk):
        desk.click(f"text=Ottoline {family}")
    assert_clean(desk)
    desk.fill("form:has(button:text-is('Sign')) [name=password]", "not the password")
    with next_page(desk):
        desk.click("button:text-is('Sign')")
    assert "waiting for signature" in desk.inner_text("main")
    desk.fill("form:has(button:text-is('Sign')) [name=password]", site.password)
    with next_page(desk):
        desk.click("button:text-is('Sign')")
    assert "Signed by" in desk.inner_text("main")
    desk.goto(f"/dispenses/{reference.group()}/order/")
    desk.get_by_label("Tideglass Surfacing").check()
    desk.click("button:has-text('Issue the order')")
    desk.wait_for_url(re.compile(r"/orders/[A-Z]+-\d+/"))
    assert_clean(desk)
    number = desk.url.rstrip("/").rsplit("/", 1)[1]

    # the lab: it is in the feed, as JSON and as PDF, and nobody else's token opens it
    arrived = waiting(site)
    assert set(arrived) - set(before) == {number}
    status, body = lab_call(site, f"/api/v1/orders/{number}")
    assert status == 200
    document = json.loads(body)["document"]
    right = document["lenses"]["right"]["prescribed"]
    assert [right[n] for n in ("sphere", "cylinder", "axis", "addition")] == ["-2.25", "-0.75", "95.0", "2.00"]
    assert document["lenses"]["right"]["prescribed"]["prism"]["horizontal"] == {"amount": "1.00", "base": "in"}
    assert document["lenses"]["left"]["centration"]["far_pd"] == "32.00"
    assert document["lenses"]["left"]["centration"]["height"] == "21.50"
    status, pdf = lab_call(site, f"/api/v1/orders/{number}.pdf")
    assert status == 200
    held_against(pdf, document, number)

    # it acknowledges, twice with one key, and reports; the branch sees it
    first = lab_call(site, f"/api/v1/orders/{number}/acknowledgement", data={}, key=f"ack-{number}")
    again_ = lab_call(site, f"/api/v1/orders/{number}/acknowledgement", data={}, key=f"ack-{number}")
    assert first == again_
    assert first[0] in (200, 201)
    assert number not in waiting(site)
    assert lab_call(site, f"/api/v1/orders/{number}/progress", data={"state": "in_work"})[0] in (200, 201)
    desk.reload()
    assert "in work" in desk.inner_text("main")
    assert heard == []


def held_against(pdf: bytes, document: dict[str, Any], number: str) -> None:
    """Every power, prism, axis and distance of the JSON stands on the page, in the trade's notation."""
    with pdfplumber.open(io.BytesIO(pdf)) as opened:
        text = "\n".join(page.extract_text() for page in opened.pages)
    assert number in text
    words = set(re.findall(r"[+−-]?\d+(?:[.]\d+)?", text))

    signed = {w.replace("−", "-") for w in words if w[0] in "+−-"}
    sizes = {float(w.lstrip("+−-")) for w in words}

    def shown(value: str, *, sign: bool) -> bool:
        """A power stands with its sign and two decimals; a distance as a figure."""
        if sign:
            return (value if value.startswith("-") else "+" + value) in signed
        return abs(float(value)) in sizes

    for eye in ("right", "left"):
        lens = document["lenses"][eye]
        for part in ("prescribed", "ordered"):
            for name in ("sphere", "cylinder", "addition"):
                value = lens[part][name]
                if value is not None and float(value):
                    assert shown(value, sign=True), (eye, part, name, value)
            if lens[part]["axis"] is not None:
                assert shown(lens[part]["axis"], sign=False), (eye, part, "axis")
            for direction in ("horizontal", "vertical"):
                prism = lens[part]["prism"][direction]
                if prism["base"] is not None:
                    assert re.search(rf"{prism['amount']}\s*Δ?\s*(base )?{prism['base']}", text), (eye, part, prism)
        for name in ("far_pd", "height", "height_above_datum", "decentration_in", "decentration_up"):
            value = lens["centration"][name]
            assert shown(value, sign=False), (eye, name, value)
    for name in ("a", "b", "dbl", "ed"):
        assert shown(document["frame"][name], sign=False), (name, document["frame"][name])
    for name, value in document["as_worn"].items():
        assert shown(value, sign=False), (name, value)
