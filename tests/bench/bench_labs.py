"""Labs at work on a million orders: two server processes, real HTTP, PostgreSQL, everything in one run. Prints JSON.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.bench_labs [--orders 1000000] [--seconds 3] [--fresh]

Makes (or finds again) a database `bench_labs_<orders>` on that server and leaves it there; then serves the site and the bare handler
(`labs_bare`) with granian, two workers each, and takes turns between them. A whole run with filling takes under ten minutes on a
quiet machine, without filling about two; a table of 120,000 is filled in one to five. What it is at is said on the error stream; the
figures come at the end, in one piece. A filling that is broken off (a time limit, say) leaves a database that is of no use, and the next
run says so: --fresh makes it anew. Ratios are taken from turns side by side, and again from the processor time of servers and
database together, which a busy machine disturbs least.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import repeat
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg

from tests.bench import labs_fill, labs_load
from tests.bench.labs_load import Line, at_once, get, post

ROOT = Path(__file__).resolve().parents[2]
SITE, BARE = 8481, 8482


def say(what: str) -> None:
    print(what, file=sys.stderr, flush=True)


def database(url: str, name: str, fresh: bool) -> str:
    with psycopg.connect(url, autocommit=True) as admin:
        if fresh:
            admin.execute(f"DROP DATABASE IF EXISTS {name}")
        if not admin.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name]).fetchone():
            admin.execute(f"CREATE DATABASE {name} TEMPLATE template0")
    return urlunsplit(urlsplit(url)._replace(path="/" + name))


@contextmanager
def served(app: str, port: int) -> Iterator[int]:
    command = [
        str(Path(sys.executable).parent / "granian"),
        "--interface",
        "wsgi",
        "--host",
        "127.0.0.1",
        "--port",
        str(port),
    ]
    command += ["--workers", "2", "--blocking-threads", "1", "--no-access-log", "--log-level", "warning", app]
    with subprocess.Popen(command, cwd=ROOT) as process:
        try:
            for _ in range(300):
                try:
                    Line(port).socket.close()
                    break
                except OSError:
                    time.sleep(0.1)
            yield process.pid
        finally:
            process.terminate()


def backends() -> list[int]:
    """The database's server processes for this database, where they run on this machine."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SELECT pid FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()")
        return [pid for (pid,) in cursor.fetchall() if Path(f"/proc/{pid}").exists()]


def turns(ways: dict[str, tuple[int, int, bytes]], seconds: float, rounds: int) -> dict[str, dict[str, float]]:
    """Each way in turn with two lines: requests a second, and ms of processor per request (server and database)."""
    rates: dict[str, list[float]] = {name: [] for name in ways}
    costs: dict[str, list[float]] = {name: [] for name in ways}
    for port, _, request in ways.values():  # both workers warm
        at_once(port, [lambda r=request: repeat(r, 20)] * 2)  # type: ignore[misc]
    for _ in range(rounds):
        for name, (port, pid, request) in ways.items():
            pids = (pid, *backends())
            before = labs_load.processor_s(*pids)
            done, took = at_once(port, [lambda r=request: repeat(r)] * 2, seconds)  # type: ignore[misc]
            costs[name].append((labs_load.processor_s(*pids) - before) * 1000 / done)
            rates[name].append(done / took)
    return {
        name: {
            "a_second": round(statistics.median(rates[name]), 1),
            "best_a_second": round(max(rates[name]), 1),
            "processor_ms": round(statistics.median(costs[name]), 3),
        }
        for name in ways
    }


def middle_ms(deed: Callable[[], object], times: int) -> dict[str, float]:
    deed()
    clock, work = [], []
    for _ in range(times):
        start, used = time.perf_counter(), time.process_time()
        deed()
        clock.append((time.perf_counter() - start) * 1000)
        work.append((time.process_time() - used) * 1000)
    return {
        "median": round(statistics.median(clock), 2),
        "least": round(min(clock), 2),
        "processor": round(statistics.median(work), 2),
    }


