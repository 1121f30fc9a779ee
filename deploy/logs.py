"""Logs: one JSON object a line on standard error, without secrets.

What may not be written is dropped by the name of its key, before any handler sees it. Request
lines hold the route, never the path's query, a body or a cookie.
"""

from __future__ import annotations

import logging.config
import re
from collections.abc import MutableMapping
from typing import Any

import structlog

SENSITIVE = re.compile(
    r"pass(word|phrase|wd)?|secret|token|cookie|session|authorization|api_?key|csrf|"
    r"e?mail|name$|note|remark|body|query_string",
    re.IGNORECASE,
)
KEPT = frozenset({"logger_name", "task_name", "url_name", "event_name"})
CONTROL = re.compile(r"[\x00-\x1f\x7f\u2028\u2029]")

Event = MutableMapping[str, Any]


def scrub(_logger: Any, _method: str, event: Event) -> Event:
    """Replace the values of keys that name a secret or a person."""
    for key in list(event):
        if key not in KEPT and SENSITIVE.search(key):
            event[key] = "[left out]"
    return event


def one_line(_logger: Any, _method: str, event: Event) -> Event:
    """A value never starts a line of its own: no forged entries."""
    for key, value in event.items():
        if isinstance(value, str) and key != "exception":
            event[key] = CONTROL.sub(" ", value)
    return event


def _chain() -> list[Any]:
    return [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.PositionalArgumentsFormatter(),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
        scrub,
        one_line,
    ]


def configuration(*, level: str) -> dict[str, Any]:
    """A `logging` dictConfig for Django's LOGGING."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "json": {
                "()": "structlog.stdlib.ProcessorFormatter",
                "foreign_pre_chain": _chain(),
                "processors": [
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    structlog.processors.JSONRenderer(),
                ],
            }
        },
        "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "json"}},
        "root": {"handlers": ["stderr"], "level": level},
        "loggers": {
            # Django's own handlers would print the request, and mail it to administrators.
            "django": {"handlers": [], "level": level, "propagate": True},
            "django.request": {"level": "ERROR", "propagate": True},
            "django.server": {"handlers": [], "level": "WARNING", "propagate": True},
        },
    }


def configure(config: dict[str, Any]) -> None:
    """Django's LOGGING_CONFIG: logging and structlog at once."""
    logging.config.dictConfig(config)
    structlog.configure(
        processors=[*_chain(), structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
