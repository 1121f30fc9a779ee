from celery import shared_task
from django.utils import timezone

from credentialing.reports import work

SCHEDULE = {
    "credentialing.sweep_exports": {"task": "credentialing.sweep_exports", "schedule": 20.0},
}


@shared_task(name="credentialing.make_export")
def make_export(job_id: str) -> bool:
    return work.run(job_id, at=timezone.now())


@shared_task(name="credentialing.sweep_exports")
def sweep_exports() -> int:
    return work.sweep(at=timezone.now())
