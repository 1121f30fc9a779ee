"""The service's own staging, store, child program and keys, as the settings say. One a process."""

from __future__ import annotations

import hmac
import importlib.util
import uuid
from collections.abc import Iterable, Iterator
from functools import cache

import structlog
from django.conf import settings
from django.core.files.storage import FileSystemStorage, storages

from logbook.intake.facts import Limits, Rectangle, Refusal
from logbook.intake.keys import Key, keys_from, open_sealed, seal
from logbook.intake.runner import Runner
from logbook.intake.staging import ARRIVED, Staging, new_key
from logbook.intake.store import FolderStore, S3Store, StorageStore, Store
from logbook.intake.walls import Budget
from logbook.models import LogbookSettings, Upload

# The models and their arenas; a picture of 1280 pixels takes a second or two.
LETTERS_BUDGET = Budget(memory=1500 * 1024 * 1024, cpu_seconds=60, wall_seconds=120, output=1024)

log = structlog.get_logger("interspace.captures")


class ObjectGone(Exception):
    """An object was removed between its being stored and its being named: store it again."""


def limits() -> Limits:
    """What a file may hold."""
    return Limits(file_bytes=settings.UPLOAD_FILE_MB * 2**20)


@cache
def runner() -> Runner:
    """The child program; started when first needed, ends with this process."""
    return Runner(limits=limits(), codec=settings.CLIP_CODEC)


@cache
def letters() -> Runner | None:
    """The second child program, which looks for letters; None where it is off or not installed."""
    if not settings.LETTERS or importlib.util.find_spec("rapidocr") is None:
        return None
    return Runner(program="logbook.intake.letters", budget=LETTERS_BUDGET, at_once=1)


def letters_in(jpeg: bytes) -> list[Rectangle] | None:
    """Where letters stand in a picture of our own; None where nobody looked."""
    reader = letters()
    found = reader.find_letters(jpeg) if reader else None
    if isinstance(found, Refusal):
        log.warning("letters not looked for", code=found.code, trace=found.trace)
        return None
    return found


def staging() -> Staging:
    return Staging(settings.STAGING_ROOT)


def store() -> Store:
    storage = storages["default"]
    if isinstance(storage, FileSystemStorage):
        return FolderStore(storage.location)
    return S3Store(storage) if hasattr(storage, "bucket") else StorageStore(storage)


def lock_names(programme_id: uuid.UUID | str) -> None:
    """The one lock under which a programme's objects come to be named and are removed.

    Inside a transaction; after exam and capture, before the ledger's head.
    """
    list(
        LogbookSettings.objects.select_for_update()
        .filter(programme=programme_id)
        .values_list("pk", flat=True)
    )


def check_there(programme_id: uuid.UUID | str, keys: Iterable[str]) -> None:
    """Locks, and sees that no sweep took what is about to be named. Raises ObjectGone."""
    lock_names(programme_id)
    if gone := [key for key in keys if key and not store().exists(key)]:
        raise ObjectGone(", ".join(gone))


def arrival_key() -> Key:
    """The key that new fingerprints are made with."""
    return keys_from(settings.ARRIVAL_MAC_KEYS)[0]


def uid_key() -> Key:
    """The key under which identifiers of kept DICOM are made; older ones stay in the setting."""
    return keys_from(settings.UID_KEYS)[0]


def new_uid(key: Key, programme_id: uuid.UUID | str, uid: str) -> str:
    """Another identifier for `uid`: always the same in one programme, in each another.

    2.25 and a UUID as one number (DICOM PS3.5 annex B.2), of version 8 (RFC 9562 section 5.8).
    """
    own = hmac.digest(key.secret, f"identifiers of programme {programme_id}".encode(), "sha256")
    number = int.from_bytes(hmac.digest(own, uid.encode(), "sha256")[:16], "big")
    number = number & ~(0xF << 76) | 0x8 << 76
    number = number & ~(0x3 << 62) | 0x2 << 62
    return f"2.25.{number}"


def fresh_key(upload_id: str) -> tuple[bytes, bytes, str]:
    """A new upload's key: plain, sealed, and the id of the key that sealed it."""
    key, sealer = new_key(), keys_from(settings.STAGING_KEYS)[0]
    return key, seal(sealer, key, upload_id), sealer.id


def arrived(upload: Upload, key: bytes) -> Iterator[bytes]:
    """The file as it came, in one part or in pieces. Raises intake.staging.StagingError."""
    if upload.head:
        return staging().assembled(str(upload.pk), head=upload.head, key=key)
    return staging().read(str(upload.pk), ARRIVED, key=key)


def key_of(upload: Upload) -> bytes:
    """The key of an upload's staged parts. Raises intake.keys.KeyMissing."""
    keys = keys_from(settings.STAGING_KEYS)
    return open_sealed(keys, upload.sealed_by, bytes(upload.sealed_key or b""), str(upload.pk))
