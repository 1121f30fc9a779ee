"""Long-lived secrets by id, and the sealing of each upload's own key under one of them."""

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

LEAST_SECRET = 32
NONCE_LENGTH = 12


class KeyMissing(Exception):
    """No key of the list opens it: an old key was dropped too early, or the seal was altered."""


@dataclass(frozen=True)
class Key:
    """One secret and the id that is stored beside what it made."""

    id: str
    secret: bytes = field(repr=False)


def keys_from(text: str) -> tuple[Key, ...]:
    """Keys from `id:secret,id:secret`; a secret without an id gets one derived from it.

    The first is used for what is new, the others still open what they closed. Raises ValueError
    where a secret is shorter than 32 characters or two have one id.
    """
    keys = []
    for one in filter(None, (part.strip() for part in text.split(","))):
        name, colon, secret = one.rpartition(":")
        if len(secret) < LEAST_SECRET:
            raise ValueError(f"A key needs {LEAST_SECRET} characters or more.")
        if not colon:
            name = hashlib.sha256(b"key id " + secret.encode()).hexdigest()[:12]
        keys.append(Key(name, secret.encode()))
    if not keys or len({key.id for key in keys}) != len(keys):
        raise ValueError("Give at least one key, each with an id of its own.")
    return tuple(keys)


def seal(key: Key, content: bytes, context: str) -> bytes:
    """`content` (an upload's key) under `key`, opened again only with the same `context`."""
    nonce = secrets.token_bytes(NONCE_LENGTH)
    return nonce + AESGCM(_derived(key)).encrypt(nonce, content, context.encode())


def open_sealed(keys: Sequence[Key], key_id: str, sealed: bytes, context: str) -> bytes:
    """The inverse of `seal`. Raises KeyMissing."""
    key = next((one for one in keys if one.id == key_id), None)
    if key is None:
        raise KeyMissing(f"no key with the id {key_id}")
    try:
        cipher = AESGCM(_derived(key))
        return cipher.decrypt(sealed[:NONCE_LENGTH], sealed[NONCE_LENGTH:], context.encode())
    except (InvalidTag, ValueError) as wrong:
        raise KeyMissing("the seal does not open") from wrong


def _derived(key: Key) -> bytes:
    return HKDF(SHA256(), 32, salt=None, info=b"upload keys").derive(key.secret)
