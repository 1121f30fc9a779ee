"""A line between a client and a server that breaks after so many bytes, as often as it is told."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Iterable, Iterator


class Line:
    """Passes bytes on. `cuts`: after how many bytes from the client each connection breaks, one
    connection after the other; those after the last go through whole. `rate`: bytes a second, or
    as fast as it goes. Counts what clients sent."""

    def __init__(self, port: int, cuts: Iterable[int], rate: float | None = None) -> None:
        self.rate = rate
        self.server_port = port
        self.cuts = list(cuts)
        self.sent = self.broken = 0
        self._lock = threading.Lock()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self._open: set[socket.socket] = set()
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _address = self._listening.accept()
                threading.Thread(target=self._carry, args=(client,), daemon=True).start()

    def _carry(self, client: socket.socket) -> None:
        server = socket.create_connection(("127.0.0.1", self.server_port))
        self._open |= {client, server}
        back = threading.Thread(target=self._back, args=(server, client), daemon=True)
        back.start()
        passed, limit = 0, None
        with contextlib.suppress(OSError):
            while data := client.recv(16 * 1024):
                if (
                    limit is None and b"PATCH" in data[:5]
                ):  # the body is what breaks, not a question
                    with self._lock:
                        limit = self.cuts.pop(0) if self.cuts else -1
                passed += len(data)
                with self._lock:
                    self.sent += len(data)
                server.sendall(data)
                if self.rate:
                    time.sleep(len(data) / self.rate)
                if limit is not None and 0 <= limit <= passed:
                    self.broken += 1
                    break
        for end in (client, server):
            self._break(end)

    def _back(self, server: socket.socket, client: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := server.recv(64 * 1024):
                client.sendall(data)
        self._break(client)

    def _break(self, end: socket.socket) -> None:
        """What had been passed on arrives; then both ends find the connection gone."""
        with contextlib.suppress(OSError):
            end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            end.shutdown(socket.SHUT_RDWR)
        end.close()
        self._open.discard(end)

    def close(self) -> None:
        self._listening.close()
        for end in list(self._open):
            self._break(end)


@contextlib.contextmanager
def line(address: str, cuts: Iterable[int], rate: float | None = None) -> Iterator[Line]:
    """A line to the server at `address` (http://127.0.0.1:port)."""
    made = Line(int(address.rpartition(":")[2]), cuts, rate)
    try:
        yield made
    finally:
        made.close()
