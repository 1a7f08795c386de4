#!/usr/bin/env python3
"""A lab's end of the lab API, as an example that can be used as it is. Standard library only, Python 3.9 or later.

    export DATUMLINE_LAB_TOKEN=dl_...
    python3 lab_client.py --url https://practice.example/api/v1 --into /srv/orders          once, e.g. from cron
    python3 lab_client.py --url https://practice.example/api/v1 --into /srv/orders --every 60

What it does, in this order, so that it can be killed at any point without losing or doubling an order:

1. asks for what waits (new orders, finished pairs that come back, and cancellations not yet confirmed);
2. checks the SHA-256 of each document and writes it to a file of its own, whole or not at all:
       into/orders/SM-000147.json        the order as it was signed, never written twice
       into/orders/SM-000147.pdf         with --pdf
       into/cancelled/SM-000147.json     when and why it was cancelled: stop work
       into/rejected/SM-000147-20261130T091455Z.json
                                         when and why the finished pair comes back: make it again, under the same number
3. only when the file is safe on the disk says that the lab has it.

Killed before 3, the order is still waiting and comes again; its file is there already and is left alone. Killed after 3, all is
done. The files are the memory: do not move or delete them. To feed another program, keep its own mark of what it has taken.

Ends with 0 when everything was stored, 1 when the practice could not be reached or refused the request, 2 when an order was not accepted (its digest or
its version is wrong): such an order is not acknowledged and is said on standard error.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import sys
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

PAGE = 100
TRIES = 6
KNOWN_VERSIONS = ("1.",)


class Unreachable(Exception):
    """The practice did not answer, after several tries."""


class Refused(Exception):
    """The practice answered that something is wrong with the request (problem details, RFC 9457)."""

    def __init__(self, status: int, problem: dict[str, Any]) -> None:
        super().__init__(f"{status} {problem.get('title', '')}: {problem.get('detail', '')}")
        self.status = status
        self.problem = problem


class Practice:
    """The API, with patience: tries again after a lost answer, with the same Idempotency-Key."""

    def __init__(self, url: str, token: str, wait_s: float = 1.0) -> None:
        self.url = url.rstrip("/")
        self.token = token
        self.wait_s = wait_s

    def ask(self, path: str, body: Any = None, accept: str = "application/json") -> bytes:
        headers = {"Authorization": "Bearer " + self.token, "Accept": accept, "User-Agent": "lab-client/1"}
        data = None
        if body is not None:
            data = json.dumps(body).encode("utf-8")
            headers["Content-Type"] = "application/json"
            headers["Idempotency-Key"] = f'"{uuid.uuid4()}"'
        request = urllib.request.Request(self.url + path, data=data, headers=headers)  # noqa: S310
        for attempt in range(1, TRIES + 1):
            pause = self.wait_s * 2**attempt * random.uniform(0.5, 1.0)  # noqa: S311
            try:
                with urllib.request.urlopen(request, timeout=60) as response:  # noqa: S310
                    return bytes(response.read())
            except urllib.error.HTTPError as error:
                text = error.read()
                if error.code < 500 and error.code != 429:
                    raise Refused(error.code, _problem(text)) from error
                after = error.headers.get("Retry-After", "")
                pause = max(pause, float(after)) if after.isdigit() else pause
            except OSError:  # no connection, timed out, cut off
                pass
            if attempt < TRIES:
                time.sleep(pause)
        raise Unreachable(f"{self.url}{path} did not answer after {TRIES} tries")


def _problem(text: bytes) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def write_whole(path: Path, content: bytes) -> None:
    """The file is there with all of `content` on the disk, or it is not there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    with open(unfinished, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(unfinished, path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def canonical(document: Any) -> bytes:
    """RFC 8785 for documents of this kind, whose numbers are whole and whose keys are ASCII."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode("utf-8")


def reason_against(order: dict[str, Any]) -> str:
    """Why an order cannot be accepted; empty when it can."""
    document = order["document"]
    if hashlib.sha256(canonical(document)).hexdigest() != order["sha256"]:
        return "the document is not what was signed (SHA-256 differs)"
    version = str(document.get("schema_version", ""))
    if not version.startswith(KNOWN_VERSIONS):
        return f"order format {version} is not known here"
    if document["order"]["number"] != order["number"]:
        return "the document is that of another order"
    return ""


def store(practice: Practice, order: dict[str, Any], into: Path, pdf: bool) -> None:
    """Keep one order. What is there already is not written again."""
    number = order["number"]
    path = into / "orders" / f"{number}.json"
    if pdf:
        sheet = into / "orders" / f"{number}.pdf"
        if not sheet.exists():
            write_whole(sheet, practice.ask(f"/orders/{number}.pdf", accept="application/pdf"))
    if not path.exists():
        write_whole(path, canonical(order["document"]))


def comes_back(order: dict[str, Any], into: Path) -> None:
    """Keep why a finished pair was rejected; each time is a file of its own, written once."""
    moment = "".join(c for c in order["rejected"]["at"] if c.isalnum())
    write_whole(
        into / "rejected" / f"{order['number']}-{moment}.json", canonical({"number": order["number"], **order["rejected"]})
    )


def pull(practice: Practice, into: Path, *, pdf: bool = False, say: Any = print) -> tuple[int, int, int]:
    """Everything that waits, once. How many orders were taken, cancellations taken, and orders not accepted."""
    taken = cancelled = wrong = 0
    after = 0
    while True:
        page = json.loads(practice.ask(f"/orders?limit={PAGE}&after={after}"))
        kept = []
        for order in page["orders"]:
            number = order["number"]
            if order["state"] == "cancelled":
                note = {"number": number, **order["cancelled"]}
                write_whole(into / "cancelled" / f"{number}.json", canonical(note))
                practice.ask(f"/orders/{number}/acknowledgement", {"what": "cancellation"})
                cancelled += 1
                say(f"{number} is cancelled: {order['cancelled']['reason']}")
                continue
            against = reason_against(order)
            if against:
                wrong += 1
                print(f"{number} not accepted: {against}", file=sys.stderr)
                continue
            try:
                store(practice, order, into, pdf)
                if order["state"] == "rejected":
                    comes_back(order, into)
                    say(f"{number} comes back: {order['rejected']['reason']}")
            except Refused as refusal:
                if refusal.status != 409:  # cancelled since the page was read: its cancellation comes next time
                    raise
                continue
            kept.append(number)
        if kept:
            lines = json.loads(practice.ask("/orders/acknowledgements", {"numbers": kept}))["orders"]
            for line in lines:
                if line["outcome"] in ("acknowledged", "already"):
                    taken += 1
                    say(f"{line['number']} taken")
        if not page["more"]:
            return taken, cancelled, wrong
        after = page["last"]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Pull lens orders, store them, say that the lab has them.")
    parser.add_argument("--url", required=True, help="root of the API, e.g. https://practice.example/api/v1")
    parser.add_argument("--into", required=True, type=Path, help="folder to keep orders in")
    parser.add_argument("--token-file", type=Path, help="file with the token; else DATUMLINE_LAB_TOKEN is read")
    parser.add_argument("--every", type=float, help="seconds between pulls; without it, pull once and end")
    parser.add_argument("--pdf", action="store_true", help="store the PDF of each order too")
    parser.add_argument("--wait", type=float, default=1.0, help="first pause in seconds after a failed try")
    given = parser.parse_args(arguments)
    token = given.token_file.read_text().strip() if given.token_file else os.environ.get("DATUMLINE_LAB_TOKEN", "")
    if not token:
        parser.error("no token: set DATUMLINE_LAB_TOKEN or give --token-file")
    practice = Practice(given.url, token, given.wait)
    while True:
        try:
            taken, cancelled, wrong = pull(practice, given.into, pdf=given.pdf)
            result = 2 if wrong else 0
            print(f"{taken} taken, {cancelled} cancelled, {wrong} not accepted", flush=True)
        except Unreachable as error:
            print(error, file=sys.stderr)
            result = 1
        except Refused as error:
            print(f"refused: {error}", file=sys.stderr)
            result = 1
        if given.every is None:
            return result
        time.sleep(given.every)


if __name__ == "__main__":
    sys.exit(main())
