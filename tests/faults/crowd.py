"""People and a lab at work, who note what they were told was done, and go on after any fault: what a fault test compares with."""

from __future__ import annotations

import random
import re
import threading
import time
from collections.abc import Callable

from tests.faults.machines import Answer, Server

OUTAGE = (OSError,)


class Crowd:
    """Each worker goes through its list until every item was acknowledged; `told` holds what the site said was done."""

    def __init__(self, servers: list[Server], seed: dict, chance: random.Random) -> None:
        self.servers, self.seed, self.chance = servers, seed, chance
        self.issued: dict[str, set[str]] = {}  # dispense -> order numbers it was told
        self.signed: set[str] = set()
        self.imported: set[str] = set()
        self.acknowledged: set[str] = set()
        self.unexpected: list[str] = []
        self.outages = 0
        self.over = threading.Event()
        self.lock = threading.Lock()

    # --- one deed each: True when the site said that it is done -----------------------------------------------------------

    def issue(self, reference: str) -> bool:
        page = self.send("GET", f"/dispenses/{reference}/order/", session=self.seed["sessions"]["dispenser"])
        found = re.search(r'name="version" value="(\d+)"', page.text)
        if found is None and page.status not in (200, 302):
            return self.strange("look", page)
        form = {"lab": self.seed["lab"], "version": found.group(1) if found else "0"}
        answer = self.send("POST", f"/dispenses/{reference}/order/", session=self.seed["sessions"]["dispenser"], form=form)
        if answer.status == 302 and "/orders/" in answer.to:
            with self.lock:
                self.issued.setdefault(reference, set()).add(answer.to.rstrip("/").rpartition("/")[2])
            return True
        return self.strange("issue", answer)

    def sign(self, reference: str) -> bool:
        path, who = f"/dispenses/{reference}/sign-off/", self.seed["sessions"]["supervisor"]
        page = self.send("GET", path, session=who)
        version = re.search(r'name="version" value="(\d+)"', page.text)
        seen = re.search(r'name="seen" value="(\w+)"', page.text)
        if page.status == 200 and seen is None:
            self.signed.add(reference)  # done, though the answer that said so was lost
            return True
        if page.status != 200 or version is None or seen is None:
            return self.strange("look", page)
        form = {"deed": "sign", "version": version.group(1), "seen": seen.group(1), "password": self.seed["password"]}
        answer = self.send("POST", path, session=who, form=form)
        if answer.status == 302:
            self.signed.add(reference)
            return True
        return self.strange("sign", answer)

    def bring_in(self, reference: str) -> bool:
        """Sent again after an outage with the version the page had: a second time is a conflict, not a second prescription."""
        answer = self.send(
            "POST", f"/dispenses/{reference}/prescription/import/", session=self.seed["sessions"]["dispenser"],
            form={"version": "0", "text": self.seed["document"]},
        )  # fmt: skip
        if answer.status not in (200, 302, 409):
            return self.strange("import", answer)
        if not self.looked_up(reference):  # refused, or no answer to the second question: it is sent again
            return False
        self.imported.add(reference)
        return True

    def looked_up(self, reference: str) -> bool:
        page = self.send("GET", f"/dispenses/{reference}/", session=self.seed["sessions"]["dispenser"])
        return page.status == 200 and "Practitioner/example" in page.text

    def acknowledge(self) -> bool:
        page = self.send("GET", "/api/v1/orders?waiting=true&limit=3", token=self.seed["token"])
        if page.status != 200:
            return self.strange("feed", page)
        import json

        numbers = [o["number"] for o in json.loads(page.body)["orders"]]
        if numbers:
            answer = self.send(
                "POST", "/api/v1/orders/acknowledgements", token=self.seed["token"], body={"numbers": numbers},
                key=f"k{self.chance.random()}",
            )  # fmt: skip
            if answer.status != 200:
                return self.strange("acknowledge", answer)
            self.acknowledged |= {
                o["number"] for o in json.loads(answer.body)["orders"] if o["outcome"] in ("acknowledged", "already")
            }
        return True

    # --- working ----------------------------------------------------------------------------------------------------------

    def send(self, method: str, path: str, **kw) -> Answer:
        """To whichever server answers, as a proxy would; a request that was perhaps done is not sent again here."""
        server = self.chance.choice(self.servers)
        from tests.faults.machines import ask

        return ask(server.host, server.port, method, path, timeout=20.0, **kw)

    def strange(self, what: str, answer: Answer) -> bool:
        if answer.status != 503:
            self.unexpected.append(f"{what}: {answer.status} {answer.text[:300]}")
        return False

    def through(self, deed: Callable[[str], bool], items: list[str]) -> threading.Thread:
        """A thread that does the deed to each item until it is done."""

        def run() -> None:
            left = list(items)
            while left and not self.over.is_set():
                item = self.chance.choice(left)
                try:
                    if deed(item):
                        left.remove(item)
                        continue
                except OUTAGE:
                    self.outages += 1
                time.sleep(0.05)

        return self.start(run)

    def as_lab(self) -> threading.Thread:
        def run() -> None:
            while not self.over.is_set():
                try:
                    self.acknowledge()
                except OUTAGE:
                    self.outages += 1
                time.sleep(0.1)

        return self.start(run)

    @staticmethod
    def start(run: Callable[[], None]) -> threading.Thread:
        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread
