"""What an outlook is computed from, as of a day and a ledger position. Reads only.

Cost: a few queries for a whole programme and those of `queries.histories`; then no query a trainee.
"""

from __future__ import annotations

import datetime as dt
import math
import uuid
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from accounts.models import Membership, Programme, Role
from credentialing import measures, queries
from credentialing.measures import AsOf, Fact, History, Plan
from credentialing.measures.plans import COUNTS
from credentialing.models import Leave, Standing
from credentialing.months import minus_months
from credentialing.outlook.forecast import Counts
from credentialing.outlook.futures import Question, WaitingExam
from credentialing.outlook.rates import (
    NOBODY,
    OWN_WEEKS,
    WEEK,
    YEARS_BACK,
    Away,
    Gamma,
    Past,
    Track,
    days_worth,
    dispersion,
    posterior,
    prior_of,
    rotation_factors,
)
from logbook.models import Scan

DAY = dt.timedelta(days=1)
POOL = 400
POOL_MONTHS = 24
LAG = 0.8
# Days on these are a rotation, worth what past trainees did there; without enough of them nothing,
# since the row says that its person is away from scanning.
ROTATIONS = ("elsewhere", "research")


@dataclass(frozen=True, slots=True)
class Member:
    membership_id: uuid.UUID
    person_id: uuid.UUID
    level: str
    starts_on: dt.date
    ends_on: dt.date | None


@dataclass(frozen=True, slots=True)
class Submitted:
    """One exam that was submitted: what it asks, and when. ended: day on which the last of its
    scans left the list unread; None where one is read or may be."""

    exam: uuid.UUID
    received_on: dt.date
    performed_on: dt.date
    applications: tuple[str, ...]


@dataclass(slots=True)
class Material:
    """A programme's trainees of the last years with everything a forecast looks at."""

    programme: Programme
    members: dict[uuid.UUID, Member]
    submitted: dict[uuid.UUID, list[Submitted]]
    histories: dict[uuid.UUID, History]
    away: dict[uuid.UUID, tuple[Away, ...]]
    last_count_on: dict[uuid.UUID, dt.date]
    _by_day: dict[tuple, Background] = field(default_factory=dict)

    def background(self, plan: Plan, as_of: AsOf) -> Background:
        """What is the same for every trainee of a plan on a day."""
        covered = self.covered(plan)
        key = (covered, as_of)
        if key not in self._by_day:
            self._by_day[key] = Background(self, covered, as_of)
        return self._by_day[key]

    def covered(self, plan: Plan) -> frozenset[str]:
        groups = next(iter(self.histories.values())).groups if self.histories else {}
        return frozenset(
            code for code in groups if any(clause.covers(code, groups) for clause in plan.clauses)
        )


def material_of(programme: Programme, *, on: dt.date) -> Material:
    """Everybody who is or was a trainee within the years that a prior and a back-test look at."""
    since = minus_months(on, 12 * (2 * YEARS_BACK))
    rows = Membership.objects.filter(programme=programme, role=Role.TRAINEE, starts_on__lte=on)
    members = {
        pk: Member(pk, person, level, starts, ends)
        for pk, person, level, starts, ends in rows.order_by("id").values_list(
            "id", "person_id", "level", "starts_on", "ends_on"
        )
        if ends is None or ends >= since
    }
    people = sorted({member.person_id for member in members.values()})
    return Material(
        programme,
        members,
        _submitted(programme),
        dict(queries.histories(programme, people)),
        _away(programme),
        _last_counts(programme),
    )


def _submitted(programme: Programme) -> dict[uuid.UUID, list[Submitted]]:
    exams: dict[uuid.UUID, list] = {}
    for trainee, exam, code, received_at, performed_on in (
        Scan.objects.filter(programme=programme, exam__first_received_at__isnull=False)
        .order_by("exam_id", "application__code")
        .values_list(
            "trainee_id", "exam_id", "application__code", "exam__first_received_at", "performed_on"
        )
        .iterator(chunk_size=5000)
    ):
        row = exams.setdefault(exam, [trainee, received_at, performed_on, []])
        row[3].append(code)
    found = defaultdict(list)
    for exam, (trainee, received_at, performed_on, codes) in exams.items():
        found[trainee].append(
            Submitted(exam, programme.local_date(received_at), performed_on, tuple(codes))
        )
    return found


def _away(programme: Programme) -> dict[uuid.UUID, tuple[Away, ...]]:
    found = defaultdict(list)
    for membership, starts, ends, reason in (
        Leave.objects.filter(programme=programme)
        .current()
        .values_list("membership_id", "starts_on", "ends_on", "reason")
    ):
        found[membership].append(Away(starts, ends, reason if reason in ROTATIONS else ""))
    return {pk: tuple(some) for pk, some in found.items()}


