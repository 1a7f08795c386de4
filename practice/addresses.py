"""Where a request comes from, when there may be proxies in between."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from functools import lru_cache

from django.conf import settings
from django.http import HttpRequest

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
Address = ipaddress.IPv4Address | ipaddress.IPv6Address


@lru_cache(maxsize=512)
def network(text: str) -> Network:
    """An address or a network; ValueError for anything else, also for a network written with bits of a host set."""
    return ipaddress.ip_network(text)


def address(text: str) -> Address | None:
    """An address, an IPv4 one inside IPv6 taken out; None when it is none."""
    try:
        found = ipaddress.ip_address(text.strip())
    except ValueError:
        return None
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
        return found.ipv4_mapped
    return found


def within(given: Address, networks: Iterable[str]) -> bool:
    return any(given.version == net.version and given in net for net in map(network, networks))


def client_address(request: HttpRequest) -> Address | None:
    """Of the connection; behind proxies that are trusted (TRUSTED_PROXIES), the nearest address in X-Forwarded-For that is not
    one of theirs. What stands further left in that header was written by whoever asked, and is not believed.
    """
    trusted = settings.TRUSTED_PROXIES
    found = address(request.META.get("REMOTE_ADDR", ""))
    if not trusted:
        return found
    for part in reversed(request.META.get("HTTP_X_FORWARDED_FOR", "").split(",")):
        if found is None or not within(found, trusted):
            return found
        if not part.strip():
            break
        found = address(part)
    return found


def counted_as(request: HttpRequest) -> str:
    """The address under which wrong tries are counted: a whole /64 for IPv6, since one connection has all of it."""
    found = client_address(request)
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found) if found else ""
