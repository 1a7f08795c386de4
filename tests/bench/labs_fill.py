"""A million orders, written by the database itself from a few hundred real documents, for `bench_labs`.

One group with 20 branches and 8 labs. The first lab has all but 70,000 of the orders, most of them long collected; the last 40,000 of
it and the 10,000 of each other lab are still out (fewer in a small table: `each_other`, `out_at_first`). Digest and number are right in every row; what the use cases write besides (trace,
audit) is left out for those orders, so that filling takes a minute and not a day.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import psycopg

LABS, BRANCHES, OTHERS, OUT = 8, 20, 10_000, 40_000
FEWEST = 20_000
DOCUMENTS = 300
NUMBER = "SM-000000"


def each_other(orders: int) -> int:
    """Orders of each lab but the first."""
    return min(OTHERS, orders // 16)


def out_at_first(orders: int) -> int:
    """Orders of the first lab that are still out."""
    return min(OUT, orders // 4)


@dataclass
class Filled:
    cast: Any
    labs: list[Any]
    orders: int


def texts() -> list[str]:
    """Documents of 2 to 3 KB: real ones without their outline and the words that are the same in all of them."""
    from orders.document import canonical
    from tests.orders.cases import any_documents

    made = []
    for content in any_documents(DOCUMENTS, 8):
        content["order"]["number"] = NUMBER
        content["frame"]["outline"] = None
        content["conventions"] = {}
        content["cautions"], content["instructions"], content["reasons"] = [], [], []
        for lens in content["lenses"].values():
            for part in ("prescribed", "ordered"):
                for prism in ("horizontal", "vertical"):
                    lens[part]["prism"].pop(prism)
        made.append(canonical(content))
    return made


def filled(orders: int) -> Filled | None:
    """What an earlier run has left in this database."""
    from orders.models import Lab, Order
    from practice.models import Branch, Client, Group, Staff
    from tests.factories import Cast

    if not Group.objects.exists():
        return None
    there = Order.objects.count()
    if there < orders:
        raise SystemExit(
            f"this database holds {there:,} of {orders:,} orders: its filling was broken off. Run again with --fresh."
        )
    cast = Cast.__new__(Cast)
    cast.branch = Branch.objects.get(code="SM")
    cast.group = cast.branch.group
    people = Staff.objects.filter(group=cast.group, posts__branch=cast.branch).order_by("pk")
    cast.dispenser = people.get(registration_number="D-11873")
    cast.manager = people.filter(posts__role="manager").get()
    cast.client = Client.objects.filter(branch=cast.branch).order_by("pk").first()
    own = cast.group
    from dispensing.models import CatalogueFrame, CatalogueLens

    cast.frame = CatalogueFrame.objects.filter(group=own).order_by("pk").first()
    cast.lens = CatalogueLens.objects.filter(group=own, family="progressive").get()
    cast.option = cast.lens.options.get()
    return Filled(cast, list(Lab.objects.filter(group=own).order_by("pk")), orders)


def fill(orders: int) -> Filled:
    from orders import issue
    from orders.models import FeedHead, NumberSeries
    from tests.factories import BranchFactory, Cast, ClientFactory, LabFactory
    from tests.orders.ready import ready_dispense

    cast = Cast()
    labs = [cast.lab, *LabFactory.create_batch(LABS - 1, group=cast.group)]
    branches = [cast.branch, cast.other_branch, *BranchFactory.create_batch(BRANCHES - 2, group=cast.group)]
    for each in branches:
        ClientFactory.create_batch(50, branch=each)
    # what every row is a copy of: a real one, cancelled, so that its dispense may be used again
    order = issue.issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    issue.cancel_order(actor=cast.dispenser, order=order, reason="only to copy from")

    def copied(table: str, **changed: str) -> tuple[str, str]:
        cursor.execute(
            "SELECT column_name FROM information_schema.columns WHERE table_name = %s AND column_name <> 'id'", [table]
        )
        names = [row[0] for row in cursor.fetchall()]
        return ", ".join(names), ", ".join(changed.get(n, f"t.{n}") for n in names)

    with psycopg.connect(os.environ["DATUMLINE_DATABASE_URL"], autocommit=True) as straight, straight.cursor() as cursor:
        cursor.execute("CREATE TEMP TABLE bench_text (i int PRIMARY KEY, body text)")
        cursor.executemany("INSERT INTO bench_text VALUES (%s, %s)", list(enumerate(texts())))
        cursor.execute(
            "CREATE TEMP TABLE bench_client AS SELECT row_number() OVER (ORDER BY id) - 1 AS i, id, branch_id "
            "FROM practice_client WHERE group_id = %s",
            [cast.group.pk],
        )
        cursor.execute("SELECT count(*) FROM bench_client")
        clients = cursor.fetchone()[0]
        names, values = copied(
            "dispensing_dispense",
            reference="'B-' || lpad(n::text, 8, '0')", state="'ordered'", client_id="c.id", branch_id="c.branch_id",
        )  # fmt: skip
        cursor.execute(
            f"INSERT INTO dispensing_dispense ({names}) SELECT {values} FROM generate_series(1, %s) n "
            f"JOIN bench_client c ON c.i = n %% {clients} JOIN dispensing_dispense t ON t.id = %s",
            [orders, order.dispense_id],
        )
        cursor.execute(
            "CREATE TEMP TABLE bench_dispense AS SELECT row_number() OVER (ORDER BY id) AS n, id, branch_id "
            "FROM dispensing_dispense WHERE reference LIKE 'B-%'"
        )
        cursor.execute("CREATE INDEX ON bench_dispense (n)")
        each, others = each_other(orders), [lab.pk for lab in labs[1:]]
        first = orders - (LABS - 1) * each
        lab = f"CASE WHEN n <= {first} THEN {labs[0].pk} ELSE (ARRAY{others})[(n - {first} - 1) / {each} + 1] END"
        out = f"n > {first - out_at_first(orders)}"
        text = f"replace(b.body, '{NUMBER}', 'BN-' || lpad(n::text, 7, '0'))"
        names, values = copied(
            "orders_order",
            branch_id="d.branch_id", dispense_id="d.id", lab_id=lab, number="'BN-' || lpad(n::text, 7, '0')",
            state=f"CASE WHEN {out} THEN 'issued' ELSE 'collected' END", waiting=out,
            feed_position=f"CASE WHEN n <= {first} THEN n + 10 ELSE (n - {first} - 1) %% {each} + 11 END",
            document=text, document_sha256=f"encode(sha256(convert_to({text}, 'UTF8')), 'hex')",
            issued_at=f"now() - ({orders} - n) * interval '45 seconds'", fetched_at="now()",
            cancelled_at="NULL", cancel_reason="''", version="2",
        )  # fmt: skip
        for start in range(0, orders, 100_000):
            cursor.execute(
                f"INSERT INTO orders_order ({names}) SELECT {values} FROM generate_series(%s::bigint, %s::bigint) n "
                f"JOIN bench_dispense d USING (n) JOIN bench_text b ON b.i = n %% {DOCUMENTS} JOIN orders_order t ON t.id = %s",
                [start + 1, min(orders, start + 100_000), order.pk],
            )
    for each in labs:
        FeedHead.objects.update_or_create(lab=each, defaults={"last": orders + 100})
    NumberSeries.objects.filter(branch=cast.branch).update(last=1)
    with psycopg.connect(os.environ["DATUMLINE_DATABASE_URL"], autocommit=True) as straight:
        straight.execute("VACUUM (ANALYZE)")
    return Filled(cast, labs, orders)


def again(found: Filled) -> None:
    """Everything that is out is issued and waits again, as it was before a run."""
    from orders import guard

    with psycopg.connect(os.environ["DATUMLINE_DATABASE_URL"], autocommit=True) as straight:
        with guard.set_aside():
            straight.execute("TRUNCATE orders_idempotentanswer")
            straight.execute("DELETE FROM orders_orderevent WHERE kind = 'acknowledged'")
            straight.execute(
                "UPDATE orders_order SET state = 'issued', waiting = true, version = 2 "
                "WHERE state = 'acknowledged' AND number LIKE 'BN-%'"
            )
        straight.execute("VACUUM (ANALYZE) orders_order")
        straight.execute("VACUUM (ANALYZE) orders_orderevent")
