"""Where stripped and masked objects are kept: by content, under their programme.

A key is `{programme}/{aa}/{sha256}`, aa being the first two digits of the SHA-256: the same
bytes have the same key, an object is never changed, and its name can be checked against it.
"""

import hashlib
import io
import os
import re
import secrets
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from logbook.intake.staging import fsync_folder

PIECE = 1024 * 1024
KEY = re.compile(r"([0-9a-z][0-9a-z-]{0,63})/([0-9a-f]{2})/(\2[0-9a-f]{62})")


@dataclass(frozen=True)
class Stored:
    """An object in the store. `size` in bytes."""

    key: str
    sha256: str
    size: int


class Store(Protocol):
    """What the rest of the service needs of a store."""

    def put(self, programme: str, source: BinaryIO) -> Stored:
        """Keep what `source` holds from where it stands; idempotent."""

    def open(self, key: str) -> BinaryIO:
        """The object, seekable. Raises FileNotFoundError."""

    def size(self, key: str) -> int:
        """Its size in bytes. Raises FileNotFoundError."""

    def exists(self, key: str) -> bool:
        """Whether it is there."""

    def changed_at(self, key: str) -> datetime:
        """When it was last put there, aware. Putting the same bytes again counts."""

    def remove(self, key: str) -> None:
        """Remove it; no complaint when it is not there."""

    def keys(self) -> Iterator[str]:
        """Every key in the store, in no order."""


def key_of(programme: str, sha256: str) -> str:
    """The key of an object. Raises ValueError for what cannot be one."""
    key = f"{programme}/{sha256[:2]}/{sha256}"
    if not KEY.fullmatch(key):
        raise ValueError(f"not an object key: {key!r}")
    return key


def sha256_of(source: BinaryIO) -> str:
    """64 hexadecimal digits over the rest of `source`."""
    digest = hashlib.sha256()
    while piece := source.read(PIECE):
        digest.update(piece)
    return digest.hexdigest()


class FolderStore:
    """A store in a folder: written beside, synced, renamed into place."""

    def __init__(self, root: Path) -> None:
        self.root = Path(root)

    def put(self, programme: str, source: BinaryIO) -> Stored:
        """Keep what `source` holds. A reader sees the whole object or none."""
        waiting = self.root / ".incoming"
        waiting.mkdir(parents=True, exist_ok=True, mode=0o700)
        partial = waiting / secrets.token_hex(16)
        digest, size = hashlib.sha256(), 0
        try:
            handle = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as out:
                while piece := source.read(PIECE):
                    digest.update(piece)
                    size += len(piece)
                    out.write(piece)
                out.flush()
                os.fsync(out.fileno())
            key = key_of(programme, digest.hexdigest())
            target = self.root / key
            fresh = [
                folder for folder in (target.parent, target.parent.parent) if not folder.is_dir()
            ]
            target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            os.replace(partial, target)
        except BaseException:
            partial.unlink(missing_ok=True)
            raise
        fsync_folder(target.parent)
        for folder in fresh:
            fsync_folder(folder.parent)
        return Stored(key, digest.hexdigest(), size)

    def open(self, key: str) -> BinaryIO:
        """The object. Raises FileNotFoundError."""
        return self._path(key).open("rb")

    def size(self, key: str) -> int:
        """Its size in bytes. Raises FileNotFoundError."""
        return self._path(key).stat().st_size

    def exists(self, key: str) -> bool:
        """Whether it is there."""
        return self._path(key).is_file()

    def changed_at(self, key: str) -> datetime:
        """When it was last put there, aware."""
        return datetime.fromtimestamp(self._path(key).stat().st_mtime, UTC)

    def remove(self, key: str) -> None:
        """Remove it; no complaint when it is not there."""
        path = self._path(key)
        path.unlink(missing_ok=True)
        if path.parent.is_dir():
            fsync_folder(path.parent)

    def keys(self) -> Iterator[str]:
        """Every key in the store, in no order; half-written objects are none."""
        for path in self.root.glob("*/??/*"):
            key = path.relative_to(self.root).as_posix()
            if KEY.fullmatch(key):
                yield key

    def _path(self, key: str) -> Path:
        if not KEY.fullmatch(key):
            raise ValueError(f"not an object key: {key!r}")
        return self.root / key


