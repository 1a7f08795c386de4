"""The reference client as the lab: over real HTTP, killed at every step and at random, it loses nothing and doubles nothing."""

from __future__ import annotations

import ast
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from django.db.models import F

from deploy import lab_client
from orders import document as doc
from orders import guard
from orders.issue import cancel_order
from orders.models import Order, OrderEvent
from tests.orders.conftest import labs_token

ROOT = Path(lab_client.__file__).resolve().parents[1]


@pytest.fixture
def practice(live_server, cast):
    return lab_client.Practice(live_server.url + "/api/v1", labs_token(cast.lab), wait_s=0)


def stored(into: Path) -> dict[str, str]:
    return {p.stem: p.read_text() for p in (into / "orders").glob("*.json")}


def all_is_well(into: Path, expected: list[Order]) -> None:
    """Every order is on the disk as it was signed, and the lab has said so exactly once."""
    assert stored(into) == {o.number: o.document for o in expected}
    said = Counter(OrderEvent.objects.filter(kind="acknowledged").values_list("order__number", flat=True))
    assert said == Counter({o.number: 1 for o in expected})
    assert not Order.objects.filter(waiting=True).exists()


def test_it_needs_nothing_but_the_standard_library():
    tree = ast.parse(Path(lab_client.__file__).read_text())
    names = {n.name.split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names}
    names |= {(node.module or "").split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert names <= set(sys.stdlib_module_names)


def test_it_takes_orders_and_cancellations(practice, cast, make_order, tmp_path):
    kept, gone = make_order(), make_order()
    assert lab_client.pull(practice, tmp_path, pdf=True) == (2, 0, 0)
    cancel_order(actor=cast.dispenser, order=gone, reason="Wrong frame.")
    assert lab_client.pull(practice, tmp_path) == (0, 1, 0)
    assert lab_client.pull(practice, tmp_path) == (0, 0, 0)
    all_is_well(tmp_path, [kept, gone])
    assert json.loads((tmp_path / "cancelled" / f"{gone.number}.json").read_text())["reason"] == "Wrong frame."
    assert (tmp_path / "orders" / f"{kept.number}.pdf").read_bytes().startswith(b"%PDF-")


def test_a_rejected_pair_comes_back_with_its_reason_each_time(practice, make_order, tmp_path, capsys):
    order = make_order()
    lab_client.pull(practice, tmp_path)
    for hour, why in ((9, "R axis 97 for 95."), (15, "R axis 92 for 95.")):
        at = datetime(2026, 11, 30, hour, tzinfo=UTC)
        Order.objects.filter(pk=order.pk).update(
            state="rejected", waiting=True, rejected_at=at, reject_reason=why, version=F("version") + 1
        )
        assert lab_client.pull(practice, tmp_path) == (1, 0, 0)
        assert f"{order.number} comes back: {why}" in capsys.readouterr().out
        kept = json.loads((tmp_path / "rejected" / f"{order.number}-20261130T{hour:02}0000Z.json").read_text())
        assert kept == {"number": order.number, "at": f"2026-11-30T{hour:02}:00:00Z", "reason": why}
        assert lab_client.pull(practice, tmp_path) == (0, 0, 0)
    assert len(list((tmp_path / "rejected").iterdir())) == 2
    all_is_well(tmp_path, [order])


def test_more_than_a_page(practice, make_order, tmp_path, monkeypatch):
    monkeypatch.setattr(lab_client, "PAGE", 2)
    orders = [make_order() for _ in range(5)]
    assert lab_client.pull(practice, tmp_path) == (5, 0, 0)
    all_is_well(tmp_path, orders)


def test_what_was_tampered_with_is_not_accepted(practice, make_order, tmp_path, capsys):
    good, bad, newer = make_order(), make_order(), make_order()
    text = newer.document.replace('"schema_version":"1.1"', '"schema_version":"2.0"')
    with guard.set_aside():
        Order.objects.filter(pk=bad.pk).update(document=bad.document.replace('"-2.31"', '"-3.31"'))
        Order.objects.filter(pk=newer.pk).update(document=text, document_sha256=doc.digest(text))
    assert lab_client.pull(practice, tmp_path) == (1, 0, 2)
    assert list(stored(tmp_path)) == [good.number]
    assert "SHA-256 differs" in capsys.readouterr().err
    assert set(Order.objects.filter(waiting=True)) == {bad, newer}


class Killed(BaseException):
    """What SIGKILL does, at a chosen step: nothing after it happens."""


def test_killed_at_every_step(practice, cast, make_order, tmp_path, monkeypatch):
    """Each file operation and each request, before it and after it, in turn; then it is started again."""
    cancelled = make_order()
    cancel_order(actor=cast.dispenser, order=cancelled, reason="Wrong frame.")
    steps = {"left": None}

    def dying(real):
        def run(*args, **kwargs):
            if steps["left"] is not None:
                steps["left"] -= 1
                if steps["left"] < 0:
                    raise Killed
            result = real(*args, **kwargs)
            if steps["left"] is not None:
                steps["left"] -= 1
                if steps["left"] < 0:
                    raise Killed
            return result

        return run

    monkeypatch.setattr(lab_client.os, "replace", dying(os.replace))
    monkeypatch.setattr(lab_client.os, "fsync", dying(os.fsync))
    monkeypatch.setattr(lab_client.urllib.request, "urlopen", dying(lab_client.urllib.request.urlopen))
    made, killed, at = [], 0, 0
    while True:
        made += [make_order()]
        steps["left"] = at
        try:
            lab_client.pull(practice, tmp_path, say=lambda *_: None)
        except Killed:
            killed += 1
        else:
            break
        at += 1
    steps["left"] = None
    assert killed > 15, "every step was tried"
    lab_client.pull(practice, tmp_path, say=lambda *_: None)
    all_is_well(tmp_path, made)
    assert (tmp_path / "cancelled" / f"{cancelled.number}.json").exists()
    assert OrderEvent.objects.filter(kind="cancellation_seen").count() == 1


def test_killed_for_real_at_random(practice, make_order, tmp_path):
    """SIGKILL to the process, a dozen times, at moments nobody chose."""
    orders = [make_order() for _ in range(12)]
    arguments = [
        sys.executable,
        str(ROOT / "deploy" / "lab_client.py"),
        "--url",
        practice.url,
        "--into",
        str(tmp_path),
        "--pdf",
        "--wait",
        "0.01",
    ]
    env = {**os.environ, "DATUMLINE_LAB_TOKEN": practice.token}
    dice = random.Random(20261125)
    for _ in range(12):
        process = subprocess.Popen(arguments, env=env, stdout=subprocess.DEVNULL)
        time.sleep(dice.uniform(0.05, 0.5))
        process.send_signal(signal.SIGKILL)
        process.wait()
    done = subprocess.run(arguments, env=env, capture_output=True, text=True, check=True)
    assert "0 not accepted" in done.stdout
    all_is_well(tmp_path, orders)


def test_a_practice_that_stumbles_is_asked_again_with_the_same_key():
    """Two failures, then an answer: one 503 with Retry-After, one connection cut off."""
    seen: list[tuple[str, str]] = []

    class Stumbling(BaseHTTPRequestHandler):
        def do_POST(self):
            self.rfile.read(int(self.headers["Content-Length"]))
            seen.append((self.path, self.headers["Idempotency-Key"]))
            if len(seen) == 1:
                self.send_response(503)
                self.send_header("Retry-After", "0")
                self.send_header("Content-Length", "0")
                self.end_headers()
            elif len(seen) == 2:
                self.close_connection = True
            else:
                self.send_response(200)
                self.send_header("Content-Length", "2")
                self.end_headers()
                self.wfile.write(b"{}")

        def log_message(self, *args):
            pass

    server = HTTPServer(("127.0.0.1", 0), Stumbling)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        practice = lab_client.Practice(f"http://127.0.0.1:{server.server_port}", "t", wait_s=0)
        assert practice.ask("/x", {"a": 1}) == b"{}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
    assert len(seen) == 3
    assert len({key for _, key in seen}) == 1


def test_it_says_what_is_wrong_and_how_it_ended(live_server, cast, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(lab_client, "TRIES", 2)
    monkeypatch.setenv("DATUMLINE_LAB_TOKEN", "dl_wrong")
    into = ["--into", str(tmp_path), "--wait", "0"]
    assert lab_client.main(["--url", live_server.url + "/api/v1", *into]) == 1
    assert "401" in capsys.readouterr().err
    assert lab_client.main(["--url", "http://127.0.0.1:1/api/v1", *into]) == 1
    assert "did not answer" in capsys.readouterr().err
    token = tmp_path / "token"
    token.write_text(labs_token(cast.lab) + "\n")
    assert lab_client.main(["--url", live_server.url + "/api/v1", *into, "--token-file", str(token)]) == 0
    assert "0 taken" in capsys.readouterr().out
