"""What a capture allows, and when. Each ``check_*`` raises Refused with a sentence."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts.errors import Conflict, Refused
from logbook import rules, states
from logbook.intake.facts import Rectangle
from logbook.intake.masks import MOST_RECTANGLES
from logbook.models import Capture, Exam, Scan

if TYPE_CHECKING:
    from accounts.models import Person
    from logbook.queries import Logbook

MOST_CAPTURES = 60
DEPTH_MM = (5, 400)


def check_addable(exam: Exam, person: Person, at: dt.datetime) -> None:
    rules.check_own(exam, person)
    rules.check_editable(exam, at)
    if exam.captures.present().count() >= MOST_CAPTURES:
        raise Refused(
            _("An exam holds at most %(most)d captures. Remove one first.")
            % {"most": MOST_CAPTURES},
            code="too_many",
        )


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


def check_move(capture: Capture, to: str) -> None:
    """The transition table's word. Raises Conflict: somebody or something was first."""
    if not states.CAPTURE.allows(capture.state, to):
        raise Conflict(
            _("This capture is %(state)s now. Reload the page.")
            % {"state": capture.get_state_display()},
            code="moved",
        )
