"""The standing follows: a nudge after each signature, a sweep, and everybody once a day."""

import datetime as dt
import uuid

from celery import shared_task
from django.utils import timezone
from kombu.exceptions import OperationalError

from accounts.models import Programme
from credentialing import queries
from credentialing.actions import digests, standing
from credentialing.reports import tasks as reports

SCHEDULE = {
    "credentialing.sweep": {"task": "credentialing.sweep", "schedule": dt.timedelta(seconds=20)},
    "credentialing.tick": {"task": "credentialing.tick", "schedule": dt.timedelta(minutes=10)},
    "credentialing.outlooks": {
        "task": "credentialing.outlooks",
        "schedule": dt.timedelta(minutes=10),
    },
    **reports.SCHEDULE,
}


@shared_task(name="credentialing.follow")
def follow(programme_id: str) -> int:
    """Take up one programme's news; the nudge's own work."""
    return standing.catch_up(Programme.objects.get(pk=uuid.UUID(programme_id)), at=timezone.now())


def nudge(sender: object, *, programme_id: uuid.UUID, **_rest) -> None:
    """Something was signed: follow now. The sweep finds what a broker that is away lost."""
    try:
        follow.delay(str(programme_id))
    except (OSError, OperationalError):
        return


@shared_task(name="credentialing.sweep")
def sweep() -> int:
    """Take up what lost messages left, in every programme."""
    return sum(
        standing.catch_up(programme, at=timezone.now())
        for programme in Programme.objects.order_by("code")
    )


@shared_task(name="credentialing.tick")
def tick() -> int:
    """Each programme's full run after its own midnight; a second tick finds it claimed."""
    now = timezone.now()
    runs = [
        standing.run_full(programme, at=now) for programme in Programme.objects.order_by("code")
    ]
    for programme in Programme.objects.order_by("code"):
        digests.post(programme=programme, at=now)
    return sum(run is not None for run in runs)


@shared_task(name="credentialing.outlooks")
def outlooks() -> int:
    """Everybody's forecast once a day, after the full run; a second beat finds the day claimed."""
    from credentialing.actions import outlook  # scipy: a second to import, needed here alone

    now = timezone.now()
    runs = [
        outlook.run(programme, at=now)
        for programme in Programme.objects.order_by("code")
        if queries.counted_today(programme, at=now)
    ]
    return sum(run is not None for run in runs)
