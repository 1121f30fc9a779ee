"""Reads that screens, jobs and reports share. Histories come set-based, a chunk of people at once.

Cost: five queries for each chunk of CHUNK people, whatever they scanned; linear in the rows read.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.db.models import Count, Min, Q

from accounts import ledger
from accounts.models import Membership, Person, Programme, Role
from credentialing import measures
from credentialing.models import Assignment, PlanStanding, PlanVersion, Run, Standing
from logbook.models import Application, Exam, Scan, SupervisionConfirmation
from review.models import Attestation, ReadingFinding

CHUNK = 200
OLD_DRAFT = dt.timedelta(days=7)
NOT_INDEPENDENT = ("not_blind", "not_independent", "knew")

ATTESTED = (
    "id", "trainee_id", "exam_id", "scan_id", "application__code", "ordinal", "performed_on",
    "performed_at", "received_on", "signed_on", "seq", "superseded_on", "superseded_seq",
    "credited", "in_read", "quality", "reader_call", "first_reader_call", "first_quality",
    "trainee_call", "pair", "agrees", "determinate", "supervision", "reader_id", "reading_id",
)  # fmt: skip


def now(programme: Programme, at: dt.datetime) -> measures.AsOf:
    """The present as (D, D2, N): today in the programme's zone, everything in its ledger."""
    today = programme.local_date(at)
    return measures.AsOf(today, today, ledger.head_of(programme.chain))


def chunks(people: Iterable[uuid.UUID], size: int = CHUNK) -> Iterator[list[uuid.UUID]]:
    rest = iter(people)
    while batch := list(itertools.islice(rest, size)):
        yield batch


def groups_of(programme: Programme) -> dict[str, str]:
    return dict(Application.objects.filter(programme=programme).values_list("code", "group"))


def histories(
    programme: Programme,
    people: Iterable[uuid.UUID],
    *,
    findings: bool = False,
    groups: dict[str, str] | None = None,
) -> Iterator[tuple[uuid.UUID, measures.History]]:
    """The history of each person, in the order given. `findings` only where a clause asks."""
    groups = groups_of(programme) if groups is None else groups
    for batch in chunks(people):
        facts = _facts(programme, batch, findings=findings)
        confirmed = _confirmations(programme, batch)
        waiting = _waiting(programme, batch)
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
                    waiting=tuple(waiting.get(person, ())),
                    groups=groups,
                    first_received_on=programme.local_date(received) if received else None,
                ),
            )


def history_of(programme: Programme, person: uuid.UUID, *, findings: bool = True):
    return next(histories(programme, [person], findings=findings))[1]


def _facts(programme, batch, *, findings) -> dict[uuid.UUID, list[measures.Fact]]:
    rows = (
        Attestation.objects.filter(programme=programme, trainee__in=batch)
        .order_by("trainee_id", "performed_on", "seq")
        .values_list(*ATTESTED)
    )
    signs: dict[uuid.UUID, frozenset[str]] = {}
    if findings:
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
        reading,
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


def _waiting(programme, batch) -> dict[uuid.UUID, list[measures.Waiting]]:
    found = defaultdict(list)
    for trainee, exam, scan, application, performed_on, received_at, state in Scan.objects.filter(
        programme=programme, trainee__in=batch, state__in=["submitted", "returned"]
    ).values_list(
        "trainee_id", "exam_id", "id", "application__code", "performed_on",
        "exam__first_received_at", "state",
    ):  # fmt: skip
        found[trainee].append(
            measures.Waiting(
                exam=exam,
                scan=scan,
                application=application,
                performed_on=performed_on,
                received_on=programme.local_date(received_at),
                returned=state == "returned",
            )
        )
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
    rows = Assignment.objects.filter(programme=programme, membership__role=Role.TRAINEE)
    if people is not None:
        rows = rows.filter(membership__person__in=list(people))
    rows = (
        rows.in_force(on=on, seq=seq)
        .order_by("membership__person_id", "membership_id")
        .values_list("membership_id", "membership__person_id", "version_id")
    )
    return [Judged(*row) for row in rows]


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
    """Everybody who is a trainee on the day and has a standing; two queries for any number."""
    wholes = (
        PlanStanding.objects.filter(
            programme=programme, membership__role=Role.TRAINEE, membership__starts_on__lte=on
        )
        .filter(Q(membership__ends_on=None) | Q(membership__ends_on__gte=on))
        .select_related("membership__person", "version")
        .order_by("membership__level", "membership__person__name", "membership_id")
    )
    by_membership: dict[uuid.UUID, dict[uuid.UUID, Standing]] = defaultdict(dict)
    for standing in Standing.objects.filter(programme=programme).select_related("clause"):
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
