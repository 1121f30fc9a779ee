"""Where everybody stands, written down. One path: the incremental run differs by its people alone.

A standing is a projection of the ledger, so it writes no entry of its own. The cursor's row is
the lock of a programme's standings, and moves in the transaction of the rows that it paid for: a
worker that dies has written both or neither. A night is one such transaction, so that a cohort is
never half of one day and half of another.
"""

from __future__ import annotations

import datetime as dt
import logging
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db import OperationalError
from django.utils import timezone

from accounts import ledger
from accounts.actions_base import action
from accounts.models import Programme
from credentialing import queries
from credentialing.actions import standing_rows
from credentialing.columns.cohort import cohorts
from credentialing.models import LedgerCursor, Run
from logbook.models import Exam

CHUNK = 500  # people judged together
ENTRIES = 2000
# A run over everybody that has not finished by then has died with its worker.
TAKEN_OVER_AFTER = dt.timedelta(hours=1)

log = logging.getLogger(__name__)


@dataclass
class Done:
    """What a recomputation did; `differing`: stored rows that were not what their own cut says."""

    people: int = 0
    changed: int = 0
    differing: list[str] = field(default_factory=list)


def locked_cursor(programme: Programme) -> LedgerCursor:
    LedgerCursor.objects.get_or_create(chain=programme.chain, defaults={"programme": programme})
    return LedgerCursor.objects.select_for_update().get(chain=programme.chain)


@action(ledger=None, why="a standing is a projection of the ledger, not a statement of anybody's")
def recompute(
    *,
    programme: Programme,
    people: Iterable[uuid.UUID] | None = None,
    check: bool = False,
    by: None = None,
    at: dt.datetime,
) -> Done:
    """Write the standing of these people (None: everybody) as of now. One transaction.

    `check` first judges each stored row as of its own cut and reports what differs.
    Twice, in parallel or in another order gives the same rows.
    """
    locked_cursor(programme)
    return _recompute(programme, people, check=check, at=at)


def _recompute(programme, people, *, check: bool, at: dt.datetime) -> Done:
    as_of = queries.now(programme, at)
    judged = queries.judged_in(programme, on=as_of.d, seq=as_of.n, people=people)
    done = Done(people=len({one.person_id for one in judged}))
    for cohort, everybody in cohorts(programme, judged):
        batches = list(queries.chunks(everybody, CHUNK))
        for batch, (rows, stored, found) in zip(
            batches, cohort.judge_all(batches, as_of), strict=True
        ):
            if check:
                done.differing += [f"{m} {c}" for m, c in cohort.differing(batch, stored)]
            done.changed += standing_rows.write(rows, stored, found, as_of=as_of, at=at)
    return done


@action(ledger=None, why="follows the ledger; the cursor moves with the rows it paid for")
def follow(*, programme: Programme, by: None = None, at: dt.datetime) -> Done | None:
    """Take up what the ledger says past the cursor; None where there is nothing."""
    cursor = locked_cursor(programme)
    entries = ledger.read(programme.chain, after_seq=cursor.seq, limit=ENTRIES)
    if not entries:
        return None
    done = _recompute(programme, people_in(programme, entries), check=False, at=at)
    cursor.seq = entries[-1].seq
    cursor.save(update_fields=["seq"])
    return done


def catch_up(programme: Programme, *, at: dt.datetime) -> int:
    """Follow until nothing is new; how many people that were.

    What fails has written nothing: the director reads of it, and the next sweep tries again.
    """
    people = 0
    try:
        while (done := follow(programme=programme, at=at)) is not None:
            people += done.people
    except OperationalError:
        raise  # the database is away or busy: nobody's numbers are at fault
    except Exception as problem:
        log.exception("the standings of %s do not follow", programme.code)
        note_failure(programme=programme, failed=_told(problem), at=at)
    return people


@action(ledger=None, why="writes down what a job could not do")
def note_failure(*, programme: Programme, failed: str, by: None = None, at: dt.datetime) -> None:
    """A row among the runs; once a day for the same failure, though the sweep meets it again."""
    today = programme.local_date(at)
    newest = queries.latest_run(programme)
    if newest is None or (newest.day, newest.failed) != (today, failed):
        Run.objects.create(
            programme=programme, day=today, started_at=at, finished_at=at, failed=failed
        )


def _told(problem: Exception) -> str:
    return f"{type(problem).__name__}: {problem}"[:300]


def people_in(programme: Programme, entries: list[ledger.Entry]) -> set[uuid.UUID] | None:
    """Whose standing these entries may change; None for everybody. Two queries at most.

    Unknown subjects are nobody's: a new kind of entry that matters belongs here.
    """
    people: set[uuid.UUID] = set()
    exams: set[uuid.UUID] = set()
    scans: set[uuid.UUID] = set()
    for entry in entries:
        kind, _, name = entry.subject.partition(":")
        body = entry.body or {}
        if kind == "exam":
            exams.add(uuid.UUID(name))
        elif kind == "scan":
            scans.add(uuid.UUID(name))
        elif kind in NAMING or entry.action == "supervision.confirmed":
            people |= {uuid.UUID(one) for one in _named(body)}
        elif kind == "plan" and "trainees" in body:
            people |= {uuid.UUID(one) for one in body["trainees"]}
        elif kind == "application" or entry.body is None:
            return None
    if exams or scans:
        people |= set(
            Exam.objects.filter(programme=programme)
            .filter(queries.Q(pk__in=exams) | queries.Q(scans__pk__in=scans))
            .values_list("trainee_id", flat=True)
        )
    return people


# Subjects whose entries name their trainee.
NAMING = frozenset({"attestation", "assessment", "curve", "record"})


def _named(body: dict) -> list[str]:
    return [body["trainee"]] if "trainee" in body else list(body.get("trainees", ()))


# --- the nightly run ------------------------------------------------------------------------------


@action(ledger=None, why="claims the day of a programme's full run; the run's own row says so")
def claim_day(*, programme: Programme, by: None = None, at: dt.datetime) -> Run | None:
    """Compare-and-set on the programme's own day: of two ticks one gets the run. One that has died
    is said to have, and its day is free again."""
    today = programme.local_date(at)
    cursor = locked_cursor(programme)
    if cursor.last_full_on is not None and cursor.last_full_on >= today:
        died = Run.objects.filter(
            programme=programme, finished_at=None, started_at__lte=at - TAKEN_OVER_AFTER
        )
        if not died.update(finished_at=at, failed="It did not finish, and was begun again."):
            return None
    cursor.last_full_on = today
    cursor.save(update_fields=["last_full_on"])
    return Run.objects.create(programme=programme, day=today, started_at=at)


@action(ledger=None, why="writes down what a run did")
def finish_run(*, run: Run, done: Done, failed: str, by: None = None, at: dt.datetime) -> Run:
    run.people, run.changed, run.differing = done.people, done.changed, len(done.differing)
    run.failed, run.finished_at = failed, at
    run.save(update_fields=["people", "changed", "differing", "failed", "finished_at"])
    return run


def run_full(programme: Programme, *, at: dt.datetime) -> Run | None:
    """Recompute everybody once on each local day. What fails is said in the run's row, and
    everybody's standing stays as it was."""
    run = claim_day(programme=programme, at=at)
    if run is None:
        return None
    done, failed = Done(), ""
    try:
        done = recompute(programme=programme, check=True, at=at)
    except Exception as problem:
        log.exception("the standings of %s were not counted", programme.code)
        failed = _told(problem)
    return finish_run(run=run, done=done, failed=failed, at=max(at, timezone.now()))
