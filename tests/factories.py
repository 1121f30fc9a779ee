"""People with names and situations with names; every step walks the real actions.

Each floor appends its own part. Times are given: nothing here reads the clock.
"""

from __future__ import annotations

import datetime as dt
import itertools
import uuid
from zoneinfo import ZoneInfo

from accounts.actions import people, programmes
from accounts.fields import uuid7
from accounts.models import Membership, Person, Programme, Role
from logbook import keeping, processing
from logbook.actions import captures, exams, uploads
from logbook.answers import Answer
from logbook.intake.arrival import ArrivalMac
from logbook.models import Capture, Upload
from logbook.uploads import ARRIVED, Arrival
from review import queries as review_queries
from review.actions import attestations, holds, readings

ZONE = ZoneInfo("Europe/Berlin")
START = dt.date(2026, 1, 5)
PASSWORD = "a long walk along the pleura"
_numbers = itertools.count(1)


def at(day: dt.date | int = 0, hour: int = 9, minute: int = 0) -> dt.datetime:
    """A moment in the programme's zone: a date, or so many days after START."""
    if isinstance(day, int):
        day = START + dt.timedelta(days=day)
    return dt.datetime.combine(day, dt.time(hour, minute), ZONE)


def a_programme(
    *,
    code: str | None = None,
    name: str = "Northfield Emergency Ultrasound",
    duty_telephone: str = "extension 4410",
    when: dt.datetime | None = None,
) -> Programme:
    """A programme with every floor's default settings."""
    return programmes.create(
        institution="northfield",
        institution_name="Northfield Teaching Hospital",
        code=code or f"programme-{next(_numbers)}",
        name=name,
        time_zone="Europe/Berlin",
        duty_telephone=duty_telephone,
        by=None,
        at=when or at(0, 0),
    )


def a_member(
    programme: Programme,
    role: str,
    name: str,
    *,
    email: str = "",
    level: str = "",
    starts_on: dt.date = START,
    ends_on: dt.date | None = None,
    when: dt.datetime | None = None,
    password: str = "",
) -> Person:
    """A person of the programme. With `password` they can sign in (slow, as it should be)."""
    membership: Membership = people.add(
        programme=programme,
        name=name,
        role=role,
        starts_on=starts_on,
        ends_on=ends_on,
        email=email or f"{name.lower().replace(' ', '.')}.{next(_numbers)}@northfield.example",
        level=level,
        by=None,
        at=when or at(0, 0),
        invite=False,
    )
    if password:
        membership.person.set_password(password)
        membership.person.save(update_fields=["password"])
    return membership.person


def a_trainee(programme: Programme, name: str = "Ada Fenn", **more) -> Person:
    return a_member(programme, Role.TRAINEE, name, **more)


def a_reader(
    programme: Programme,
    name: str = "Bo Lindqvist",
    may_read: tuple[str, ...] = ("pneumothorax", "consolidation", "interstitial", "effusion"),
    **more,
) -> Person:
    """Faculty with a privilege for each of `may_read`."""
    person = a_member(programme, Role.FACULTY, name, **more)
    for application in may_read:
        people.grant(
            programme=programme,
            person=person,
            application=application,
            from_on=more.get("starts_on", START),
            by=None,
            at=more.get("when") or at(0, 0),
        )
    return person


def a_director(programme: Programme, name: str = "Dora Quist", **more) -> Person:
    return a_member(programme, Role.DIRECTOR, name, **more)


def a_coordinator(programme: Programme, name: str = "Cai Brandt", **more) -> Person:
    return a_member(programme, Role.COORDINATOR, name, **more)


def outside(person: Person, programme: Programme) -> Person:
    """The same person in a second programme, as a trainee."""
    people.add(
        programme=programme,
        name=person.name,
        email=person.email,
        role=Role.TRAINEE,
        starts_on=START,
        by=None,
        at=at(0, 0),
        invite=False,
    )
    return person


# --- logbook --------------------------------------------------------------------------------------

NOW = at(63)  # a Monday morning in March

CLOSED_ANSWERS = {
    "pneumothorax": {"right": "negative", "left": "negative", "confidence": "sure"},
    "consolidation": {"right": "negative", "left": "negative", "confidence": "fairly"},
    "interstitial": {"pattern": "none", "confidence": "fairly"},
    "effusion": {"right": "positive", "left": "negative", "confidence": "sure"},
}


def exam_draft(*, supervisor=None, when=NOW, asks=("pneumothorax",), **fields):
    """A draft that could be submitted, but for its captures. ``fields`` replace its own."""
    draft = {
        "applications": list(asks),
        "setting": "clinical",
        "place": "Resuscitation",
        "performed_at": (when - dt.timedelta(hours=2)).isoformat(),
        "answered_at": (when - dt.timedelta(hours=1)).isoformat(),
        "age_band": "18-64",
        "position": "supine",
        "breathing": "spontaneous",
        "chest_procedure": "none",
        "indication": "breathlessness",
        "operator": "all",
        "supervision": "direct",
        "supervisor": str(getattr(supervisor, "pk", supervisor) or ""),
        "supervisor_typed": "" if supervisor else "Dr. Visiting",
        "knew_result": "no",
        "answers": {code: CLOSED_ANSWERS[code] for code in asks},
    }
    return {**draft, **fields}


def drafted_exam(trainee, programme, *, supervisor=None, when=NOW, exam_id=None, **fields):
    """An exam as a draft, saved by its trainee."""
    saved = exams.save_draft(
        exam_id=exam_id or uuid.uuid4(),
        programme=programme,
        draft=exam_draft(supervisor=supervisor, when=when, **fields),
        version=None,
        by=trainee,
        at=when,
    )
    return saved.exam


