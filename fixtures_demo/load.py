"""Makes the story true: every event through the service's own actions, at its own time.

The clock is an argument everywhere below, so eighteen months pass in a minute. Many actions share
one outer transaction; each stays an action of its own, with its entry in the ledger.
"""

from __future__ import annotations

import datetime as dt
import functools
import gc
import time
import uuid
from collections.abc import Callable, Mapping
from pathlib import Path

from celery import chain
from django.contrib.auth.hashers import make_password
from django.db import transaction

from accounts.actions import people as people_actions
from accounts.actions import programmes as programme_actions
from accounts.models import Membership, Person, Programme, Role
from credentialing import planfile, tasks
from credentialing.actions import plans as plan_actions
from credentialing.actions import record, standing
from credentialing.actions import reports as report_actions
from fixtures_demo import clips, happenings, people, story
from fixtures_demo.pictures import Pictures
from logbook.actions import exams as exam_actions
from logbook.actions import programmes as logbook_actions
from logbook.actions import scanners, supervision
from logbook.answers import Answer
from logbook.drafts import answer_parts
from logbook.models import Application, Exam, Scan
from review.actions import assessments, attestations, discrepancies, holds, readings
from review.actions import scans as scan_actions
from review.models import Attestation, Discrepancy

BATCH = 120
Say = Callable[[str], None]


class AlreadyThere(Exception):
    """A programme of the demonstration exists; nothing was written."""


def load(*, now: dt.datetime, folder: Path, say: Say, weekly: float = 1.0) -> dict[str, float]:
    """The whole demonstration. `now`: aware; `folder`: where drawn clips are kept.

    Returns seconds by part. Raises AlreadyThere.
    """
    company = people.demonstration()
    codes = [one.code for one in company.programmes]
    if Programme.objects.filter(code__in=codes).exists():
        raise AlreadyThere
    watch = _Watch()
    files = clips.ensure(folder, say=lambda slug: say(f"Drawing {slug}"))
    watch.lap("clips")
    events = story.tell(now, weekly=weekly)
    say("People and programmes")
    with transaction.atomic():
        cast = Cast.enter(company, events[0].at - dt.timedelta(hours=1), now.date())
    watch.lap("people")
    loader = Loader(cast, Pictures(files))
    gc.set_threshold(200_000, 50, 50)  # millions of small objects, hardly a cycle among them
    for start in range(0, len(events), BATCH):
        with transaction.atomic():
            for event in events[start : start + BATCH]:
                loader.happen(event)
        say(f"Exams and readings: {min(start + BATCH, len(events))} of {len(events)} events")
    watch.lap("events")
    say("Where everybody stands")
    for programme in cast.programmes.values():
        while standing.follow(programme=programme, at=now) is not None:
            pass
    for programme in cast.programmes.values():
        report_actions.make_key(programme=programme, by=None, at=now)
    watch.lap("standings")
    # What is to come is the worker's, as on every night: two fifths of the loading went there.
    chain(tasks.tick.si(), tasks.outlooks.si()).delay()
    return watch.seconds


class _Watch:
    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._since = time.monotonic()

    def lap(self, name: str) -> None:
        now = time.monotonic()
        self.seconds[name], self._since = now - self._since, now


@functools.cache
def _password() -> str:
    """One slow hash for everybody: the password is printed on the screen anyway."""
    return make_password(people.PASSWORD)


