"""What the fault tests break: a PostgreSQL of their own that really writes to disk, server processes, and a wire that can stall."""

from __future__ import annotations

import contextlib
import functools
import http.client
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import psycopg

from orders.keeping import tools
from tests import migrated
from tests.faults import chores

ROOT = Path(__file__).resolve().parents[2]
LONG = os.environ.get("DATUMLINE_FAULTS") == "long"
TOKEN = "f" * 32  # the form token of a browser: cookie and field hold the same


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def until(done, seconds: float = 240.0, every: float = 0.05):
    """Wait for something to be true; what it gave."""
    end = time.monotonic() + seconds
    while True:
        with contextlib.suppress(OSError, psycopg.Error, sqlite3.OperationalError):
            if found := done():
                return found
        assert time.monotonic() < end, f"not within {seconds} s"
        time.sleep(every)


class Cluster:
    """One PostgreSQL with fsync on, in a folder of its own; run as another user where we are root, since it refuses to be root."""

    def __init__(self, folder: Path, listen: str = "127.0.0.1", settings: tuple[str, ...] = ()) -> None:
        self.folder, self.port, self.listen = folder, free_port(), listen
        self.data = folder / "data"
        self.settings = settings
        self.bin = Path(tools.postgresql("initdb")).parent
        self.user = None
        if os.getuid() == 0:
            import pwd

            names = {entry.pw_name for entry in pwd.getpwall()}
            self.user = "postgres" if "postgres" in names else "nobody"
            shutil.chown(folder, self.user)
        if not (self.data / "PG_VERSION").exists():
            self._run("initdb", "-D", str(self.data), "-U", "datumline", "-A", "trust", "-E", "UTF8", "--no-locale")
        (self.data / "pg_hba.conf").write_text(
            "local all all trust\nhost all all 0.0.0.0/0 trust\nhost replication all 127.0.0.1/32 trust\n"
        )
        self.start()

    def _run(self, program: str, *arguments: str) -> None:
        command = [str(self.bin / program), *arguments]
        if self.user:
            command = ["setpriv", f"--reuid={self.user}", f"--regid={self.user}", "--clear-groups", *command]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, cwd=self.folder, env={**os.environ, "HOME": str(self.folder)},
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr + self.log()

    def log(self) -> str:
        with contextlib.suppress(OSError):
            return (self.folder / "log").read_text()[-3000:]
        return ""

    def start(self) -> None:
        options = [
            f"-p {self.port}", f"-c listen_addresses={self.listen}", f"-c unix_socket_directories={self.folder}",
            "-c max_connections=250", *(f"-c {s}" for s in self.settings),
        ]  # fmt: skip
        self._run(
            "pg_ctl",
            "-D",
            str(self.data),
            "-w",
            "-t",
            "60",
            "-l",
            str(self.folder / "log"),
            "-o",
            " ".join(options),
            "start",
        )

    def stop(self, mode: str = "immediate") -> None:
        with contextlib.suppress(AssertionError):
            self._run("pg_ctl", "-D", str(self.data), "-m", mode, "-w", "stop")

    @property
    def pid(self) -> int:
        return int((self.data / "postmaster.pid").read_text().split()[0])

    def kill(self) -> None:
        """kill -9, as when the machine's memory is short; its children notice and go."""
        pid = self.pid
        children = [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
        for each in (pid, *children):
            with contextlib.suppress(ProcessLookupError):
                os.kill(each, signal.SIGKILL)
        until(lambda: not any(_alive(p) for p in (pid, *children)))
        # where nobody collects the dead, their process numbers still look taken
        for left in (self.data / "postmaster.pid", *self.folder.glob(".s.PGSQL.*")):
            left.unlink(missing_ok=True)

    def url(self, name: str = "postgres", host: str = "127.0.0.1", port: int | None = None) -> str:
        return f"postgresql://datumline@{host}:{port or self.port}/{name}"

    @functools.cached_property
    def migrated(self) -> str:
        """A database with every table and nothing in it, to be copied: migrating takes longer than most tests that need it.

        Where the suite has one (TESTS_TEMPLATE_DATABASE), its tables are taken over by a dump; otherwise it is migrated here.
        """
        self.sql('CREATE DATABASE "migrated"')
        if migrated.TEMPLATE:
            suite = urllib.parse.urlsplit(os.environ["DATUMLINE_DATABASE_URL"])
            source = suite._replace(path=f"/{migrated.TEMPLATE}").geturl()
            with tempfile.NamedTemporaryFile() as dump:
                for command in (
                    ["pg_dump", "--no-owner", "--no-privileges", "-f", dump.name, source],
                    ["psql", "-q", "-o", os.devnull, "-v", "ON_ERROR_STOP=1", "-f", dump.name, self.url("migrated")],
                ):
                    done = subprocess.run(
                        [self.bin / command[0], *command[1:]], capture_output=True, text=True, check=False
                    )
                    assert done.returncode == 0, done.stderr
        else:
            Site(self.folder / "migrating", self.url("migrated")).manage("migrate", "--verbosity", "0")
        return "migrated"

    def create(self, name: str) -> str:
        """A new database with every table; its address."""
        self.sql(f'CREATE DATABASE "{name}" TEMPLATE "{self.migrated}"')
        return self.url(name)

    def sql(self, statement: str, name: str = "postgres") -> list[tuple]:
        with psycopg.connect(self.url(name), autocommit=True) as connection:
            cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []


def _alive(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


class Site:
    """The application on one database: commands, and any number of server processes."""

    def __init__(self, folder: Path, url: str, **more: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.servers = folder, list[Server | Worker]()
        self.environment = {
            **{k: v for k, v in os.environ.items() if k != "DATUMLINE_DATABASE_URL"},
            "DATUMLINE_LOCAL": str(folder),
            "DJANGO_SETTINGS_MODULE": "tests.faults.settings",
            "PYTHONPATH": str(ROOT),
            "DATUMLINE_WEBHOOKS_PRIVATE": "1",
            "DATUMLINE_SECRET_KEY": "of these tests, the same for all that start at once 0123456789",
            **({"DATUMLINE_DATABASE_URL": url} if url else {}),
            **more,
        }

    def python(self, *arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, *arguments],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=3600 if LONG else 600,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def manage(self, *arguments: str) -> str:
        return self.python("manage.py", *arguments)

    def seed(self, **counts: int) -> dict:
        return json.loads(self.python("-m", "tests.faults.seed", "make", *(f"{k}={v}" for k, v in counts.items())))

    def serve(
        self, prefix: tuple[str, ...] = (), host: str = "127.0.0.1", workers: int = 1, wait: bool = True, **more: str
    ) -> Server:
        server = Server(self, prefix, host, workers, more)
        self.servers.append(server)
        server.start(wait)
        return server

    def stop(self) -> None:
        for server in self.servers:
            server.kill()


class Server:
    """One granian with its worker; `kill` is kill -9 of both."""

    def __init__(self, site: Site, prefix: tuple[str, ...], host: str, workers: int, more: dict[str, str]) -> None:
        self.site, self.prefix, self.host, self.workers, self.port = site, prefix, host, workers, free_port()
        self.environment = {**site.environment, **more}
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, wait: bool = True) -> None:
        log = (self.site.folder / f"server-{self.port}.log").open("ab")
        self.process = subprocess.Popen(
            [*self.prefix, str(Path(sys.executable).parent / "granian"), "--interface", "wsgi", "--host", self.host,
             "--port", str(self.port), "--workers", str(self.workers), "--blocking-threads", "2", "--no-ws",
             "deploy.wsgi:application"],
            cwd=ROOT, env=self.environment, stdout=log, stderr=log, start_new_session=True,
        )  # fmt: skip
        log.close()
        if wait:
            self.wait()

    def wait(self) -> None:
        until(lambda: self.get("/sign-in/").status in (200, 503), 240)

    def kill(self) -> None:
        if self.process is not None:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def get(self, path: str, **kw) -> Answer:
        return ask(self.host, self.port, "GET", path, **kw)

    def post(self, path: str, form: dict[str, str] | None = None, **kw) -> Answer:
        return ask(self.host, self.port, "POST", path, form=form or {}, **kw)


class Answer:
    def __init__(self, status: int, headers: http.client.HTTPMessage, body: bytes) -> None:
        self.status, self.headers, self.body = status, headers, body

    @property
    def text(self) -> str:
        return self.body.decode(errors="replace")

    @property
    def to(self) -> str:
        return self.headers.get("Location", "")


def ask(host, port, method, path, *, session="", token="", form=None, body=None, key="", timeout=30.0) -> Answer:
    """One request on a connection of its own. `form`: fields of a page; `body`: JSON for the lab API. OSError when there is no answer."""
    headers = {"Host": f"{host}:{port}"}
    content: bytes | None = None
    if session:
        headers["Cookie"] = f"sessionid={session}; csrftoken={TOKEN}"
    if token:
        headers["Authorization"] = f"Bearer {token}"
    if key:
        headers["Idempotency-Key"] = key
    if form is not None and body is None:
        headers["X-CSRFToken"] = TOKEN
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        content = urllib.parse.urlencode(form).encode()
    if body is not None:
        headers["Content-Type"] = "application/json"
        content = json.dumps(body).encode()
    connection = http.client.HTTPConnection(host, port, timeout=timeout)
    try:
        connection.request(method, path, content, headers)
        response = connection.getresponse()
        return Answer(response.status, response.headers, response.read())
    except http.client.HTTPException as error:
        raise ConnectionError(str(error)) from error
    finally:
        connection.close()


class Worker:
    """`manage.py worker` as a process, which is killed over and over while it works."""

    def __init__(
        self, site: Site, sql: Callable[[str], list[tuple]], chance: random.Random, vendor: str = "postgresql"
    ) -> None:
        self.site, self.sql, self.chance, self.past = site, sql, chance, chores.PAST[vendor]
        self.process: subprocess.Popen[bytes] | None = None
        self.killed, self.jobs_in_hand, self.wrong = 0, Counter[str](), list[str]()
        site.servers.append(self)

    def start(self) -> None:
        with (self.site.folder / "worker.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "manage.py", "worker"], cwd=ROOT, env=self.site.environment, stdout=log, stderr=log
            )

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def log(self) -> str:
        return (self.site.folder / "worker.log").read_text()[-3000:]

    def killed_at_work(self, times: int) -> None:
        """So often: let it begin a job, kill it at a random moment, and see that nothing is half applied. What it had claimed is free
        again at once, where otherwise the clock does it."""
        for number in range(times):
            until(functools.partial(self._free, chores.JOBS[number % len(chores.JOBS)]))
            self.start()
            until(self._at_work, 240)
            time.sleep(self.chance.uniform(0.0, 3.0 if LONG else 0.6))  # in the long form it gets somewhere in between
            with contextlib.suppress(psycopg.Error):
                self.jobs_in_hand.update(name for (name,) in self._ask(chores.BUSY))
            self.kill()
            self.killed += 1
            self.wrong += until(lambda: [chores.half_done(self.sql)])[0]
        until(lambda: self._free(chores.JOBS[0]))
        self.start()

    def _at_work(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, f"the worker has ended by itself:\n{self.log()}"
        return bool(self._ask(chores.BUSY))

    def _ask(self, statement: str) -> list[tuple]:
        return self.sql(statement.format(past=self.past))

    def _free(self, first: str) -> bool:
        for statement in (*chores.FREE, chores.FIRST.replace("{job}", first)):
            self._ask(statement)
        return True


class Wire:
    """A TCP proxy before the database. `stall`: takes what is sent, passes nothing on, closes nothing."""

    def __init__(self, port: int) -> None:
        self.target, self.stalled = port, threading.Event()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.sockets: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self.listener.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self.target))
                except OSError:  # the database is down
                    near.close()
                    continue
                self.sockets += [near, far]
                for one, two in ((near, far), (far, near)):
                    threading.Thread(target=self._pass, args=(one, two), daemon=True).start()

    def _pass(self, one: socket.socket, two: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while content := one.recv(65536):
                while self.stalled.is_set():
                    time.sleep(0.02)
                two.sendall(content)
        with contextlib.suppress(OSError):
            two.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.stalled.clear()
        for each in (self.listener, *self.sockets):
            with contextlib.suppress(OSError):
                each.close()


class Receiver:
    """A lab's webhook target: remembers what it was told. `hang`: takes the message and never answers; `pause`: seconds before it does."""

    def __init__(self, hang: bool = False, pause: float = 0.0) -> None:
        self.pause = pause
        self.told: list[tuple[str, str]] = []  # message identifier, order number
        self.listener = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port, self.hang = self.listener.getsockname()[1], hang
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self.listener.accept()
                threading.Thread(target=self._one, args=(near,), daemon=True).start()

    def _one(self, near: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError):
            near.settimeout(30)
            got = b""
            while b"\r\n\r\n" not in got:
                got += near.recv(65536)
            head, _, body = got.partition(b"\r\n\r\n")
            headers = dict(line.split(": ", 1) for line in head.decode().split("\r\n")[1:])
            names = {k.lower(): v for k, v in headers.items()}
            while len(body) < int(names["content-length"]):
                body += near.recv(65536)
            if self.hang:
                time.sleep(60)
                return
            time.sleep(self.pause)
            self.told.append((names["webhook-id"], json.loads(body)["data"]["number"]))
            near.sendall(b"HTTP/1.1 204 No Content\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
            near.close()

    def close(self) -> None:
        self.listener.close()
