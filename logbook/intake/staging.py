"""Where bytes rest, encrypted, between their arrival and the person's confirmation of the mask.

One folder under a root; in it one folder an upload, in that one file a part ("arrived",
"working", "poster"). Each part is AES-256-GCM in pieces of 64 KiB under the upload's own key,
which the caller keeps elsewhere: without the caller's row the folder is noise, and dropping the
key destroys the upload. The counter and an end mark stand in each nonce (the STREAM
construction), the upload and part names in the authenticated data, so a part that was cut,
reordered or exchanged for another is refused on reading.
"""

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

PIECE = 64 * 1024
MAGIC = b"STG1"
PREFIX_LENGTH = 7
TAG_LENGTH = 16
KEY_LENGTH = 32
KEEP_FOR = timedelta(hours=24)

NAME = re.compile(r"[0-9a-z][0-9a-z-]{0,63}")


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

    def incoming(
        self, upload: str, part: str, *, key: bytes, limit: int | None = None
    ) -> "Incoming":
        """A part to be written piece by piece: a context, or with `commit` and `abort`."""
        return Incoming(self, upload, part, key, limit)

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

    def has(self, upload: str, part: str) -> bool:
        """Whether the part is there (its content is not looked at)."""
        return self._path(upload, part).is_file()

    def remove(self, upload: str) -> bool:
        """Remove an upload with all its parts. Returns whether there was anything."""
        folder = self._folder(upload)
        if not folder.is_dir():
            return False
        shutil.rmtree(folder)
        fsync_folder(self.root)
        return True

    def remove_part(self, upload: str, part: str) -> None:
        """Remove one part, the arrived bytes for instance once they are stripped."""
        self._path(upload, part).unlink(missing_ok=True)
        fsync_folder(self._folder(upload))

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

    def expire(self, *, at: datetime, older_than: timedelta = KEEP_FOR) -> list[str]:
        """Remove uploads whose newest part is older than `older_than`. Returns their names."""
        gone = [staged.upload for staged in self.listing() if staged.changed_at <= at - older_than]
        for upload in gone:
            self.remove(upload)
        return gone

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
        self, staging: Staging, upload: str, part: str, key: bytes, limit: int | None
    ) -> None:
        self.size = 0
        self._staging, self._limit = staging, limit
        self._target = staging._path(upload, part)
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
        self._waiting += piece
        # The last piece carries the end mark, so a full one waits until more has come.
        while len(self._waiting) > PIECE:
            self._seal(bytes(self._waiting[:PIECE]), last=False)
            del self._waiting[:PIECE]

    def commit(self) -> None:
        """Make the part appear, on disk before this returns."""
        self._seal(bytes(self._waiting), last=True)
        self._out.flush()
        os.fsync(self._out.fileno())
        self._out.close()
        os.replace(self._partial, self._target)
        fsync_folder(self._target.parent)
        fsync_folder(self._staging.root)

    def abort(self) -> None:
        """Leave nothing of it; the folder goes too where nothing else is in it."""
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

    def _seal(self, plain: bytes, *, last: bool) -> None:
        nonce = _nonce(self._prefix, self._counter, last=last)
        self._out.write(self._cipher.encrypt(nonce, plain, self._context))
        self._counter += 1


def _context(upload: str, part: str) -> bytes:
    return f"{upload}/{part}".encode()


def _nonce(prefix: bytes, counter: int, *, last: bool = False) -> bytes:
    return prefix + counter.to_bytes(4, "big") + (b"\x01" if last else b"\x00")
