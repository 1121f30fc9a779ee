"""Secrets: from the environment, or, for a service that only this machine can reach, from a file.

The file is made once, readable by its owner alone (0600), inside the data folder. A service that
answers to any other host never invents a secret: losing the data folder must not be the way in
which an operator learns that the keys lived beside the data.
"""

from __future__ import annotations

import os
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured


@dataclass(frozen=True)
class Keys:
    """Where secrets come from: the environment, then `folder` where they may be made there."""

    folder: Path
    may_make: bool

    def secret(self, name: str, *, mend: str, length: int = 48) -> str:
        """The secret called `name` (an environment variable), `length` random bytes where made.

        Raises ImproperlyConfigured, with how to mend it, where it is missing and may not be made,
        or where the file can be read by others.
        """
        value = os.environ.get(name, "").strip()
        if value:
            return value
        if not self.may_make:
            raise ImproperlyConfigured(f"{name} is not set. {mend}")
        return _from_file(self.folder / name.lower(), length)


def _from_file(path: Path, length: int) -> str:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    made = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    if not path.exists():
        # Written aside and linked into place: two processes starting at once agree on one value,
        # and nobody ever reads half of it.
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as handle:
            handle.write(secrets.token_urlsafe(length))
            handle.flush()
            os.fsync(handle.fileno())
        try:
            os.link(made, path)
        except FileExistsError:
            pass
        finally:
            made.unlink()
    mode = stat.S_IMODE(path.stat().st_mode)
    if mode & 0o077:
        raise ImproperlyConfigured(
            f"{path} can be read by others (mode {mode:04o}). Run: chmod 600 {path}"
        )
    return path.read_text(encoding="ascii").strip()