def archived_capture(exam, *, zone="R1", when=NOW, **fields):
    """A capture that is kept in the department's archive: ready, and nothing is stored."""
    return Capture.objects.create(
        programme=exam.programme,
        exam=exam,
        ordinal=exam.captures.count() + 1,
        zone=zone,
        kind="archive",
        state="ready",
        created_at=when,
        ready_at=when,
        **fields,
    )


def submitted_exam(trainee, programme, *, zones=("R1", "L1"), supervisor=None, when=NOW, **fields):
    """An exam that waits to be read: submitted, every capture ready."""
    exam = drafted_exam(trainee, programme, supervisor=supervisor, when=when, **fields)
    for zone in zones:
        archived_capture(exam, zone=zone, when=when)
    exams.submit(exam=exam, version=exam.version, by=trainee, at=when)
    exam.refresh_from_db()
    return exam


def arrived_capture(exam, content, *, zone="R1", when=NOW, **more):
    """A file that has come whole and waits to be stripped."""
    upload_id = str(uuid7())
    key, sealed_key, sealed_by = keeping.fresh_key(upload_id)
    mac = ArrivalMac(keeping.arrival_key())
    size = keeping.staging().write(upload_id, ARRIVED, mac.watch([content]), key=key)
    arrival = Arrival(upload_id, sealed_key, sealed_by, size, mac.hexdigest(), mac.key_id)
    said = {"probe": "linear", "depth_mm": 40, "mode": "b", **more}
    return captures.receive(
        capture_id=uuid.uuid4(),
        exam=exam,
        arrival=arrival,
        zone=zone,
        by=exam.trainee,
        at=when,
        **said,
    )


def begun_upload(exam, size, *, zone="R1", when=NOW, **more):
    """Room for a file that comes in pieces; nothing of it has come."""
    return uploads.begin(
        capture_id=uuid.uuid4(),
        exam=exam,
        size=size,
        zone=zone,
        by=exam.trainee,
        at=when,
        **{"probe": "linear", "depth_mm": 40, "mode": "b", **more},
    )


def stripped_capture(exam, content, *, when=NOW, **more):
    """A capture whose frames wait for their person to say what is hidden."""
    capture = arrived_capture(exam, content, when=when, **more)
    processing.process(capture.upload, clock=lambda: when)
    return Capture.objects.get(pk=capture.pk)


def kept_capture(exam, content, *, when=NOW, **more):
    """A capture that went the whole way: its master and poster are in the store."""
    capture = stripped_capture(exam, content, when=when, **more)
    mask = processing.facts_of(capture.upload).mask
    captures.confirm_mask(capture=capture, mask=mask, by=exam.trainee, at=when)
    processing.process(Upload.objects.get(capture=capture), clock=lambda: when)
    return Capture.objects.get(pk=capture.pk)


# --- review ---------------------------------------------------------------------------------------


def stored_clip(exam, *, zone="R1", when=NOW, **fields):
    """A clip that is stored and ready: its master's hash is all that a reading needs to name."""
    ordinal = exam.captures.count() + 1
    return Capture.objects.create(
        programme=exam.programme,
        exam=exam,
        ordinal=ordinal,
        zone=zone,
        state="ready",
        created_at=when,
        ready_at=when,
        **{
            "kind": "clip",
            "probe": "linear",
            "depth_mm": 40,
            "master_key": f"{exam.programme_id}/00/{ordinal:064d}",
            "master_sha256": f"{ordinal:064d}",
            "frames": 48,
            "duration_ms": 1920,
            "width": 320,
            "height": 240,
            **fields,
        },
    )


def waiting_exam(trainee, programme, *, zones=("R1", "L1"), when=NOW, **fields):
    """An exam on the reading list, with a stored clip of each zone."""
    exam = drafted_exam(trainee, programme, when=when, **fields)
    for zone in zones:
        stored_clip(exam, zone=zone, when=when)
    exams.submit(exam=exam, version=exam.version, by=trainee, at=when)
    exam.refresh_from_db()
    return exam


def marks(answer="R- L-", quality=4, **more):
    """What a reader marks blind about one scan."""
    said = Answer.parse(answer)
    return {
        "right": said.right,
        "left": said.left,
        "pattern": said.pattern,
        "limited": said.limited,
        "quality": quality,
        **more,
    }


def revealed_exam(reader, exam, answers=None, *, quality=4, when=NOW, **more):
    """Taken, read blind and revealed. ``answers``: code of the application -> code of the answer;
    what is not named is read as negative or none. Returns the readings in the scans' order."""
    holds.take(programme=exam.programme, exam=exam, by=reader, at=when)
    on = exam.programme.local_date(when)
    scans = review_queries.scans_to_read(exam, reader, on=on)
    said = {
        str(scan.pk): marks(
            (answers or {}).get(
                scan.application.code, "R- L-" if scan.application.kind == "sided" else "none"
            ),
            quality,
            **more,
        )
        for scan in scans
    }
    readings.save(exam=exam, scans=said, by=reader, at=when)
    return readings.reveal(exam=exam, by=reader, at=when)


def signed_exam(reader, exam, answers=None, *, quality=4, when=NOW, **signature):
    """Read blind, revealed and signed. Returns the attestations in the scans' order."""
    given = revealed_exam(reader, exam, answers, quality=quality, when=when)
    return attestations.sign(
        exam=exam,
        signatures=[attestations.Signature(reading.scan_id, **signature) for reading in given],
        by=reader,
        at=when,
    )
