"""Reads that screens, jobs and reports share. Histories come set-based, a chunk of people at once.

Cost: six queries for each chunk of CHUNK people, whatever they scanned; linear in the rows read.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from django.db.models import Count, Min, Q

from accounts import ledger
from accounts.ledger.models import LedgerEntry
from accounts.models import Membership, Person, Programme, Role
from credentialing import measures, recorded
from credentialing.learning_curve import Decision
from credentialing.models import (
    Assignment,
    BackTest,
    Clause,
    CurveDecision,
    Outlook,
    OutlookRun,
    PlanStanding,
    PlanVersion,
    Run,
    Standing,
)
from logbook.models import Application, Exam, Scan, SupervisionConfirmation
from review.models import Attestation, ReadingFinding, ReturnRequest

One = TypeVar("One")
CHUNK = 200
OLD_DRAFT = dt.timedelta(days=7)
NOT_INDEPENDENT = ("not_blind", "not_independent", "knew")

ATTESTED = (
    "id", "trainee_id", "exam_id", "scan_id", "application__code", "ordinal", "performed_on",
    "performed_at", "received_on", "signed_on", "seq", "superseded_on", "superseded_seq",
    "credited", "in_read", "quality", "reader_call", "first_reader_call", "first_quality",
    "trainee_call", "pair", "agrees", "determinate", "supervision", "reader_id", "reading_id",
    "trainee_answer", "first_reader_answer", "setting", "scan__received_seq",
)  # fmt: skip


def now(programme: Programme, at: dt.datetime) -> measures.AsOf:
    """The present as (D, D2, N): today in the programme's zone, everything in its ledger."""
    today = programme.local_date(at)
    return measures.AsOf(today, today, ledger.head_of(programme.chain))


def chunks(people: Iterable[One], size: int = CHUNK) -> Iterator[list[One]]:
    rest = iter(people)
    while batch := list(itertools.islice(rest, size)):
        yield batch


def groups_of(programme: Programme) -> dict[str, str]:
    return dict(Application.objects.filter(programme=programme).values_list("code", "group"))


def histories(
    programme: Programme,
    people: Iterable[uuid.UUID],
    *,
    asks: frozenset[str] = recorded.EVERYTHING,
    groups: dict[str, str] | None = None,
) -> Iterator[tuple[uuid.UUID, measures.History]]:
    """The history of each person, in the order given. `asks`: what a clause asks beside
    attestations (`recorded.asked_by`); the rest is not read."""
    groups = groups_of(programme) if groups is None else groups
    for batch in chunks(people):
        facts = _facts(programme, batch, asks)
        records = recorded.records_of(programme, batch, asks)
        confirmed = _confirmations(programme, batch)
        waiting = _waiting(programme, batch)
        returns = _returns(programme, batch)
        decisions = _decisions(programme, batch)
        first = dict(
            Exam.objects.filter(
                programme=programme, trainee__in=batch, first_received_at__isnull=False
            )
            .values_list("trainee")
            .annotate(Min("first_received_at"))
        )
        for person in batch:
            received = first.get(person)
            yield (
                person,
                measures.History(
                    facts=tuple(facts.get(person, ())),
                    confirmations=tuple(confirmed.get(person, ())),
                    waiting=tuple(w for w in waiting.get(person, ()) if w.ended_on is None),
                    ended=tuple(w for w in waiting.get(person, ()) if w.ended_on is not None),
                    decisions=tuple(decisions.get(person, ())),
                    returns=returns.get(person, {}),
                    groups=groups,
                    first_received_on=programme.local_date(received) if received else None,
                    **{name: tuple(rows.get(person, ())) for name, rows in records.items()},
                ),
            )


def history_of(
    programme: Programme, person: uuid.UUID, *, asks: frozenset[str] = recorded.EVERYTHING
) -> measures.History:
    return next(histories(programme, [person], asks=asks))[1]


