"""Some people's records as of a cut, all read together: a fixed number of queries, then one
`Trainee` after another."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from accounts.models import MembershipEvent, PersonEvent, Programme
from credentialing import measures, queries, recorded
from credentialing.models import PlanVersion
from credentialing.reports import became, filling, outside
from credentialing.reports.content import Accuracy, Plan, Scan, Trainee
from credentialing.reports.cut import Cut
from credentialing.reports.filling import iso
from logbook.answers import POSITIVE
from logbook.models import Application
from review.models import Attestation

# The fields of filling.FirstReading, in its order.
FIRST_READING = (
    "application__code", "trainee_call", "first_reader_answer", "first_reader_call",
    "first_quality", "pair", "agrees", "determinate",
)  # fmt: skip
ATTESTED = (
    *FIRST_READING, "trainee_id", "exam_id", "exam__code", "performed_on", "signed_on",
    "trainee_answer", "reader_answer", "reader_call", "reader_id", "quality", "credited",
    "credit_reasons", "in_read", "not_in_read_because", "supervision", "revision__place",
    "revision__age_band",
)  # fmt: skip


@dataclass(frozen=True)
class Told:
    """A person's record, the plan version that it is held against, and their credited scans as
    far as they go out."""

    trainee: Trainee
    version: PlanVersion | None
    done: list[outside.Done]


def of(
    cut: Cut, members: dict[uuid.UUID, MembershipEvent], *, scans: bool
) -> Iterator[tuple[uuid.UUID, Told]]:
    """Each person's record, a chunk of people read at a time. `scans`: with the list of them."""
    for people in queries.chunks(members):
        yield from _of(cut, members, people, scans=scans)


def _of(
    cut: Cut, members: dict[uuid.UUID, MembershipEvent], people: list[uuid.UUID], *, scans: bool
) -> Iterator[tuple[uuid.UUID, Told]]:
    programme, as_of = cut.programme, cut.as_of
    judged = {
        one.person_id: one.version_id
        for one in queries.judged_in(programme, on=as_of.d, seq=as_of.n, people=people)
    }
    versions = queries.versions(judged.values())
    plans = {pk: version.as_plan() for pk, version in versions.items()}
    asks = recorded.asked_by(plans.values())
    histories = dict(queries.histories(programme, people, asks=asks))
    read = defaultdict(list)
    for row in (
        Attestation.objects.as_of(performed=as_of.d, signed=as_of.d2, seq=as_of.n)
        .filter(programme=programme, trainee__in=people)
        .values_list(*ATTESTED, named=True)
    ):
        read[row.trainee_id].append(row)
    readers = {row.reader_id for rows in read.values() for row in rows}
    called = PersonEvent.objects.filter(
        programme=programme, person__in=readers.union(people)
    ).newest(seq=as_of.n)
    past = became.of(
        cut, people, {one: [row.not_in_read_because for row in rows] for one, rows in read.items()}
    )
    for person in people:
        version = versions[judged[person]] if person in judged else None
        standing = (
            measures.judge(plans[version.pk], histories[person], as_of=as_of) if version else None
        )
        trainee = _trainee(
            cut, members[person], called[person], version, standing, past[person], read[person]
        )
        if scans:
            trainee["scans"] = [_scan(cut, row, called) for row in read[person]]
        yield person, Told(trainee, version, [_done(cut, r) for r in read[person] if r.credited])


def _trainee(
    cut: Cut,
    member: MembershipEvent,
    on_file: PersonEvent,
    version: PlanVersion | None,
    standing: measures.Standing | None,
    past: became.Became,
    rows: Sequence,
) -> Trainee:
    credited = [row for row in rows if row.credited]
    return {
        "id": str(member.person_id),
        "name": on_file.name,
        "legal_name": on_file.legal_name,
        "staff_number": on_file.staff_number,
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
            (_first_reading(row) for row in rows if row.in_read), cut.applications
        ),
        "beside": past.beside,
    }


def _scan(cut: Cut, row, called: dict[uuid.UUID, PersonEvent]) -> Scan:
    return {
        "exam_code": row.exam__code,
        "performed_on": row.performed_on.isoformat(),
        "signed_on": row.signed_on.isoformat(),
        "application": cut.applications[row.application__code][0],
        "trainee_answer": row.trainee_answer,
        "reader_answer": row.reader_answer,
        "quality": row.quality,
        "credited": row.credited,
        "credit_reasons": row.credit_reasons,
        "in_read": row.in_read,
        "not_in_read_because": row.not_in_read_because,
        "supervision": row.supervision,
        "reader": called[row.reader_id].name,
    }


def _done(cut: Cut, row) -> outside.Done:
    place, band = row.revision__place, row.revision__age_band
    return outside.Done(
        exam=row.exam_id,
        application=cut.applications[row.application__code][0],
        performed_on=row.performed_on.isoformat(),
        place=cut.places.get(place, place),
        age_band=cut.age_bands.get(band, band),
        positive=row.reader_call == POSITIVE,
        reader=row.reader_id,
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


def _first_reading(row) -> filling.FirstReading:
    return filling.FirstReading(*row[: len(FIRST_READING)])


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
        (filling.FirstReading(*row) for row in rows.values_list(*FIRST_READING)), applications
    )
