"""Three hosts and one database: application processes in network namespaces of their own, one of them killed under load.

Each has its own folder and address and shares nothing with the others but the database and the secret key. In long form only
(DATUMLINE_FAULTS=long, as root: namespaces are made); prints its figures as JSON.
"""

from __future__ import annotations

import json
import os
import random
import re
import subprocess
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.faults.conftest import VENDOR
from tests.faults.machines import Cluster, Site, ask

LONG = os.environ.get("DATUMLINE_FAULTS") == "long"
pytestmark = [
    pytest.mark.skipif(not LONG, reason="long form: DATUMLINE_FAULTS=long"),
    pytest.mark.skipif(os.getuid() != 0, reason="network namespaces are made by root"),
    pytest.mark.skipif(VENDOR != "postgresql", reason="several hosts share a PostgreSQL"),
]
HOSTS, PEOPLE, SECONDS = 3, 12, int(os.environ.get("DATUMLINE_FAULTS_S", "20"))


def ip(*arguments: str) -> None:
    done = subprocess.run(["ip", *arguments], capture_output=True, text=True, check=False)
    if done.returncode != 0 and "Operation not permitted" in done.stderr:
        pytest.skip(f"namespaces are not permitted here: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr


@pytest.fixture
def network():
    """A bridge of ours and a namespace for each host; gone afterwards."""
    mark = f"dl{os.getpid() % 10000}"
    net = f"10.{random.randrange(64, 120)}.{random.randrange(1, 250)}"
    names = [f"{mark}h{i}" for i in range(1, HOSTS + 1)]
    try:
        ip("link", "add", f"{mark}br", "type", "bridge")
        ip("addr", "add", f"{net}.1/24", "dev", f"{mark}br")
        ip("link", "set", f"{mark}br", "up")
        for i, name in enumerate(names, start=1):
            ip("netns", "add", name)
            ip("link", "add", f"{name}o", "type", "veth", "peer", "name", f"{name}i")
            ip("link", "set", f"{name}i", "netns", name)
            ip("link", "set", f"{name}o", "master", f"{mark}br", "up")
            ip("netns", "exec", name, "ip", "addr", "add", f"{net}.{10 + i}/24", "dev", f"{name}i")
            ip("netns", "exec", name, "ip", "link", "set", f"{name}i", "up")
            ip("netns", "exec", name, "ip", "link", "set", "lo", "up")
        yield net, names
    finally:
        for name in names:
            subprocess.run(["ip", "netns", "del", name], capture_output=True, check=False)
        subprocess.run(["ip", "link", "del", f"{mark}br"], capture_output=True, check=False)


def test_one_of_three_hosts_is_killed_under_load_and_only_its_connections_notice(network):
    net, names = network
    with tempfile.TemporaryDirectory(prefix="datumline-hosts-", ignore_cleanup_errors=True) as made:
        cluster = Cluster(Path(made), listen=f"{net}.1,127.0.0.1")
        site = Site(
            Path(made) / "site",
            cluster.create("hosts"),
            DATUMLINE_SECRET_KEY="of three hosts, the same on every one of them 0123456789",
        )
        try:
            seed = site.seed(ready=12)
            site.environment["DATUMLINE_DATABASE_URL"] = cluster.url("hosts", host=f"{net}.1")
            servers = []
            for i, name in enumerate(names, start=1):
                own = Path(made) / name
                own.mkdir()
                servers.append(site.serve(("ip", "netns", "exec", name), f"{net}.{10 + i}", DATUMLINE_LOCAL=str(own)))
            figures = _under_load(servers, seed)
            told = figures.pop("told")
            print(json.dumps(figures))
            rows = cluster.sql(
                "SELECT d.reference, o.number FROM orders_order o JOIN dispensing_dispense d ON d.id = o.dispense_id",
                "hosts",
            )
            assert dict(rows) == told
            assert len(rows) == len({n for _, n in rows}) == len(seed["ready"])
            assert figures["errors"]["others"] == 0
            assert "BROKEN" not in site.manage("verify_audit")
            assert "every one as it was issued" in site.manage("verify_orders")
        finally:
            site.stop()
            cluster.stop()


def _under_load(servers, seed) -> dict:
    """People look at pages and issue, at whichever host; the second host is killed in the middle."""
    who, end, killed_at = seed["sessions"]["dispenser"], time.monotonic() + SECONDS, [0.0]
    done, errors, told, times = Counter(), Counter(), {}, []
    left, lock = list(seed["ready"]), threading.Lock()

    def send(method, path, **kw):
        """To one host, and to another when it does not answer: what a proxy before them does."""
        for server in random.sample(servers, len(servers)):
            began = time.monotonic()
            try:
                answer = ask(server.host, server.port, method, path, session=who, timeout=60, **kw)
            except OSError:
                kind = "killed" if server is servers[1] and killed_at[0] else "others"
                with lock:
                    errors[kind] += 1
                continue
            with lock:
                done[server.host.rpartition(".")[2]] += 1
                times.append(time.monotonic() - began)
                if answer.status >= 500:
                    errors["others"] += 1
            return answer
        raise AssertionError("no host answers")

    def person() -> None:
        while time.monotonic() < end or left:
            with lock:
                reference = left.pop() if left and random.random() < 0.3 else None
            if reference is None:
                send("GET", random.choice(["/", "/clients/", "/orders/", f"/dispenses/{seed['ready'][0]}/"]))
                continue
            page = send("GET", f"/dispenses/{reference}/order/")
            found = re.search(r'name="version" value="(\d+)"', page.text)
            answer = send("POST", f"/dispenses/{reference}/order/", form={"lab": seed["lab"], "version": found.group(1)})
            with lock:
                if answer.status == 302:
                    told[reference] = answer.to.rstrip("/").rpartition("/")[2]
                else:
                    left.append(reference)

    threads = [threading.Thread(target=person) for _ in range(PEOPLE)]
    for thread in threads:
        thread.start()
    time.sleep(SECONDS / 2)
    killed_at[0] = time.monotonic()
    servers[1].kill()
    for thread in threads:
        thread.join(180)
        assert not thread.is_alive()
    times.sort()
    return {
        "hosts": HOSTS, "people": PEOPLE, "seconds": SECONDS, "answered_by_host": dict(sorted(done.items())),
        "errors": {"killed": errors["killed"], "others": errors["others"]}, "orders": len(told),
        "median_ms": round(1000 * times[len(times) // 2]), "p95_ms": round(1000 * times[int(0.95 * len(times))]), "told": told,
    }  # fmt: skip
