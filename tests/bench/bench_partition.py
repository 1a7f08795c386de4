"""What partitioning the trace of orders by year would bring, tried on real rows and taken back: one transaction that is rolled back.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.bench_partition

The trace (orders_orderevent) is the largest table that no other table points to, so it is the one that can be partitioned without giving
up a foreign key. Compared before and after: the events of one order (what the order's page asks; it knows no date, so every partition is
looked into), the newest events, and taking the oldest year out (detaching a partition against deleting its rows). The database's guard on
the trace stays on: the script puts the same triggers on the partitioned table and shows that they refuse.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

TABLE = "orders_orderevent"


def main() -> int:
    import psycopg

    url = os.environ.get("DATUMLINE_DATABASE_URL", "")
    if not url.startswith("postgresql"):
        raise SystemExit("this bench needs PostgreSQL: set DATUMLINE_DATABASE_URL")
    with psycopg.connect(url) as connection:
        try:
            told = trial(connection)
        finally:
            connection.rollback()
    print(json.dumps(told, indent=1))
    return 0


def timed(deed: Callable[[], object]) -> float:
    start = time.perf_counter()
    deed()
    return (time.perf_counter() - start) * 1000


def trial(connection: Any) -> dict[str, Any]:
    run = connection.execute
    run("SET LOCAL statement_timeout = 0")
    run("SET LOCAL lock_timeout = '10s'")
    rows, first, last = run(
        f"SELECT count(*), min(extract(year FROM at)), max(extract(year FROM at)) FROM {TABLE}"
    ).fetchone()
    years = list(range(int(first), int(last) + 2))
    orders = [r[0] for r in run("SELECT id FROM orders_order ORDER BY random() LIMIT 300").fetchall()]

    def of_one_order(table: str) -> float:
        ask = f"SELECT * FROM {table} WHERE order_id = %s ORDER BY at, id"
        for order in orders[:20]:
            run(ask, [order]).fetchall()
        return round(statistics.median(timed(lambda o=order: run(ask, [o]).fetchall()) for order in orders), 3)  # type: ignore[misc]

    def newest(table: str) -> float:
        ask = f"SELECT kind, count(*) FROM {table} WHERE at > now() - interval '7 days' GROUP BY kind"
        return round(min(timed(lambda: run(ask).fetchall()) for _ in range(3)), 1)

    before = {"events of one order, ms": of_one_order(TABLE), "last week's events by kind, ms": newest(TABLE)}
    start = time.perf_counter()
    columns = ", ".join(
        r[0]
        for r in run(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s ORDER BY ordinal_position", [TABLE]
        ).fetchall()
    )
    run(f"CREATE TABLE trace (LIKE {TABLE} INCLUDING DEFAULTS) PARTITION BY RANGE (at)")
    for year in years:
        run(f"CREATE TABLE trace_{year} PARTITION OF trace FOR VALUES FROM ('{year}-01-01') TO ('{year + 1}-01-01')")
    run(f"INSERT INTO trace ({columns}) SELECT {columns} FROM {TABLE}")
    run("ALTER TABLE trace ADD PRIMARY KEY (id, at)")  # the year has to be part of every unique key
    run("CREATE INDEX trace_by_order ON trace (order_id)")
    run("ALTER TABLE trace ADD FOREIGN KEY (order_id) REFERENCES orders_order (id) DEFERRABLE INITIALLY DEFERRED")
    run(
        "CREATE TRIGGER order_trace_no_change BEFORE UPDATE OR DELETE ON trace FOR EACH ROW "
        "EXECUTE FUNCTION order_refuse('the trace of an order is never changed or deleted')"
    )
    run("SET CONSTRAINTS ALL IMMEDIATE")
    moved = time.perf_counter() - start
    run("ANALYZE trace")
    after = {"events of one order, ms": of_one_order("trace"), "last week's events by kind, ms": newest("trace")}
    refused = refuses(connection)
    oldest = years[0]
    gone = run(f"SELECT count(*) FROM trace_{oldest}").fetchone()[0]
    detach = timed(lambda: run(f"ALTER TABLE trace DETACH PARTITION trace_{oldest}"))
    run("ALTER TABLE trace DISABLE TRIGGER order_trace_no_change")
    next_year = run(f"SELECT count(*) FROM trace_{oldest + 1}").fetchone()[0]
    delete = timed(lambda: run(f"DELETE FROM trace WHERE at >= '{oldest + 1}-01-01' AND at < '{oldest + 2}-01-01'"))
    return {
        "bench": "partitioning the trace of orders by year",
        "rows": rows,
        "partitions": len(years),
        "moving_s": round(moved, 1),
        "before": before,
        "partitioned": after,
        "guard_refuses_in_partitions": refused,
        "taking_out_a_year": {
            "detached_rows": gone,
            "detach_ms": round(detach, 1),
            "deleted_rows": next_year,
            "delete_ms": round(delete, 1),
        },
    }


def refuses(connection: Any) -> bool:
    import psycopg

    try:
        with connection.transaction():
            connection.execute("UPDATE trace SET note = 'x' WHERE id = (SELECT min(id) FROM trace)")
    except psycopg.errors.IntegrityConstraintViolation:
        return True
    return False


if __name__ == "__main__":
    sys.exit(main())
