"""Who may change an exam, and what an exam must have before it can be submitted.

Each ``check_*`` raises ``accounts.errors.Refused`` with a sentence for the user.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.utils.translation import gettext as _

from accounts.errors import Refused
from logbook import doors, drafts
from logbook.answers import PATTERN, SIDED
from logbook.models import Exam, Scan
from logbook.queries import Logbook, supervisors_of
from logbook.value_lists import signs

if TYPE_CHECKING:
    from accounts.models import Person

CLOCK_TOLERANCE = dt.timedelta(minutes=10)  # phones run fast; more than that is a wrong date
OLDEST = dt.timedelta(days=366)
OF_THE_PATIENT = ("age_band", "position", "breathing", "chest_procedure", "indication", "place")
ALWAYS = ("setting", "operator", "supervision")


class Incomplete(Refused):
    """The draft cannot be submitted yet. ``faults`` maps a field to a sentence."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        self.faults = dict(faults)
        super().__init__(_("This exam is not complete yet."), code="incomplete")


def check_own(exam: Exam, person: Person) -> None:
    if exam.trainee_id != person.pk:
        raise Refused(_("Only the person who recorded an exam can change it."), code="not_yours")


def check_editable(exam: Exam, at: dt.datetime) -> None:
    """Edits end with a withdrawal, and once nothing of the exam waits to be read."""
    if exam.state == "withdrawn":
        raise Refused(_("This exam was withdrawn. Record a new one."), code="withdrawn")
    if exam.first_received_at is not None:
        waiting = Scan.objects.filter(exam=exam, state__in=["submitted", "returned"])
        if not waiting.exists():
            raise Refused(
                _("Everything in this exam has been read. It can no longer be changed."),
                code="read",
            )
    doors.check_edit(exam, at)


def check_withdrawable(exam: Exam, at: dt.datetime) -> None:
    if exam.state == "withdrawn":
        raise Refused(_("This exam was withdrawn already."), code="withdrawn")
    if Scan.objects.filter(exam=exam, state__in=["attested", "set_aside"]).exists():
        raise Refused(
            _("Part of this exam has been read. It can no longer be withdrawn."), code="read"
        )
    doors.check_edit(exam, at)
    doors.check_withdrawal(exam, at)


def check_submittable(exam: Exam, draft: Mapping[str, Any], logbook: Logbook, *, at) -> None:
    """Raises Incomplete with one sentence a field; the sentences say what to do."""
    if found := faults(exam, draft, logbook, at=at):
        raise Incomplete(found)


def faults(
    exam: Exam, draft: Mapping[str, Any], logbook: Logbook, *, at: dt.datetime
) -> dict[str, str]:
    return {
        **_listed(draft, logbook),
        **_times(draft, at),
        **_applications(exam, draft, logbook),
        **_answers(exam, draft, logbook),
        **_findings(draft, logbook),
        **_people(exam, draft, logbook, at),
        **_captures(exam),
    }


def _listed(draft: Mapping[str, Any], logbook: Logbook) -> dict[str, str]:
    patient = draft["setting"] in logbook.lists["setting"].where("patient")
    found = {}
    for field in (*ALWAYS, *OF_THE_PATIENT):
        values, code = logbook.lists[field], draft[field]
        if not code and field == "place" and not values.codes:
            continue  # a programme that has named no places asks for none
        if not code and (patient or field in ALWAYS):
            found[field] = _("Choose one.")
        elif code and code not in values and not (field == "place" and not values.codes):
            found[field] = _("This is no longer on the list. Choose again.")
    if draft["knew_result"] == "":
        found["knew_result"] = _("Say yes or no.")
    return found


def _times(draft: Mapping[str, Any], at: dt.datetime) -> dict[str, str]:
    performed, answered = (drafts.moment(draft[field]) for field in drafts.TIMES)
    if performed is None:
        return {"performed_at": _("Say when the exam was made.")}
    if performed > at + CLOCK_TOLERANCE:
        return {"performed_at": _("This is in the future. Check the date and the time.")}
    if performed < at - OLDEST:
        return {"performed_at": _("This is more than a year ago. Check the date.")}
    if answered is not None and answered < performed - CLOCK_TOLERANCE:
        return {"performed_at": _("This is later than your first answer. Check the time.")}
    return {}


