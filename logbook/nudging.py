"""Messages to the worker that something waits. A lost one costs a minute, not the work."""

from __future__ import annotations

import uuid

import structlog
from celery import Task
from kombu.exceptions import OperationalError

from logbook import tasks

log = structlog.get_logger("interspace.captures")


def nudge(capture_id: uuid.UUID) -> None:
    """A capture waits to be stripped or finished."""
    _send(tasks.process_capture, str(capture_id))


def nudge_forgetting() -> None:
    """Objects wait to be removed."""
    _send(tasks.forget_objects)


def _send(task: Task, *arguments: str) -> None:
    try:
        task.delay(*arguments)
    except OperationalError as unreachable:
        log.warning("no broker; the sweep will find it", why=type(unreachable).__name__)