def _facts(programme, batch, asks) -> dict[uuid.UUID, list[measures.Fact]]:
    rows = (
        Attestation.objects.filter(programme=programme, trainee__in=batch)
        .order_by("trainee_id", "performed_on", "seq")
        .values_list(*ATTESTED)
    )
    signs: dict[uuid.UUID, frozenset[str]] = {}
    patients = recorded.patients_of(programme, batch) if recorded.PATIENTS in asks else {}
    if recorded.FINDINGS in asks:
        seen = defaultdict(set)
        for reading, sign, value in ReadingFinding.objects.filter(
            programme=programme, reading__attestations__trainee__in=batch
        ).values_list("reading_id", "sign", "value"):
            seen[reading].add(f"{sign}={value}")
        signs = {reading: frozenset(said) for reading, said in seen.items()}
    found = defaultdict(list)
    for (
        pk, trainee, exam, scan, application, ordinal, performed_on, performed_at, received_on,
        signed_on, seq, superseded_on, superseded_seq, credited, in_read, quality, reader_call,
        first_call, first_quality, trainee_call, pair, agrees, determinate, supervision, reader,
        reading, trainee_answer, first_answer, setting, received_seq,
    ) in rows.iterator(chunk_size=5000):  # fmt: skip
        found[trainee].append(
            measures.Fact(
                exam=exam,
                scan=scan,
                application=application,
                ordinal=ordinal,
                performed_on=performed_on,
                performed_at=performed_at,
                received_on=received_on,
                signed_on=signed_on,
                seq=seq,
                superseded_on=superseded_on,
                superseded_seq=superseded_seq,
                credited=credited,
                in_read=in_read,
                quality=quality,
                reader_call=reader_call,
                first_call=first_call,
                first_quality=first_quality,
                trainee_call=trainee_call,
                pair=pair,
                agrees=agrees,
                determinate=determinate,
                supervision=supervision,
                reader=reader,
                findings=signs.get(reading, frozenset()),
                id=pk,
                trainee_answer=trainee_answer,
                first_answer=first_answer,
                setting=setting,
                patient=patients.get(exam),
                received_seq=received_seq,
            )
        )
    return found


def _confirmations(programme, batch) -> dict[uuid.UUID, list[measures.Confirmation]]:
    found = defaultdict(list)
    for trainee, exam, supervision, at, seq in SupervisionConfirmation.objects.filter(
        programme=programme, exam__trainee__in=batch
    ).values_list("exam__trainee_id", "exam_id", "supervision", "recorded_at", "seq"):
        found[trainee].append(
            measures.Confirmation(exam, supervision, programme.local_date(at), seq)
        )
    return found


LEFT_UNREAD = ("set_aside", "withdrawn", "closed")


def _waiting(programme, batch) -> dict[uuid.UUID, list[measures.Waiting]]:
    """Scans without an attestation, also those that left the list unread (`ended_on`)."""
    found = defaultdict(list)
    for (
        trainee, exam, scan, application, performed_on, performed_at, received_at, received_seq,
        state, moved_at, moved_seq,
    ) in Scan.objects.filter(
        programme=programme, trainee__in=batch, state__in=["submitted", "returned", *LEFT_UNREAD]
    ).values_list(
        "trainee_id", "exam_id", "id", "application__code", "performed_on",
        "revision__performed_at", "exam__first_received_at", "received_seq", "state",
        "moved_at", "moved_seq",
    ):  # fmt: skip
        found[trainee].append(
            measures.Waiting(
                exam=exam,
                scan=scan,
                application=application,
                performed_on=performed_on,
                performed_at=performed_at,
                received_on=programme.local_date(received_at),
                ended_on=programme.local_date(moved_at) if state in LEFT_UNREAD else None,
                received_seq=received_seq,
                ended_seq=moved_seq,
            )
        )
    return found


