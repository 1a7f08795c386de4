"""Where a message may go. A lab's address is typed by a person: it must not lead into the practice's own network.

Checked twice: when it is typed (its form), and at every sending (what its name resolves to). The connection is made to the very
address that was checked, so that a name cannot resolve to something else in between.
"""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

LONGEST = 500
_NAT64 = ipaddress.IPv6Network("64:ff9b::/96")  # RFC 6052

IP = ipaddress.IPv4Address | ipaddress.IPv6Address


class BadTarget(ValueError):
    """Not an address that messages are sent to; the sentence says why."""


@dataclass(frozen=True, slots=True)
class Target:
    host: str
    port: int
    path: str  # with the query
    tls: bool

    @property
    def host_header(self) -> str:
        name = f"[{self.host}]" if ":" in self.host else self.host
        return name if self.port == (443 if self.tls else 80) else f"{name}:{self.port}"


def parse(url: str, *, private: bool) -> Target:
    """The parts of an address, if it has the form of one. `private`: the operator allows http and any address."""
    if not url.isascii() or not url.isprintable() or " " in url or len(url) > LONGEST or "\\" in url:
        raise BadTarget("An address is up to 500 plain characters without spaces.")
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise BadTarget("This is not an address.") from error
    if parts.scheme not in ("https", "http") or not parts.hostname:
        raise BadTarget("An address begins with https://")
    if parts.scheme == "http" and not private:
        raise BadTarget("Messages go by https:// only.")
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise BadTarget("An address here has no user name, password or # part.")
    tls = parts.scheme == "https"
    if port == 0:
        raise BadTarget("This is not a port.")
    literal = _ip(parts.hostname)
    if literal is not None and not private and not is_public(literal):
        raise BadTarget("This address lies inside a private network.")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(parts.hostname, port or (443 if tls else 80), path, tls)


def _ip(text: str) -> IP | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def is_public(address: IP) -> bool:
    """Reachable by everybody. An IPv4 address inside an IPv6 one (mapped, 6to4, Teredo, NAT64) is judged as well."""
    inner: list[IP] = [address]
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped:
            return is_public(address.ipv4_mapped)
        if address.sixtofour:
            inner.append(address.sixtofour)
        if address.teredo:
            inner += address.teredo
        if address in _NAT64:
            inner.append(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))
    return all(
        each.is_global
        and not (each.is_multicast or each.is_reserved or each.is_loopback or each.is_unspecified)
        and not getattr(each, "is_site_local", False)  # fec0::/10, deprecated (RFC 3879) and still routed inside somewhere
        for each in inner
    )


def resolve(target: Target, *, private: bool) -> list[str]:
    """The addresses of a name, all of them allowed. Raises BadTarget when one is not, OSError when there is none."""
    found = socket.getaddrinfo(target.host, target.port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP)
    addresses = list(dict.fromkeys(str(each[4][0]) for each in found))
    if not private:
        for text in addresses:
            address = _ip(text)
            if address is None or not is_public(address):
                raise BadTarget(f"{target.host} leads to {text}, inside a private network.")
    return addresses
