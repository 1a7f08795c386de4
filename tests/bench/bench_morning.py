"""A morning of a group of fifty branches, on loopback: real server processes, PostgreSQL, people with pauses.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.bench_morning [--seconds 300] [--people 100]

The database is that of `tests.bench.big_group`. A hundred people find clients and type at the sheet, ten sign, five check pairs that
arrived, five labs pull. Server, database and this client share the machine. Prints, by kind of request, the 50th, 95th and 99th percentile
in ms as the client sees it, errors, the memory of each server process; and, on the idle servers right after, one request at a time: a bare
WSGI handler, a bare Django view (`bare.py`) and ours, in turns. Aims: 95 of 100 pages within 120 ms and live checks within 100 ms, no error,
no server process above 250 MB.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import secrets
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")
PAGE_MS, LIVE_MS, MEMORY_MB = 120, 100, 250


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


@contextmanager
def served(app: str, workers: int, threads: int = 1) -> Any:
    """A granian with `app`: (port, process)."""
    port = free_port()
    granian = Path(sys.executable).with_name("granian")
    process = subprocess.Popen(
        [
            *(str(granian), "--interface", "wsgi", "--host", "127.0.0.1", "--port", str(port), "--workers", str(workers)),
            *("--blocking-threads", str(threads), "--no-access-log", "--log-level", "error", app),
        ],
        cwd=ROOT,
        env=os.environ,
    )
    try:
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
                break
            except OSError:
                if process.poll() is not None:
                    raise SystemExit(f"the server for {app} did not start") from None
                time.sleep(0.1)
        yield port, process
    finally:
        process.terminate()
        process.wait()


def children(pid: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        found += [int(p) for p in (task / "children").read_text().split()]
    return found


class Memory(threading.Thread):
    """The greatest resident size of each server process, MB, looked at twice a second."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.pid, self.most, self.over = pid, dict[int, float](), threading.Event()

    def run(self) -> None:
        size = os.sysconf("SC_PAGE_SIZE") / 2**20
        while not self.over.wait(0.5):
            for child in children(self.pid):
                try:
                    pages = int(Path(f"/proc/{child}/statm").read_text().split()[1])
                except OSError:
                    continue
                self.most[child] = max(self.most.get(child, 0.0), pages * size)


def session_of(staff: Any) -> str:
    from django.test import Client

    browser = Client()
    browser.force_login(staff)
    return str(browser.cookies["sessionid"].value)


