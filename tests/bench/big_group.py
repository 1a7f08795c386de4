"""A group of fifty branches with years of work in its database, for benchmarks: PostgreSQL, or SQLite for smaller sizes.

    DATUMLINE_DATABASE_URL=postgresql://… python -m tests.bench.big_group --dispenses 1000000

The database has to be migrated and hold no group of that name. Everybody's password is that of `tests.factories`; usernames are m000
(manager of branch 00), s001 and s002 (supervisors), d003 and d004 (dispensers), t005 (trainee), and so on to branch 49.

Method: some hundred pairs are made through the use cases (`big_pairs`); they are then multiplied in the database by INSERT … SELECT, with
people, references, numbers and dates of a plan (`big_plan`). The order documents get their number, references, parties, people and dates;
their digest is computed again. The clinical values repeat those of the templates. Every row that is copied
belongs to its dispense; the audit trail is a correct chain of three rows a dispense (begun, ordered, collected) where real use writes about
twenty: the sizes printed say so. Triggers and foreign key checks are set aside for the loading session and stand again afterwards.
"""

from __future__ import annotations

import argparse
import hashlib
import heapq
import json
import os
import sys
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from json.encoder import encode_basestring as quoted
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

CHUNK = 20_000
DAY = 86_400
SECONDS = {  # from issue, at the usual pace
    "issued": 0,
    "fetched": 1_800,
    "acknowledged": 3_600,
    "promised": 7_200,
    "in_work": DAY,
    "dispatched": 4 * DAY,
    "received": 5 * DAY + 40_000,
    "checked": 5 * DAY + 40_060,
    "passed": 5 * DAY + 40_300,
    "collected": 8 * DAY,
    "return_visit": 24 * DAY,
    "return_decided": 24 * DAY + 600,
}
LEVEL = {
    "issued": 0,
    "fetched": 1,
    "acknowledged": 1,
    "promised": 2,
    "in_work": 2,
    "dispatched": 3,
    "received": 4,
    "checked": 4,
    "passed": 5,
    "collected": 6,
    "return_visit": 7,
    "return_decided": 7,
}


def say(words: str) -> None:
    print(f"{time.strftime('%H:%M:%S')}  {words}", file=sys.stderr, flush=True)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--dispenses", type=int, default=1_000_000)
    asked.add_argument(
        "--pairs", type=int, default=0, help="templates made through the use cases; default 60 to 150 by size"
    )
    asked.add_argument("--seed", type=int, default=11)
    given = asked.parse_args()
    import django

    django.setup()
    print(
        json.dumps(build(given.dispenses, given.pairs or (60 if given.dispenses < 200_000 else 150), given.seed), indent=1)
    )


