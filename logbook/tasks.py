"""Jobs of the logbook. A message is only a nudge: the row's own state says what waits."""

from __future__ import annotations

import datetime as dt
import uuid

from celery import shared_task
from django.utils import timezone

from logbook import processing, upkeep
from logbook.actions import scans
from logbook.models import Scan, Upload

SCHEDULE = {
    "logbook.sweep_captures": {"task": "logbook.sweep_captures", "schedule": 60.0},
    "logbook.expire_staging": {"task": "logbook.expire_staging", "schedule": 600.0},
    "logbook.forget_objects": {"task": "logbook.forget_objects", "schedule": 60.0},
    "logbook.close_returned": {"task": "logbook.close_returned", "schedule": 3600.0},
}


@shared_task(name="logbook.process_capture")
def process_capture(capture_id: str) -> bool:
    """What waits to be done with one capture, now."""
    upload = Upload.objects.filter(capture_id=uuid.UUID(capture_id)).first()
    return upload is not None and processing.process(upload, clock=timezone.now)


@shared_task(name="logbook.sweep_captures")
def sweep_captures() -> int:
    return processing.process_waiting(clock=timezone.now)


@shared_task(name="logbook.expire_staging")
def expire_staging() -> int:
    return processing.expire(clock=timezone.now)


@shared_task(name="logbook.forget_objects")
def forget_objects() -> int:
    """Objects of captures that were covered, taken out, taken away or are no longer kept."""
    return upkeep.forget(at=timezone.now())


@shared_task(name="logbook.close_returned")
def close_returned() -> int:
    """Scans that were returned and not submitted again in time, programme by programme."""
    now = timezone.now()
    since = now - dt.timedelta(days=1)
    waiting = Scan.objects.filter(state="returned", moved_at__lt=since).select_related("programme")
    programmes = {scan.programme_id: scan.programme for scan in waiting}
    return sum(
        len(scans.close_overdue(programme=programme, by=None, at=now))
        for programme in programmes.values()
    )
