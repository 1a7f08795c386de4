"""Load over real HTTP for `bench_labs`: one process a connection, kept open, as little work as can be on this side."""

from __future__ import annotations

import multiprocessing
import os
import socket
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

_FORK = multiprocessing.get_context("fork")
_TICKS = os.sysconf("SC_CLK_TCK")


class Line:
    """A kept connection that sends prepared requests."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port))
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.room = memoryview(bytearray(4_000_000))

    def ask(self, request: bytes) -> tuple[int, int, bytes]:
        """Status, length of the body, and the whole answer as bytes that the next request overwrites."""
        self.socket.sendall(request)
        have, head = 0, -1
        while head < 0:
            got = self.socket.recv_into(self.room[have:])
            if not got:
                raise ConnectionError("closed")
            have += got
            head = bytes(self.room[: min(have, 4000)]).find(b"\r\n\r\n")
        top = bytes(self.room[:head]).lower()
        length = int(top.split(b"content-length:")[1].split(b"\r\n")[0])
        while have < head + 4 + length:
            have += self.socket.recv_into(self.room[have:])
        return int(top[9:12]), length, bytes(self.room[head + 4 : min(have, head + 400)])


def get(path: str, **headers: str) -> bytes:
    lines = [f"GET {path} HTTP/1.1", "Host: localhost", *(f"{k}: {v}" for k, v in headers.items())]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def post(path: str, body: bytes, **headers: str) -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: localhost", "Content-Type: application/json", f"Content-Length: {len(body)}"]
    return ("\r\n".join([*lines, *(f"{k}: {v}" for k, v in headers.items())]) + "\r\n\r\n").encode() + body


def _run(port: int, requests: Iterable[bytes], seconds: float, gate: Any, out: Any) -> None:
    line, done, wrong = Line(port), 0, []
    gate.wait()
    start = time.perf_counter()
    for request in requests:
        status, _, head = line.ask(request)
        if status != 200:
            wrong.append((status, head.decode("utf-8", "replace")[:200]))
            if len(wrong) > 3:
                break
        done += 1
        if seconds and time.perf_counter() - start > seconds:
            break
    out.put((done, time.perf_counter() - start, wrong))


def at_once(port: int, makers: list[Callable[[], Iterable[bytes]]], seconds: float = 0.0) -> tuple[int, float]:
    """All lines at the same time: how many were answered and how long it took. Raises when an answer was not 200."""
    gate, out = _FORK.Barrier(len(makers) + 1), _FORK.Queue()
    lines = [_FORK.Process(target=_run, args=(port, make(), seconds, gate, out)) for make in makers]
    for each in lines:
        each.start()
    gate.wait()
    start = time.perf_counter()
    said = [out.get(timeout=300) for _ in lines]
    took = time.perf_counter() - start
    for each in lines:
        each.join()
    wrong = [w for _, _, bad in said for w in bad]
    if wrong:
        raise SystemExit(f"not answered: {wrong[:3]}")
    return sum(done for done, _, _ in said), took


def processor_s(*pids: int) -> float:
    """Processor time, user and system, of these processes and all below them."""
    below: dict[int, list[int]] = {}
    used: dict[int, float] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            rest = stat.read_text().rpartition(") ")[2].split()
        except OSError:
            continue
        pid = int(stat.parent.name)
        below.setdefault(int(rest[1]), []).append(pid)
        used[pid] = (int(rest[11]) + int(rest[12])) / _TICKS
    total, left = 0.0, list(pids)
    while left:
        pid = left.pop()
        total += used.get(pid, 0.0)
        left += below.get(pid, [])
    return total
