"""Where bytes rest, encrypted, between their arrival and the person's confirmation of the mask.

One folder under a root; in it one folder an upload, in that one file a part ("arrived",
"working", "poster"). Each part is AES-256-GCM in pieces of 64 KiB under the upload's own key,
which the caller keeps elsewhere: without the caller's row the folder is noise, and dropping the
key destroys the upload. The counter and an end mark stand in each nonce (the STREAM
construction), the upload and part names in the authenticated data, so a part that was cut,
reordered or exchanged for another is refused on reading.

A file that comes in several requests is a chain of parts, its *pieces*: the name of each says where
in the file it starts, its own random mark, and the mark of the piece before it. The caller's row
holds the mark of the newest piece that counts; what no walk back from there meets does not count.
So two requests may write at once, on two hosts, without a lock: one compare-and-set in the row
decides whose piece it is, and nothing that was acknowledged is ever written over.
"""

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

PIECE = 64 * 1024
MAGIC = b"STG1"
PREFIX_LENGTH = 7
TAG_LENGTH = 16
KEY_LENGTH = 32

NAME = re.compile(r"[0-9a-z][0-9a-z-]{0,63}")
ARRIVED = "arrived"  # the file that came in one part
PIECE_NAME = re.compile(r"piece-(?P<start>\d{15})-(?P<mark>[0-9a-f]{16})-(?P<before>[0-9a-f]{16})")
NO_PIECE = "0" * 16


class StagingError(Exception):
    """A staged part is missing, cut, altered, or the key is not its key."""


class TooLarge(StagingError):
    """More bytes came than the caller allows; nothing of them was kept."""


@dataclass(frozen=True)
class Staged:
    """One upload at rest. `changed_at` is aware, the time of its newest part."""

    upload: str
    changed_at: datetime
    size: int


def new_key() -> bytes:
    """A fresh key for one upload."""
    return secrets.token_bytes(KEY_LENGTH)


