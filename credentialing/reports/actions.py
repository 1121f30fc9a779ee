"""Exports that are asked for and made in the background. Nothing of the record changes."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from django.db import transaction

from accounts.actions_base import action
from accounts.models import BackgroundJob
from credentialing.reports.orders import Order

if TYPE_CHECKING:
    from accounts.models import Person, Programme

KIND = "credentialing.export"
# A job that runs longer than this has lost its worker; the sweep gives it to another.
LOST_AFTER = dt.timedelta(minutes=15)
KEPT_FOR = dt.timedelta(days=30)

State = BackgroundJob.State


@action(ledger=None, why="an export changes nothing; the access log says who took it")
def ask(*, programme: Programme, order: Order, by: Person, at: dt.datetime) -> BackgroundJob:
    """The job of an order; the same order by the same person is the same job, tried again if
    it failed."""
    job, made = BackgroundJob.objects.get_or_create(
        key=f"{order.key}:{by.pk}",
        defaults={
            "programme": programme,
            "kind": KIND,
            "arguments": order.text,
            "asked_by": by,
            "asked_at": at,
        },
    )
    if not made:
        BackgroundJob.objects.filter(pk=job.pk, state=State.FAILED).update(
            state=State.WAITING, error="", asked_at=at
        )
        job.refresh_from_db()
    if job.state == State.WAITING:
        transaction.on_commit(lambda: _nudge(job))
    return job


def _nudge(job: BackgroundJob) -> None:
    # The row is the truth and a sweep finds it; a broker that is away must not fail the request.
    from credentialing.reports.tasks import make_export

    try:
        make_export.delay(str(job.pk))
    except OSError:
        return


@action(ledger=None, why="a worker takes a job; the job's row says so")
def claim(*, job_id: object, by: None, at: dt.datetime) -> BackgroundJob | None:
    """The job, now running, or None where somebody else has it or nothing is left to do."""
    waiting = BackgroundJob.objects.filter(pk=job_id, kind=KIND)
    lost = {"state": State.RUNNING, "started_at__lt": at - LOST_AFTER}
    for condition in ({"state": State.WAITING}, lost):
        if waiting.filter(**condition).update(state=State.RUNNING, started_at=at):
            return BackgroundJob.objects.select_related("programme").get(pk=job_id)
    return None


@action(ledger=None, why="a worker puts a job down; the job's row says so")
def finish(
    *,
    job: BackgroundJob,
    by: None,
    at: dt.datetime,
    result: str = "",
    error: str = "",
) -> None:
    """Done with a result, or failed with a sentence; only from the claim that is being ended."""
    BackgroundJob.objects.filter(pk=job.pk, state=State.RUNNING, started_at=job.started_at).update(
        state=State.FAILED if error else State.DONE,
        result=result,
        error=error[:300],
        finished_at=at,
    )


@action(ledger=None, why="a file that can be made again is not kept for ever")
def forget(*, job: BackgroundJob, by: None, at: dt.datetime) -> None:
    BackgroundJob.objects.filter(pk=job.pk).update(result="")