def _last_counts(programme: Programme) -> dict[uuid.UUID, dt.date]:
    """The day on which a membership met its last count; only where it meets them all."""
    days: dict[uuid.UUID, list[dt.date | None]] = defaultdict(list)
    for membership, reached, first, state in Standing.objects.filter(
        programme=programme, clause__measure__in=COUNTS, clause__direction=measures.AT_LEAST
    ).values_list("membership_id", "reached_with", "first_met_on", "state"):
        days[membership].append((reached or first) if state == measures.MET else None)
    return {pk: max(day for day in some if day) for pk, some in days.items() if all(some)}


class Background:
    """Prior, dispersion, factors, delays and a pool of exams, as of one day and position."""

    def __init__(self, material: Material, covered: frozenset[str], as_of: AsOf) -> None:
        self.material, self.covered, self.as_of = material, covered, as_of
        self.tracks = {
            pk: self.track(member, min(member.ends_on or as_of.d, as_of.d) + DAY)
            for pk, member in material.members.items()
            if member.starts_on <= as_of.d
        }
        measured = rotation_factors(self.tracks.values())
        self.factors = {kind: measured.get(kind, 0.0) for kind in ROTATIONS}
        self.phi = dispersion(self.tracks.values(), self.factors)
        self.lag = _lag(material.histories.values(), as_of)
        self._priors: dict[tuple[str, uuid.UUID | None], Gamma | None] = {}
        self._pools: dict[str, tuple[tuple[Fact, ...], ...]] = {}

    def track(self, member: Member, until: dt.date, *, all_of_them: bool = False) -> Track:
        days = tuple(
            one.received_on
            for one in self.material.submitted.get(member.person_id, ())
            if (all_of_them or self.covered.intersection(one.applications))
            and member.starts_on <= one.received_on < until
        )
        away = self.material.away.get(member.membership_id, ())
        return Track(member.person_id, member.starts_on, until, days, away)

    def prior(self, level: str, but: uuid.UUID) -> Gamma | None:
        """From whoever finished before the day, never from the trainee in question."""
        past = [m for m in self._finished() if m.person_id != but]
        key = (level, but if len(past) < len(self._finished()) else None)
        if key not in self._priors:
            self._priors[key] = prior_of(
                [self._past(m) for m in past if m.level == level],
                [self._past(m) for m in past],
                [self._past(m, all_of_them=True) for m in past],
            )
        return self._priors[key]

    def _finished(self) -> list[Member]:
        since = minus_months(self.as_of.d, 12 * YEARS_BACK)
        return [
            m
            for m in self.material.members.values()
            if m.ends_on is not None and since <= m.ends_on < self.as_of.d
        ]

    def _past(self, member: Member, *, all_of_them: bool = False) -> Past:
        """Each history ends on the day its last count was met."""
        last = self.material.last_count_on.get(member.membership_id, member.ends_on)
        until = min(last, member.ends_on) + DAY
        track = self.track(member, until, all_of_them=all_of_them)
        return Past(member.person_id, track.count, track.weeks(self.factors))

    def pool(self, level: str, but: uuid.UUID) -> tuple[tuple[Fact, ...], ...]:
        """Credited exams of the programme at this stage, at most 400, evenly over its trainees
        and months; the trainee's own are left out."""
        if level not in self._pools:
            since = minus_months(self.as_of.d, POOL_MONTHS)
            people = {m.person_id for m in self.material.members.values() if m.level == level}
            exams = [
                exam
                for person in sorted(people)
                for exam in exams_of(self.material.histories.get(person), self.as_of, self.covered)
                if exam[0].performed_on > since and _credited(exam)
            ]
            step = max(1, math.ceil(len(exams) / POOL))
            self._pools[level] = tuple(exams[::step])
        own = {one.exam for one in self.material.submitted.get(but, ())}
        return tuple(exam for exam in self._pools[level] if exam[0].exam not in own)


def _lag(histories: Iterable[History], as_of: AsOf) -> int:
    """The 80th percentile of days from receipt to signature, over the last twelve months."""
    since = minus_months(as_of.d, 12)
    days = sorted(
        (fact.signed_on - fact.received_on).days
        for history in histories
        for fact in history.facts
        if fact.ordinal == 1 and fact.known(as_of) and fact.signed_on > since
    )
    return days[min(len(days) - 1, math.ceil(LAG * len(days)) - 1)] if days else 0


