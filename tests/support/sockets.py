"""No test talks to anything beyond this machine."""

from __future__ import annotations

import ipaddress
import socket
from typing import Any

_connect = socket.socket.connect
_connect_ex = socket.socket.connect_ex


class Outside(RuntimeError):
    """A test tried to leave the machine."""


def check(family: int, address: Any) -> None:
    """Raise Outside unless `address` is a local socket or a loopback address."""
    if family == socket.AF_UNIX:
        return
    host = address[0]
    if host in {"localhost", ""}:
        return
    try:
        inside = ipaddress.ip_address(host).is_loopback
    except ValueError:
        inside = False
    if not inside:
        raise Outside(f"a test tried to reach {host}; give it a server on 127.0.0.1")


def shut() -> None:
    """Refuse every connection that leaves the machine, in this process, from now on."""

    def connect(self: socket.socket, address: Any) -> None:
        check(self.family, address)
        return _connect(self, address)

    def connect_ex(self: socket.socket, address: Any) -> int:
        check(self.family, address)
        return _connect_ex(self, address)

    socket.socket.connect = connect  # type: ignore[method-assign]
    socket.socket.connect_ex = connect_ex  # type: ignore[method-assign]
