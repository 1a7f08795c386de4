"""Several at once: what threads (PostgreSQL) and processes (SQLite) do in the concurrency tests.

Run as a module it is one process of the SQLite test:
    python -m tests.orders.crowd issue <actor> <lab> <reference>...    prints "<reference> <number> <position>" for each
    python -m tests.orders.crowd follow <lab> <how many>               prints the positions as a lab that keeps its place sees them
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable


def issue_all(actor_id: int, lab_id: int, references: list[str]) -> list[tuple[str, str, int]]:
    from dispensing.models import Dispense
    from orders.issue import issue_order
    from orders.models import Lab
    from practice.models import Staff

    actor, lab = Staff.objects.get(pk=actor_id), Lab.objects.get(pk=lab_id)
    made = []
    for reference in references:
        order = issue_order(actor=actor, dispense=Dispense.objects.get(reference=reference), lab=lab)
        made.append((reference, order.number, order.feed_position))
    return made


def follow(lab_id: int, enough: Callable[[list[int]], bool]) -> list[int]:
    """Read a lab's feed page by page from the last place, as a lab does, until there is enough."""
    from orders.models import Order

    seen: list[int] = []
    while not enough(seen):
        page = Order.objects.filter(lab_id=lab_id, feed_position__gt=seen[-1] if seen else 0).order_by("feed_position")
        got = list(page.values_list("feed_position", flat=True)[:3])
        seen += got
        if not got:
            time.sleep(0.002)
    return seen


def main(arguments: list[str]) -> None:
    import django

    django.setup()
    what, rest = arguments[0], arguments[1:]
    if what == "issue":
        for line in issue_all(int(rest[0]), int(rest[1]), rest[2:]):
            print(*line)
    else:
        deadline = time.monotonic() + 600
        print(*follow(int(rest[0]), lambda seen: len(seen) >= int(rest[1]) or time.monotonic() > deadline))


if __name__ == "__main__":
    main(sys.argv[1:])