def fsync_folder(folder: Path) -> None:
    """Make a rename inside `folder` survive a power cut."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class Staging:
    """Encrypted parts of uploads under one root (a folder that backups leave out)."""

    def __init__(self, root: Path) -> None:
        self.root = Path(root)

    def write(
        self,
        upload: str,
        part: str,
        pieces: Iterable[bytes],
        *,
        key: bytes,
        limit: int | None = None,
    ) -> int:
        """Stage `pieces` as one part, replacing an earlier one. Returns the size in bytes.

        The part appears whole or not at all. Raises TooLarge past `limit` bytes.
        """
        with self.incoming(upload, part, key=key, limit=limit) as out:
            for piece in pieces:
                out.write(piece)
        return out.size

    def write_together(
        self, upload: str, parts: Mapping[str, Iterable[bytes]], *, key: bytes
    ) -> None:
        """Stage several parts, like `write`; the folder is brought to disk once for all."""
        last = list(parts)[-1]
        for part, pieces in parts.items():
            incoming = self.incoming(upload, part, key=key)
            try:
                for piece in pieces:
                    incoming.write(piece)
            except BaseException:
                incoming.abort()
                raise
            incoming.commit(alone=part == last)

    def incoming(
        self, upload: str, part: str, *, key: bytes, limit: int | None = None
    ) -> "Incoming":
        """A part to be written piece by piece: a context, or with `commit` and `abort`."""
        return Incoming(self, upload, part, key, limit)

    def piece(self, upload: str, *, start: int, before: str, key: bytes) -> "Incoming":
        """A piece that starts at byte `start`, after the one marked `before` ("" for none)."""
        mark = secrets.token_hex(8)
        name = f"piece-{start:015d}-{mark}-{before or NO_PIECE}"
        return Incoming(self, upload, name, key, None, mark=mark)

    def assembled(self, upload: str, *, head: str, key: bytes) -> Iterator[bytes]:
        """The bytes of the chain of pieces that ends with the one marked `head`.

        Raises StagingError where a piece is missing, altered, or does not start where the one
        before it ends; like `read`, not before the place where it shows.
        """
        found = {}
        with contextlib.suppress(FileNotFoundError):
            for entry in os.scandir(self._folder(upload)):
                if named := PIECE_NAME.fullmatch(entry.name):
                    found[named["mark"]] = (int(named["start"]), named["before"], entry.name)
        chain, mark = [], head
        while mark != NO_PIECE:
            if mark not in found:
                raise StagingError("A piece of this upload is no longer in staging.")
            start, mark, name = found.pop(mark)
            chain.append((start, name))
        reached = 0
        for start, name in reversed(chain):
            if start != reached:
                raise StagingError("The pieces of this upload do not meet.")
            for plain in self.read(upload, name, key=key):
                reached += len(plain)
                yield plain

    def read(self, upload: str, part: str, *, key: bytes) -> Iterator[bytes]:
        """The part's bytes, piece by piece. Raises StagingError where they are not what was put.

        A cut or altered part raises at the piece where it shows, so a consumer must not act on
        the first pieces before it has seen the last.
        """
        try:
            source = self._path(upload, part).open("rb")
        except FileNotFoundError as missing:
            raise StagingError("This upload is no longer in staging.") from missing
        with source:
            yield from self._decrypt(source, key, _context(upload, part))

    def remove(self, upload: str) -> bool:
        """Remove an upload with all its parts. Returns whether there was anything."""
        folder = self._folder(upload)
        if not folder.is_dir():
            return False
        shutil.rmtree(folder)
        fsync_folder(self.root)
        return True

    def remove_arrived(self, upload: str) -> None:
        """Remove the file as it came, in whatever parts, and what was left of broken requests.

        What a power cut brings back of it goes with the folder.
        """
        with contextlib.suppress(FileNotFoundError):
            for path in self._folder(upload).iterdir():
                if path.name == ARRIVED or path.name.startswith((".", "piece-")):
                    path.unlink(missing_ok=True)

    def discard(self, upload: str, parts: Iterable[str]) -> None:
        """Remove parts that came to nothing; the folder too where nothing else is in it."""
        for part in parts:
            self._path(upload, part).unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self._folder(upload).rmdir()

    def listing(self) -> list[Staged]:
        """Every upload at rest, oldest first. Folders that are not uploads are left out."""
        if not self.root.is_dir():
            return []
        found = []
        for folder in self.root.iterdir():
            if not (folder.is_dir() and NAME.fullmatch(folder.name)):
                continue
            try:
                stats = [entry.stat() for entry in folder.iterdir()] or [folder.stat()]
                size = sum(stat.st_size for stat in stats)
            except FileNotFoundError:  # removed by another worker meanwhile
                continue
            changed_at = datetime.fromtimestamp(max(stat.st_mtime for stat in stats), UTC)
            found.append(Staged(folder.name, changed_at, size))
        return sorted(found, key=lambda staged: (staged.changed_at, staged.upload))

    def _folder(self, upload: str) -> Path:
        if not NAME.fullmatch(upload):
            raise ValueError(f"not an upload name: {upload!r}")
        return self.root / upload

    def _path(self, upload: str, part: str) -> Path:
        if not NAME.fullmatch(part):
            raise ValueError(f"not a part name: {part!r}")
        return self._folder(upload) / part

    @staticmethod
    def _decrypt(source: BinaryIO, key: bytes, context: bytes) -> Iterator[bytes]:
        cipher = AESGCM(key)
        head = source.read(len(MAGIC) + PREFIX_LENGTH)
        if len(head) != len(MAGIC) + PREFIX_LENGTH or not head.startswith(MAGIC):
            raise StagingError("The staged file is not one of ours.")
        prefix, counter = head[len(MAGIC) :], 0
        sealed = source.read(PIECE + TAG_LENGTH)
        while True:
            following = source.read(PIECE + TAG_LENGTH)
            nonce = _nonce(prefix, counter, last=not following)
            try:
                yield cipher.decrypt(nonce, sealed, context)
            except (InvalidTag, ValueError) as wrong:
                raise StagingError("The staged file is cut, altered or not ours.") from wrong
            if not following:
                return
            sealed, counter = following, counter + 1


class Incoming:
    """One part on its way in. It appears under its name at `commit`, whole, or never."""

    def __init__(
        self,
        staging: Staging,
        upload: str,
        part: str,
        key: bytes,
        limit: int | None,
        *,
        mark: str = "",
    ) -> None:
        self.size = 0
        self.part, self.mark = part, mark
        self._staging, self._limit = staging, limit
        self._target = staging._path(upload, part)
        self._new = not self._target.parent.is_dir()
        self._target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._partial = self._target.with_name(f".{part}.{secrets.token_hex(8)}")
        self._cipher, self._context = AESGCM(key), _context(upload, part)
        self._prefix, self._counter = secrets.token_bytes(PREFIX_LENGTH), 0
        self._waiting = bytearray()
        handle = os.open(self._partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        self._out = os.fdopen(handle, "wb")
        self._out.write(MAGIC + self._prefix)

    def write(self, piece: bytes) -> None:
        """Add to the part. Raises TooLarge past the limit."""
        self.size += len(piece)
        if self._limit is not None and self.size > self._limit:
            raise TooLarge(f"more than {self._limit} bytes")
        rest = memoryview(piece)
        # The last piece carries the end mark, so a full one waits until more has come.
        if self._waiting:
            lacking = PIECE - len(self._waiting)
            self._waiting += rest[:lacking]
            rest = rest[lacking:]
            if not rest:
                return
            self._seal(self._waiting, last=False)
            self._waiting.clear()
        while len(rest) > PIECE:
            self._seal(rest[:PIECE], last=False)
            rest = rest[PIECE:]
        self._waiting += rest

    def commit(self, *, alone: bool = True) -> None:
        """Make the part appear, on disk before this returns.

        `alone` False: other parts follow; that the folder is on disk is for the last of them.
        """
        try:
            self._seal(self._waiting, last=True)
            self._out.flush()
            os.fsync(self._out.fileno())
        except BaseException:  # a full disk, for instance
            self.abort()
            raise
        self._out.close()
        os.replace(self._partial, self._target)
        if not alone:
            return
        fsync_folder(self._target.parent)
        if self._new:
            fsync_folder(self._staging.root)

    def abort(self) -> None:
        """Leave nothing of it; the folder goes too where nothing else is in it."""
        with contextlib.suppress(OSError):
            self._out.close()
        self._partial.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            self._target.parent.rmdir()

    def __enter__(self) -> "Incoming":
        return self

    def __exit__(self, kind: type | None, *_rest: object) -> None:
        if kind is None:
            self.commit()
        else:
            self.abort()

    def _seal(self, plain: bytes | bytearray | memoryview, *, last: bool) -> None:
        nonce = _nonce(self._prefix, self._counter, last=last)
        self._out.write(self._cipher.encrypt(nonce, plain, self._context))
        self._counter += 1


def _context(upload: str, part: str) -> bytes:
    return f"{upload}/{part}".encode()


def _nonce(prefix: bytes, counter: int, *, last: bool = False) -> bytes:
    return prefix + counter.to_bytes(4, "big") + (b"\x01" if last else b"\x00")
