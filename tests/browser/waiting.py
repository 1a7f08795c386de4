"""Waiting for the very thing that is asserted next: nothing here sleeps and hopes."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

from playwright.sync_api import Page

SECONDS = 60  # a machine may be slow, and somebody else may be working on it


def until(page: Page, expression: str, seconds: float = SECONDS) -> None:
    """Asked from outside: the page's content policy allows no evaluated text inside it."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(30)


def written() -> str:
    """A day on which a prescription may have been written, whenever this runs: not long ago, not to come."""
    return f"{date.today() - timedelta(days=27):%d %b %y}".lower()


def until_held(page: Page, held: list, number: int) -> None:
    """So many requests have been caught on their way."""
    end = time.monotonic() + SECONDS
    while len(held) < number:
        assert time.monotonic() < end, f"{len(held)} sent, not {number}"
        page.wait_for_timeout(20)


def settled(page: Page) -> None:
    """Everything typed is saved: a change says at once that it is being saved, by whatever key or click it was made."""
    page.wait_for_selector("#saving[data-state=saved]")


def steady(page: Page, read: Any) -> Any:
    """What `read` gives when it gives the same twice, a moment apart: a place that is still moving is no place to point at."""
    end = time.monotonic() + SECONDS
    was = read()
    while True:
        page.wait_for_timeout(30)
        page.evaluate("new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")
        now = read()
        if now == was and now is not None:
            return now
        assert time.monotonic() < end, f"never still: {now}"
        was = now


@contextmanager
def next_page(page: Page) -> Iterator[None]:
    """What is done inside leads to another page, or to this one anew; afterwards that one is loaded."""
    page.evaluate("window.beforeLeaving = true")
    yield
    end = time.monotonic() + SECONDS
    while True:
        try:
            if page.evaluate("window.beforeLeaving !== true && document.readyState === 'complete'"):
                return
        except Exception as problem:  # the page went while it was asked
            if "context" not in str(problem) and "navigat" not in str(problem):
                raise
        assert time.monotonic() < end, f"no other page came: {page.url}"
        page.wait_for_timeout(30)