def _returns(programme, batch) -> dict[uuid.UUID, dict[uuid.UUID, list[tuple[int, int | None]]]]:
    """person -> scan -> the positions from which, and until which, it lay with its trainee."""
    asked = list(
        ReturnRequest.objects.filter(programme=programme, scan__trainee__in=batch)
        .order_by("seq")
        .values_list("scan__trainee_id", "scan_id", "scan__exam_id", "seq")
    )
    if not asked:
        return {}
    sent: dict[str, list[int]] = defaultdict(list)
    for subject, seq in (
        LedgerEntry.objects.filter(
            chain=programme.chain,
            subject__in={f"exam:{exam}" for _person, _scan, exam, _seq in asked},
            action="exam.submitted",
        )
        .order_by("seq")
        .values_list("subject", "seq")
    ):
        sent[subject].append(seq)
    found: dict = defaultdict(lambda: defaultdict(list))
    for person, scan, exam, since in asked:
        until = next((seq for seq in sent[f"exam:{exam}"] if seq > since), None)
        found[person][scan].append((since, until))
    return found


def _decisions(programme, batch) -> dict[uuid.UUID, list[Decision]]:
    found = defaultdict(list)
    for person, application, what, on, seq, pk in CurveDecision.objects.filter(
        programme=programme, membership__person__in=batch
    ).values_list("membership__person_id", "application__code", "what", "on", "seq", "id"):
        found[person].append(Decision(what, on, seq, application, pk))
    return found


# --- who is judged by what ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Judged:
    """A membership, its person and the plan version that it is judged by."""

    membership_id: uuid.UUID
    person_id: uuid.UUID
    version_id: uuid.UUID


def judged_in(
    programme: Programme,
    *,
    on: dt.date,
    seq: int | None = None,
    people: Iterable[uuid.UUID] | None = None,
) -> list[Judged]:
    """Every trainee's membership that has a plan, with the one in force on the day."""
    rows = Assignment.objects.filter(
        programme=programme, membership__role=Role.TRAINEE, effective_on__lte=on
    )
    if people is not None:
        rows = rows.filter(membership__person__in=list(people))
    if seq is not None:
        rows = rows.filter(seq__lte=seq)
    # The last of each membership stays; a subquery a row costs three times what the rows do.
    newest = {
        row[0]: row
        for row in rows.order_by(
            "membership__person_id", "membership_id", "effective_on", "seq"
        ).values_list("membership_id", "membership__person_id", "version_id")
    }
    return [Judged(*row) for row in newest.values()]


def versions(ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, PlanVersion]:
    """Plan versions with gates and clauses; three queries."""
    return {v.pk: v for v in PlanVersion.objects.with_clauses().filter(pk__in=set(ids))}


# --- pages ----------------------------------------------------------------------------------------


def standing_of(membership: Membership) -> tuple[PlanStanding | None, list[Standing]]:
    """A trainee's stored standing in the plan's order; two queries."""
    whole = PlanStanding.objects.select_related("version").filter(membership=membership).first()
    if whole is None:
        return None, []
    rows = (
        Standing.objects.filter(membership=membership, clause__version=whole.version)
        .select_related("clause__gate")
        .order_by("clause__ordinal")
    )
    return whole, list(rows)


@dataclass(frozen=True)
class CohortRow:
    """A trainee of the cohort: their membership, and their standing clause by clause."""

    membership: Membership
    whole: PlanStanding
    standings: dict[uuid.UUID, Standing]

    @property
    def person(self) -> Person:
        return self.membership.person


