from celery import shared_task
from django.utils import timezone

from accounts import notices

SCHEDULE = {
    "accounts.send_notices": {"task": "accounts.send_notices", "schedule": 30.0},
}


@shared_task(name="accounts.send_notices")
def send_notices() -> int:
    return notices.send_due(at=timezone.now())