def roster(port: int, tally: Any, given: argparse.Namespace) -> list[Any]:
    """People of all branches in turn, each with records of their own branch."""
    from dispensing.models import Dispense
    from orders import labs
    from orders.demo.after import readings
    from orders.models import Lab, Order
    from practice.models import Branch, Client, Group, Post
    from tests.bench import morning_people as m
    from tests.bench.big_pairs import GROUP

    group = Group.objects.get(name=GROUP)
    branches = list(Branch.objects.filter(group=group).order_by("code"))
    found: list[Any] = []

    def desk(number: int, **more: Any) -> Any:
        return m.Desk(port, tally, rng=random.Random(number), **more)

    def at(branch: Any, state: str, most: int) -> list[Any]:
        return list(
            Dispense.objects.filter(branch=branch, state=state)
            .order_by("-updated_at")
            .values_list("reference", flat=True)[:most]
        )

    work: dict[int, dict[str, Any]] = {}
    for branch in branches:
        clients = list(Client.objects.filter(branch=branch).order_by("-pk")[:40])
        live = Order.objects.filter(branch=branch, state__in=["acknowledged", "in_work", "issued"])
        work[branch.pk] = {
            "names": [c.family_name.split("-")[0] for c in clients],
            "clients": [c.reference for c in clients],
            "open": at(branch, "open", 6) or at(branch, "returned", 6),
            "orders": list(live.order_by("-issued_at").values_list("number", flat=True)[:30]),
            "waiting": at(branch, "waiting", 8),
        }
    posts = {
        role: list(Post.objects.filter(branch__group=group, role=role).order_by("pk").select_related("staff"))
        for role in ("dispenser", "trainee", "supervisor")
    }
    typists = [p for p in posts["dispenser"] + posts["trainee"] if work[p.branch_id]["open"]]
    for i in range(given.people):
        post = typists[i % len(typists)]
        mine = work[post.branch_id]
        mine = mine | {"dispense": mine["open"][(i // len(branches)) % len(mine["open"])]}
        found.append((m.at_the_sheet, desk(i, session=session_of(post.staff)), mine))
    for i in range(given.supervisors):
        post = posts["supervisor"][i * 2 % len(posts["supervisor"])]
        found.append((m.who_signs, desk(1000 + i, session=session_of(post.staff)), work[post.branch_id]))
    for i in range(given.checks):
        post = posts["dispenser"][(i * 20 + 1) % len(posts["dispenser"])]
        arrived = [
            (o.number, readings(json.loads(o.document), {"right.sphere": 0.04, "left.sphere": 0.03}))
            for o in Order.objects.filter(branch=post.branch_id, state__in=["dispatched", "received"]).order_by(
                "-issued_at"
            )[:12]
        ]
        if arrived:
            found.append(
                (m.at_the_arrivals, desk(2000 + i, session=session_of(post.staff)), {"arrived": arrived, "keep": True})
            )
    for i, lab in enumerate(Lab.objects.filter(group=group).order_by("code")[: given.labs]):
        news = Order.objects.filter(lab=lab).order_by("-feed_position")
        numbers = list(news.filter(state__in=["issued", "acknowledged", "in_work"]).values_list("number", flat=True)[:100])
        last = news.values_list("feed_position", flat=True)[0]
        for earlier in labs.valid_tokens(lab):  # of earlier runs
            labs.revoke_token(token=earlier)
        token = labs.create_token(lab=lab, label="bench").text
        found.append((m.a_lab, desk(3000 + i, token=token), {"orders": numbers, "after": max(0, last - 2000)}))
    return found


def spread(values: list[float]) -> dict[str, float]:
    ordered = sorted(values) or [float("inf")]  # what never came was not in time

    def at(share: float) -> float:
        return round(ordered[min(len(ordered) - 1, int(share * len(ordered)))], 1)

    return {"asked": len(values), "p50": at(0.5), "p95": at(0.95), "p99": at(0.99), "most": round(ordered[-1], 1)}


def one_at_a_time(port: int, people: list[Any], rounds: int) -> dict[str, Any]:
    """Ours, a bare Django view and a bare WSGI handler in turns; medians in ms, the quietest tenth, and how many times the bare one."""
    from tests.bench import morning_people as m

    tally = m.Tally()
    sheet = next(each for each in people if each[0] is m.at_the_sheet)
    lab = next(each for each in people if each[0] is m.a_lab)
    session, work = sheet[1].session, sheet[2]

    def mine() -> Any:
        return m.Desk(port, tally, session=session)

    async def form() -> tuple[str, dict[str, Any]]:
        desk = mine()
        page = await desk.ask("sheet", f"/dispenses/{work['dispense']}/")
        desk.close()
        return desk.csrf or m.csrf_of(page), {"parts": "prescription", **m.fields_of(page, "prescription")}

    with served("tests.bench.bare:wsgi", 1) as (wsgi, _), served("tests.bench.bare:django_app", 1) as (django, _):
        csrf, typed = asyncio.run(form())
        live = mine()
        live.csrf = csrf
        number = work["orders"][0]
        desks: dict[str, Any] = {
            "bare WSGI handler": (m.Desk(wsgi, tally), "/", None),
            "bare Django view": (m.Desk(django, tally), "/", None),
            "live answer": (live, f"/dispenses/{work['dispense']}/preview/", typed),
            "page: today": (mine(), "/", None),
            "page: sheet": (mine(), f"/dispenses/{work['dispense']}/", None),
            "page: order": (mine(), f"/orders/{number}/", None),
            "api: order": (m.Desk(port, tally, token=lab[1].token), f"/api/v1/orders/{lab[2]['orders'][0]}", None),
        }
        found = asyncio.run(m.in_turn(desks, rounds))
    quiet = {name: statistics.quantiles(v, n=10)[0] for name, v in found.items()}
    return {
        name: {
            "median_ms": round(statistics.median(v), 2),
            "quiet_ms": round(quiet[name], 2),
            "times_bare_django": round(quiet[name] / quiet["bare Django view"], 1),
            "times_bare_wsgi": round(quiet[name] / quiet["bare WSGI handler"], 1),
        }
        for name, v in found.items()
    } | ({"errors": tally.errors} if tally.errors else {})


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--seconds", type=float, default=300)
    asked.add_argument("--warm", type=float, default=20)
    for name, default in (("people", 100), ("supervisors", 10), ("checks", 5), ("labs", 5), ("workers", 2), ("threads", 1)):
        asked.add_argument(f"--{name}", type=int, default=default)
    given = asked.parse_args()
    os.environ["DATUMLINE_SECRET_KEY"] = os.environ.get("DATUMLINE_SECRET_KEY") or secrets.token_urlsafe(64)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["DATUMLINE_LOCAL"] = folder
        import django

        django.setup()
        from django.core.management import call_command

        call_command("collectstatic", interactive=False, verbosity=0)
        told = run(given)
    print(json.dumps(told, indent=1))
    return 0 if told["met"] else 1


def run(given: argparse.Namespace) -> dict[str, Any]:
    from django.db import connections

    from dispensing.models import Dispense
    from practice.models import Client
    from tests.bench import morning_people as m

    tally = m.Tally()
    with served("deploy.wsgi:application", given.workers, given.threads) as (port, server):
        people = roster(port, tally, given)
        size = {"dispenses": Dispense.objects.count(), "clients": Client.objects.count()}
        connections.close_all()
        memory = Memory(server.pid)
        memory.start()
        load = os.getloadavg()[0]
        asyncio.run(m.morning(people, given.seconds, given.warm))
        memory.over.set()
        kinds = {kind: spread(v) for kind, v in sorted(tally.ms.items())}
        pages = spread([v for kind, each in tally.ms.items() if kind.startswith("page") for v in each])
        lives = spread([v for kind, each in tally.ms.items() if kind.startswith("live") for v in each])
        bare = one_at_a_time(port, people, 40)
    asked = sum(k["asked"] for k in kinds.values())
    most = {f"process {n}": round(mb) for n, mb in enumerate(memory.most.values(), start=1)}
    return {
        "bench": "a morning of fifty branches",
        **size,
        "people": {
            "at the sheet": given.people,
            "signing": given.supervisors,
            "checking": given.checks,
            "labs": given.labs,
        },
        "server": f"granian, {given.workers} processes of {given.threads} thread(s)",
        "seconds": given.seconds,
        "load_average_before": round(load, 2),
        "requests": asked,
        "requests_per_second": round(asked / given.seconds, 1),
        "ms": kinds,
        "all_pages": pages,
        "all_live": lives,
        "errors": tally.errors,
        "memory_mb": most,
        "one_at_a_time": bare,
        "aims": {
            f"pages p95 < {PAGE_MS} ms": pages["p95"] < PAGE_MS,
            f"live checks p95 < {LIVE_MS} ms": lives["p95"] < LIVE_MS,
            "no error": not tally.errors,
            f"memory < {MEMORY_MB} MB": max(most.values(), default=0) < MEMORY_MB,
        },
        "met": pages["p95"] < PAGE_MS
        and lives["p95"] < LIVE_MS
        and not tally.errors
        and max(most.values(), default=0) < MEMORY_MB,
    }


if __name__ == "__main__":
    sys.exit(main())
