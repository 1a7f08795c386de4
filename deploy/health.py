"""What a load balancer, a supervisor of services and a monitor ask: alive, ready, and the figures.

/health/live   this process answers. Nothing else is looked at: a database that is away is no reason to end the process.
/health/ready  this process can serve: the database answers and knows every migration of this code. 503 when not. A worker that has
               not been heard of is said, and changes nothing.
/metrics       for Prometheus; there for whom the settings name, and for nobody else.

Answered before sessions, host names and the way to https, so that they can be asked by address and by plain HTTP from nearby.
"""

from __future__ import annotations

import hmac
import threading
import time
from typing import Any

from django.conf import settings
from django.db import Error as DatabaseError
from django.db import InterfaceError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.utils import timezone

from deploy import metrics
from deploy.models import Worker
from orders.api import addresses

LIVE, READY, METRICS = "/health/live", "/health/ready", "/metrics"
PATHS = (LIVE, READY, METRICS)
WORKER_QUIET_S = 120
_LOOK_AGAIN_S = 60.0
_lock = threading.Lock()
_known: dict[str, Any] = {}


def answer(request: HttpRequest) -> HttpResponse | None:
    """The answer to one of PATHS; None for every other address."""
    if request.path_info not in PATHS:
        return None
    if request.method not in ("GET", "HEAD"):
        response = HttpResponse(status=405)
        response["Allow"] = "GET, HEAD"
    elif request.path_info == LIVE:
        response = JsonResponse({"live": True})
    elif request.path_info == READY:
        found = readiness()
        response = JsonResponse(found, status=200 if found["ready"] else 503)
    elif may_read_metrics(request):
        text, kind = metrics.page()
        response = HttpResponse(text, content_type=kind)
    else:
        response = HttpResponse(status=404)
    response["Cache-Control"] = "no-store"
    return response


def readiness() -> dict[str, Any]:
    try:
        missing = missing_migrations()
        worker = worker_words()
    except (DatabaseError, InterfaceError):
        return {"ready": False, "database": "does not answer"}
    return {
        "ready": not missing,
        "database": "answers",
        "migrations": f"{missing} to be applied" if missing else "applied",
        "worker": worker,
    }


def missing_migrations() -> int:
    """How many migrations of this code the database does not know; looked up once a minute, and at once while some are missing."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    now = time.monotonic()
    with _lock:
        if "ours" not in _known:
            loader = MigrationLoader(None)
            _known["ours"] = set(loader.disk_migrations or ())
        if not _known.get("missing", 1) and now - _known["at"] < _LOOK_AGAIN_S:
            return 0
        applied = set(MigrationRecorder(connection).applied_migrations())
        _known["missing"], _known["at"] = len(_known["ours"] - applied), now
        return int(_known["missing"])


def worker_words() -> str:
    seen = Worker.objects.order_by("-seen_at").values_list("seen_at", flat=True).first()
    if seen is None:
        return "warning: none has been heard of"
    ago = (timezone.now() - seen).total_seconds()
    return (
        f"heard of {max(0, ago):.0f} s ago" if ago < WORKER_QUIET_S else f"warning: not heard of for {ago / 60:.0f} minutes"
    )


def may_read_metrics(request: HttpRequest) -> bool:
    token, networks = settings.METRICS_TOKEN, settings.METRICS_FROM
    if not token and not networks:
        return False
    if token:
        scheme, _, given = request.META.get("HTTP_AUTHORIZATION", "").partition(" ")
        if scheme.lower() != "bearer" or not hmac.compare_digest(given.strip().encode(), token.encode()):
            return False
    if networks:
        came = addresses.client_address(request)
        return came is not None and addresses.within(came, networks)
    return True
