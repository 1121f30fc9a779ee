"""The service's own staging, store, child program and keys, as the settings say. One a process."""

from __future__ import annotations

from functools import cache

from django.conf import settings
from django.core.files.storage import FileSystemStorage, storages

from logbook.intake.keys import Key, keys_from, open_sealed, seal
from logbook.intake.runner import Runner
from logbook.intake.staging import Staging, new_key
from logbook.intake.store import FolderStore, StorageStore, Store
from logbook.models import Upload


@cache
def runner() -> Runner:
    """The child program; started when first needed, ends with this process."""
    return Runner()


def staging() -> Staging:
    return Staging(settings.STAGING_ROOT)


def store() -> Store:
    storage = storages["default"]
    if isinstance(storage, FileSystemStorage):
        return FolderStore(storage.location)
    return StorageStore(storage)


def arrival_key() -> Key:
    """The key that new fingerprints are made with."""
    return keys_from(settings.ARRIVAL_MAC_KEYS)[0]


def fresh_key(upload_id: str) -> tuple[bytes, bytes, str]:
    """A new upload's key: plain, sealed, and the id of the key that sealed it."""
    key, sealer = new_key(), keys_from(settings.STAGING_KEYS)[0]
    return key, seal(sealer, key, upload_id), sealer.id


def key_of(upload: Upload) -> bytes:
    """The key of an upload's staged parts. Raises intake.keys.KeyMissing."""
    keys = keys_from(settings.STAGING_KEYS)
    return open_sealed(keys, upload.sealed_by, bytes(upload.sealed_key or b""), str(upload.pk))