def cohort(programme: Programme, *, on: dt.date) -> list[CohortRow]:
    """Everybody who is a trainee on the day and has a standing; three queries for any number."""
    wholes = (
        PlanStanding.objects.filter(
            programme=programme, membership__role=Role.TRAINEE, membership__starts_on__lte=on
        )
        .filter(Q(membership__ends_on=None) | Q(membership__ends_on__gte=on))
        .select_related("membership__person", "version")
        .order_by("membership__level", "membership__person__name", "membership_id")
    )
    by_membership: dict[uuid.UUID, dict[uuid.UUID, Standing]] = defaultdict(dict)
    wholes = list(wholes)
    of_them = Standing.objects.filter(
        programme=programme, membership__in=[whole.membership_id for whole in wholes]
    )
    # A clause is one object for everybody: a thousand rows would make a thousand of it.
    clauses = Clause.objects.filter(version__in={whole.version_id for whole in wholes}).in_bulk()
    for standing in of_them:
        if standing.clause_id not in clauses:
            continue  # of a version that no longer judges
        standing.clause = clauses[standing.clause_id]
        by_membership[standing.membership_id][standing.clause_id] = standing
    return [
        CohortRow(
            whole.membership,
            whole,
            {
                clause: standing
                for clause, standing in by_membership[whole.membership_id].items()
                if standing.clause.version_id == whole.version_id
            },
        )
        for whole in wholes
    ]


def trainee_membership(person: Person, programme: Programme) -> Membership | None:
    """The newest membership as a trainee, ended or not: whoever leaves keeps their record."""
    return (
        Membership.objects.filter(person=person, programme=programme, role=Role.TRAINEE)
        .select_related("person")
        .order_by("-starts_on", "-id")
        .first()
    )


def trainees_on(programme: Programme, on: dt.date) -> list[Membership]:
    """Everybody's membership as a trainee on a day."""
    rows = Membership.objects.filter(
        Q(ends_on=None) | Q(ends_on__gte=on),
        programme=programme,
        role=Role.TRAINEE,
        starts_on__lte=on,
    )
    return list(rows.order_by("person__name", "id"))


def plan_of(membership: Membership, *, on: dt.date) -> PlanVersion | None:
    """The version that a membership is judged by on a day."""
    row = (
        Assignment.objects.filter(membership=membership)
        .in_force(on=on)
        .select_related("version")
        .first()
    )
    return row.version if row else None


def people_by_version(programme: Programme, *, on: dt.date) -> dict[uuid.UUID, list[Person]]:
    """Who is judged by each version on a day, of those who are trainees then; by name."""
    rows = (
        Assignment.objects.filter(
            Q(membership__ends_on=None) | Q(membership__ends_on__gte=on),
            programme=programme,
            membership__role=Role.TRAINEE,
            membership__starts_on__lte=on,
        )
        .in_force(on=on)
        .select_related("membership__person")
        .order_by("membership__person__name", "membership_id")
    )
    found: dict[uuid.UUID, list[Person]] = {}
    for row in rows:
        found.setdefault(row.version_id, []).append(row.membership.person)
    return found


def applications_of(programme: Programme) -> dict[str, str]:
    """code -> name, in the programme's order."""
    return dict(
        Application.objects.filter(programme=programme)
        .order_by("ordinal", "code")
        .values_list("code", "name")
    )


def credited_totals(
    programme: Programme, person: uuid.UUID, as_of: measures.AsOf
) -> tuple[int, int]:
    """(scans, distinct exams) of the set C as of (D, D2, N); one query."""
    said = (
        Attestation.objects.as_of(performed=as_of.d, signed=as_of.d2, seq=as_of.n)
        .filter(programme=programme, trainee=person, credited=True)
        .aggregate(scans=Count("pk"), exams=Count("exam", distinct=True))
    )
    return said["scans"], said["exams"]


def read_of(programme: Programme, person: uuid.UUID) -> list[uuid.UUID]:
    """The current attestations of the set R."""
    return list(
        Attestation.objects.current()
        .filter(programme=programme, trainee=person, in_read=True)
        .values_list("pk", flat=True)
    )


def latest_feedback(person: Person, programme: Programme, n: int = 3) -> list[Attestation]:
    """The sentences that readers wrote last about one's own scans."""
    return list(
        Attestation.objects.current()
        .filter(programme=programme, trainee=person, feedback__isnull=False)
        .select_related("exam", "application", "reader", "feedback")
        .order_by("-signed_at", "-seq")[:n]
    )


