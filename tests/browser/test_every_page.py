"""Every page that can be opened by its address: nothing for axe to find, nothing wider than the window, no complaint in the console."""

from __future__ import annotations

import re

import pytest

from tests.browser.axe import assert_clean
from tests.browser.test_people_pages import listen, wide

pytestmark = pytest.mark.browser

# as the manager of a branch, who sees most; "first" stands for the first link of that kind on the page before it
PAGES = (
    "/", "/clients/", "first /clients/", "/clients/new/", "/sign-off/", "/orders/", "first /orders/", "/frames/", "first /frames/",
    "/frames/new", "/lenses/", "first /lenses/", "/lenses/materials", "/lenses/treatments",
    "/bench/", "first /bench/", "/checks/", "first /checks/", "/staff/", "first /staff/",
    "/staff/new/", "/audit/", "/branch/", "/labs/", "first /labs/", "/training/", "/training/agreement/", "/sessions/", "/password/",
    "/measuring/", "/api/v1/docs", "/factors/", "/factors/app/", "/factors/passkey/", "/pin/", "/devices/", "/change-place/",
    "/staff/invitations/", "/sign-in/rules/", "/password/forgotten/", "/link/",
)  # fmt: skip


@pytest.mark.parametrize("width", ["desktop", "tablet"])
def test_every_page_is_clean(sign_in, width):
    page = sign_in("manager", width=width)
    heard = listen(page)
    page.goto("/")
    for at in PAGES:
        address = at
        if at.startswith("first "):
            links = page.eval_on_selector_all("main a[href]", "all => all.map((a) => a.getAttribute('href'))")
            kind = at.removeprefix("first ")
            address = next(
                (a for a in links if re.fullmatch(re.escape(kind) + r"[^/?#]+/", a) and not a.endswith("/new/")), ""
            )
            assert address, (at, links[:20])
        answer = page.goto(address)
        assert answer is not None
        assert answer.status == 200, (address, answer.status)
        assert_clean(page)
        assert not wide(page), address
    assert heard == []
