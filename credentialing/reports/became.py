"""What had become of people's exams and scans at position N, from rows and entries up to N.

A scan's state is today's; so is a draft's. What they were at N is worked out from what never
changes and carries its position. A fixed number of queries for any number of people.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from accounts.ledger.models import LedgerEntry
from credentialing import queries
from credentialing.reports.content import Beside
from credentialing.reports.cut import Cut
from logbook.models import Exam, ExamRevision, Scan
from review.models import Attestation, ReturnRequest, SetAside

OLD_DRAFT = dt.timedelta(days=7)
NOT_INDEPENDENT = ("not_blind", "not_independent", "knew")


@dataclass
class Became:
    """One person's, beside the readings that are compared."""

    beside: Beside
    unread: int = 0
    returned: int = 0


def of(
    cut: Cut, people: Sequence[uuid.UUID], why_not_read: Mapping[uuid.UUID, Sequence[str]]
) -> dict[uuid.UUID, Became]:
    """`why_not_read`: person -> for each attestation why it is not among those compared."""
    programme, n = cut.programme, cut.as_of.n
    exams = list(
        Exam.objects.filter(programme=programme, trainee__in=people).values_list(
            "pk", "trainee_id", "created_at"
        )
    )
    submitted, withdrawn = _entries(cut, {pk for pk, _trainee, _at in exams})
    mine = {"scan__trainee__in": people, "programme": programme, "seq__lte": n}
    attested = set(
        Attestation.objects.filter(
            programme=programme, trainee__in=people, ordinal=1, seq__lte=n
        ).values_list("scan_id", flat=True)
    )
    aside = set(SetAside.objects.filter(**mine).values_list("scan_id", flat=True))
    sent_back = dict(
        ReturnRequest.objects.filter(**mine).order_by("seq").values_list("scan_id", "seq")
    )
    performed = dict(
        ExamRevision.objects.filter(programme=programme, exam__trainee__in=people, n=1).values_list(
            "exam_id", "performed_on"
        )
    )
    told = {person: Became(_beside(why_not_read.get(person, ()))) for person in people}
    for pk, trainee, created_at in exams:
        beside = told[trainee].beside
        if pk in withdrawn:
            beside["withdrawn"] += pk in submitted
        elif pk not in submitted:
            beside["drafts_old"] += created_at <= cut.end_of_d2 - OLD_DRAFT
    scans = Scan.objects.filter(programme=programme, trainee__in=people)
    for scan, exam, trainee, state, moved_at in scans.values_list(
        "pk", "exam_id", "trainee_id", "state", "moved_at"
    ):
        one, last = told[trainee], submitted.get(exam)
        if last is None or exam in withdrawn or performed[exam] > cut.as_of.d:
            continue
        if scan in aside:
            one.beside["set_aside"] += 1
        # Closed by the system, which writes no row of its own: by the time of the move.
        elif state == "closed" and cut.recorded_at is not None and moved_at <= cut.recorded_at:
            one.beside["closed"] += 1
        elif scan in attested:
            continue
        elif sent_back.get(scan, 0) > last:
            one.beside["returned"] += 1
            one.returned += 1
        else:
            one.unread += 1
    return told


def _beside(why: Sequence[str]) -> Beside:
    return {
        "drafts_old": 0,
        "withdrawn": 0,
        "returned": 0,
        "closed": 0,
        "set_aside": 0,
        "late": why.count("late"),
        "not_independent": sum(why.count(code) for code in NOT_INDEPENDENT),
        "corrected": why.count("corrected"),
    }


def _entries(cut: Cut, exams: set[uuid.UUID]) -> tuple[dict[uuid.UUID, int], set[uuid.UUID]]:
    """(exam -> position of its newest submission, exams withdrawn), both up to N."""
    submitted: dict[uuid.UUID, int] = {}
    withdrawn: set[uuid.UUID] = set()
    for some in queries.chunks(sorted(exams), 500):
        entries = LedgerEntry.objects.filter(
            chain=cut.programme.chain,
            subject__in=[f"exam:{pk}" for pk in some],
            action__in=["exam.submitted", "exam.withdrawn"],
            seq__lte=cut.as_of.n,
        ).order_by("seq")
        for action, subject, seq in entries.values_list("action", "subject", "seq"):
            exam = uuid.UUID(subject.removeprefix("exam:"))
            if action == "exam.submitted":
                submitted[exam] = seq
            else:
                withdrawn.add(exam)
    return submitted, withdrawn
