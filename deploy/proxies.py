"""Whom a request comes from, in one place: what comes after this reads REMOTE_ADDR.

Anybody can send X-Forwarded-For and X-Forwarded-Proto. They are believed where the connection
itself comes from one of our own proxies (INTERSPACE_PROXIES), and dropped everywhere else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from ipaddress import IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase

Network = IPv4Network | IPv6Network
Handler = Callable[[HttpRequest], HttpResponseBase]


def networks(texts: Iterable[str]) -> list[Network]:
    """Addresses and networks as somebody wrote them. Raises ValueError."""
    return [ip_network(text.strip()) for text in texts if text.strip()]


def known(address: str) -> str | None:
    """The address in its one spelling; None for what is none."""
    try:
        found = ip_address(address.strip())
    except ValueError:
        return None
    if isinstance(found, IPv6Address) and found.ipv4_mapped:
        found = found.ipv4_mapped
    return str(found)


def caller(connected: str, forwarded_for: str, ours: Sequence[Network]) -> str:
    """Who called, from the peer and X-Forwarded-For: the nearest address that is not a proxy of
    ours. Each proxy adds on the right whom it was called by; what stands left of a stranger is
    the stranger's word."""
    address, hops = known(connected) or "", forwarded_for.split(",")
    while hops and address and _any(address, ours):
        before = known(hops.pop())
        if before is None:
            break
        address = before
    return address


def only_ours_are_believed(get_response: Handler) -> Handler:
    ours = settings.PROXIES

    def middleware(request: HttpRequest) -> HttpResponseBase:
        meta = request.META
        connected = meta.get("REMOTE_ADDR", "")
        if not _any(known(connected) or "", ours):
            for name in [name for name in meta if name.startswith("HTTP_X_FORWARDED_")]:
                del meta[name]
        meta["REMOTE_ADDR"] = caller(connected, meta.get("HTTP_X_FORWARDED_FOR", ""), ours)
        return get_response(request)

    return middleware


def _any(address: str, of: Sequence[Network]) -> bool:
    return bool(address) and any(ip_address(address) in one for one in of)
