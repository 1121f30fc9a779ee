"""A cohort's reports asked for, and the job that makes them handed from worker to worker."""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from dataclasses import replace

from django.db import transaction
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from accounts.models import BackgroundJob, Person, Programme
from credentialing.reports import issuing
from credentialing.reports.orders import Batch

KIND = "credentialing.issue"
# A job whose worker has not been heard of for so long goes to another one.
LOST_AFTER = dt.timedelta(minutes=2)

State = BackgroundJob.State


@action("reports.asked")
def ask(*, programme: Programme, batch: Batch, by: Person, at: dt.datetime) -> BackgroundJob:
    """The job of a batch; the same batch asked for twice is one job, gone on with if it failed.

    Raises Refused where somebody's report cannot be issued as ordered: then none is.
    """
    key = f"issue:{hashlib.sha256(batch.text.encode()).hexdigest()}:{by.pk}"
    there = BackgroundJob.objects.select_for_update().filter(key=key).first()
    if there is not None:
        ledger.nothing_changed()
        return again(job=there, by=by, at=at)
    if not batch.entries:
        raise Refused(_("Choose at least one person."))
    issuing.key_in_use(programme)
    checks = issuing.Checks(
        programme, batch.order_of(batch.entries[0]), [one.person for one in batch.entries]
    )
    for one in batch.entries:
        remarks.check(one.sentence)
        checks.check(one.person, one.recommends)
    slot = ledger.reserve(programme.chain, at=at)
    kept = []
    for one in batch.entries:
        remark = remarks.write(programme=programme, text=one.sentence, by=by, at=slot.at)
        kept.append(replace(one, sentence=str(remark.pk) if remark else ""))
    job = BackgroundJob.objects.create(
        programme=programme,
        kind=KIND,
        key=key,
        arguments=replace(batch, entries=tuple(kept)).text,
        total=len(kept),
        asked_by=by,
        asked_at=slot.at,
    )
    slot.append(
        subject=f"job:{job.pk}",
        body={"order": batch.order.text, "people": [one.person for one in kept]},
        by=by,
    )
    transaction.on_commit(lambda: _nudge(job))
    return job


@action(ledger=None, why="goes on with what was asked for; each report has its own entry")
def again(*, job: BackgroundJob, by: Person, at: dt.datetime) -> BackgroundJob:
    """A batch that stopped short goes on with the people who are still missing."""
    failed = BackgroundJob.objects.filter(pk=job.pk, kind=KIND, state=State.FAILED)
    if failed.update(state=State.WAITING, error="", finished_at=None):
        transaction.on_commit(lambda: _nudge(job))
    job.refresh_from_db()
    return job


def _nudge(job: BackgroundJob) -> None:
    # The row is the truth and a sweep finds it; a broker that is away must not fail the request.
    from credentialing.reports.tasks import issue_batch

    try:
        issue_batch.delay(str(job.pk))
    except OSError:
        return


def due(*, at: dt.datetime) -> list[uuid.UUID]:
    """Jobs that wait, and those whose worker has gone silent."""
    jobs = BackgroundJob.objects.filter(kind=KIND)
    waiting = list(
        jobs.filter(state=State.WAITING).order_by("asked_at").values_list("pk", flat=True)
    )
    lost = jobs.filter(state=State.RUNNING, heard_at__lt=at - LOST_AFTER)
    return waiting + list(lost.values_list("pk", flat=True))


@action(ledger=None, why="a worker takes a job; the job's row says so")
def claim(*, job_id: object, by: None, at: dt.datetime) -> BackgroundJob | None:
    """The job, now this worker's, or None where another has it or nothing is left to do."""
    jobs = BackgroundJob.objects.filter(pk=job_id, kind=KIND)
    lost = {"state": State.RUNNING, "heard_at__lt": at - LOST_AFTER}
    for condition in ({"state": State.WAITING}, lost):
        if jobs.filter(**condition).update(state=State.RUNNING, started_at=at, heard_at=at):
            return BackgroundJob.objects.select_related("programme", "asked_by").get(pk=job_id)
    return None


@action(ledger=None, why="a worker says that it is alive and how far it came")
def heard(*, job: BackgroundJob, done: int, by: None, at: dt.datetime) -> bool:
    """False where the job was given to another worker meanwhile."""
    return bool(
        BackgroundJob.objects.filter(
            pk=job.pk, state=State.RUNNING, started_at=job.started_at
        ).update(done=done, heard_at=at)
    )


@action(ledger=None, why="a worker puts a job down; each report has its own entry")
def finish(*, job: BackgroundJob, error: str, by: None, at: dt.datetime) -> None:
    BackgroundJob.objects.filter(pk=job.pk, state=State.RUNNING, started_at=job.started_at).update(
        state=State.FAILED if error else State.DONE,
        error=error[:300],
        finished_at=at,
    )
