"""The standing follows: a nudge after each signature, a sweep, and everybody once a day."""

import datetime as dt
import uuid

from celery import shared_task
from django.utils import timezone
from kombu.exceptions import OperationalError

from accounts.models import Programme
from credentialing.actions import standing
from credentialing.reports import tasks as reports

SCHEDULE = {
    "credentialing.sweep": {"task": "credentialing.sweep", "schedule": dt.timedelta(seconds=20)},
    "credentialing.tick": {"task": "credentialing.tick", "schedule": dt.timedelta(minutes=10)},
    **reports.SCHEDULE,
}


@shared_task(name="credentialing.follow")
def follow(programme_id: str) -> int:
    """Take up one programme's news; the nudge's own work."""
    programme = Programme.objects.get(pk=uuid.UUID(programme_id))
    people = 0
    while (done := standing.follow(programme=programme, at=timezone.now())) is not None:
        people += done.people
    return people


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
        follow(str(pk)) for pk in Programme.objects.order_by("code").values_list("pk", flat=True)
    )


@shared_task(name="credentialing.tick")
def tick() -> int:
    """Each programme's full run after its own midnight; a second tick finds it claimed."""
    now = timezone.now()
    runs = [
        standing.run_full(programme, at=now) for programme in Programme.objects.order_by("code")
    ]
    return sum(run is not None for run in runs)
