"""What the headers of the protocol say. Pure; raises Malformed with a sentence for developers."""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from dataclasses import dataclass
from typing import Any

VERSION = "1.0.0"
EXTENSIONS = "creation,checksum,expiration,termination"
CONTENT_TYPE = "application/offset+octet-stream"
ALGORITHMS = {"sha1": hashlib.sha1, "sha256": hashlib.sha256}
MOST_METADATA = 4096

_NUMBER = re.compile(r"[0-9]{1,15}")
_KEY = re.compile(r"[!-+\--~]+")  # ASCII without space and comma


class Malformed(ValueError):
    """A header is missing or cannot be read."""


class OtherVersion(ValueError):
    """The client speaks another version of the protocol."""


@dataclass(frozen=True)
class Promise:
    """A checksum that the client promised for the body of one request."""

    algorithm: str
    digest: bytes

    def hasher(self) -> Any:
        return ALGORITHMS[self.algorithm](usedforsecurity=False)

    def kept_by(self, hasher: Any) -> bool:
        return hasher.digest() == self.digest


def check_version(value: str | None) -> None:
    """Raises OtherVersion."""
    if value != VERSION:
        raise OtherVersion(f"Send Tus-Resumable: {VERSION}.")


def number(name: str, value: str | None) -> int:
    """A non-negative integer. Raises Malformed."""
    if value is None or not _NUMBER.fullmatch(value.strip()):
        raise Malformed(f"{name} is a whole number, 0 or more.")
    return int(value)


def metadata(value: str | None) -> dict[str, str]:
    """`key base64,key base64`; a key may stand without a value. Raises Malformed."""
    found: dict[str, str] = {}
    if not value or not value.strip():
        return found
    if len(value) > MOST_METADATA:
        raise Malformed(f"Upload-Metadata is longer than {MOST_METADATA} characters.")
    for pair in value.split(","):
        key, _, encoded = pair.strip().partition(" ")
        if not _KEY.fullmatch(key) or key in found:
            raise Malformed("The keys of Upload-Metadata are ASCII and each stands once.")
        try:
            found[key] = base64.b64decode(encoded.strip(), validate=True).decode()
        except (binascii.Error, UnicodeDecodeError) as wrong:
            raise Malformed(f"The value of {key} is base64 of UTF-8 text.") from wrong
    return found


def metadata_text(said: dict[str, str]) -> str:
    """The inverse of `metadata`."""
    return ",".join(
        f"{key} {base64.b64encode(value.encode()).decode()}" for key, value in said.items()
    )


def promise(value: str | None) -> Promise | None:
    """`algorithm base64`. Raises Malformed where the algorithm is not one of ours."""
    if value is None:
        return None
    algorithm, _, encoded = value.strip().partition(" ")
    if algorithm not in ALGORITHMS:
        raise Malformed(f"Upload-Checksum takes {', '.join(ALGORITHMS)}.")
    try:
        digest = base64.b64decode(encoded.strip(), validate=True)
    except binascii.Error as wrong:
        raise Malformed("Upload-Checksum ends in base64.") from wrong
    if len(digest) != ALGORITHMS[algorithm](usedforsecurity=False).digest_size:
        raise Malformed("The checksum has another length than its algorithm's.")
    return Promise(algorithm, digest)
