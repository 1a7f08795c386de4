"""Who works in the morning of `bench_morning`: what each does, in the order a person does it, with pauses to think and to type.

Pauses are drawn from a log-normal distribution about a median in seconds (people's times are never shorter than a little and sometimes much
longer); everything else is what the pages themselves send. Somebody begins a dispense every minute and a half here, where a real one takes
twenty minutes: a hundred of these are the work of many more.
"""

from __future__ import annotations

import asyncio
import math
import random
import re
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from html import unescape
from typing import Any
from urllib.parse import urlencode

FORM = "application/x-www-form-urlencoded"


@dataclass
class Tally:
    """Milliseconds from the first byte sent to the last received, by kind; and what went wrong."""

    ms: dict[str, list[float]] = field(default_factory=dict)
    errors: dict[str, int] = field(default_factory=dict)

    def add(self, kind: str, ms: float) -> None:
        self.ms.setdefault(kind, []).append(ms)

    def wrong(self, what: str) -> None:
        self.errors[what] = self.errors.get(what, 0) + 1


@dataclass
class Desk:
    """One person with a browser: one connection, kept; a session that was begun before."""

    port: int
    tally: Tally
    session: str = ""
    token: str = ""  # of a lab; then no session
    csrf: str = ""
    rng: random.Random = field(default_factory=random.Random)
    counted: bool = True
    _reader: Any = None
    _writer: Any = None

    async def ask(
        self, kind: str, path: str, form: dict[str, Any] | None = None, *, json: bool = False, htmx: bool = False
    ) -> str:
        """The body; a redirect is followed, and counts as part of what was asked for."""
        start = time.perf_counter()
        try:
            status, headers, body = await self._send(path, form, json, htmx)
            if status in (301, 302, 303):
                status, headers, body = await self._send(headers["location"], None, False, False)
        except (OSError, asyncio.IncompleteReadError, ValueError) as problem:
            self._writer = None
            self.tally.wrong(f"{kind}: {type(problem).__name__}")
            return ""
        if self.counted:
            self.tally.add(kind, (time.perf_counter() - start) * 1000)
        if status >= 400 and not (
            status == 409 and form is not None
        ):  # two people on one record is no fault of the server's
            self.tally.wrong(f"{kind}: {status}")
        if found := re.search(r"csrftoken=([^;]+)", headers.get("set-cookie", "")):
            self.csrf = found[1]
        return body.decode("utf-8", "replace")

    async def _send(
        self, path: str, form: dict[str, Any] | None, json: bool, htmx: bool
    ) -> tuple[int, dict[str, str], bytes]:
        # the server closes what was idle for half a minute; a browser then connects anew, as is done here
        if self._writer is None or self._writer.is_closing() or self._reader.at_eof():
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self.port)
        body = b"" if form is None else urlencode(form, doseq=True).encode()
        lines = [f"{'GET' if form is None else 'POST'} {path} HTTP/1.1", "Host: 127.0.0.1"]
        if self.token:
            lines.append(f"Authorization: Bearer {self.token}")
        elif self.session:
            lines.append(f"Cookie: sessionid={self.session}" + (f"; csrftoken={self.csrf}" if self.csrf else ""))
        if form is not None:
            kind = "application/json" if self.token else FORM
            lines += [f"Content-Type: {kind}", f"Content-Length: {len(body)}", f"X-CSRFToken: {self.csrf}"]
        if json:
            lines.append("Accept: application/json")
        if htmx:
            lines.append("HX-Request: true")
        self._writer.write(("\r\n".join(lines) + "\r\n\r\n").encode() + body)
        head = (await self._reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        status = int(head[0].split(" ")[1])
        headers: dict[str, str] = {}
        for line in head[1:]:
            name, _, value = line.partition(": ")
            name = name.lower()
            headers[name] = headers[name] + ", " + value if name in headers else value
        if "content-length" in headers:
            return status, headers, await self._reader.readexactly(int(headers["content-length"]))
        if headers.get("transfer-encoding") != "chunked":
            return status, headers, b""
        parts = []
        while size := int((await self._reader.readline()).split(b";")[0], 16):
            parts.append((await self._reader.readexactly(size + 2))[:-2])
        await self._reader.readline()
        return status, headers, b"".join(parts)

    async def pause(self, median_s: float) -> None:
        await asyncio.sleep(median_s * math.exp(self.rng.gauss(0, 0.4)))

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()


def fields_of(page: str, part: str) -> dict[str, Any]:
    """What the sheet's form of a part would send."""
    from tests.dispensing.test_sheet import fields_of as read

    fields: dict[str, Any] = read(page, part)
    return fields


def csrf_of(page: str) -> str:
    found = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
    return found[1] if found else ""


async def at_the_sheet(desk: Desk, work: dict[str, Any]) -> None:
    """Finds a client, opens their page and a dispense, types powers and readings, saves; looks at an order in between."""
    page = await desk.ask("page: today", "/")
    desk.csrf = desk.csrf or csrf_of(page)
    while True:
        await desk.pause(6)
        q = desk.rng.choice(work["names"])
        if desk.rng.random() < 0.25 and len(q) > 5:
            q = q[:3] + q[4] + q[3] + q[5:]
        for end in (3, len(q)):  # the list follows while one types
            await desk.ask("search", "/clients/", {"q": q[:end]}, htmx=True)
            await desk.pause(1.2)
        await desk.ask("page: client", f"/clients/{desk.rng.choice(work['clients'])}/")
        await desk.pause(15)
        at = f"/dispenses/{work['dispense']}/"
        page = await desk.ask("page: sheet", at)
        if 'data-part="prescription"' not in page:
            continue
        desk.csrf = desk.csrf or csrf_of(page)
        shown = await asyncio.to_thread(fields_of, page, "prescription")
        for _ in range(12):
            await desk.pause(3)
            shown["prescription.right.sphere"] = [f"{-desk.rng.randint(2, 20) / 4:.2f}"]
            await desk.ask("live answer", at + "preview/", {"parts": "prescription", **shown}, json=True)
        await desk.pause(4)
        await desk.ask("save", at + "save/prescription/", shown, json=True)
        if desk.rng.random() < 0.5:
            await desk.pause(4)
            await desk.ask("page: orders", "/orders/")
            await desk.pause(3)
            await desk.ask("page: order", f"/orders/{desk.rng.choice(work['orders'])}/")


async def who_signs(desk: Desk, work: dict[str, Any]) -> None:
    """The sign-off desk, and one dispense after the other that waits there."""
    await desk.ask("page: today", "/")
    while True:
        await desk.pause(5)
        await desk.ask("page: sign-off desk", "/sign-off/")
        for reference in work["waiting"]:
            await desk.pause(10)
            await desk.ask("page: sign-off", f"/dispenses/{reference}/sign-off/")


async def at_the_arrivals(desk: Desk, work: dict[str, Any]) -> None:
    """Measures pairs that came back from the lab and types what the focimeter shows."""
    while True:
        await desk.pause(4)
        await desk.ask("page: arrivals", "/arrivals/")
        number, typed = desk.rng.choice(work["arrived"])
        await desk.pause(5)
        page = await desk.ask("page: receipt", f"/orders/{number}/receipt/")
        desk.csrf = desk.csrf or csrf_of(page)
        done: dict[str, str] = {}
        for name, value in typed.items():
            await desk.pause(1.5)
            done[name] = value
            await desk.ask("live verdict", f"/orders/{number}/receipt/preview/", done, htmx=True)
        version = re.search(r'name="version" value="(\d+)"', page)
        if version and work["keep"]:
            await desk.pause(2)
            points = [unescape(p) for p in re.findall(r'name="points" value="([^"]*)"', page)]
            await desk.ask("save: receipt", f"/orders/{number}/receipt/", {**done, "points": points, "version": version[1]})


async def a_lab(desk: Desk, work: dict[str, Any]) -> None:
    """Pulls its feed, fetches orders and acknowledges some."""
    while True:
        await desk.pause(2)
        await desk.ask("api: feed", f"/api/v1/orders?after={work['after']}&limit=100")
        number = desk.rng.choice(work["orders"])
        await desk.pause(1)
        await desk.ask("api: order", f"/api/v1/orders/{number}")
        await desk.ask("api: order as FHIR", f"/api/v1/orders/{number}.fhir")


Person = Callable[[Desk, dict[str, Any]], Awaitable[None]]


async def morning(people: list[tuple[Person, Desk, dict[str, Any]]], seconds: float, warm_s: float) -> None:
    """Everybody works for so long; what happens in the first `warm_s`, while they arrive, is not counted."""
    for _, desk, _ in people:
        desk.counted = False

    async def arrives(person: Person, desk: Desk, work: dict[str, Any]) -> None:
        await asyncio.sleep(desk.rng.random() * warm_s * 0.8)
        await person(desk, work)

    tasks = [asyncio.create_task(arrives(*each)) for each in people]
    await asyncio.sleep(warm_s)
    for _, desk, _ in people:
        desk.counted = True
    await asyncio.sleep(seconds)
    broken = [t.exception() for t in tasks if t.done() and not t.cancelled()]
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    for _, desk, _ in people:
        desk.close()
    for problem in broken:
        if problem is not None:
            raise problem


async def in_turn(desks: dict[str, tuple[Desk, str, dict[str, Any] | None]], rounds: int) -> dict[str, list[float]]:
    """Each address in turn, one at a time, on connections that are kept: milliseconds by name."""
    found: dict[str, list[float]] = {name: [] for name in desks}
    for turn in range(rounds + 3):
        for name, (desk, path, form) in desks.items():
            start = time.perf_counter()
            await desk.ask(name, path, form, json=form is not None)
            if turn >= 3:
                found[name].append((time.perf_counter() - start) * 1000)
    for desk, _, _ in desks.values():
        desk.close()
    return found
