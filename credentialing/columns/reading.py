"""A chunk of people's facts out of the tables, as a frame. One query whoever is asked for: the
whole programme and the person of one signature differ by the list of people alone.

Cost: three queries, one more for supervision; rows read are those people's own and no others.
None goes through the framework's own cursor, so that all of them can be under way ahead.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np

from accounts.models import Membership, Programme
from credentialing import measures
from credentialing.columns import engine, judging
from credentialing.columns.frame import NEVER, NONE, Facts, Frame, Numbers, Waiting
from credentialing.measures.facts import DIRECT
from credentialing.measures.plans import SHARES
from credentialing.models import TransferCredit
from logbook.models import Exam, Scan, SupervisionConfirmation
from review.models import Attestation

ATTESTATION, EXAM, SCAN = (one._meta.db_table for one in (Attestation, Exam, Scan))
TRANSFER, MEMBERSHIP = TransferCredit._meta.db_table, Membership._meta.db_table
DAY = (1 << 20) - 1


def knows(plan: measures.Plan) -> bool:
    """Whether a frame can be read for everything that the plan asks. Findings are not in it."""
    return judging.knows(plan) and not any(clause.finding for clause in plan.clauses)


# Columns of an attestation that few plans ask for; here, those that one measure alone does.
RARE = {"determinate": "determinate", "direct": "supervised", "quality": "adequate"}


def asked_by(plan: measures.Plan) -> frozenset[str]:
    """Which of RARE, and "exam" where a clause counts exams."""
    of = {clause.measure for clause in plan.clauses}
    exams = any(
        clause.unit == measures.EXAM
        or clause.measure == "supervised"
        or (clause.measure in SHARES and not clause.application)
        for clause in plan.clauses
    )
    rare = {name for name, measure in RARE.items() if measure in of}
    return frozenset(rare | {"exam"} if exams else rare)


@dataclass(frozen=True)
class Asked:
    """What a frame is read for, and its queries, perhaps under way already.

    applications: id -> (code, group). asks: what `asked_by` says.
    """

    programme: Programme
    people: Sequence[uuid.UUID]
    as_of: measures.AsOf
    applications: dict[uuid.UUID, tuple[str, str]]
    asks: frozenset[str]
    facts: engine.Reading
    waiting: engine.Reading
    own: engine.Reading


def ask(
    programme: Programme,
    people: Sequence[uuid.UUID],
    *,
    plan: measures.Plan,
    as_of: measures.AsOf,
    applications: dict[uuid.UUID, tuple[str, str]],
    ahead: Executor | None = None,
) -> Asked:
    asks, numbers = asked_by(plan), list(applications)
    facts = facts_query(programme, people, as_of, numbers, asks=asks)
    waiting = waiting_query(programme, people, as_of, numbers)
    return Asked(
        programme,
        people,
        as_of,
        applications,
        asks,
        engine.Reading(*facts, ahead=ahead),
        engine.Reading(*waiting, ahead=ahead),
        engine.Reading(*own_query(programme, people), ahead=ahead),
    )


def frame_of(asked: Asked) -> Frame:
    programme, people, as_of = asked.programme, asked.people, asked.as_of
    rows, own = asked.facts.columns(), asked.own.columns()
    received = _local_days(programme, own["received"])
    days, replaced = rows["days"], rows["days"] & DAY
    exam = _numbered(rows["exam"]) if "exam" in asked.asks else None
    person = (
        rows["person"] if "person" in rows else np.repeat(np.arange(len(people)), rows["facts"])
    )
    return Frame(
        people=len(people),
        facts=Facts(
            person=person,
            performed=(days >> 40) + 1,
            signed=((days >> 20) & DAY) + 1,
            replaced=np.where(replaced == DAY, NEVER, replaced + 1),
            exam=exam,
            **_unpacked(rows["small"], asked.asks),
        ),
        waiting=_waiting(programme, as_of, asked.waiting.columns()),
        applications=dict(asked.applications.values()),
        first_received=received,
        alone=own["transferred"] != 0,
        confirmed=_confirmed(programme, people, as_of, rows["exam"], exam)
        if "direct" in asked.asks
        else None,
    )


# What is small of an attestation travels as one number: a bit a flag, then so many bits each.
FLAGS = {
    "credited": "credited",
    "in_read": "in_read",
    "pair": "pair",
    "agrees": "agrees",
    "determinate": "determinate",
    "direct": "supervision = 'direct'",
    "first": "ordinal = 1",
}
SMALL = {"quality": 3, "first_quality": 3, "call": 7, "first_call": 7, "application": 4}
_AT = dict(zip(SMALL, itertools.accumulate(SMALL.values(), initial=len(FLAGS)), strict=False))
MOST_APPLICATIONS = 1 << SMALL["application"]


def _packed(applications: Sequence[uuid.UUID], asks: frozenset[str]) -> str:
    # A tree of conditions takes a third of the steps of a term for each flag.
    flags = [(sql, 1 << at) for at, (name, sql) in enumerate(FLAGS.items()) if _is(name, asks)]
    terms = [_tree(flags), f"(COALESCE(first_quality, 0) << {_AT['first_quality']})"]
    if "quality" in asks:
        terms.append(f"(COALESCE(quality, 0) << {_AT['quality']})")
    terms.append(f"({engine.letter('reader_call')} << {_AT['call']})")
    terms.append(f"({engine.letter('first_reader_call')} << {_AT['first_call']})")
    terms.append(engine.position(applications, "application_id", shift=_AT["application"]))
    return " | ".join(terms)


def _tree(flags: Sequence[tuple[str, int]], so_far: int = 0) -> str:
    """The sum of the bits of those conditions that hold."""
    if not flags:
        return str(so_far)
    (sql, bit), *rest = flags
    return f"CASE WHEN {sql} THEN {_tree(rest, so_far | bit)} ELSE {_tree(rest, so_far)} END"


def _unpacked(packed: Numbers, asks: frozenset[str]) -> dict[str, Numbers]:
    packed = packed.astype(np.int32)  # half of the memory to walk for each column
    columns = {name: packed & 1 << at != 0 for at, name in enumerate(FLAGS) if _is(name, asks)}
    for name, bits in SMALL.items():
        if _is(name, asks):
            columns[name] = ((packed >> _AT[name]) & ((1 << bits) - 1)).astype(np.int16)
    return columns


def _is(name: str, asks: frozenset[str]) -> bool:
    return name in asks or name not in RARE


def facts_query(
    programme: Programme,
    people: Sequence[uuid.UUID],
    as_of: measures.AsOf,
    applications: Sequence[uuid.UUID],
    *,
    asks: frozenset[str],
) -> tuple[str, list[Any], dict[str, str]]:
    """(query, parameters, kinds). Two numbers a fact: its three days, twenty bits each (DAY: not
    replaced), and what is small of it; and whose it is, or how many each person has."""
    since = engine.since
    u, ids = engine.given(people)
    replaced = [as_of.d2, as_of.n]
    cut = [engine.identifier(programme.pk), as_of.d, as_of.d2, as_of.n]
    days = (
        f"{since('performed_on')} * CAST({1 << 40} AS bigint) + "
        f"{since('signed_on')} * CAST({1 << 20} AS bigint) + "
        f"CASE WHEN superseded_on <= %s AND superseded_seq <= %s "
        f"THEN {since('superseded_on')} ELSE {DAY} END"
    )
    kinds = {"days": "long", "small": "int"} | ({"exam": "uuid"} if "exam" in asks else {})
    columns = f"{days} AS days, {_packed(applications, asks)} AS small, exam_id AS exam"
    where = "programme_id = %s AND performed_on <= %s AND signed_on <= %s AND seq <= %s"
    order = "performed_on, performed_at, exam_id, scan_id, ordinal"
    if engine.is_postgresql():
        # One ordered walk along the index for each person, however many there are. A person's
        # facts leave it together: each row that passes a join costs as much as reading it.
        together = ", ".join(
            f"{engine.as_bytes(name, kind)} AS {name}" for name, kind in kinds.items()
        )
        query = (
            f"SELECT f.* FROM {u} CROSS JOIN LATERAL ("  # noqa: S608 - own names
            f"SELECT {together}, count(*) AS facts FROM (SELECT {columns} FROM {ATTESTATION} "
            f"WHERE trainee_id = u.id AND {where} ORDER BY {order}) g) f"
        )
        kinds = {name: f"{kind}s" for name, kind in kinds.items()} | {"facts": "int"}
        return query, [ids, *replaced, *cut], kinds
    query = (
        f"SELECT u.n AS person, {columns} FROM {u} "  # noqa: S608 - own names
        f"CROSS JOIN {ATTESTATION} ON trainee_id = u.id WHERE {where} ORDER BY u.n, {order}"
    )
    return query, [*replaced, ids, *cut], kinds | {"person": "int"}


def _numbered(ids: Numbers) -> Numbers:
    """The same number for the same identifier; each stands next to itself as a rule."""
    if not len(ids):
        return np.zeros(0, np.int64)
    halves = ids.view(">u8").reshape(-1, 2).astype(np.uint64)
    begins = np.ones(len(ids), bool)
    begins[1:] = (halves[1:] != halves[:-1]).any(axis=1)
    once = halves[begins]
    order = np.lexsort((once[:, 1], once[:, 0]))
    new = np.ones(len(order), bool)
    new[1:] = (once[order[1:]] != once[order[:-1]]).any(axis=1)
    number = np.empty(len(order), np.int64)
    number[order] = np.cumsum(new) - 1
    return number[np.cumsum(begins) - 1]


def own_query(
    programme: Programme, people: Sequence[uuid.UUID]
) -> tuple[str, list[Any], dict[str, str]]:
    """A row a person, in their order: when their first exam was received, and whether they have
    credit from elsewhere."""
    u, ids = engine.given(people)
    first = (
        f"SELECT min(first_received_at) FROM {EXAM} "  # noqa: S608 - own names
        "WHERE trainee_id = u.id AND programme_id = %s"
    )
    transferred = (
        f"SELECT m.person_id FROM {TRANSFER} t JOIN {MEMBERSHIP} m ON m.id = t.membership_id "  # noqa: S608
        "WHERE t.programme_id = %s"
    )
    query = (
        f"SELECT {engine.second('at')} AS received, transferred FROM (SELECT u.n, ({first}) AS at, "  # noqa: S608
        f"CASE WHEN u.id IN ({transferred}) THEN 1 ELSE 0 END AS transferred "
        f"FROM {u} ORDER BY u.n) f"
    )
    own = engine.identifier(programme.pk)
    return query, [own, own, ids], {"received": "long", "transferred": "int"}


def waiting_query(
    programme: Programme,
    people: Sequence[uuid.UUID],
    as_of: measures.AsOf,
    applications: Sequence[uuid.UUID],
) -> tuple[str, list[Any], dict[str, str]]:
    """Scans without an attestation, and when their exams were received."""
    u, ids = engine.given(people)
    query = (
        f"SELECT u.n AS person, {engine.day('s.performed_on')} AS performed, "  # noqa: S608
        f"{engine.position(applications, 's.application_id')} AS application, s.exam_id AS exam, "
        "CASE WHEN s.state = 'returned' THEN 1 ELSE 0 END AS returned, "
        f"{engine.second('e.first_received_at')} AS received "
        f"FROM {u} CROSS JOIN {SCAN} s JOIN {EXAM} e ON e.id = s.exam_id "
        "WHERE s.trainee_id = u.id AND s.programme_id = %s AND s.performed_on <= %s "
        "AND s.state IN ('submitted', 'returned')"
    )
    kinds = dict.fromkeys(("person", "performed", "application", "returned"), "int")
    kinds |= {"exam": "uuid", "received": "long"}
    return query, [ids, engine.identifier(programme.pk), as_of.d], kinds


def _waiting(programme: Programme, as_of: measures.AsOf, rows: dict[str, Numbers]) -> Waiting:
    by_then = _local_days(programme, rows["received"]) <= as_of.d2.toordinal()
    said = {name: rows[name][by_then] for name in ("person", "performed", "application")}
    return Waiting(
        **said, exam=_numbered(rows["exam"][by_then]), returned=rows["returned"][by_then] != 0
    )


def _local_days(programme: Programme, seconds: Numbers) -> Numbers:
    """The programme's own day of each moment; NONE where there is none."""
    days = (
        NONE
        if second < 0
        else programme.local_date(dt.datetime.fromtimestamp(second, dt.UTC)).toordinal()
        for second in seconds.tolist()
    )
    return np.fromiter(days, np.int64, len(seconds))


def _confirmed(
    programme: Programme,
    people: Sequence[uuid.UUID],
    as_of: measures.AsOf,
    ids: Numbers,
    exam: Numbers,
) -> Numbers:
    """By number of the exam, and one more place for none."""
    numbers, first = np.unique(exam, return_index=True)
    place = {ids[at].tobytes(): n for n, at in zip(numbers.tolist(), first.tolist(), strict=True)}
    confirmed = np.full(len(numbers) + 1, NEVER)
    for pk, at in SupervisionConfirmation.objects.filter(
        programme=programme, exam__trainee__in=people, supervision=DIRECT, seq__lte=as_of.n
    ).values_list("exam_id", "recorded_at"):
        number, day = place.get(pk.bytes), programme.local_date(at)
        if number is not None and day <= as_of.d2:
            confirmed[number] = min(confirmed[number], day.toordinal())
    return confirmed