def build(count: int, pairs: int = 60, seed: int = 11) -> dict[str, Any]:
    """Fill the default database; what was made, how long it took and how large the tables are."""
    from django.db import connection, transaction

    from practice.models import Group
    from tests.bench import big_pairs
    from tests.bench.big_load import Loader

    if Group.objects.filter(name=big_pairs.GROUP).exists():
        raise SystemExit(f"The group “{big_pairs.GROUP}” is already in this database.")
    began = time.perf_counter()
    with transaction.atomic():
        people = big_pairs.make_people()
        say(f"{pairs} pairs through the use cases")
        made = big_pairs.make_pairs(people, pairs)
    loader = Loader(people, made)
    spent = {"pairs_s": round(time.perf_counter() - began, 1)}
    with loader.set_aside():
        clients = max(len(people.teams), count * 3 // 10 // 50 * 50)
        start = time.perf_counter()
        say(f"{clients} clients")
        loader.clients(clients)
        spent["clients_s"] = round(time.perf_counter() - start, 1)
        start = time.perf_counter()
        multiply(loader, count, clients, seed)
        spent["multiplied_s"] = round(time.perf_counter() - start, 1)
        start = time.perf_counter()
        say("indexes")
    loader.finish()
    spent["indexes_and_statistics_s"] = round(time.perf_counter() - start, 1)
    import resource

    return {
        "database": connection.vendor,
        "dispenses": count,
        "clients": clients,
        "templates": pairs,
        "audit_rows_per_dispense": "3 (real use: about 23)",
        **spent,
        "all_s": round(time.perf_counter() - began, 1),
        "own_peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024),
        "sizes": loader.sizes(),
    }


def multiply(loader: Any, count: int, clients: int, seed: int) -> None:
    """Chunk after chunk: the database writes one while the rows of the next are drawn."""
    from tests.bench.big_plan import plan

    now = datetime.now(UTC).replace(microsecond=0)
    steps = plan(count, clients, now, seed)
    with loader.beside() as begin:
        done, before = 0, None
        while chunk := list(islice(steps, CHUNK)):
            rows = loader.drawn(chunk)
            if before is not None:
                before.result()
            before = begin(loader.store, rows)
            done += len(chunk)
            if done % (CHUNK * 5) == 0 or done == count:
                say(f"{done} dispenses")
        if before is not None:
            before.result()
    loader.end_of_audit()


class Chain:
    """Rows of the audit trail in the order of their moments, with correct digests. Holds only what is not due yet."""

    COLUMNS = (
        "group", "branch", "client", "at", "actor", "actor_name", "action", "subject", "before", "after", "sequence", "previous_digest",
        "digest",
    )  # fmt: skip

    def __init__(self, group: int, sequence: int, digest: str) -> None:
        self.group, self.sequence, self.digest = group, sequence, digest
        self._later: list[tuple[datetime, int, tuple[Any, ...]]] = []
        self._tie = 0

    def add(self, at: datetime, *row: Any) -> None:
        """`row`: branch, client, actor, actor_name, action, subject, before, after."""
        self._tie += 1
        heapq.heappush(self._later, (at, self._tie, row))

    def due(self, until: datetime | None) -> Iterator[tuple[Any, ...]]:
        """A row for each event, in the order of COLUMNS."""
        while self._later and (until is None or self._later[0][0] <= until):
            at, _, (branch, client, actor, name, action, subject, before, after) = heapq.heappop(self._later)
            self.sequence += 1
            was, now = (json.dumps(v, sort_keys=True, separators=(",", ":"), ensure_ascii=False) for v in (before, after))
            # plain words and whole numbers: written out, names in order, this is the canonical form (RFC 8785) of a row, as a test of the
            # whole chain confirms; an encoder for each of three million rows takes three times as long
            text = (
                f'{{"action":{quoted(action)},"actor":{actor},"actor_name":{quoted(name)},"after":{now},'
                f'"at":"{at.isoformat(timespec="microseconds")}","before":{was},"branch":{branch},"client":{client},"group":{self.group},'
                f'"previous":"{self.digest}","sequence":{self.sequence},"subject":{quoted(subject)}}}'
            )
            previous, self.digest = self.digest, hashlib.sha256(text.encode()).hexdigest()
            yield (
                self.group,
                branch,
                client,
                at,
                actor,
                name,
                action,
                subject,
                was,
                now,
                self.sequence,
                previous,
                self.digest,
            )


class Counters:
    """Order numbers by branch and places in the feeds by lab, going on from what the templates took."""

    def __init__(self, series: dict[int, int], feeds: dict[int, int]) -> None:
        self.series, self.feeds = Counter(series), Counter(feeds)

    def number(self, branch: int, code: str) -> str:
        self.series[branch] += 1
        return f"{code}-{self.series[branch]:06d}"

    def place(self, lab: int) -> int:
        self.feeds[lab] += 1
        return self.feeds[lab]


def later(at: datetime, kind: str, pace: float) -> datetime:
    return at + timedelta(seconds=int(SECONDS[kind] * pace))


if __name__ == "__main__":
    main()
