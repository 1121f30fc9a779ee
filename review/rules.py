"""Who may read, sign, return and correct, and what the exam must allow.

Each ``check_*`` raises ``accounts.errors.Refused`` with a sentence for the user.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts.errors import Conflict, Forbidden, Refused
from accounts.models import Membership, Privilege, Role
from logbook import doors
from logbook.answers import PATTERN, Answer
from logbook.models import Exam, Scan
from review import queries
from review.models import Assessment, Attestation, Hold, Reading

if TYPE_CHECKING:
    from accounts.models import Person, Programme
    from logbook.models import Application

HOLD = dt.timedelta(minutes=20)
LATEST_ASSESSMENT = dt.timedelta(days=14)


class HeldByAnother(Conflict):
    """Somebody else has taken the exam meanwhile; nothing was written."""

    def __init__(self, hold: Hold) -> None:
        self.hold = hold
        super().__init__(
            _("%(name)s has this exam now. Take the next one; what you had marked is kept.")
            % {"name": hold.reader.name},
            code="held",
        )


# --- who may --------------------------------------------------------------------------------------


def check_duty_telephone(programme: Programme) -> None:
    """Whoever finds something urgent must know whom to call before they begin to read."""
    if not programme.duty_telephone:
        raise Refused(
            _(
                "No duty telephone is set, so there is no reading list. The programme's director "
                "sets it in the settings."
            ),
            code="no_duty_telephone",
        )


def check_reader(scan: Scan, person: Person, *, on: dt.date) -> None:
    """The person could be this scan's reader: the privilege, and not their own scan."""
    if scan.trainee_id == person.pk:
        raise Forbidden(_("Nobody reads their own scan."), code="own_scan")
    if not queries.readable_by(person, scan.programme, on=on).filter(pk=scan.pk).exists():
        raise Forbidden(
            _("You do not hold the privilege to read this scan, or you were at its bedside."),
            code="no_privilege",
        )


def check_may_correct(attestation: Attestation, person: Person, *, on: dt.date) -> None:
    """The signer, or somebody with the privilege; a director only where they are one of these."""
    if attestation.superseded_on is not None:
        raise Conflict(_("This attestation has been corrected already. Reload the page."))
    if attestation.trainee_id == person.pk:
        raise Forbidden(_("Nobody attests their own scan."), code="own_scan")
    readable = Scan.objects.filter(pk=attestation.scan_id).readable_by(person, on=on)
    if attestation.reader_id != person.pk and not readable.exists():
        raise Forbidden(
            _("Only the signer, or a reader with the privilege, can correct an attestation."),
            code="no_privilege",
        )


def check_may_assess(
    programme: Programme, trainee: Person, application: Application, person: Person, *, on: dt.date
) -> None:
    """Faculty of the day with the privilege for the application, and somebody else than oneself."""
    if trainee.pk == person.pk:
        raise Forbidden(_("Nobody assesses themselves."), code="oneself")
    serves = Membership.objects.on(on).filter(programme=programme, person=person, role=Role.FACULTY)
    holds = Privilege.objects.on(on).filter(
        programme=programme, person=person, application=application.code
    )
    if application.programme_id != programme.pk or not (serves.exists() and holds.exists()):
        raise Forbidden(
            _("You do not hold the privilege for %(application)s.")
            % {"application": application.name},
            code="no_privilege",
        )


def check_watched_on(
    programme: Programme, trainee: Person, day: dt.date, *, today: dt.date
) -> None:
    """On a day of the trainee's time here, today or shortly before: it is signed at the bedside."""
    if day > today:
        raise Refused(_("That day is still to come."), code="future", field="performed_on")
    if today - day > LATEST_ASSESSMENT:
        raise Refused(
            _("An assessment is signed within %(n)s days of what was watched.")
            % {"n": LATEST_ASSESSMENT.days},
            code="long_ago",
            field="performed_on",
        )
    there = Membership.objects.on(day).filter(
        programme=programme, person=trainee, role=Role.TRAINEE
    )
    if not there.exists():
        raise Refused(
            _("On that day this person was not a trainee here."),
            code="not_there",
            field="performed_on",
        )


def check_may_change_assessment(assessment: Assessment, person: Person) -> None:
    if assessment.superseded_on is not None or assessment.taken_back:
        raise Conflict(_("This assessment has been corrected already. Reload the page."))
    if assessment.assessor_id != person.pk:
        raise Forbidden(_("Only who signed an assessment can correct it."), code="not_yours")


# --- what the exam allows -------------------------------------------------------------------------


def check_holds(exam: Exam, person: Person, *, at: dt.datetime) -> Hold:
    hold = queries.live_hold(exam, at=at)
    if hold is None:
        raise Refused(
            _("Your time with this exam ran out. Take it again; what you had marked is kept."),
            code="hold_over",
        )
    if hold.reader_id != person.pk:
        raise HeldByAnother(hold)
    return hold


def check_waiting(exam: Exam) -> None:
    if exam.state != "complete":
        raise Refused(
            _("This exam no longer waits to be read. Take the next one."), code="not_waiting"
        )


def check_same_revision(scan: Scan, reading: Reading) -> None:
    if scan.revision_id != reading.revision_id:
        raise Conflict(
            _("The trainee has submitted this exam again since you read it. Read it once more."),
            code="revision",
        )


def answer_fault(answer: Answer, kind: str) -> str:
    """Why this is no complete answer to a scan of that kind; empty where it is."""
    if answer.is_open:
        if answer.pattern:
            return _("Say on which side, or both.")
        return _("Choose an answer.") if kind == PATTERN else _("Answer both sides.")
    if answer.kind and answer.kind != kind:
        return _("Choose a pattern.") if kind == PATTERN else _("Answer both sides.")
    return ""


def check_asks(zones: Sequence[str], captures: Sequence[str], fields: Sequence[str]) -> None:
    if not (zones or captures or fields):
        raise Refused(
            _("Say which zones, captures or fields you need."), code="asks_nothing", field="zones"
        )


# --- doors of the logbook -------------------------------------------------------------------------


@doors.before_edit
def check_not_held(exam: Exam, at: dt.datetime) -> None:
    """Registered with the logbook: nothing changes under a reader's eyes."""
    if queries.live_hold(exam, at=at) is not None:
        raise Refused(_("This exam is being read right now. Try again in 20 minutes."), code="held")


@doors.before_withdrawal
def check_not_revealed(exam: Exam, at: dt.datetime) -> None:
    if Reading.objects.filter(scan__exam=exam).exists():
        raise Refused(
            _("A reader has seen your answers. This exam can no longer be withdrawn."),
            code="revealed",
        )
