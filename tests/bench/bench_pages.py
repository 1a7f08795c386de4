"""What each page costs the server, at one size of the archive or at two: processor time, time with the database, queries.

    python -m tests.bench.bench_pages                                      the database of DATUMLINE_DATABASE_URL
    python -m tests.bench.bench_pages --small URL --large URL [--rounds 15]  both, in turns, and their ratio

The databases are those of `tests.bench.big_group`; the work in hand is the same in both, the archive differs. Called in process without a
network. `ms` is the time from request to answer, the database's included, `cpu_ms` the application's processor time; medians of the rounds,
of the better of two turns (other work on the machine disturbs both). Aims: the ratio of large to small at most 1.25; finding a client
under 100 ms.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from typing import Any

RATIO, FIND_MS = 1.25, 100.0
SLACK_MS = 1.0  # below this two medians do not differ as far as this clock can tell


def measure(rounds: int, only: str = "") -> dict[str, dict[str, Any]]:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.test_settings")
    import django

    django.setup()
    from django.core.signals import request_finished, request_started
    from django.db import close_old_connections, connection
    from django.test.utils import CaptureQueriesContext, setup_test_environment

    from tests.pages import PAGES, browsers, look_for

    setup_test_environment()
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    world = look_for()
    opened = browsers(world)
    found: dict[str, dict[str, Any]] = {}
    for page in PAGES:
        if only and only not in page.name:
            continue
        browser = opened[page.who]
        answer = page.ask(browser, world)
        page.ask(browser, world)
        with CaptureQueriesContext(connection) as captured:
            page.ask(browser, world)
        queries = list(captured.captured_queries)  # the log is emptied at the next request
        clock, processor = [], []
        for _ in range(rounds):
            start, cpu = time.perf_counter(), time.process_time()
            page.ask(browser, world)
            processor.append((time.process_time() - cpu) * 1000)
            clock.append((time.perf_counter() - start) * 1000)
            if sum(clock) > 6000:
                break
        slowest = max(queries, key=lambda q: float(q["time"]), default=None)
        found[page.name] = {
            "status": answer.status_code,
            "bytes": len(answer.content),
            "ms": round(statistics.median(clock), 2),
            "cpu_ms": round(statistics.median(processor), 2),
            "queries": len(queries),
            **(
                {"slowest_query_ms": float(slowest["time"]) * 1000, "slowest": slowest["sql"][:1500]}
                if slowest and only
                else {}
            ),
        }
    return found


def turn(url: str, rounds: int) -> dict[str, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bench_pages", "--rounds", str(rounds), "--raw"],
        env=os.environ | {"DATUMLINE_DATABASE_URL": url},
        check=True,
        capture_output=True,
    )
    read: dict[str, dict[str, Any]] = json.loads(done.stdout)
    return read


def better(one: dict[str, dict[str, Any]], other: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {
        name: {**row, "ms": min(row["ms"], other[name]["ms"]), "cpu_ms": min(row["cpu_ms"], other[name]["cpu_ms"])}
        for name, row in one.items()
    }


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--small", default="")
    asked.add_argument("--large", default="")
    asked.add_argument("--rounds", type=int, default=15)
    asked.add_argument("--only", default="", help="pages with this in their name, with their slowest query")
    asked.add_argument("--raw", action="store_true", help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.raw or not (given.small and given.large):
        found = measure(given.rounds, given.only)
        print(json.dumps(found if given.raw else {"bench": "pages", "pages": found}, indent=1))
        return 0
    turns: dict[str, list[dict[str, dict[str, Any]]]] = {given.small: [], given.large: []}
    for _ in range(2):
        for url in turns:
            turns[url].append(turn(url, given.rounds))
    small, large = (better(*turns[url]) for url in turns)
    pages = {}
    for name, row in small.items():
        at_large = large[name]
        ratio = at_large["ms"] / row["ms"]
        met = ratio <= RATIO or at_large["ms"] - row["ms"] < SLACK_MS
        if name.startswith("clients by"):
            met = at_large["ms"] <= FIND_MS  # finding has more to look through; its aim is a time
        pages[name] = {
            "small_ms": row["ms"],
            "large_ms": at_large["ms"],
            "ratio": round(ratio, 2),
            "small_cpu_ms": row["cpu_ms"],
            "large_cpu_ms": at_large["cpu_ms"],
            "cpu_ratio": round(at_large["cpu_ms"] / row["cpu_ms"], 2),
            "queries": [row["queries"], at_large["queries"]],
            "met": met and row["status"] == at_large["status"] == 200,
        }
    told = {
        "bench": "pages",
        "pages": pages,
        "aim": f"large within {RATIO} of small (or {SLACK_MS:g} ms); finding a client within {FIND_MS:g} ms",
        "met": all(p["met"] for p in pages.values()),
    }
    print(json.dumps(told, indent=1))
    return 0 if told["met"] else 1


if __name__ == "__main__":
    sys.exit(main())
