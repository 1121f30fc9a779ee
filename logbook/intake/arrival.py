"""A keyed fingerprint of the file as it arrived, so that the same file is known again.

HMAC-SHA256 (RFC 2104) under a secret of its own. The file itself is not kept; without the key
nobody can test a guess against the stored value. Old keys are kept, each under its id.
"""

import hashlib
import hmac
from collections.abc import Iterable, Iterator

from logbook.intake.keys import Key


class ArrivalMac:
    """Computes the fingerprint while the bytes pass through to somewhere else."""

    def __init__(self, key: Key) -> None:
        self.key_id = key.id
        self._mac = hmac.new(key.secret, digestmod=hashlib.sha256)

    def update(self, piece: bytes) -> None:
        """Take note of a piece."""
        self._mac.update(piece)

    def watch(self, pieces: Iterable[bytes]) -> Iterator[bytes]:
        """Pass `pieces` on, taking note of each."""
        for piece in pieces:
            self._mac.update(piece)
            yield piece

    def hexdigest(self) -> str:
        """64 hexadecimal digits over all that has passed so far."""
        return self._mac.hexdigest()
