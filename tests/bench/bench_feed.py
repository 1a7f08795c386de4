"""The lab feed against a bare WSGI handler that joins the same stored text, in one process and one run. Needs PostgreSQL.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.bench_feed [orders]

Makes its own group, lab and orders inside a transaction that is rolled back, and prints JSON. Both handlers are called in turn
without a network between, so that what is compared is the work for a page of 100 orders of about 3 KB, authentication included.
"""

from __future__ import annotations

import io
import json
import os
import statistics
import sys
import time
from typing import Any

PAGE = 100


def main(orders: int) -> dict[str, Any]:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.test_settings")
    import django

    django.setup()
    from django.core.signals import request_finished, request_started
    from django.core.wsgi import get_wsgi_application
    from django.db import close_old_connections, connection, transaction

    if connection.vendor != "postgresql":
        raise SystemExit("this bench needs PostgreSQL: set DATUMLINE_DATABASE_URL")
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)  # one connection, kept, for both
    from orders import labs
    from orders.issue import issue_order
    from tests.factories import Cast, ClientFactory
    from tests.orders.ready import ready_dispense

    with transaction.atomic():
        cast = Cast()
        lab = cast.lab
        token = labs.create_token(lab=lab).text
        issued = []
        for _ in range(5):
            ready = ready_dispense(cast, client=ClientFactory(branch=cast.branch))
            start = time.perf_counter()
            issue_order(actor=cast.dispenser, dispense=ready, lab=lab)
            issued.append((time.perf_counter() - start) * 1000)
        fill(cast, orders)
        with connection.cursor() as cursor:
            cursor.execute("analyze orders_order")
        app = get_wsgi_application()
        deep = orders - PAGE - 1

        def bare(environ: dict[str, Any], start_response: Any) -> list[bytes]:
            """What could not be done with less: one query, the texts joined."""
            after = int(environ["QUERY_STRING"].partition("=")[2])
            with connection.connection.cursor() as cursor:
                cursor.execute(
                    "select document from orders_order where lab_id = %s and feed_position > %s order by feed_position limit 100",
                    (lab.pk, after),
                )
                body = ("[" + ",".join(row[0] for row in cursor.fetchall()) + "]").encode()
            start_response("200 OK", [("Content-Type", "application/json"), ("Content-Length", str(len(body)))])
            return [body]

        ways = {
            "bare_first": lambda: call(bare, "after=0"),
            "feed_first": lambda: call(app, "after=0&waiting=any", token),
            "feed_waiting_first": lambda: call(app, "after=0", token),
            "feed_deep": lambda: call(app, f"after={deep}&waiting=any", token),
        }
        times: dict[str, list[float]] = {name: [] for name in ways}
        sizes = {name: way() for name, way in ways.items()}
        for _ in range(80):  # in turn, so that a busy moment hits all alike
            for name, way in ways.items():
                start = time.perf_counter()
                way()
                times[name].append((time.perf_counter() - start) * 1000)
        transaction.set_rollback(True)
    middle = {name: statistics.median(values) for name, values in times.items()}
    quiet = {name: statistics.quantiles(values, n=10)[0] for name, values in times.items()}  # the least disturbed tenth
    return {
        "orders": orders,
        "page": PAGE,
        "bytes": sizes,
        "median_ms": {name: round(value, 3) for name, value in middle.items()},
        "quiet_ms": {name: round(value, 3) for name, value in quiet.items()},
        "feed_to_bare_rate_quiet": round(quiet["bare_first"] / quiet["feed_first"], 3),
        "feed_to_bare_rate": round(middle["bare_first"] / middle["feed_first"], 3),
        "deep_to_first_cost": round(middle["feed_deep"] / middle["feed_first"], 3),
        "issue_ms_median": round(statistics.median(issued), 1),
    }


def fill(cast: Any, count: int) -> None:
    """Orders of about 3 KB, written straight into the table."""
    from dispensing.models import Dispense
    from orders import document as doc
    from orders.models import Order
    from tests.orders.examples import example_document

    content = example_document()
    content["frame"]["outline"] = None
    for name in ("conventions", "cautions", "instructions", "reasons", "people", "branch", "lab", "prescription"):
        content[name] = type(content[name])()
    for lens in content["lenses"].values():
        lens["prescribed"] = {}
    text = doc.canonical(content)
    for start in range(0, count, 5000):
        size = min(5000, count - start)
        dispenses = Dispense.objects.bulk_create(
            [
                Dispense(group=cast.group, branch=cast.branch, client=cast.client, dispenser=cast.dispenser)
                for _ in range(size)
            ],
            batch_size=1000,
        )
        Order.objects.bulk_create(
            [
                Order(
                    group=cast.group,
                    branch=cast.branch,
                    lab=cast.lab,
                    dispense=dispense,
                    dispense_version=1,
                    number=f"BN-{start + i:06d}",
                    feed_position=1000 + start + i,
                    document=text,
                    document_sha256=doc.digest(text),
                    schema_version="1.0",
                    issued_at="2026-11-25T10:00:00Z",
                    issued_by=cast.dispenser,
                )
                for i, dispense in enumerate(dispenses)
            ],
            batch_size=1000,
        )


def call(app: Any, query: str, token: str = "") -> int:
    """One GET of the feed; the length of the body."""
    environ = {
        "REQUEST_METHOD": "GET",
        "PATH_INFO": "/api/v1/orders",
        "QUERY_STRING": query,
        "SERVER_NAME": "localhost",
        "SERVER_PORT": "80",
        "wsgi.input": io.BytesIO(),
        "wsgi.errors": sys.stderr,
        "wsgi.url_scheme": "http",
    }
    if token:
        environ["HTTP_AUTHORIZATION"] = "Bearer " + token
    status: list[str] = []
    response = app(environ, lambda s, h, e=None: status.append(s))
    body = b"".join(response)
    if hasattr(response, "close"):
        response.close()
    if not status[0].startswith("200"):
        raise SystemExit(f"{status[0]}: {body[:300]!r}")
    return len(body)


if __name__ == "__main__":
    print(json.dumps(main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000), indent=1))
