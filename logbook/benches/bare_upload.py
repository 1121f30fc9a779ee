"""Takes a body and does the least: hash, write, fsync. The base of bench `upload`."""

from __future__ import annotations

import hashlib
import os
import secrets
from pathlib import Path
from typing import Any

BLOCK = 256 * 1024


def application(environ: dict[str, Any], start_response: Any) -> list[bytes]:
    left = int(environ.get("CONTENT_LENGTH") or 0)
    body, hasher = environ["wsgi.input"], hashlib.sha256()
    with (Path(os.environ["BARE_UPLOADS"]) / secrets.token_hex(8)).open("wb") as out:
        while left and (block := body.read(min(BLOCK, left))):
            hasher.update(block)
            out.write(block)
            left -= len(block)
        out.flush()
        os.fsync(out.fileno())
    start_response("200 OK", [("Content-Type", "text/plain"), ("Content-Length", "64")])
    return [hasher.hexdigest().encode()]
