"""What could not be done with less: a WSGI handler that joins the same stored text. Served beside the site by `bench_labs`."""

from __future__ import annotations

import os
from typing import Any

import psycopg

_here: list[psycopg.Connection[Any]] = []
_SQL = "select document from orders_order where lab_id = %s and feed_position > %s order by feed_position limit 100"


def application(environ: dict[str, Any], start_response: Any) -> list[bytes]:
    """GET /?lab=<key>&after=<place>: no token, no form, no trace, no limits."""
    if not _here:
        _here.append(psycopg.connect(os.environ["DATUMLINE_DATABASE_URL"], autocommit=True, prepare_threshold=None))
    query = dict(part.split("=") for part in environ["QUERY_STRING"].split("&"))
    with _here[0].cursor() as cursor:
        cursor.execute(_SQL, (int(query["lab"]), int(query["after"])))
        body = ("[" + ",".join(row[0] for row in cursor.fetchall()) + "]").encode()
    start_response("200 OK", [("Content-Type", "application/json"), ("Content-Length", str(len(body)))])
    return [body]
