"""What stands on record beside the scans, as facts that a clause can judge. Reads only."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from accounts.models import Programme
from credentialing import measures
from credentialing.measures.plans import PATIENT, REFERENCED, TRANSFERABLE
from credentialing.models import Document, ProcedureDone, Record, Remediation, TransferCredit
from logbook.models import ExamRevision
from review.models import Assessment

FINDINGS, PATIENTS = "findings", "patients"
ASSESSMENTS, DOCUMENTS, PROCEDURES = "assessments", "documents", "procedures"
TRANSFERS, REMEDIATIONS, REFERENCES = "transfers", "remediations", "references"
EVERYTHING = frozenset(
    {
        FINDINGS, PATIENTS, ASSESSMENTS, DOCUMENTS, PROCEDURES, TRANSFERS, REMEDIATIONS,
        REFERENCES,
    }
)  # fmt: skip
OF_A_MEASURE = {
    "with_finding": FINDINGS,
    "assessed": ASSESSMENTS,
    "document": DOCUMENTS,
    "procedure": PROCEDURES,
    **dict.fromkeys(REFERENCED, REFERENCES),
}

Found = dict[uuid.UUID, list[Any]]


def asked_by(plans: Iterable[measures.Plan]) -> frozenset[str]:
    """What these plans ask beside attestations: a query is spared where no clause does."""
    asked: set[str] = set()
    for plan in plans:
        for clause in plan.clauses:
            if clause.measure in OF_A_MEASURE:
                asked.add(OF_A_MEASURE[clause.measure])
            if clause.measure in TRANSFERABLE:
                asked.add(TRANSFERS)
            if clause.unit == PATIENT:
                asked.add(PATIENTS)
            if clause.since:
                asked.add(REMEDIATIONS if clause.since == "remediation" else DOCUMENTS)
    return frozenset(asked)


def records_of(
    programme: Programme, people: list[uuid.UUID], asks: frozenset[str]
) -> dict[str, Found]:
    """Field of `measures.History` -> person -> rows. One query for each kind that is asked."""
    readers: dict[str, Callable[[], Found]] = {
        ASSESSMENTS: lambda: _assessments(programme, people),
        DOCUMENTS: lambda: _documents(programme, people),
        PROCEDURES: lambda: _procedures(programme, people),
        TRANSFERS: lambda: _transfers(programme, people),
        REMEDIATIONS: lambda: _remediations(programme, people),
    }
    return {name: read() for name, read in readers.items() if name in asks}


def patients_of(programme: Programme, people: list[uuid.UUID]) -> dict[uuid.UUID, uuid.UUID]:
    """exam -> the earliest exam that it was linked to as of the same patient, as first submitted:
    a link that is never rewritten."""
    earlier = dict(
        ExamRevision.objects.filter(
            programme=programme, exam__trainee__in=people, n=1, same_patient__isnull=False
        ).values_list("exam_id", "same_patient_id")
    )
    found = {}
    for exam in earlier:
        root, seen = exam, {exam}
        while (before := earlier.get(root)) is not None and before not in seen:
            root = before
            seen.add(root)
        found[exam] = root
    return found


class _Chains:
    """Rows in the order of the ledger: the first of their chain, and how many came before."""

    def __init__(self) -> None:
        self.of: dict[uuid.UUID, tuple[uuid.UUID, int]] = {}

    def add(self, pk: uuid.UUID, supersedes: uuid.UUID | None) -> tuple[uuid.UUID, int]:
        root, ordinal = self.of.get(supersedes, (pk, 0)) if supersedes else (pk, 0)
        self.of[pk] = (root, ordinal + 1)
        return self.of[pk]


SHARED = (
    "id", "supersedes_id", "membership__person_id", "recorded_on", "effective_on", "seq",
    "superseded_on", "superseded_seq", "revoked",
)  # fmt: skip


def _rows(
    model: type[Record], programme: Programme, people: list[uuid.UUID], *columns: str
) -> Iterator[tuple[uuid.UUID, dict[str, Any], tuple]]:
    """(person, what every fact has, the row's own columns); withdrawn ones only close a chain."""
    chains = _Chains()
    found = (
        model.objects.filter(programme=programme, membership__person__in=people)
        .order_by("seq", "id")
        .values_list(*SHARED, *columns)
    )
    for pk, before, person, recorded, effective, seq, gone, gone_seq, revoked, *own in found:
        chain, ordinal = chains.add(pk, before)
        if revoked:
            continue
        shared = {
            "id": pk,
            "chain": chain,
            "ordinal": ordinal,
            "application": "",
            "performed_on": effective,
            # Written down in advance, it speaks from its own day on.
            "recorded_on": max(recorded, effective),
            "seq": seq,
            "superseded_on": gone,
            "superseded_seq": gone_seq,
        }
        yield person, shared, tuple(own)


def _documents(programme: Programme, people: list[uuid.UUID]) -> Found:
    found: Found = defaultdict(list)
    for person, shared, (kind, code, valid) in _rows(
        Document, programme, people, "kind", "code", "valid_until"
    ):
        found[person].append(measures.Document(**shared, kind=kind, code=code, valid_until=valid))
    return found


def _procedures(programme: Programme, people: list[uuid.UUID]) -> Found:
    found: Found = defaultdict(list)
    for person, shared, (code, supervised, complications) in _rows(
        ProcedureDone, programme, people, "code", "supervised", "complications"
    ):
        found[person].append(
            measures.Procedure(
                **shared, code=code, supervised=supervised, complications=complications
            )
        )
    return found


def _transfers(programme: Programme, people: list[uuid.UUID]) -> Found:
    found: Found = defaultdict(list)
    for person, shared, (measure, application, count, level, kind, code, first, last, by) in _rows(
        TransferCredit, programme, people, "measure", "application__code", "count", "level",
        "kind", "code", "performed_from", "performed_to", "grantor",
    ):  # fmt: skip
        found[person].append(
            measures.Transfer(
                **shared | {"performed_on": last, "application": application or ""},
                measure=measure,
                count=count,
                level=level or 0,
                kind=kind,
                code=code,
                performed_from=first,
                grantor=by,
            )
        )
    return found


def _remediations(programme: Programme, people: list[uuid.UUID]) -> Found:
    found: Found = defaultdict(list)
    for person, shared, (application, begins) in _rows(
        Remediation, programme, people, "application__code", "begins_on"
    ):
        found[person].append(
            measures.Remediation(
                **shared | {"performed_on": begins, "application": application or ""}
            )
        )
    return found


def _assessments(programme: Programme, people: list[uuid.UUID]) -> Found:
    found: Found = defaultdict(list)
    chains = _Chains()
    rows = (
        Assessment.objects.filter(programme=programme, trainee__in=people)
        .order_by("seq", "id")
        .values_list(
            "id", "supersedes_id", "trainee_id", "application__code", "performed_on", "signed_on",
            "seq", "superseded_on", "superseded_seq", "level", "summative", "assessor_id",
            "taken_back",
        )
    )  # fmt: skip
    for pk, before, person, application, performed, signed, seq, gone, gone_seq, *own in rows:
        chain, ordinal = chains.add(pk, before)
        level, summative, assessor, taken_back = own
        if not taken_back:
            found[person].append(
                measures.Assessment(
                    pk, chain, ordinal, application, performed, signed, seq, gone, gone_seq,
                    level=level, summative=summative, assessor=assessor,
                )
            )  # fmt: skip
    return found
