from celery import shared_task
from django.utils import timezone

from credentialing.actions import batches as asking
from credentialing.reports import batches, work

SCHEDULE = {
    "credentialing.sweep_exports": {"task": "credentialing.sweep_exports", "schedule": 20.0},
    "credentialing.sweep_batches": {"task": "credentialing.sweep_batches", "schedule": 30.0},
}


@shared_task(name="credentialing.make_export")
def make_export(job_id: str) -> bool:
    return work.run(job_id, at=timezone.now())


@shared_task(name="credentialing.sweep_exports")
def sweep_exports() -> int:
    return work.sweep(at=timezone.now())


@shared_task(name="credentialing.issue_batch")
def issue_batch(job_id: str) -> bool:
    return batches.run(job_id, clock=timezone.now)


@shared_task(name="credentialing.sweep_batches")
def sweep_batches() -> int:
    """Goes on with what a lost message or a dead worker left. Returns jobs done."""
    return sum(batches.run(job, clock=timezone.now) for job in asking.due(at=timezone.now()))
