"""Where everybody stands, written down. One path: the incremental run differs by its people alone.

A standing is a projection of the ledger, so it writes no entry of its own. The cursor's row is
the lock of a programme's standings, held for one chunk of people at a time, and moves in the
transaction of the rows that it paid for: a worker that dies has written both or neither.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.utils import timezone

from accounts import ledger
from accounts.actions_base import action
from accounts.models import Programme
from credentialing import measures, queries
from credentialing.models import (
    LedgerCursor,
    PlanStanding,
    Run,
    Standing,
    StandingChange,
)
from logbook.models import Exam

WHOLE = ("version_id", "met", "first_met_on", "met_since", "lost_on", "waiting", "returned")
CUT = ("d", "d2", "n")
ENTRIES = 2000


@dataclass
class Done:
    """What a recomputation did; `differing`: stored rows that were not what their own cut says."""

    people: int = 0
    changed: int = 0
    differing: list[str] = field(default_factory=list)

    def __iadd__(self, other: Done) -> Done:
        self.people += other.people
        self.changed += other.changed
        self.differing += other.differing
        return self


@dataclass(frozen=True)
class _Judgement:
    """A membership judged: the plan's row, and one row a clause."""

    whole: dict
    clauses: dict[uuid.UUID, dict]


def judge(
    programme: Programme, judged: list[queries.Judged], as_of: measures.AsOf
) -> dict[uuid.UUID, _Judgement]:
    """What the rows should say as of (D, D2, N). Reads only; one chunk of people."""
    versions = queries.versions(one.version_id for one in judged)
    plans = {pk: version.as_plan() for pk, version in versions.items()}
    clause_ids = {
        pk: {c.ordinal: c.pk for g in version.gates.all() for c in g.clauses.all()}
        for pk, version in versions.items()
    }
    findings = any(clause.finding for plan in plans.values() for clause in plan.clauses)
    histories = dict(
        queries.histories(
            programme, dict.fromkeys(one.person_id for one in judged), findings=findings
        )
    )
    found = {}
    for one in judged:
        standing = measures.judge(plans[one.version_id], histories[one.person_id], as_of=as_of)
        found[one.membership_id] = _Judgement(
            whole={
                "version_id": one.version_id,
                "met": standing.met,
                "first_met_on": standing.dates.first_met_on,
                "met_since": standing.dates.met_since,
                "lost_on": standing.dates.lost_on,
                "waiting": standing.waiting,
                "returned": standing.returned,
            },
            clauses={
                clause_ids[one.version_id][row.clause.ordinal]: says(row)
                for row in standing.clauses
            },
        )
    return found


def says(row: measures.ClauseStanding) -> dict:
    """The columns of a stored row: Standing.SAYS."""
    value, dates = row.value, row.dates
    return {
        "state": row.state,
        "numerator": value.numerator,
        "denominator": value.denominator,
        "value": None if value.value is None else float(value.value),
        "lower": value.lower,
        "upper": value.upper,
        "left": row.left,
        "waiting": row.waiting,
        "returned": row.returned,
        "normal_over": row.normal_over,
        "claimed": row.claimed,
        "first_met_on": dates.first_met_on,
        "met_since": dates.met_since,
        "lost_on": dates.lost_on,
        "lost_because": dates.lost_because or "",
        "reached_with": dates.reached_with,
        "reached_signed_on": dates.reached_signed_on,
    }


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
    memberships = [one.membership_id for one in judged]
    wholes = {
        row.membership_id: row for row in PlanStanding.objects.filter(membership__in=memberships)
    }
    stored: dict[uuid.UUID, dict[uuid.UUID, Standing]] = {pk: {} for pk in memberships}
    for row in Standing.objects.filter(membership__in=memberships):
        stored[row.membership_id][row.clause_id] = row
    if check:
        done.differing = _differing(programme, judged, wholes, stored)
    found = judge(programme, judged, as_of)
    cut = {"d": as_of.d, "d2": as_of.d2, "n": as_of.n}
    new, rewritten, changes, new_wholes, old_wholes = [], [], [], [], []
    for membership, judgement in found.items():
        whole = wholes.get(membership)
        if whole is None:
            new_wholes.append(
                PlanStanding(
                    programme=programme, membership_id=membership, **judgement.whole, **cut
                )
            )
        else:
            _set(whole, judgement.whole | cut)
            old_wholes.append(whole)
        for clause, said in judgement.clauses.items():
            row = stored[membership].get(clause)
            before = row.state if row else ""
            if row is None:
                row = Standing(programme=programme, membership_id=membership, clause_id=clause)
                _set(row, said | cut)
                new.append(row)
                done.changed += 1
            else:
                done.changed += any(getattr(row, k) != v for k, v in said.items())
                _set(row, said | cut)
                rewritten.append(row)
            if before != said["state"]:
                changes.append(
                    StandingChange(
                        programme=programme,
                        membership_id=membership,
                        clause_id=clause,
                        before=before,
                        after=said["state"],
                        on=as_of.d2,
                        n=as_of.n,
                        recorded_at=at,
                    )
                )
    PlanStanding.objects.bulk_create(new_wholes)
    PlanStanding.objects.bulk_update(old_wholes, [*WHOLE, *CUT], batch_size=500)
    Standing.objects.bulk_create(new, batch_size=500)
    Standing.objects.bulk_update(rewritten, [*Standing.SAYS, *CUT], batch_size=200)
    StandingChange.objects.bulk_create(changes, batch_size=500)
    return done


