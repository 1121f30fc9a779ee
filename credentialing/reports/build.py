"""The content of an order, read from the record as of (D, D2, N).

Everything that is counted comes from rows that never change and carry their ledger position, or
from the ledger itself; what only the present knows (a scan's state today) is worked out from them
as it was at position N. So an order gives the same content whenever it is filled.

Cost: a fixed number of queries for each CHUNK people, linear in their rows.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from dataclasses import dataclass, field

from django.utils.translation import gettext as _
from django.utils.translation import override

from accounts.ledger.models import LedgerEntry
from accounts.models import Membership, MembershipEvent, Person, Programme, Role
from credentialing import measures, queries
from credentialing.models import PlanVersion
from credentialing.reports import filling
from credentialing.reports.content import (
    RELEASE,
    SCHEMA,
    TEMPLATE,
    Accuracy,
    AsOf,
    Beside,
    Content,
    Plan,
    Trainee,
)
from credentialing.reports.content import Scan as ScanRow
from credentialing.reports.filling import iso
from credentialing.reports.orders import SCANS, Order
from logbook.models import Application, Exam, ExamRevision, Scan
from review.models import Attestation, ReturnRequest, SetAside

OLD_DRAFT = dt.timedelta(days=7)
NOT_INDEPENDENT = ("not_blind", "not_independent", "knew")


def people_of(programme: Programme, *, on: dt.date) -> list[tuple[str, str]]:
    """(id, name) of everybody who is or was a trainee by that day, by name."""
    rows = (
        Membership.objects.filter(programme=programme, role=Role.TRAINEE, starts_on__lte=on)
        .order_by("person__name", "person_id")
        .values_list("person_id", "person__name")
        .distinct()
    )
    return [(str(pk), name) for pk, name in rows]


def position_on(programme: Programme, day: dt.date) -> int:
    """The newest ledger position at the end of a local day; 0 where there is none."""
    morning = dt.datetime.combine(day + dt.timedelta(days=1), dt.time())
    end = morning.replace(tzinfo=programme.zone_on(day + dt.timedelta(days=1)))
    return (
        LedgerEntry.objects.filter(chain=programme.chain, at__lt=end)
        .order_by("-seq")
        .values_list("seq", flat=True)
        .first()
        or 0
    )


def content_of(order: Order) -> Content:
    """Raises Person.DoesNotExist where the trainee never belonged to the programme by then."""
    programme = Programme.objects.select_related("institution").get(pk=order.programme)
    as_of = measures.AsOf(order.performed_by, order.read_by, order.position)
    members = _members(programme, as_of)
    if order.trainee:
        wanted = uuid.UUID(order.trainee)
        if wanted not in members:
            raise Person.DoesNotExist(order.trainee)
        members = {wanted: members[wanted]}
    with override(order.language):
        applications = {
            code: (_(name), kind)
            for code, name, kind in Application.objects.filter(programme=programme)
            .order_by("ordinal")
            .values_list("code", "name", "kind")
        }
        people: list[Trainee] = []
        for batch in queries.chunks(members):
            people += _Batch(programme, as_of, members, batch, applications).trainees(
                scans=bool(order.trainee) or order.form == SCANS
            )
    return {
        "schema": SCHEMA,
        "template": TEMPLATE,
        "release": RELEASE,
        "language": order.language,
        "scope": "trainee" if order.trainee else "cohort",
        "issued": False,
        "institution": programme.institution.name,
        "programme": programme.name,
        "programme_code": programme.code,
        "as_of": _as_of(programme, as_of),
        "people": people,
    }


def _as_of(programme: Programme, as_of: measures.AsOf) -> AsOf:
    entry = LedgerEntry.objects.filter(chain=programme.chain, seq=as_of.n)
    return {
        "performed_by": as_of.d.isoformat(),
        "read_by": as_of.d2.isoformat(),
        "position": as_of.n,
        "position_hash": entry.values_list("hash", flat=True).first() or "",
        "zone": str(programme.zone_on(as_of.d2)),
    }


def _members(programme: Programme, as_of: measures.AsOf) -> dict[uuid.UUID, MembershipEvent]:
    """Who was a trainee by D2 as the ledger had it at N, with the newest word on the membership."""
    newest: dict[uuid.UUID, MembershipEvent] = {}
    for event in (
        MembershipEvent.objects.filter(
            programme=programme, role=Role.TRAINEE, seq__lte=as_of.n, starts_on__lte=as_of.d2
        )
        .select_related("person")
        .order_by("seq")
    ):
        newest[event.membership] = event
    found: dict[uuid.UUID, MembershipEvent] = {}
    for event in sorted(newest.values(), key=lambda one: (one.starts_on, one.seq)):
        found[event.person_id] = event
    return found


@dataclass
class _Past:
    """What had become of one person's exams and scans at position N."""

    beside: Beside
    unread: int = 0
    returned: int = 0


