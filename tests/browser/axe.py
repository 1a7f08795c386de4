"""axe-core on a page: what it finds is a failure, word for word."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def violations(page: Page) -> list[str]:
    """What axe finds on the page as it stands, one line each: rule, impact, where, why."""
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]})
    return [
        f"{v['id']} ({v['impact']}) at {' '.join(map(str, node['target']))}: {node['failureSummary'].splitlines()[-1].strip()}"
        for v in found.response["violations"]
        for node in v["nodes"]
    ]


def assert_clean(page: Page) -> None:
    page.wait_for_load_state()
    lines = violations(page)
    assert lines == [], f"{page.url}\n" + "\n".join(lines)
