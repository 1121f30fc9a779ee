"""A keyed fingerprint of the file as it arrived, so that the same file is known again.

HMAC-SHA256 (RFC 2104) under a secret of its own. The file itself is not kept; without the key
nobody can test a guess against the stored value. Old keys are kept, each under its id.
"""

import hashlib
import hmac
import os
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class ArrivalKey:
    """One secret and the id that is stored beside what it made."""

    id: str
    secret: bytes = field(repr=False)


def load_or_make(path: Path) -> ArrivalKey:
    """The key at `path`, made there (mode 0600) on first use. The id is derived from the key."""
    path = Path(path)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    else:
        with os.fdopen(handle, "w") as out:
            out.write(secrets.token_hex(32) + "\n")
            out.flush()
            os.fsync(out.fileno())
    return from_text(path.read_text())


def from_text(text: str) -> ArrivalKey:
    """A key from its 64 hexadecimal digits. Raises ValueError for anything else."""
    secret = bytes.fromhex(text.strip())
    if len(secret) != 32:
        raise ValueError("An arrival key is 64 hexadecimal digits.")
    return ArrivalKey(id=hashlib.sha256(b"arrival key id" + secret).hexdigest()[:12], secret=secret)


class ArrivalMac:
    """Computes the fingerprint while the bytes pass through to somewhere else."""

    def __init__(self, key: ArrivalKey) -> None:
        self.key_id = key.id
        self._mac = hmac.new(key.secret, digestmod=hashlib.sha256)

    def watch(self, pieces: Iterable[bytes]) -> Iterator[bytes]:
        """Pass `pieces` on, taking note of each."""
        for piece in pieces:
            self._mac.update(piece)
            yield piece

    def hexdigest(self) -> str:
        """64 hexadecimal digits over all that has passed so far."""
        return self._mac.hexdigest()