def open_exams(person: Person, programme: Programme) -> list[Exam]:
    """Exams that need their trainee, or wait for a reader; the oldest first."""
    return list(
        Exam.objects.filter(
            programme=programme, trainee=person, state__in=["needs_you", "complete", "received"]
        )
        .filter(Q(state="needs_you") | Q(scans__state__in=["submitted", "returned"]))
        .distinct()
        .order_by("first_received_at", "id")
    )


@dataclass(frozen=True)
class Beside:
    """What stands beside every number of readings: the trainee chose which exams to submit."""

    drafts_old: int
    withdrawn: int
    returned: int
    closed: int
    set_aside: int
    late: int
    not_independent: int
    corrected: int


def beside(programme: Programme, person: uuid.UUID, at: dt.datetime) -> Beside:
    """As it is at present; three queries."""
    mine = {"programme": programme, "trainee": person}
    exams = Exam.objects.filter(**mine).aggregate(
        drafts_old=Count("pk", filter=Q(state="draft", created_at__lte=at - OLD_DRAFT)),
        withdrawn=Count("pk", filter=Q(state="withdrawn", first_received_at__isnull=False)),
    )
    scans = Scan.objects.filter(**mine).aggregate(
        **{name: Count("pk", filter=Q(state=name)) for name in ("returned", "closed", "set_aside")}
    )
    reasons = (
        Attestation.objects.current()
        .filter(**mine)
        .aggregate(
            late=Count("pk", filter=Q(not_in_read_because="late")),
            corrected=Count("pk", filter=Q(not_in_read_because="corrected")),
            not_independent=Count("pk", filter=Q(not_in_read_because__in=NOT_INDEPENDENT)),
        )
    )
    return Beside(**exams, **scans, **reasons)


def exams_named_to(
    viewer: Person, exams: Iterable[uuid.UUID], *, on: dt.date
) -> dict[uuid.UUID, str]:
    """id -> code of those exams that may be shown with their trainee: not one of which this
    person could still read a scan. Two queries."""
    wanted = set(exams)
    unread = set(
        Scan.objects.filter(exam__in=wanted, state__in=["submitted", "returned"])
        .readable_by(viewer, on=on)
        .values_list("exam_id", flat=True)
    )
    return dict(Exam.objects.filter(pk__in=wanted - unread).values_list("pk", "code"))


def latest_run(programme: Programme) -> Run | None:
    """The newest run over everybody."""
    return Run.objects.filter(programme=programme).order_by("-started_at").first()


def counted_today(programme: Programme, *, at: dt.datetime) -> bool:
    """Whether the run over everybody of the programme's own day has finished."""
    runs = Run.objects.filter(programme=programme, day=programme.local_date(at))
    # A row of nobody that says a failure is of a signature, not of a night.
    return runs.filter(Q(people__gt=0) | Q(failed=""), finished_at__isnull=False).exists()


# --- what is to come ------------------------------------------------------------------------------


def outlook_for(membership: Membership) -> Outlook | None:
    return Outlook.objects.select_related("version").filter(membership=membership).first()


def joint_chances(memberships: Iterable[Membership]) -> dict[uuid.UUID, float]:
    """membership -> the chance of all numbers together, where told and not met; one query."""
    rows = Outlook.objects.filter(membership__in=list(memberships), joint__isnull=False)
    return dict(
        rows.exclude(membership__plan_standing__met=True).values_list("membership_id", "joint")
    )


def back_test_of(programme: Programme) -> BackTest | None:
    return BackTest.objects.filter(programme=programme).first()


def outlook_run(programme: Programme) -> OutlookRun | None:
    return OutlookRun.objects.filter(programme=programme).first()


def curve_decisions(membership: Membership) -> list[CurveDecision]:
    """What was decided about this membership's curves, the oldest first."""
    return list(
        CurveDecision.objects.filter(membership=membership)
        .select_related("application", "recorded_by", "why")
        .order_by("seq")
    )