class Cast:
    """Programmes by code and people by key, as rows."""

    def __init__(
        self,
        company: people.Company,
        programmes: Mapping[str, Programme],
        persons: Mapping[str, Person],
    ) -> None:
        self.company = company
        self.programmes = programmes
        self.persons = persons
        self.places: dict[str, str] = {"": ""}  # name -> code

    @classmethod
    def enter(cls, company: people.Company, at: dt.datetime, today: dt.date) -> Cast:
        """Programmes, people, roles and privileges, in force from before the first exam."""
        programmes: dict[str, Programme] = {}
        for one in company.programmes:
            programme = programme_actions.create(
                institution="harrowmere",
                institution_name=people.INSTITUTION,
                code=one.code,
                name=one.name,
                time_zone=people.ZONE,
                duty_telephone=one.duty_telephone,
                by=None,
                at=at,
            )
            programmes[one.code] = programme
            cls._plan(programme, at)
        password = _password()
        persons: dict[str, Person] = {}
        for who in company.people:
            for role in who.roles:
                persons[who.key] = cls._belong(who, role, programmes[role.programme], at, today)
        for person in persons.values():
            person.password = password
        Person.objects.bulk_update(persons.values(), ["password"], batch_size=500)
        cast = cls(company, programmes, persons)
        cast._name_places(at)
        return cast

    @staticmethod
    def _belong(who, role, programme: Programme, at: dt.datetime, today: dt.date) -> Person:
        starts, ends = at.date() - dt.timedelta(days=400), None
        if role.role == "trainee":
            starts, ends = people.academic_year(today, role.year)
        membership = people_actions.add(
            programme=programme,
            email=who.email,
            name=who.name,
            role=role.role,
            starts_on=starts,
            ends_on=ends,
            profession=who.profession,
            level=role.level,
            staff_number=who.staff_number,
            legal_name=who.name if role.role == "trainee" else "",
            by=None,
            at=at,
            invite=False,
        )
        if role.role == "faculty":
            for application in who.reads:
                people_actions.grant(
                    programme=programme,
                    person=membership.person,
                    application=application,
                    from_on=starts,
                    by=None,
                    at=at,
                )
        return membership.person

    def _name_places(self, at: dt.datetime) -> None:
        for one in self.company.programmes:
            director = self.director(one.code)
            for place in one.places:
                value = logbook_actions.add_value(
                    programme=self.programmes[one.code],
                    list_code="place",
                    text=place,
                    by=director,
                    at=at,
                )
                self.places[place] = value.code

    @staticmethod
    def _plan(programme: Programme, at: dt.datetime) -> None:
        """The invented plan, in force from the first day: every trainee begins under it."""
        told = planfile.parse((Path(__file__).parent / "plan.toml").read_text("utf-8"))
        day = programme.local_date(at)
        plan_actions.publish(
            programme=programme,
            plan=told.plan,
            sources=told.sources,
            effective_on=day,
            approved_on=day,
            by_default=True,
            by=None,
            at=at,
        )

    def director(self, code: str) -> Person:
        return next(
            self.persons[who.key]
            for who in self.company.people
            for role in who.roles
            if (role.programme, role.role) == (code, "director")
        )


