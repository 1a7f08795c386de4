"""Figures for Prometheus: what the processes count, and what the database tells at the moment of asking.

With DATUMLINE_METRICS_DIR the processes of one host keep their counters in files there (prometheus-client's multi-process mode),
and any of them answers for all. No label holds anything about a person: routes, methods, kinds, labs' codes, jobs.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

from django.core.signals import got_request_exception
from django.db import Error as DatabaseError
from django.db import InterfaceError, transaction
from django.db.models import Count, Min
from django.db.models.signals import post_save
from django.utils import timezone
from prometheus_client import CONTENT_TYPE_LATEST, REGISTRY, CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

LIVE_ROUTES = {"dispensing:preview", "dispensing:what_if", "assessments", "calculations", "calculation"}
_BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.12, 0.25, 0.5, 1, 2.5, 10)
_KINDS = {"OperationalError", "InterfaceError", "IntegrityError", "DataError", "ProgrammingError", "InternalError"}

requests = Counter("datumline_requests", "Requests answered.", ["route", "method", "status"])
durations = Histogram("datumline_request_seconds", "Time to answer.", ["route"], buckets=_BUCKETS)
live = Histogram("datumline_live_seconds", "Time for live answers while somebody types.", ["route"], buckets=_BUCKETS)
errors = Counter("datumline_errors", "Requests that ended with an error nobody expected.", ["route", "kind"])
database_errors = Counter("datumline_database_errors", "Errors of the database that reached a request.", ["kind"])
orders_issued = Counter("datumline_orders_issued", "Orders issued.")


def request_done(route: str, method: str, status: int, seconds: float) -> None:
    requests.labels(route, method, str(status)).inc()
    durations.labels(route).observe(seconds)
    if route in LIVE_ROUTES:
        live.labels(route).observe(seconds)


def listen() -> None:
    """Connect what is counted where it happens."""
    from orders.models import Order

    got_request_exception.connect(_failed, dispatch_uid="count errors")
    post_save.connect(_order_saved, sender=Order, dispatch_uid="count orders")


def _failed(sender: Any, request: Any = None, **kwargs: Any) -> None:
    import sys

    error = sys.exc_info()[1]
    match = getattr(request, "resolver_match", None)
    kind = type(error).__name__
    errors.labels((match.view_name or match.route) if match else "none", kind).inc()
    if isinstance(error, DatabaseError | InterfaceError):
        database_errors.labels(kind if kind in _KINDS else "other").inc()


def _order_saved(sender: Any, created: bool = False, **kwargs: Any) -> None:
    if created:
        transaction.on_commit(orders_issued.inc)


class _FromDatabase(Collector):
    """Read when asked; a database that does not answer is itself a figure."""

    def describe(self) -> Iterator[Any]:
        return iter(())

    def collect(self) -> Iterator[GaugeMetricFamily]:
        try:
            found = list(_figures())
            up = 1.0
        except (DatabaseError, InterfaceError):
            found, up = [], 0.0
        yield GaugeMetricFamily("datumline_database_up", "1 when the database answered just now.", value=up)
        yield from found


def _figures() -> Iterator[GaugeMetricFamily]:
    from deploy import jobs
    from deploy.models import Job, Worker
    from orders.models import Order, RecheckItem, Webhook, WebhookMessage

    now = timezone.now()

    def age(moment: Any) -> float:
        return max(0.0, (now - moment).total_seconds()) if moment else 0.0

    outbox = WebhookMessage.objects.filter(delivered_at=None, given_up_at=None).aggregate(n=Count("pk"), first=Min("at"))
    yield GaugeMetricFamily("datumline_webhook_backlog", "Messages to labs not yet delivered.", value=outbox["n"])
    yield GaugeMetricFamily("datumline_webhook_oldest_seconds", "Age of the oldest of them.", value=age(outbox["first"]))
    disabled = Webhook.objects.filter(active=False).exclude(disabled_at=None).count()
    yield GaugeMetricFamily("datumline_webhooks_disabled", "Labs' webhooks that were given up.", value=disabled)

    waiting = GaugeMetricFamily(
        "datumline_feed_waiting", "Orders and cancellations a lab has not confirmed.", labels=["lab"]
    )
    oldest = GaugeMetricFamily("datumline_feed_oldest_seconds", "Age of the oldest of them.", labels=["lab"])
    labs = Order.objects.filter(waiting=True).values("lab_id", "lab__code").annotate(n=Count("pk"), first=Min("issued_at"))
    for row in labs.order_by("lab_id"):
        name = f"{row['lab_id']}:{row['lab__code']}"
        waiting.add_metric([name], row["n"])
        oldest.add_metric([name], age(row["first"]))
    yield waiting
    yield oldest
    rechecks = RecheckItem.objects.filter(done_at=None).count()
    yield GaugeMetricFamily("datumline_rechecks_waiting", "Dispenses waiting to be judged again.", value=rechecks)

    last = Worker.objects.order_by("-seen_at").values_list("seen_at", flat=True).first()
    if last is not None:
        yield GaugeMetricFamily("datumline_worker_seen_timestamp_seconds", "A worker was alive.", value=last.timestamp())
    succeeded = GaugeMetricFamily("datumline_job_success_timestamp_seconds", "Last success of a job.", labels=["job"])
    failures = GaugeMetricFamily("datumline_job_failures", "Failures of a job in a row.", labels=["job"])
    gaps = GaugeMetricFamily("datumline_job_longest_gap_seconds", "Gap between successes not to be passed.", labels=["job"])
    installed = jobs.installed()
    for job in Job.objects.filter(name__in=installed):
        if job.succeeded_at is not None:
            succeeded.add_metric([job.name], job.succeeded_at.timestamp())
        failures.add_metric([job.name], job.failures)
        gaps.add_metric([job.name], installed[job.name].longest_gap.total_seconds())
    yield succeeded
    yield failures
    yield gaps


def page() -> tuple[bytes, str]:
    """The figures of all processes of this host, and their content type."""
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        text = generate_latest(registry)
    else:
        text = generate_latest(REGISTRY)
    own = CollectorRegistry()
    own.register(_FromDatabase())
    return text + generate_latest(own), CONTENT_TYPE_LATEST