@dataclass
class _Batch:
    programme: Programme
    as_of: measures.AsOf
    members: dict[uuid.UUID, MembershipEvent]
    people: list[uuid.UUID]
    applications: dict[str, tuple[str, str]]
    read: dict[uuid.UUID, list[Attestation]] = field(default_factory=lambda: defaultdict(list))

    def trainees(self, *, scans: bool) -> list[Trainee]:
        judged = {
            one.person_id: one
            for one in queries.judged_in(
                self.programme, on=self.as_of.d, seq=self.as_of.n, people=self.people
            )
        }
        versions = queries.versions(one.version_id for one in judged.values())
        plans = {pk: version.as_plan() for pk, version in versions.items()}
        findings = any(c.finding for plan in plans.values() for c in plan.clauses)
        histories = dict(queries.histories(self.programme, self.people, findings=findings))
        attested = (
            Attestation.objects.as_of(
                performed=self.as_of.d, signed=self.as_of.d2, seq=self.as_of.n
            )
            .filter(programme=self.programme, trainee__in=self.people)
            .select_related("application", "exam", "reader")
        )
        for row in attested:
            self.read[row.trainee_id].append(row)
        past = self.past()
        made = []
        for person in self.people:
            version = versions[judged[person].version_id] if person in judged else None
            standing = (
                measures.judge(plans[version.pk], histories[person], as_of=self.as_of)
                if version
                else None
            )
            made.append(self.trainee(person, version, standing, past[person], scans=scans))
        return made

    def trainee(
        self,
        person: uuid.UUID,
        version: PlanVersion | None,
        standing: measures.Standing | None,
        past: _Past,
        *,
        scans: bool,
    ) -> Trainee:
        member, rows = self.members[person], self.read[person]
        credited = [row for row in rows if row.credited]
        told: Trainee = {
            "id": str(person),
            "name": member.person.name,
            "staff_number": member.person.staff_number,
            "profession": member.profession,
            "level": member.level,
            "starts_on": member.starts_on.isoformat(),
            "ends_on": iso(member.ends_on),
            "plan": _plan(version) if version else None,
            "state": "met" if standing and standing.met else "not_met",
            "met_on": iso(standing.dates.met_since) if standing else None,
            "clauses": filling.clause_rows(standing) if standing else [],
            "credited_scans": len(credited),
            "credited_exams": len({row.exam_id for row in credited}),
            "waiting_unread": past.unread,
            "waiting_returned": past.returned,
            "accuracy": filling.accuracy_rows(
                (_first_reading(row) for row in rows if row.in_read), self.applications
            ),
            "beside": past.beside,
        }
        if scans:
            told["scans"] = [self.scan(row) for row in rows]
        return told

    def scan(self, row: Attestation) -> ScanRow:
        return {
            "exam_code": row.exam.code,
            "performed_on": row.performed_on.isoformat(),
            "signed_on": row.signed_on.isoformat(),
            "application": self.applications[row.application.code][0],
            "trainee_answer": row.trainee_answer,
            "reader_answer": row.reader_answer,
            "quality": row.quality,
            "credited": row.credited,
            "credit_reasons": row.credit_reasons,
            "in_read": row.in_read,
            "not_in_read_because": row.not_in_read_because,
            "supervision": row.supervision,
            "reader": row.reader.name,
        }

    def past(self) -> dict[uuid.UUID, _Past]:
        """Each person's exams and scans as they stood at N, from rows and entries up to N."""
        n = self.as_of.n
        exams = list(
            Exam.objects.filter(programme=self.programme, trainee__in=self.people).values_list(
                "pk", "trainee_id", "created_at"
            )
        )
        submitted, withdrawn = self._entries({pk for pk, _t, _c in exams})
        scans = list(
            Scan.objects.filter(programme=self.programme, trainee__in=self.people).values_list(
                "pk", "exam_id", "trainee_id"
            )
        )
        mine = {"scan__trainee__in": self.people, "programme": self.programme}
        attested = set(
            Attestation.objects.filter(
                programme=self.programme, trainee__in=self.people, ordinal=1, seq__lte=n
            ).values_list("scan_id", flat=True)
        )
        aside = set(SetAside.objects.filter(seq__lte=n, **mine).values_list("scan_id", flat=True))
        closed = self._closed()
        sent_back = dict(
            ReturnRequest.objects.filter(seq__lte=n, **mine)
            .order_by("seq")
            .values_list("scan_id", "seq")
        )
        performed = dict(
            ExamRevision.objects.filter(
                programme=self.programme, exam__trainee__in=self.people, n=1
            ).values_list("exam_id", "performed_on")
        )
        end_of_d2 = dt.datetime.combine(self.as_of.d2 + dt.timedelta(days=1), dt.time()).replace(
            tzinfo=self.programme.zone_on(self.as_of.d2)
        )
        told = {person: _Past(self._readings_beside(person)) for person in self.people}
        for pk, trainee, created_at in exams:
            past = told[trainee]
            if pk in withdrawn:
                past.beside["withdrawn"] += pk in submitted
            elif pk not in submitted:
                past.beside["drafts_old"] += created_at <= end_of_d2 - OLD_DRAFT
        for scan, exam, trainee in scans:
            past, last = told[trainee], submitted.get(exam)
            if last is None or exam in withdrawn or performed[exam] > self.as_of.d:
                continue
            if scan in aside:
                past.beside["set_aside"] += 1
            elif scan in closed:
                past.beside["closed"] += 1
            elif scan in attested:
                continue
            elif sent_back.get(scan, 0) > last:
                past.beside["returned"] += 1
                past.returned += 1
            else:
                past.unread += 1
        return told

    def _readings_beside(self, person: uuid.UUID) -> Beside:
        why = [row.not_in_read_because for row in self.read[person]]
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

    def _entries(self, exams: set[uuid.UUID]) -> tuple[dict[uuid.UUID, int], set[uuid.UUID]]:
        """(exam -> position of its newest submission, exams withdrawn), both up to N."""
        submitted: dict[uuid.UUID, int] = {}
        withdrawn: set[uuid.UUID] = set()
        for some in queries.chunks(sorted(exams), 500):
            for action, subject, seq in (
                LedgerEntry.objects.filter(
                    chain=self.programme.chain,
                    subject__in=[f"exam:{pk}" for pk in some],
                    action__in=["exam.submitted", "exam.withdrawn"],
                    seq__lte=self.as_of.n,
                )
                .order_by("seq")
                .values_list("action", "subject", "seq")
            ):
                exam = uuid.UUID(subject.removeprefix("exam:"))
                if action == "exam.submitted":
                    submitted[exam] = seq
                else:
                    withdrawn.add(exam)
        return submitted, withdrawn

    def _closed(self) -> set[uuid.UUID]:
        """Scans closed by the system up to N: today's closed ones, less those closed later."""
        closed = Scan.objects.filter(
            programme=self.programme, trainee__in=self.people, state="closed"
        ).values_list("pk", "moved_at")
        until = (
            LedgerEntry.objects.filter(chain=self.programme.chain, seq=self.as_of.n)
            .values_list("at", flat=True)
            .first()
        )
        return {pk for pk, moved_at in closed if until is not None and moved_at <= until}


def accuracy_of(programme: Programme, attestations: list[uuid.UUID]) -> list[Accuracy]:
    """What these readings say beside an agreement, one row an application; two queries."""
    rows = Attestation.objects.filter(programme=programme, pk__in=attestations)
    applications = {
        code: (name, kind)
        for code, name, kind in Application.objects.filter(programme=programme)
        .order_by("ordinal")
        .values_list("code", "name", "kind")
    }
    return filling.accuracy_rows(
        map(_first_reading, rows.select_related("application")), applications
    )


def _plan(version: PlanVersion) -> Plan:
    return {
        "code": version.code,
        "name": version.name,
        "version": version.n,
        "approved_on": iso(version.approved_on),
        "approved_by": "",
        "sources": version.sources,
    }


def _first_reading(row: Attestation) -> filling.FirstReading:
    return filling.FirstReading(
        application=row.application.code,
        trainee_call=row.trainee_call,
        reader_answer=row.first_reader_answer,
        reader_call=row.first_reader_call,
        quality=row.first_quality,
        pair=row.pair,
        agrees=row.agrees,
        determinate=row.determinate,
    )
