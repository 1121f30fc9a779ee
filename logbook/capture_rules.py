"""What a capture allows, and when. Each ``check_*`` raises Refused with a sentence."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.conf import settings
from django.db.models import Sum
from django.utils.translation import gettext as _

from accounts.errors import Conflict, Refused
from logbook import rules, states
from logbook.intake.facts import SENTENCES, Rectangle
from logbook.intake.masks import MOST_RECTANGLES, is_covered
from logbook.models import Capture, Exam, Scan, Upload
from logbook.models.captures import GONE, PUT_BACK_WITHIN

if TYPE_CHECKING:
    from accounts.models import Person
    from logbook.queries import Logbook

MOST_CAPTURES = 60
MIB = 2**20
DEPTH_MM = (5, 400)


class TooMuch(Refused):
    """More bytes than may rest here."""

    status = 413


def check_addable(exam: Exam, person: Person, at: dt.datetime) -> None:
    rules.check_own(exam, person)
    rules.check_editable(exam, at)
    if exam.captures.present().count() >= MOST_CAPTURES:
        raise Refused(
            _("An exam holds at most %(most)d captures. Remove one first.")
            % {"most": MOST_CAPTURES},
            code="too_many",
        )


def check_room(exam: Exam, person: Person, size: int) -> None:
    """What may rest here of one file, one exam, one person; the caller holds the locks of both.

    A file counts in full from its first byte: nothing is begun that may not be ended.
    """
    most = settings.UPLOAD_FILE_MB
    if size > most * MIB:
        raise TooMuch(
            _(SENTENCES["too_large"]) % {"limit_mb": most}, code="too_large", field="file"
        )
    of_exam = Upload.objects.filter(capture__exam=exam).exclude(
        capture__state__in=[*GONE, "refused"]
    )
    in_staging = Upload.objects.filter(capture__exam__trainee=person, emptied_at=None)
    for rows, most, sentence in (
        (
            of_exam,
            settings.UPLOAD_EXAM_MB,
            _(
                "The files of one exam may be %(mb)d MB together. "
                "Remove one, or send a shorter clip."
            ),
        ),
        (
            in_staging,
            settings.UPLOAD_PERSON_MB,
            _(
                "%(mb)d MB of yours are on their way already. "
                "Look at what is hidden in those that have come, then send this one."
            ),
        ),
    ):
        if (rows.aggregate(sum=Sum("size"))["sum"] or 0) + size > most * MIB:
            raise TooMuch(sentence % {"mb": most}, code="no_room", field="file")


def check_description(
    logbook: Logbook, *, zone: str, probe: str, mode: str, depth_mm: int | None
) -> None:
    """Where and how it was recorded, in the programme's own words."""
    if zone not in logbook.parameters.zones:
        raise Refused(_("Choose the zone."), code="zone", field="zone")
    for field, value in (("probe", probe), ("mode", mode)):
        if value and value not in logbook.lists[field]:
            raise Refused(_("Choose from the list."), code=field, field=field)
    if depth_mm is not None and not DEPTH_MM[0] <= depth_mm <= DEPTH_MM[1]:
        raise Refused(
            _("The depth is between 0.5 and 40 cm. Check the number."),
            code="depth",
            field="depth_cm",
        )


def check_removable(capture: Capture, person: Person, at: dt.datetime) -> None:
    """What a reader has judged stays: it is part of what was attested."""
    rules.check_own(capture.exam, person)
    read = Scan.objects.filter(exam=capture.exam, state__in=["attested", "set_aside"])
    if capture.state == "ready" and read.exists():
        raise Refused(
            _("This capture was part of what has been read. It can no longer be removed."),
            code="read",
        )
    rules.check_editable(capture.exam, at)
    check_move(capture, "removed")


def check_confirmable(
    capture: Capture, person: Person, mask: Sequence[Rectangle], at: dt.datetime
) -> None:
    rules.check_own(capture.exam, person)
    rules.check_editable(capture.exam, at)
    if len(mask) > MOST_RECTANGLES or not all(one.valid for one in mask):
        raise Refused(
            _("A rectangle lies outside the picture or has no area. Draw it again inside."),
            code="rectangles",
        )
    check_move(capture, "received")


def check_coverable(capture: Capture) -> None:
    """Only what is kept here, and is not gone already, can be covered or taken out."""
    if capture.kind == "archive":
        raise Refused(_("This capture is kept in the department’s archive."), code="archive")
    if capture.state != "ready":
        raise Conflict(
            _("This capture is %(state)s now. Reload the page.")
            % {"state": capture.get_state_display()},
            code="moved",
        )


def check_put_back(capture: Capture, instead: Capture | None, at: dt.datetime) -> None:
    """Within ten minutes, and not once somebody signed what took its place."""
    undone = capture.gone_because in ("covered", "identifies") and capture.master_key
    if not undone or capture.gone_at is None or at - capture.gone_at > PUT_BACK_WITHIN:
        raise Refused(_("It is removed for good and cannot be put back."), code="too_late")
    signed = Scan.objects.filter(
        exam=capture.exam_id, state="attested", moved_at__gte=capture.gone_at
    )
    if signed.exists():
        raise Refused(
            _("The exam was signed since, as it is now. It cannot be put back."), code="signed"
        )
    check_move(capture, "ready")
    if instead is not None:
        check_move(instead, "removed")


def check_letters(found: Sequence[Rectangle], mask: Sequence[Rectangle], *, answered: bool) -> None:
    """Where letters were found they are covered, or the person has said that they name nobody."""
    if not answered and any(not is_covered(one, mask) for one in found):
        raise Refused(
            _("Letters were found that are not covered. Cover them, or say that they name nobody."),
            code="letters",
            field="text_answered",
        )


def check_move(capture: Capture, to: str) -> None:
    """The transition table's word. Raises Conflict: somebody or something was first."""
    if not states.CAPTURE.allows(capture.state, to):
        raise Conflict(
            _("This capture is %(state)s now. Reload the page.")
            % {"state": capture.get_state_display()},
            code="moved",
        )