class StorageStore:
    """A store over any object with Django's storage methods (S3-compatible ones among them).

    The object store itself makes an upload whole or absent; here it is only named by content.
    """

    rewrites = False

    def __init__(self, storage: Any) -> None:
        self.storage = storage

    def put(self, programme: str, source: BinaryIO) -> Stored:
        """Keep what `source` holds."""
        digest, size = hashlib.sha256(), 0
        with tempfile.SpooledTemporaryFile(max_size=32 * PIECE) as copy:
            while piece := source.read(PIECE):
                digest.update(piece)
                size += len(piece)
                copy.write(piece)
            key = key_of(programme, digest.hexdigest())
            if self.rewrites or not self.storage.exists(key):
                copy.seek(0)
                saved = self.storage.save(key, copy)
                if saved != key:
                    # Another writer was first; storages give the later one a name of its own.
                    self.storage.delete(saved)
        return Stored(key, digest.hexdigest(), size)

    def open(self, key: str) -> BinaryIO:
        """The object. Raises FileNotFoundError."""
        return self.storage.open(key, "rb")

    def size(self, key: str) -> int:
        """Its size in bytes. Raises FileNotFoundError."""
        return self.storage.size(key)

    def exists(self, key: str) -> bool:
        """Whether it is there."""
        return self.storage.exists(key)

    def changed_at(self, key: str) -> datetime:
        """When it was last put there, aware."""
        return self.storage.get_modified_time(key)

    def remove(self, key: str) -> None:
        """Remove it; no complaint when it is not there."""
        self.storage.delete(key)

    def keys(self) -> Iterator[str]:
        """Every key in the store, in no order."""
        waiting = [""]
        while waiting:
            folder = waiting.pop()
            folders, files = self.storage.listdir(folder)
            join = f"{folder}/" if folder else ""
            waiting.extend(join + name for name in folders)
            yield from (join + name for name in files if KEY.fullmatch(join + name))


class S3Store(StorageStore):
    """A store in an S3-compatible bucket: what is read is asked for in ranges, never whole."""

    rewrites = True  # the same bytes under the same name: only their date is new

    def open(self, key: str) -> BinaryIO:
        """The object. Raises FileNotFoundError."""
        size = self.size(key)
        raw = _Remote(self.storage.bucket.Object(key), size)
        return io.BufferedReader(raw, buffer_size=PIECE)  # type: ignore[return-value]

    def size(self, key: str) -> int:
        """Its size in bytes. Raises FileNotFoundError."""
        if not KEY.fullmatch(key):
            raise ValueError(f"not an object key: {key!r}")
        try:
            return self.storage.size(key)
        except Exception as error:
            if _is_missing(error):
                raise FileNotFoundError(key) from error
            raise

    def keys(self) -> Iterator[str]:
        """Every key in the bucket, a thousand a request."""
        for one in self.storage.bucket.objects.all():
            if KEY.fullmatch(one.key):
                yield one.key


class _Remote(io.RawIOBase):
    """An object of a bucket as a file: each read is one ranged request."""

    def __init__(self, remote: Any, size: int) -> None:
        self._remote, self._size, self._at = remote, size, 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        self._at = max(start + offset, 0)
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: Any) -> int:
        wanted = min(len(buffer), self._size - self._at)
        if wanted <= 0:
            return 0
        last = self._at + wanted - 1
        try:
            body = self._remote.get(Range=f"bytes={self._at}-{last}")["Body"]
            piece = body.read()
        except Exception as error:
            raise OSError(f"the bucket did not answer: {type(error).__name__}") from error
        buffer[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)


def _is_missing(error: Exception) -> bool:
    said = getattr(error, "response", {})
    return str(said.get("Error", {}).get("Code")) in ("404", "NoSuchKey", "NotFound")
