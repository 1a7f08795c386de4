"""One POST to an address that was checked. No redirects, no proxy, little patience, nothing of the answer kept but its status."""

from __future__ import annotations

import contextlib
import http.client
import socket
import ssl
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

from orders.webhooks.targets import Target

STEP_S = 10.0  # for connecting, and for each read
WHOLE_S = 20.0  # however slowly the other side drips


@dataclass(frozen=True, slots=True)
class Answer:
    status: int  # 0: none
    trouble: str = ""
    retry_after_s: float = 0.0

    @property
    def taken(self) -> bool:
        return 200 <= self.status < 300


class _Pinned(http.client.HTTPConnection):
    """Connects to the address given, whatever the name resolves to by now; TLS is held to the name."""

    def __init__(self, target: Target, address: str, context: ssl.SSLContext | None) -> None:
        super().__init__(target.host, target.port, timeout=STEP_S)
        self.target, self.address, self.context = target, address, context

    def connect(self) -> None:
        plain = socket.create_connection((self.address, self.target.port), STEP_S)
        self.sock = plain
        if self.target.tls:
            assert self.context is not None
            self.sock = self.context.wrap_socket(plain, server_hostname=self.target.host)

    def cut(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            self.sock.shutdown(socket.SHUT_RDWR)


def post(target: Target, addresses: list[str], body: bytes, headers: Mapping[str, str]) -> Answer:
    """Try the addresses in turn until one lets itself be connected to."""
    context = ssl.create_default_context() if target.tls else None
    trouble = "There is no address."
    for address in addresses[:4]:
        connection = _Pinned(target, address, context)
        timer = threading.Timer(WHOLE_S, connection.cut)
        timer.daemon = True
        timer.start()
        try:
            connection.connect()
        except (OSError, ValueError) as error:  # a refused certificate is an OSError too
            trouble = _said(error)
            timer.cancel()
            connection.close()
            continue
        try:
            connection.request("POST", target.path, body=body, headers={"Host": target.host_header, **headers})
            response = connection.getresponse()
            retry = _seconds(response.headers.get("Retry-After", ""))
            words = "" if 200 <= response.status < 300 else f"answered {response.status}"
            return Answer(response.status, words, retry)
        except (OSError, http.client.HTTPException, ValueError) as error:
            return Answer(0, _said(error))
        finally:
            timer.cancel()
            connection.close()
    return Answer(0, trouble)


def _said(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"[:200]


_PLAIN = (  # what the machine says, and what a manager can do something with
    (
        ("Name or service not known", "No address associated", "Temporary failure in name"),
        "The name in the address is not known.",
    ),
    (("timed out", "TimeoutError"), "The lab's server did not answer in time."),
    (("Connection refused",), "Nothing listens at the address."),
    (("CERTIFICATE", "certificate"), "The certificate of the lab's server is not accepted."),
    (("unreachable", "No route"), "There is no way to the address."),
)


def plainly(trouble: str) -> str:
    """The trouble of a try in a sentence; as the machine said it where there is none."""
    if trouble.startswith("answered "):
        return f"The lab's server {trouble}."
    said = next((words for signs, words in _PLAIN if any(sign in trouble for sign in signs)), "")
    return said or trouble


def _seconds(text: str) -> float:
    """Retry-After: seconds, or a date (RFC 9110); 0 when there is none that can be read. At most a day."""
    text = text.strip()
    if text.isascii() and text.isdecimal():
        return min(float(text[:7]), 86_400.0)
    with contextlib.suppress(ValueError, TypeError, OverflowError):  # a date may lie beyond the calendar
        at = parsedate_to_datetime(text)
        return min(max(0.0, (at.astimezone(UTC) - datetime.now(UTC)).total_seconds()), 86_400.0)
    return 0.0
