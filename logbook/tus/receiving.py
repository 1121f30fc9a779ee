"""Takes the body of one request into staging, object by object, and acknowledges as it goes.

No transaction is open while bytes stream. What a broken connection brought is kept, unless the
client promised a checksum: then all of the body counts or none of it.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from logbook import keeping
from logbook.actions import uploads
from logbook.models import Upload
from logbook.tus.headers import Promise

if TYPE_CHECKING:
    from accounts.models import Person

OBJECT = 8 * 2**20  # a long body is stored and acknowledged in objects of this size
LEAST_STEP, MOST_STEP = 4 * 2**10, 256 * 2**10
MOST_PIECES = 16_384

Clock = Callable[[], dt.datetime]


class Body(Protocol):
    def read(self, size: int, /) -> bytes: ...


class Moved(Exception):
    """Another request moved the offset first; nothing of this one's rest counts."""


class Over(Exception):
    """The upload was given up, refused or expired meanwhile."""


class Broken(Exception):
    """The promised checksum is another one; nothing of the body was kept."""


@dataclass(frozen=True)
class Taken:
    """How far the upload is; ``cut`` where the body ended before its length."""

    offset: int
    cut: bool


class Steps:
    """Reads a body in steps of its own choosing: large ones from a fast line, small ones from a
    slow one, so that little of what came is lost with the step in which a connection breaks."""

    def __init__(self, body: Body, length: int) -> None:
        self._body, self._step = body, LEAST_STEP
        self.left, self.cut = length, False

    def next(self, most: int) -> bytes:
        """The next bytes; none at the end and where the connection broke."""
        began = time.monotonic()
        try:
            data = self._body.read(min(self._step, most, self.left)) if self.left else b""
        except OSError:  # reset, or silent for too long
            data = b""
        if self.left and not data:
            self.cut, self.left = True, 0
        self.left -= len(data)
        slow = time.monotonic() - began > 0.02
        self._step = max(self._step // 2, LEAST_STEP) if slow else min(self._step * 2, MOST_STEP)
        return data


class Chain:
    """Objects on disk behind the upload's newest acknowledged piece."""

    def __init__(self, upload: Upload, *, by: Person, clock: Clock) -> None:
        self.upload, self.by, self.clock = upload, by, clock
        self.offset, self.head = upload.offset, upload.head  # what is acknowledged
        self._end, self._mark = self.offset, self.head  # what is on disk
        self._waiting: list[str] = []
        self._name, self._key = str(upload.pk), keeping.key_of(upload)

    def store(self, steps: Steps, hasher: Any) -> bool:
        """Writes the next object. False where nothing more comes."""
        data = steps.next(OBJECT)
        if not data:
            return False
        with keeping.staging().piece(
            self._name, start=self._end, before=self._mark, key=self._key
        ) as piece:
            while data:
                piece.write(data)
                if hasher:
                    hasher.update(data)
                data = steps.next(OBJECT - piece.size) if piece.size < OBJECT else b""
        self._waiting.append(piece.part)
        self._end, self._mark = self._end + piece.size, piece.mark
        return True

    def acknowledge(self) -> None:
        """What is on disk counts from here on. Raises Moved, Over."""
        if not self._waiting:
            return
        moved = uploads.advance(
            upload=self.upload,
            start=self.offset,
            before=self.head,
            end=self._end,
            head=self._mark,
            pieces=len(self._waiting),
            by=self.by,
            at=self.clock(),
        )
        if not moved:
            raise Over if self.over else Moved
        self.offset, self.head, self._waiting = self._end, self._mark, []

    def discard(self) -> None:
        """Leaves nothing of what does not count."""
        if self._waiting:
            keeping.staging().discard(self._name, self._waiting)

    @property
    def over(self) -> bool:
        return Upload.objects.filter(pk=self.upload.pk).exclude(emptied_at=None).exists()


def receive(
    upload: Upload,
    body: Body,
    *,
    length: int,
    promise: Promise | None,
    by: Person,
    clock: Clock,
) -> Taken:
    """Stores ``length`` bytes of ``body`` at the upload's offset. Raises Moved, Over, Broken;
    OSError where staging cannot be written; intake.keys.KeyMissing."""
    steps, chain = Steps(body, length), Chain(upload, by=by, clock=clock)
    hasher = promise.hasher() if promise else None
    try:
        while chain.store(steps, hasher):
            if promise is None:
                chain.acknowledge()
        if promise is not None and not steps.cut:
            if not promise.kept_by(hasher):
                raise Broken
            chain.acknowledge()
    except FileNotFoundError as removed:  # the folder went with the upload
        if chain.over:
            raise Over from removed
        raise
    finally:
        chain.discard()
    return Taken(chain.offset, steps.cut)