class Loader:
    """One method a kind of event."""

    def __init__(self, cast: Cast, pictures: Pictures) -> None:
        self.cast = cast
        self.pictures = pictures

    def happen(self, event: happenings.Event) -> None:
        getattr(self, event.kind)(event, event.data)

    def draft(self, event: happenings.Event, exam: happenings.Exam) -> None:
        exam_actions.save_draft(
            exam_id=exam.id,
            programme=self.cast.programmes[exam.programme],
            draft=draft_of(exam, self.cast),
            version=None,
            by=self.cast.persons[exam.trainee],
            at=exam.saved_at,
        )

    def exam(self, event: happenings.Event, exam: happenings.Exam) -> None:
        trainee = self.cast.persons[exam.trainee]
        programme = self.cast.programmes[exam.programme]
        saved = exam_actions.save_draft(
            exam_id=exam.id,
            programme=programme,
            draft=draft_of(exam, self.cast),
            version=None,
            by=trainee,
            at=exam.saved_at,
        ).exam
        saved.programme = programme
        self.pictures.add(saved, exam.clips, by=trainee, at=exam.saved_at)
        exam_actions.submit(exam=saved, version=saved.version, by=trainee, at=event.at)

    def shift(self, event: happenings.Event, shift: happenings.Shift) -> None:
        supervision.confirm_shift(
            programme=self.cast.programmes[event.programme],
            exams=list(shift.exams),
            by=self.cast.persons[shift.by],
            at=event.at,
        )

    def turn(self, event: happenings.Event, turn: happenings.Turn) -> None:
        exam = Exam.objects.select_related("programme").get(pk=turn.exam)
        by = self.cast.persons[turn.by]
        if turn.what == "withdrawn":
            exam_actions.withdraw(exam=exam, by=by, at=event.at)
            return
        holds.take(programme=exam.programme, exam=exam, by=by, at=event.at)
        scan_ids = list(Scan.objects.filter(exam=exam).values_list("pk", flat=True))
        at = event.at + dt.timedelta(minutes=1)
        if turn.what == "returned":
            scan_actions.return_(
                exam=exam, scan_ids=scan_ids, zones=("R1", "L1"), text=turn.sentence, by=by, at=at
            )
        else:
            scan_actions.set_aside(
                exam=exam, scan_ids=scan_ids, reason=turn.reason, text=turn.sentence, by=by, at=at
            )

    def read(self, event: happenings.Event, reading: happenings.Read) -> None:
        exam = Exam.objects.select_related("programme").get(pk=reading.exam)
        by = self.cast.persons[reading.reader]
        scans: dict[str, uuid.UUID] = dict(
            Scan.objects.filter(exam=exam).values_list("application__code", "pk")
        )
        marked = {}
        for code, said in reading.answers.items():
            answer = Answer.parse(said.answer)
            marked[str(scans[code])] = {
                "right": answer.right,
                "left": answer.left,
                "pattern": answer.pattern,
                "limited": answer.limited,
                "quality": reading.quality,
            }
        readings.save(exam=exam, scans=marked, by=by, at=event.at)  # takes the hold
        readings.reveal(exam=exam, by=by, at=reading.revealed_at)
        signatures = [
            attestations.Signature(
                scan_id=scans[code],
                items=reading.items,
                feedback=reading.sentence if index == 0 else "",
                told=reading.told,
            )
            for index, code in enumerate(reading.answers)
        ]
        attestations.sign(exam=exam, signatures=signatures, by=by, at=reading.signed_at)

    def mended(self, event: happenings.Event, told: happenings.Mended) -> None:
        exam = Exam.objects.select_related("programme", "trainee", "revision").get(pk=told.exam)
        self.pictures.add(exam, told.clips, by=exam.trainee, at=event.at)
        saved = exam_actions.save_draft(
            exam_id=exam.pk,
            programme=exam.programme,
            draft=exam_actions.present_draft(exam),
            version=exam.version,
            by=exam.trainee,
            at=event.at,
        ).exam
        exam_actions.submit(exam=saved, version=saved.version, by=exam.trainee, at=event.at)

    def correction(self, event: happenings.Event, told: happenings.Correction) -> None:
        signed = Attestation.objects.current().get(
            exam=told.exam, application__code=told.application
        )
        attestations.supersede(
            attestation=signed,
            reason=told.reason,
            items=told.items,
            by=self.cast.persons[told.reader],
            at=event.at,
        )

    def watched(self, event: happenings.Event, told: happenings.Watched) -> None:
        programme = self.cast.programmes[event.programme]
        assessments.sign(
            programme=programme,
            trainee=self.cast.persons[told.trainee],
            application=self.application(programme, told.application),
            watched=assessments.Watched(
                level=told.level,
                items=told.items,
                sentence=told.sentence,
                summative=told.summative,
            ),
            performed_on=told.performed_on,
            by=self.cast.persons[told.by],
            at=event.at,
        )

    def kept(self, event: happenings.Event, told: happenings.Kept) -> None:
        programme = self.cast.programmes[event.programme]
        says = dict(told.says)
        if "application" in says:
            says["application"] = self.application(programme, says["application"])
        record.add(
            kind=told.kind,
            membership=Membership.objects.get(
                programme=programme, person=self.cast.persons[told.trainee], role=Role.TRAINEE
            ),
            says=says,
            by=self.cast.director(event.programme),
            at=event.at,
        )

    def counted(self, event: happenings.Event, told: happenings.Counted) -> None:
        scanners.enter_counts(
            programme=self.cast.programmes[event.programme],
            month=told.month,
            counts={self.cast.places[place]: n for place, n in told.counts.items()},
            by=self.cast.director(event.programme),
            at=event.at,
        )

    @staticmethod
    def application(programme: Programme, code: str) -> Application:
        return Application.objects.get(programme=programme, code=code)

    def seen(self, event: happenings.Event, exam: uuid.UUID) -> None:
        """The trainee acknowledges what was urgent in an exam."""
        waiting = Discrepancy.objects.filter(attestation__exam=exam, acknowledged_at=None)
        for row in waiting.select_related("trainee"):
            discrepancies.acknowledge(discrepancy=row, by=row.trainee, at=event.at)


def draft_of(exam: happenings.Exam, cast: Cast) -> dict[str, object]:
    """The draft as the trainee's phone sends it."""
    persons = cast.persons
    return {
        **exam.fields,
        "place": cast.places[exam.fields["place"]],
        "performed_at": exam.performed_at.isoformat(),
        "answered_at": exam.answered_at.isoformat() if exam.answers else "",
        "supervisor": str(persons[exam.supervisor].pk) if exam.supervisor else "",
        "supervisor_typed": exam.supervisor_typed,
        "note": exam.note,
        "applications": sorted(exam.answers),
        "answers": {
            code: answer_parts(Answer.parse(said.answer), said.confidence)
            for code, said in exam.answers.items()
        },
        "findings": exam.findings,
    }