def exams_of(
    history: History | None, as_of: AsOf, covered: frozenset[str]
) -> list[tuple[Fact, ...]]:
    """The read exams that ask what is covered, each as its current facts of that."""
    exams: dict = {}
    for fact in history.facts if history else ():
        if fact.application in covered and fact.known(as_of) and fact.replaced(as_of) is None:
            exams.setdefault(fact.exam, []).append(fact)
    return [
        tuple(facts)
        for _key, facts in sorted(exams.items(), key=lambda e: (e[1][0].performed_on, str(e[0])))
    ]


def _credited(exam: Iterable[Fact]) -> bool:
    return any(fact.credited for fact in exam)


# --- one trainee ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ready:
    """A trainee's question, and what is told with its answer. question None: `why` says why."""

    why: str
    exams: int
    weeks: float
    weeks_left: float
    prior: Gamma | None
    phi: float
    question: Question | None = None
    own_applications: dict[str, int] = field(default_factory=dict)


NO_END, TOO_EARLY, NOTHING_YET = "no_end", "too_early", "nothing_yet"


def ready(material: Material, member: Member, plan: Plan, as_of: AsOf) -> Ready:
    """Everything that `outlook.futures.tell` wants to know about one trainee on a day."""
    background = material.background(plan, as_of)
    covered = background.covered
    track = background.track(member, as_of.d + DAY)
    weeks, exams = track.weeks(background.factors), track.count
    history = material.histories.get(member.person_id) or History()
    asked: dict[str, int] = defaultdict(int)
    mine = [
        one
        for one in material.submitted.get(member.person_id, ())
        if covered.intersection(one.applications) and one.received_on <= as_of.d2
    ]
    for one in mine:
        if one.received_on >= member.starts_on:
            for code in one.applications:
                asked[code] += 1
    days = _days_left(member, background)
    prior = background.prior(member.level, member.person_id)
    told = {
        "exams": exams,
        "weeks": weeks,
        "weeks_left": float(days.sum()) / WEEK,
        "prior": prior,
        "phi": background.phi,
        "own_applications": dict(asked),
    }
    if member.ends_on is None:
        return Ready(NO_END, **told)
    if prior is None and weeks < OWN_WEEKS:
        return Ready(TOO_EARLY, **told)
    read = exams_of(history, as_of, covered)
    own = tuple(exam for exam in read if _credited(exam))
    pool = background.pool(member.level, member.person_id)
    if not own and not pool:
        return Ready(NOTHING_YET, **told)
    counts, uncredited, share, waiting = _outcomes(mine, read, history, as_of, covered)
    question = Question(
        plan=plan,
        history=history,
        now=as_of,
        end=max(member.ends_on, as_of.d2),
        days=days,
        rate=posterior(prior or NOBODY, exams, weeks, background.phi),
        phi=background.phi,
        counts=counts,
        own=own,
        pool=pool,
        waiting=waiting,
        uncredited=uncredited,
        uncredited_share=share,
    )
    return Ready("", question=question, **told)


def _days_left(member: Member, background: Background):
    """Exposure of each day from tomorrow on. What is submitted later is not read in time."""
    tomorrow = background.as_of.d + DAY
    if member.ends_on is None:
        return days_worth(tomorrow, tomorrow, (), {})
    until = member.ends_on + DAY - dt.timedelta(days=background.lag)
    away = background.material.away.get(member.membership_id, ())
    return days_worth(tomorrow, max(tomorrow, until), away, background.factors)


def _outcomes(mine, read, history: History, as_of: AsOf, covered: frozenset[str]):
    """What became of the exams of the last twelve months, and which still wait."""
    since = minus_months(as_of.d, 12)
    by_exam = {exam[0].exam: exam for exam in read}
    over = {
        one.scan for one in history.ended if one.ended_on is not None and one.ended_on <= as_of.d2
    }
    ended = defaultdict(set)
    for one in history.ended:
        if one.scan in over:
            ended[one.exam].add(one.application)
    yes = no = read_for_nothing = 0
    waiting = []
    for one in mine:
        facts = by_exam.get(one.exam, ())
        done = {fact.application for fact in facts} | ended[one.exam]
        left = tuple(code for code in one.applications if code in covered and code not in done)
        if left:
            waiting.append(WaitingExam(one.performed_on, left))
        if one.received_on <= since:
            continue
        if _credited(facts):
            yes += 1
        elif not left:
            no += 1
            read_for_nothing += bool(facts)
    uncredited = tuple(exam for exam in read if not _credited(exam))
    share = read_for_nothing / no if no and uncredited else 0.0
    return Counts(yes, no), uncredited, share, tuple(waiting)
