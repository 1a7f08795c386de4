"""Whether a lab's tokens are taken from where a request comes from."""

from __future__ import annotations

from django.http import HttpRequest

from practice.addresses import Address, Network, address, client_address, network, within

__all__ = ["Address", "Network", "address", "client_address", "may_come_from", "network", "within"]


def may_come_from(request: HttpRequest, allowed: list[str]) -> bool:
    """Whether a lab that lists `allowed` networks (none: any) is answered here."""
    if not allowed:
        return True
    came_from = client_address(request)
    return came_from is not None and within(came_from, allowed)
