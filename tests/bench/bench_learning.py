"""How long the learning page takes, and the nightly sums, at any number of dispenses.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.bench_learning --dispenses 1000000   (after migrate and collectstatic)

The database has to be migrated and empty. Filled by SQL with just the rows that are counted (five years, fifty branches, six labs, forty
designs): orders carry a short document, not a real one, so that only the counting is measured, not the disk. Prints JSON: the first count
of everything, a night (500 pairs, 25 returns), and the page by its spans, twenty times each through Django's client.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import time
from datetime import timedelta
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

PAPER = {
    "lens": {"design": {"code": "D7", "name": "Design 7", "family": "progressive"}},
    "lenses": {e: {"prescribed": {"sphere": "-2.25", "cylinder": "-0.50", "balance": False}} for e in ("right", "left")},
    "frame": {"mount": "full_rim"},
    "reasons": [],
}
BRANCHES, LABS, DESIGNS, DAYS = 50, 6, 40, 1826


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--dispenses", type=int, default=1_000_000)
    count = asked.parse_args().dispenses
    import django

    django.setup()
    from django.db import connection

    from orders.models_learning import Tally, TallyState
    from orders.summarise import summarise
    from practice.models import Group

    filled = timed(lambda: fill(count))
    group = Group.objects.get(name="Bench")
    first = timed(lambda: summarise(group))
    night(count)
    TallyState.objects.update(upto=django.utils.timezone.now() - timedelta(hours=2))
    nightly = timed(lambda: summarise(group))
    found: dict[str, Any] = {
        "database": connection.vendor,
        "dispenses": count,
        "fill_s": filled[0],
        "first_count_s": first[0],
        "months": first[1],
        "tally_rows": Tally.objects.count(),
        "night_s": nightly[0],
        "months_touched": nightly[1],
        "page_ms": pages(),
    }
    print(json.dumps(found, indent=1))


def timed(deed: Any) -> tuple[float, Any]:
    began = time.perf_counter()
    done = deed()
    return round(time.perf_counter() - began, 2), done


def insert(model: Any, source: str, **columns: str) -> None:
    """INSERT … SELECT with a plain value in every column that is not given."""
    from django.db import connection, models

    names, values = [], []
    for f in model._meta.concrete_fields:
        if f.column in columns:
            value = columns[f.column]
        elif f.null:
            continue
        elif isinstance(f, models.JSONField):
            value = "'[]'" if f.default is list else "'{}'"
        elif isinstance(f, models.DateTimeField):
            value = "now()"
        elif isinstance(f, models.BooleanField):
            value = "false"
        elif isinstance(f, models.CharField | models.TextField):
            value = "''"
        else:
            value = "1"
        names.append(f'"{f.column}"')
        values.append(value)
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 0")
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(f"INSERT INTO {model._meta.db_table} ({', '.join(names)}) SELECT {', '.join(values)} FROM {source}")
        cursor.execute("SET session_replication_role = DEFAULT")


def fill(count: int) -> None:
    from django.db import connection

    from dispensing import models as d
    from orders import models as o
    from practice.models import Branch, Group, Post, Staff

    group = Group.objects.create(name="Bench")
    branches = [Branch.objects.create(group=group, code=f"B{i:02d}", name=f"Branch {i:02d}") for i in range(BRANCHES)]
    staff = [Staff.objects.create(username=f"p{i:03d}", group=group) for i in range(BRANCHES * 6)]
    Post.objects.create(staff=staff[0], branch=branches[0], role="manager")
    labs = [o.Lab.objects.create(group=group, code=f"L{i}", name=f"Lab {i}") for i in range(LABS)]
    material = d.LensMaterial.objects.create(group=group, code="m", name="m", nd="1.6", abbe="40", density="1.3")
    families = ("single_vision", "progressive", "degressive", "flat_top_bifocal")
    lenses = [
        d.CatalogueLens.objects.create(group=group, code=f"D{i}", name=f"Design {i}", maker="m", family=families[i % 4])
        for i in range(DESIGNS)
    ]
    options = [d.LensOption.objects.create(lens=lens, material=material) for lens in lenses]
    frame = d.CatalogueFrame.objects.create(group=group, code="f", maker="m", model="m")

    def pick(rows: list[Any], i: str) -> str:
        return f"(ARRAY[{','.join(str(r.pk) for r in rows)}]::bigint[])[1 + ({i})::bigint % {len(rows)}]"

    n = f"generate_series(1::bigint, {count}::bigint) g"
    at = f"now() - interval '2 hours' - (({count} - g) * interval '1 second' * {DAYS * 86400 // max(count, 1)})"
    insert(d.Prescription, n, id="g", client_id="1")
    for eye, k in (("right", 0), ("left", 1)):
        insert(
            d.PrescriptionEye, n, id=f"2 * g + {k}", prescription_id="g", eye=f"'{eye}'", sphere="((g * 7919) % 61 - 36) / 4.0", cylinder="-0.5"
        )  # fmt: skip
    common = {"branch_id": pick(branches, "g * 31"), "group_id": str(group.pk)}
    insert(
        d.Dispense, n, id="g", reference="'D-' || g", client_id="1", dispenser_id=pick(staff, "g * 17"), state="'collected'", prescription_id="g",
        frame_item_id=str(frame.pk), lens_option_id=pick(options, "g * 13"), **common,
    )  # fmt: skip
    insert(
        d.Reading,
        n,
        id="g",
        dispense_id="g",
        quantity="'far_pd'",
        eye="'right'",
        value="31",
        method="(ARRAY['pupillometer','rule','photograph'])[1 + g % 3]",
        by_id="1",
        at=f"{at} - interval '9 days'",
    )
    insert(
        d.Reason,
        f"{n} WHERE g % 12 = 0",
        id="g",
        dispense_id="g",
        finding_key="'check.' || g % 25 || '|x'",
        by_id="1",
        at="now()",
    )
    paper = "'" + json.dumps(PAPER) + "'"
    insert(
        o.Order, n, id="g", dispense_id="g", number="'B-' || g", lab_id=pick(labs, "g * 11"), state="CASE WHEN g % 83 = 0 THEN 'returned' ELSE 'collected' END",
        feed_position="g", waiting="false", document=paper, issued_at=f"{at} - interval '8 days'", issued_by_id="1", **common,
    )  # fmt: skip
    insert(o.OrderEvent, n, id="g", order_id="g", kind="'dispatched'", at=f"{at} - interval '3 days'")
    insert(
        o.ReceiptCheck,
        n,
        id="g",
        order_id="g",
        by_id="1",
        decision="CASE WHEN g % 47 = 0 THEN 'rejected' ELSE 'passed' END",
        decided_at=f"{at} - interval '2 days'",
        most_used="(g % 100) / 100.0",
        outcome="'within'",
    )
    insert(o.Collection, n, id="g", order_id="g", by_id="1", at=at)
    back = f"least(now() - interval '3 hours', {at} + interval '20 days')"
    causes = "(ARRAY['prescription','fit','entry','making','adaptation'])[1 + g % 5]"
    insert(
        o.ReturnVisit,
        f"{n} WHERE g % 83 = 0 OR g % 29 = 0",
        id="g",
        order_id="g",
        by_id="1",
        at=back,
        decided_at=back,
        outcome="CASE WHEN g % 83 = 0 THEN 'remake' ELSE 'adjust' END",
        cause=causes,
    )
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def night(count: int) -> None:
    """A day of a big group: 500 pairs handed over, 25 old ones back."""
    from orders.models import Collection, ReturnVisit

    Collection.objects.filter(order_id__gt=count - 500).update(at=django_now())
    for pk in range(count - 100 * 480, count, 100 * 20):
        if pk > 0:
            ReturnVisit.objects.create(
                order_id=pk, by_id=1, at=django_now(), cause="fit", outcome="adjust", decided_at=django_now()
            )


def django_now() -> Any:
    from django.utils import timezone

    return timezone.now()


def pages() -> dict[str, dict[str, float]]:
    from django.conf import settings
    from django.test import Client

    from practice.models import Staff

    settings.ALLOWED_HOSTS = ["*"]
    client = Client()
    client.force_login(Staff.objects.get(username="p000"))
    found = {}
    for name, query in {"12 months": "", "5 years": "?months=60", "one branch, 5 years": "?months=60&branch=B07"}.items():
        took = []
        for _ in range(21):
            began = time.perf_counter()
            answer = client.get("/learning/" + query)
            took.append((time.perf_counter() - began) * 1000)
            assert answer.status_code == 200, answer.status_code
            assert b"As of" in answer.content
        took = sorted(took[1:])
        found[name] = {"median": round(statistics.median(took), 1), "p95": round(took[18], 1), "bytes": len(answer.content)}
    return found


if __name__ == "__main__":
    main()