def _set(row, values: dict) -> None:
    for name, value in values.items():
        setattr(row, name, value)


def _differing(programme, judged, wholes, stored) -> list[str]:
    """Stored rows that are not what the same rules give for the same (D, D2, N)."""
    by_cut: dict[measures.AsOf, list[queries.Judged]] = {}
    for one in judged:
        whole = wholes.get(one.membership_id)
        if whole is not None and whole.version_id == one.version_id:
            by_cut.setdefault(whole.as_of, []).append(one)
    wrong = []
    for as_of, group in by_cut.items():
        for membership, judgement in judge(programme, group, as_of).items():
            for clause, said in judgement.clauses.items():
                row = stored[membership].get(clause)
                if row is None or any(
                    getattr(row, k) != v for k, v in said.items() if k not in PRESENT
                ):
                    wrong.append(f"{membership} {clause}")
    return wrong


# What waits is known for the present alone: a scan that has been read since waits no longer.
PRESENT = {"waiting", "returned"}


@action(ledger=None, why="follows the ledger; the cursor moves with the rows it paid for")
def follow(*, programme: Programme, by: None = None, at: dt.datetime) -> Done | None:
    """Take up what the ledger says past the cursor; None where there is nothing."""
    cursor = locked_cursor(programme)
    entries = ledger.read(programme.chain, after_seq=cursor.seq, limit=ENTRIES)
    if not entries:
        return None
    touched = people_in(programme, entries)
    done = Done()
    if touched is None:
        done += _recompute(programme, None, check=False, at=at)
    else:
        for batch in queries.chunks(sorted(touched)):
            done += _recompute(programme, batch, check=False, at=at)
    cursor.seq = entries[-1].seq
    cursor.save(update_fields=["seq"])
    return done


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
        elif kind == "attestation" or entry.action == "supervision.confirmed":
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


def _named(body: dict) -> list[str]:
    return [body["trainee"]] if "trainee" in body else list(body.get("trainees", ()))


# --- the nightly run ------------------------------------------------------------------------------


@action(ledger=None, why="claims the day of a programme's full run; the run's own row says so")
def claim_day(*, programme: Programme, by: None = None, at: dt.datetime) -> Run | None:
    """Compare-and-set on the programme's own day: of two ticks one gets the run."""
    today = programme.local_date(at)
    cursor = locked_cursor(programme)
    if cursor.last_full_on is not None and cursor.last_full_on >= today:
        return None
    cursor.last_full_on = today
    cursor.save(update_fields=["last_full_on"])
    return Run.objects.create(programme=programme, day=today, started_at=at)


@action(ledger=None, why="writes down what a run did")
def finish_run(*, run: Run, done: Done, failed: str, by: None = None, at: dt.datetime) -> Run:
    run.people, run.changed, run.differing = done.people, done.changed, len(done.differing)
    run.failed, run.finished_at = failed[:300], at
    run.save(update_fields=["people", "changed", "differing", "failed", "finished_at"])
    return run


def run_full(programme: Programme, *, at: dt.datetime) -> Run | None:
    """Recompute everybody once on each local day, a chunk a transaction.

    A chunk that fails is said in the run's row; the others are written all the same, each whole.
    """
    run = claim_day(programme=programme, at=at)
    if run is None:
        return None
    done, failed = Done(), ""
    today = programme.local_date(at)
    everybody = dict.fromkeys(one.person_id for one in queries.judged_in(programme, on=today))
    for batch in queries.chunks(everybody):
        try:
            done += recompute(programme=programme, people=batch, check=True, at=at)
        except Exception as problem:
            failed = f"{type(problem).__name__}: {problem}"
    return finish_run(run=run, done=done, failed=failed, at=max(at, timezone.now()))
