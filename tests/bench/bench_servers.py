"""Which WSGI server: processor time, memory and waiting for the same requests, one server after the other.

    DATUMLINE_LOCAL=… tests/bench/bench_servers.py --gunicorn /path/to/gunicorn [--requests 2000] [--at-once 8]

Needs a site with the demo (deploy/demo has made one in DATUMLINE_LOCAL) and its demo-people.txt. gunicorn is no dependency of the
project: it comes from a virtual environment of its own and is run with the project's packages. Processor time is that of all
processes of the server, by /proc; it hardly depends on what else the machine does, the waiting does.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import re
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
import urllib.parse
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
TICK = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


def family(pid: int) -> list[int]:
    found = [pid]
    for task in Path(f"/proc/{pid}/task").glob("*"):
        for child in (task / "children").read_text().split():
            found += family(int(child))
    return found


def processor_s(pid: int) -> float:
    total = 0
    for each in family(pid):
        fields = Path(f"/proc/{each}/stat").read_text().rpartition(")")[2].split()
        total += int(fields[11]) + int(fields[12])
    return total / TICK


def memory_mb(pid: int) -> list[float]:
    """Resident memory of each process; shared pages are counted in each."""
    return [round(int(Path(f"/proc/{p}/statm").read_text().split()[1]) * PAGE / 1e6, 1) for p in family(pid)]


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def sign_in(port: int, people: str) -> str:
    """A session of the first trainee, as a Cookie header; raises when signing in fails."""
    name = re.search(r"^\s*(\S+)\s+(.+?)\s{2,}dispenser", people, re.M).group(1)
    password = re.search(r"password[^:]*:\s*(.+)$", people, re.M | re.I).group(1).strip()
    connection = http.client.HTTPConnection("127.0.0.1", port)
    connection.request("GET", "/sign-in/")
    answer = connection.getresponse()
    page, cookies = answer.read().decode(), answer.headers.get_all("Set-Cookie")
    jar = dict(c.split(";")[0].split("=", 1) for c in cookies)
    token = re.search(r'csrfmiddlewaretoken" value="([^"]+)"', page).group(1)
    body = urllib.parse.urlencode({"username": name, "password": password, "csrfmiddlewaretoken": token})
    headers = {"Content-Type": "application/x-www-form-urlencoded", "Cookie": "; ".join(f"{k}={v}" for k, v in jar.items())}
    connection.request("POST", "/sign-in/", body, headers)
    answer = connection.getresponse()
    answer.read()
    jar |= dict(c.split(";")[0].split("=", 1) for c in answer.headers.get_all("Set-Cookie") or [])
    if "sessionid" not in jar:
        raise SystemExit("signing in failed")
    return "; ".join(f"{k}={v}" for k, v in jar.items())


def load(port: int, path: str, headers: dict[str, str], count: int, at_once: int) -> tuple[list[float], int]:
    waits: list[float] = []
    bad = [0]

    def go(n: int) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        for _ in range(n):
            at = time.perf_counter()
            try:
                connection.request("GET", path, headers=headers)
                answer = connection.getresponse()
                answer.read()
                bad[0] += answer.status != 200
            except (OSError, http.client.HTTPException):
                bad[0] += 1
                connection.close()
            waits.append(time.perf_counter() - at)

    threads = [threading.Thread(target=go, args=(count // at_once,)) for _ in range(at_once)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    return waits, bad[0]


def measure(name: str, command: list[str], port: int, people: str, count: int, at_once: int) -> dict[str, object]:
    environment = {k: v for k, v in os.environ.items() if k != "DATUMLINE_DATABASE_URL" or v}
    environment |= {"PYTHONPATH": os.pathsep.join([str(ROOT), *[p for p in sys.path if p.endswith("site-packages")]])}
    server = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(300):
            try:
                connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
                connection.request("GET", "/health/ready")
                if connection.getresponse().status == 200:
                    break
            except OSError:
                time.sleep(0.2)
        token = re.search(r"Bearer\s+([^\s\"']+)", people).group(1)
        session = {"Cookie": sign_in(port, people)}
        kinds = {
            "live": ("/health/live", {}),
            "sign-in page": ("/sign-in/", {}),
            "lab feed": ("/api/v1/orders", {"Authorization": f"Bearer {token}"}),
            "today": ("/", session),
        }
        result: dict[str, object] = {"server": name}
        for kind, (path, headers) in kinds.items():
            n = count if kind != "today" else count // 8
            load(port, path, headers, 10 * at_once, at_once)
            before, at = processor_s(server.pid), time.perf_counter()
            waits, bad = load(port, path, headers, n, at_once)
            spent, took = processor_s(server.pid) - before, time.perf_counter() - at
            result[kind] = {
                "processor_ms_a_request": round(1000 * spent / len(waits), 3),
                "requests_a_second": round(len(waits) / took, 1),
                "p50_ms": round(1000 * statistics.median(waits), 1),
                "p95_ms": round(1000 * statistics.quantiles(waits, n=20)[18], 1),
                "bad": bad,
            }
        result["memory_mb_each_process"] = memory_mb(server.pid)
        return result
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(timeout=30)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gunicorn", required=True)
    parser.add_argument("--requests", type=int, default=2000)
    parser.add_argument("--at-once", type=int, default=8)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    people = (Path(os.environ["DATUMLINE_LOCAL"]) / "demo-people.txt").read_text()
    granian = str(Path(sys.executable).parent / "granian")
    python = str(Path(given.gunicorn).parent / "python")
    found = []
    for name in ("granian", "gunicorn sync", "gunicorn threads", "granian again"):
        port = free_port()
        w = str(given.workers)
        if name.startswith("granian"):
            command = [granian, "--interface", "wsgi", "--port", str(port), "--workers", w, "--blocking-threads", "1",
                       "--no-access-log", "--log-level", "warning", "deploy.wsgi:application"]  # fmt: skip
        else:
            kind = ["--worker-class", "sync"] if name.endswith("sync") else ["--worker-class", "gthread", "--threads", "4"]
            command = [
                python,
                given.gunicorn,
                "--bind",
                f"127.0.0.1:{port}",
                "--workers",
                w,
                *kind,
                "deploy.wsgi:application",
            ]
        found.append(measure(name, command, port, people, given.requests, given.at_once))
        print(json.dumps(found[-1]), file=sys.stderr, flush=True)
    print(json.dumps({"load_average": os.getloadavg(), "processors": os.cpu_count(), "servers": found}, indent=2))


if __name__ == "__main__":
    main()
