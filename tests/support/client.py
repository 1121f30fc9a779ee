"""The test client, with the teeth of production and a few more."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from django.db import connection
from django.test import Client, TestCase

# Where a GET may leave a trace: who looked, who is signed in, and what is counted.
MAY_BE_WRITTEN = frozenset({"django_session", "accounts_accesslog", "interspace_cache"})
WRITE = re.compile(
    r"\s*(?:INSERT\s+(?:OR\s+\w+\s+)?INTO|REPLACE\s+INTO|UPDATE|DELETE\s+FROM|TRUNCATE|"
    r"ALTER\s+TABLE|DROP\s+TABLE|CREATE\s+TABLE)\s+\"?(\w+)",
    re.IGNORECASE,
)


def refuse_writes(
    execute: Callable[..., Any], sql: str, params: Any, many: bool, context: dict[str, Any]
) -> Any:
    """A database wrapper under which every write but MAY_BE_WRITTEN fails the test."""
    found = WRITE.match(sql)
    if found and found[1] not in MAY_BE_WRITTEN:
        raise AssertionError(f"a GET wrote: {sql[:160]}")
    return execute(sql, params, many, context)


class StrictClient(Client):
    """Runs what waits for the commit after each request; a GET that writes fails."""

    def request(self, **request: Any) -> Any:
        with TestCase.captureOnCommitCallbacks(execute=True):
            if request.get("REQUEST_METHOD") in {"GET", "HEAD"}:
                with connection.execute_wrapper(refuse_writes):
                    return super().request(**request)
            return super().request(**request)