def feed(found: labs_fill.Filled, tokens: dict[int, str], site: int, bare: int, seconds: float) -> dict[str, Any]:
    lab = found.labs[0].pk
    deep = min(int(found.orders * 0.9), found.orders - labs_fill.LABS * labs_fill.each_other(found.orders) - 200)
    key = {"Authorization": "Bearer " + tokens[lab]}
    ways = {
        "bare_first": (BARE, bare, get(f"/?lab={lab}&after=0")),
        "feed_first": (SITE, site, get("/api/v1/orders?waiting=any&after=0", **key)),
        "feed_deep": (SITE, site, get(f"/api/v1/orders?waiting=any&after={deep}", **key)),
        "feed_waiting": (SITE, site, get("/api/v1/orders?after=0", **key)),
        "bare_deep": (BARE, bare, get(f"/?lab={lab}&after={deep}")),
    }
    sizes = {name: Line(port).ask(request)[1] for name, (port, _, request) in ways.items()}
    said = turns(ways, seconds, 5)
    return {
        "bytes": sizes,
        "ways": said,
        "feed_to_bare": round(said["feed_first"]["a_second"] / said["bare_first"]["a_second"], 3),
        "feed_to_bare_by_processor": round(said["bare_first"]["processor_ms"] / said["feed_first"]["processor_ms"], 3),
        "deep_to_first_cost": round(said["feed_first"]["a_second"] / said["feed_deep"]["a_second"], 3),
        "deep_to_first_by_processor": round(said["feed_deep"]["processor_ms"] / said["feed_first"]["processor_ms"], 3),
    }


def acknowledgements(found: labs_fill.Filled, tokens: dict[int, str], site: int) -> dict[str, Any]:
    """Every lab at once: one by one, one by one with a key, then the rest in batches; then every order is counted."""
    from orders.models import Order, OrderEvent

    left = {
        lab.pk: list(
            Order.objects.filter(lab=lab, state="issued").order_by("feed_position").values_list("number", flat=True)
        )
        for lab in found.labs
    }
    all_of_them = sum(len(numbers) for numbers in left.values())

    def singles(keyed: bool, each: int = 500) -> dict[str, float]:
        makers = []
        for lab in found.labs:
            numbers, left[lab.pk] = left[lab.pk][:each], left[lab.pk][each:]
            key = {"Authorization": "Bearer " + tokens[lab.pk]}
            makers.append(
                lambda numbers=numbers, key=key: [
                    post(
                        f"/api/v1/orders/{n}/acknowledgement",
                        b"{}",
                        **key,
                        **({"Idempotency-Key": f"k-{n}"} if keyed else {}),
                    )
                    for n in numbers
                ]
            )
        servers, base = labs_load.processor_s(site), labs_load.processor_s(*backends())
        done, took = at_once(SITE, makers)  # type: ignore[arg-type]
        servers, base = labs_load.processor_s(site) - servers, labs_load.processor_s(*backends()) - base
        return {
            "a_second": round(done / took, 1),
            "servers_ms": round(servers * 1000 / done, 3),
            "database_ms": round(base * 1000 / done, 3),
        }

    plain, keyed = singles(False), singles(True)
    makers = []
    many = sum(len(numbers) for numbers in left.values())
    for lab in found.labs:
        key = {"Authorization": "Bearer " + tokens[lab.pk]}
        parts = [left[lab.pk][i : i + 500] for i in range(0, len(left[lab.pk]), 500)]
        makers.append(
            lambda parts=parts, key=key: [
                post(
                    "/api/v1/orders/acknowledgements",
                    json.dumps({"numbers": p}).encode(),
                    **key,
                    **{"Idempotency-Key": p[0]},
                )
                for p in parts
            ]
        )
    servers, base = labs_load.processor_s(site), labs_load.processor_s(*backends())
    _, took = at_once(SITE, makers)  # type: ignore[arg-type]
    servers, base = labs_load.processor_s(site) - servers, labs_load.processor_s(*backends()) - base
    waiting = Order.objects.filter(lab__in=found.labs, state="issued").count()
    events = OrderEvent.objects.filter(kind="acknowledged")
    once = events.values("order").distinct().count()
    return {
        "single_a_second": plain["a_second"],
        # processor time of each; two cores have 2000 ms a second, and make the load besides
        "single_servers_ms": plain["servers_ms"],
        "single_database_ms": plain["database_ms"],
        "single_with_key_a_second": keyed["a_second"],
        "single_with_key_servers_ms": keyed["servers_ms"],
        "single_with_key_database_ms": keyed["database_ms"],
        "batch_orders_a_second": round(many / took, 0),
        "batch_servers_ms_a_thousand": round(servers * 1e6 / many, 1),
        "batch_database_ms_a_thousand": round(base * 1e6 / many, 1),
        "orders": all_of_them,
        "lost": waiting + all_of_them - once,
        "doubled": events.count() - once,
    }