def _applications(exam: Exam, draft: Mapping[str, Any], logbook: Logbook) -> dict[str, str]:
    asked = set(draft["applications"])
    if not asked:
        return {"applications": _("Choose what this exam asks.")}
    before = set(Scan.objects.filter(exam=exam).values_list("application__code", flat=True))
    if before - asked:
        return {
            "applications": _("What was asked at the first submission stays asked: %(names)s.")
            % {"names": ", ".join(a.name for a in logbook.applications if a.code in before)}
        }
    if asked - before - {a.code for a in logbook.offered}:
        return {"applications": _("One of these is no longer offered. Choose again.")}
    return {}


def _answers(exam: Exam, draft: Mapping[str, Any], logbook: Logbook) -> dict[str, str]:
    first = {
        scan.application.code: scan.first
        for scan in Scan.objects.filter(exam=exam).select_related("application")
    }
    found = {}
    for code in draft["applications"]:
        application = logbook.application(code)
        if application is None:
            continue
        if fault := _answer_fault(draft, application, first.get(code), logbook):
            found[f"answer-{code}"] = fault
    return found


def _answer_fault(draft, application, first, logbook: Logbook) -> str:
    try:
        answer = drafts.answer_of(draft, application.code)
    except ValueError:
        return _("These cannot stand together. Choose again.")
    confidence = draft["answers"].get(application.code, {}).get("confidence", "")
    if first is not None:
        if answer != first:
            return _("The first answer stays. It is the one that is compared.")
    elif answer.is_open:
        if answer.pattern:
            return _("Say on which side, or both.")
        return _("Answer both sides.") if application.kind == SIDED else _("Choose an answer.")
    elif answer.kind and answer.kind != application.kind:
        return _("Choose a pattern.") if application.kind == PATTERN else _("Answer both sides.")
    if confidence not in logbook.lists["confidence"]:
        return _("Say how sure you are.")
    return ""


def _findings(draft: Mapping[str, Any], logbook: Logbook) -> dict[str, str]:
    found = {}
    for (zone, sign), value in drafts.findings_of(draft).items():
        if zone not in logbook.parameters.zones:
            found[f"zone-{zone}"] = _(
                "Zone %(zone)s is not part of your programme's chest map."
            ) % {"zone": zone}
        elif sign not in signs() or value not in signs()[sign]:
            found[f"zone-{zone}"] = _("Zone %(zone)s: choose the findings again.") % {"zone": zone}
    return found


def _people(
    exam: Exam, draft: Mapping[str, Any], logbook: Logbook, at: dt.datetime
) -> dict[str, str]:
    found = {}
    if draft["supervisor"] and draft["supervisor_typed"]:
        found["supervisor"] = _("Choose a person or type a name, not both.")
    elif not draft["supervisor"] and not draft["supervisor_typed"]:
        found["supervisor"] = _("Name the responsible attending.")
    elif draft["supervisor"]:
        found |= _supervisor_fault(exam, draft, logbook, at)
    if draft["same_patient"]:
        earlier = Exam.objects.filter(
            pk=draft["same_patient"], trainee=exam.trainee_id, programme=exam.programme_id
        ).exclude(pk=exam.pk)
        if not earlier.exclude(state="withdrawn").exists():
            found["same_patient"] = _("Choose one of your own earlier exams.")
    return found


def _supervisor_fault(exam, draft, logbook: Logbook, at: dt.datetime) -> dict[str, str]:
    if draft["supervisor"] == str(exam.trainee_id):
        return {"supervisor": _("You cannot supervise your own exam.")}
    performed = drafts.moment(draft["performed_at"]) or at
    then = logbook.programme.local_date(min(performed, at))
    if not supervisors_of(logbook.programme, on=then).filter(pk=draft["supervisor"]).exists():
        return {"supervisor": _("This person did not belong to the faculty on that day.")}
    return {}


def _captures(exam: Exam) -> dict[str, str]:
    states = set(exam.captures.present().values_list("state", flat=True))
    if not states - {"refused"}:
        return {
            "captures": _(
                "Add at least one capture, or say that it is kept in the department's archive."
            )
        }
    return {}
