"""The worker dies without a word while readers sign: nobody's number is wrong for long."""

from __future__ import annotations

import random
import time
from collections import Counter

import pytest
from django.utils import timezone

from accounts import ledger
from accounts.ledger.core import verify
from accounts.models import Notice
from credentialing import measures
from credentialing.actions import plans, standing
from credentialing.models import LedgerCursor, Standing, StandingChange
from review.actions import attestations
from review.models import Attestation
from tests import factories as f
from tests.support import processes
from tests.support.mortal import Worker

pytestmark = [pytest.mark.faults, pytest.mark.long(90)]
SEED = 20260309
AT_ONCE = 4  # signatures between two kills


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="northfield")


@pytest.fixture
def trainees(programme):
    """Five trainees, who are all judged by ten credited exams and two positive ones."""
    people = [f.a_trainee(programme, name) for name in ("Ada", "Bela", "Cato", "Dina", "Emre")]
    plan = measures.Plan(
        code="local",
        name="Local numbers",
        gates=(
            measures.Gate(
                1,
                (
                    measures.Clause(1, "credited", 10, group="lung", unit=measures.EXAM),
                    measures.Clause(2, "positive", 2, application="pneumothorax"),
                ),
            ),
        ),
    )
    version = plans.publish(
        programme=programme, plan=plan, effective_on=f.START, by=None, at=f.at(0)
    )
    plans.assign(
        version=version,
        memberships=[person.memberships.get() for person in people],
        effective_on=f.START,
        by=None,
        at=f.at(0, 1),
    )
    return people


def numbers(programme, ordinal):
    rows = Standing.objects.filter(
        programme=programme, clause__ordinal=ordinal, clause__version__code="local"
    )
    return {row.membership.person_id: row.numerator for row in rows.select_related("membership")}


def caught_up(programme):
    cursor = LedgerCursor.objects.get(chain=programme.chain)
    return cursor.seq == ledger.head_of(programme.chain)


def test_every_standing_is_right_within_a_minute_of_the_last_restart(
    programme, trainees, tmp_path, scale
):
    n = scale(400)
    draw = random.Random(SEED)
    reader = f.a_reader(programme)
    now = timezone.now()
    signed, positive, waiting = Counter(), Counter(), []
    for number in range(n):
        trainee = trainees[draw.randrange(len(trainees))]
        answer = draw.choice(("R- L-", "R+ L-"))
        exam = f.waiting_exam(trainee, programme, when=now)
        given = f.revealed_exam(reader, exam, {"pneumothorax": answer}, when=now)
        waiting.append((number, exam, given))
        signed[trainee.pk] += 1
        positive[trainee.pk] += answer == "R+ L-"

    with Worker(tmp_path) as worker:
        for number, exam, given in waiting:
            attestations.sign(
                exam=exam,
                signatures=[attestations.Signature(reading.scan_id) for reading in given],
                by=reader,
                at=timezone.now(),
            )
            if number % AT_ONCE == 0:
                # Some signatures find a worker at work, some a worker that only starts.
                time.sleep(draw.uniform(0, 0.4))
                worker.kill()
                worker.start(wait=draw.random() < 0.5)
        worker.wait()
        worker.kill()
        worker.start()
        began = time.monotonic()
        processes.until(
            lambda: (
                numbers(programme, 1) == {person.pk: signed[person.pk] for person in trainees}
                and numbers(programme, 2) == {person.pk: positive[person.pk] for person in trainees}
                and caught_up(programme)
            ),
            seconds=60,
            what="every standing",
        )
        print(f"kills: {worker.kills}; right {time.monotonic() - began:.1f} s after the last start")

    assert worker.kills >= n // AT_ONCE
    again = standing.recompute(programme=programme, check=True, at=timezone.now())
    assert (again.people, again.changed, again.differing) == (len(trainees), 0, [])
    assert twice(Attestation.objects.values_list("scan_id")) == []
    entries = [e for e in ledger.read(programme.chain) if e.action == "attestation.signed"]
    assert (Attestation.objects.count(), len(entries)) == (n, n)
    assert twice(entry.subject for entry in entries) == []
    assert twice(StandingChange.objects.values_list("membership_id", "clause_id", "n")) == []
    assert unbroken(StandingChange.objects.order_by("n", "recorded_at"))
    assert twice(Notice.objects.exclude(sent_at=None).values_list("dedup_key")) == []
    assert verify(programme.chain).true


def twice(rows):
    return [row for row, times in Counter(rows).items() if times > 1]


def unbroken(changes):
    """Each change begins where the one before it ended."""
    last = {}
    for change in changes:
        key = (change.membership_id, change.clause_id)
        if change.before != last.get(key, ""):
            return False
        last[key] = change.after
    return True


def test_what_is_twice_and_what_is_broken_is_noticed():
    assert twice([(1,), (2,), (1,)]) == [(1,)]
    first = StandingChange(membership_id=1, clause_id=1, before="", after="not_met")
    met = StandingChange(membership_id=1, clause_id=1, before="not_met", after="met")
    assert unbroken([first, met])
    assert not unbroken([first, met, met])