def made(found: labs_fill.Filled) -> dict[str, Any]:
    """In this process: issuing, and paper."""
    from orders import issue
    from orders.document import canonical, digest
    from orders.renderers.pdf import render
    from orders.renderers.tray_label import tray_label
    from tests.factories import ClientFactory
    from tests.orders.cases import any_documents
    from tests.orders.ready import ready_dispense

    # clients of their own: those of the filled table have a thousand pairs each
    ready = [ready_dispense(found.cast, client=ClientFactory(branch=found.cast.branch)) for _ in range(13)]
    issued = middle_ms(
        lambda: issue.issue_order(actor=found.cast.dispenser, dispense=ready.pop(), lab=found.labs[0]), len(ready) - 1
    )
    documents = [(d, digest(canonical(d))) for d in any_documents(60, 3)]
    at = iter(documents * 4)
    return {
        "issue_ms": issued,
        "sheet_pdf_ms": middle_ms(lambda: render(*(lambda d: (d[0],))(one := next(at)), digest=one[1]), 100),
        "label_pdf_ms": middle_ms(lambda: tray_label(next(at)[0]), 100),
    }


def pages(found: labs_fill.Filled) -> dict[str, Any]:
    """The branch's outbox as a browser asks for it, and the statements behind it."""
    from django.conf import settings
    from django.test import Client

    client = Client()
    client.force_login(found.cast.dispenser)
    cookie = {"Cookie": f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"}
    line, said = Line(SITE), {}
    for name, query in {
        "branch": "",
        "all_branches": "?branch=all",
        "late": "?state=late",
        "collected_all_branches": "?branch=all&state=collected",
        "one_lab": f"?branch=all&lab={found.labs[0].code}",
        "number": "?q=BN-05",
    }.items():
        request = get("/orders/" + query, **cookie)
        if line.ask(request)[0] != 200:
            raise SystemExit(f"outbox {name} was not answered")
        said[name] = middle_ms(lambda r=request: line.ask(r), 15)["median"]  # type: ignore[misc]
    return said


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--orders", type=int, default=1_000_000)
    asked.add_argument("--seconds", type=float, default=3.0)
    asked.add_argument("--fresh", action="store_true")
    asked.add_argument("--only", default="", choices=["", "feed", "acks", "made", "pages"], help="one part of it")
    args = asked.parse_args()
    if args.orders < labs_fill.FEWEST:
        raise SystemExit(f"at least {labs_fill.FEWEST:,} orders: with fewer the labs have too few to acknowledge")
    url = os.environ.get("DATUMLINE_DATABASE_URL", "")
    if not url.startswith("postgresql"):
        raise SystemExit("this bench needs PostgreSQL: set DATUMLINE_DATABASE_URL")
    os.environ["DATUMLINE_DATABASE_URL"] = database(url, f"bench_labs_{args.orders}", args.fresh)
    os.environ["DJANGO_SETTINGS_MODULE"] = "deploy.test_settings"
    import django

    django.setup()
    from django.core.management import call_command
    from django.db import connection

    from orders import labs

    say(f"migrating bench_labs_{args.orders}")
    call_command("migrate", verbosity=0)
    start = time.perf_counter()
    found = labs_fill.filled(args.orders)
    if found is None:
        say(
            f"filling it with {args.orders:,} orders: about {args.orders / 100_000:.0f} to {args.orders / 25_000:.0f} minutes, once"
        )
        found = labs_fill.fill(args.orders)
    took = time.perf_counter() - start
    labs_fill.again(found)
    for lab in found.labs:  # those of earlier runs
        for token in labs.valid_tokens(lab):
            labs.revoke_token(token=token)
    tokens = {lab.pk: labs.create_token(lab=lab).text for lab in found.labs}
    said: dict[str, Any] = {"bench": "labs", "orders": args.orders, "fill_s": round(took, 1), "load": os.getloadavg()[0]}
    connection.close()
    os.environ["DATUMLINE_LAB_REQUESTS"] = "100000000"  # a minute
    with served("deploy.wsgi:application", SITE) as site, served("tests.bench.labs_bare:application", BARE) as bare:
        parts: dict[str, Callable[[], dict[str, Any]]] = {
            "feed": lambda: feed(found, tokens, site, bare, args.seconds),
            "pages": lambda: pages(found),
            "made": lambda: made(found),
            "acks": lambda: acknowledgements(found, tokens, site),
        }
        for name, part in parts.items():
            if args.only in ("", name):
                say(f"measuring: {name}")
                said[name] = part()
                connection.close()  # none is carried into the processes that make the load
    print(json.dumps(said, indent=1))


if __name__ == "__main__":
    main()
