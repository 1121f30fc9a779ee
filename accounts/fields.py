"""Primary keys that sort by time."""

import uuid

from uuid_utils.compat import uuid7 as _uuid7


def uuid7() -> uuid.UUID:
    """A time-ordered UUID (RFC 9562, version 7) as the standard library's type."""
    return _uuid7()
