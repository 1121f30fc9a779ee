"""Who may send a file at this moment: so many at once in a process, and no more.

A slow phone holds a thread for as long as its piece takes. The slots are fewer than the threads of
the web server (docs/operations.md, 'Uploads'), so the ward's pages always find one; whoever finds
no slot is told at once when to come again.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from functools import cache

from django.conf import settings
from django.http import HttpRequest

RETRY_AFTER = 3  # seconds: a piece of half a megabyte is through by then on a fair line
SILENT_FOR = 20.0  # seconds without a byte, and the phone is taken for gone


class Full(Exception):
    """Every slot is taken."""


class Pool:
    def __init__(self, slots: int) -> None:
        self._free = threading.BoundedSemaphore(slots)

    @contextlib.contextmanager
    def slot(self, request: HttpRequest) -> Iterator[None]:
        """Around the reading of a body. Raises Full, having read nothing.

        Inside, a phone that says nothing for SILENT_FOR ends the reading with an OSError: without
        that, one that left the ward would keep its slot for ever.
        """
        if not self._free.acquire(blocking=False):
            leave_body(request)
            raise Full
        link = request.META.get("gunicorn.socket")
        try:
            if link is not None:
                link.settimeout(SILENT_FOR)
            yield
        finally:
            if link is not None:
                with contextlib.suppress(OSError):
                    link.settimeout(None)
            self._free.release()


def leave_body(request: HttpRequest) -> None:
    """The body of this request is not read: answer and hang up.

    The web server would otherwise wait for it, up to five seconds in a thread of its own; it does
    not where the body is marked as broken.
    """
    body = request.META.get("wsgi.input")
    if hasattr(body, "failed"):
        body.failed = True


@cache
def pool() -> Pool:
    """This process's own."""
    return Pool(settings.UPLOAD_SLOTS)
