"""The worker's application. The schedule is the sum of each floor's `tasks.SCHEDULE`."""

from __future__ import annotations

import importlib
import importlib.util
import logging
import os
from typing import Any

from celery import Celery
from celery.signals import setup_logging

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "deploy.settings")

FLOORS = ("accounts", "logbook", "review", "credentialing")


def schedule() -> dict[str, dict[str, Any]]:
    """Entries for `beat_schedule`, by name. Raises ValueError where two floors use one name."""
    merged: dict[str, dict[str, Any]] = {}
    for floor in FLOORS:
        if importlib.util.find_spec(f"{floor}.tasks") is None:
            continue
        entries = getattr(importlib.import_module(f"{floor}.tasks"), "SCHEDULE", {})
        for name, entry in entries.items():
            if name in merged:
                raise ValueError(f"two floors schedule {name!r}")
            merged[name] = entry
    return merged


app = Celery("interspace")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


@app.on_after_finalize.connect
def _load_schedule(sender: Celery, **_: Any) -> None:
    sender.conf.beat_schedule = schedule()


@setup_logging.connect
def _keep_our_logging(**_: Any) -> None:
    """Django has configured logging already; a listener here stops Celery from replacing it."""
    logging.getLogger("celery").propagate = True
