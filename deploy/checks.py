"""System checks of the wiring. Ids: deploy.E001 and up."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, register

COUNTING = "django.core.cache.backends.locmem.LocMemCache"


@register("security")
def caches_are_shared(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """Sign-in limits counted per process are no limits."""
    return [
        Error(
            f"The cache {alias!r} is kept in each process's own memory.",
            hint="Set REDIS_URL, or leave CACHES at the database table.",
            id="deploy.E001",
        )
        for alias, cache in settings.CACHES.items()
        if cache["BACKEND"] == COUNTING
    ]


@register("database")
def requests_are_not_atomic(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """A transaction a request would hold SQLite's one write lock while a page renders."""
    return [
        Error(
            f"ATOMIC_REQUESTS is on for {alias!r}.",
            hint="An action opens its own transaction; leave ATOMIC_REQUESTS off.",
            id="deploy.E002",
        )
        for alias, database in settings.DATABASES.items()
        if database.get("ATOMIC_REQUESTS")
    ]
