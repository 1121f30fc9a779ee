"""Covering more of a capture that is kept: what is suggested, and the work of making it anew.

Where a capture came from is gone by then, so its master is what is opened: in the child program,
like any other file.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts.errors import Refused
from logbook import keeping, processing
from logbook.actions import covering
from logbook.intake.facts import Day, Facts, Rectangle, Refusal
from logbook.intake.runner import Stripped
from logbook.intake.store import PIECE
from logbook.models.captures import GONE, PUT_BACK_WITHIN

if TYPE_CHECKING:
    import datetime as dt

    from accounts.models import Person
    from logbook.models import Capture, Exam

# Of the image's height: where machines write, above all.
ABOVE, BELOW = 0.12, 0.08


def just_gone(exam: Exam, *, at: dt.datetime) -> list[Capture]:
    """What can still be put back, the latest first."""
    return list(
        exam.captures.filter(
            state__in=("covered", "removed"),
            gone_because__in=("covered", "identifies"),
            gone_at__gt=at - PUT_BACK_WITHIN,
        )
        .exclude(master_key="")
        .order_by("-gone_at")
    )


def gone_of(exam: Exam) -> list[Capture]:
    """Captures that may have been read and are no longer shown."""
    return list(exam.captures.filter(state__in=GONE).exclude(master_sha256=""))


def letters_of(capture: Capture) -> list[Rectangle]:
    """Where letters are found; none where nobody can look, or the capture is gone."""
    if capture.state != "ready" or not capture.poster_key:
        return []
    return keeping.letters_in(_poster(capture)) or []


def look(capture: Capture) -> list[Rectangle]:
    """Rectangles to begin with: letters, where they are found; else the upper and lower edge of
    the image."""
    if found := letters_of(capture):
        return found
    image = keeping.runner().look(_poster(capture)) or Rectangle(0, 0, 1, 1)
    height = image.y1 - image.y0
    return [
        Rectangle(image.x0, image.y0, image.x1, image.y0 + ABOVE * height),
        Rectangle(image.x0, image.y1 - BELOW * height, image.x1, image.y1),
    ]


def cover(*, capture: Capture, mask: Sequence[Rectangle], by: Person, at: dt.datetime) -> Capture:
    """Makes the new master and has it take the old one's place. Raises Refused.

    Done while the reader waits: seconds, and until it is done nothing has changed.
    """
    if not mask:
        raise Refused(_("Draw what is to be covered."), code="nothing")
    runner, store = keeping.runner(), keeping.store()
    with store.open(capture.master_key) as master:
        opened = runner.strip(iter(lambda: master.read(PIECE), b""), day=Day("2000-01-01"))
    if isinstance(opened, Refusal):
        raise Refused(processing.sentence_of(opened), code=opened.code)
    made = _made(opened, mask)
    programme = str(capture.programme_id)
    for last_try in (False, True):
        made.master.seek(0)
        try:
            return covering.cover(
                capture=capture,
                master=store.put(programme, made.master),
                poster=store.put(programme, io.BytesIO(made.poster)),
                fingerprint=made.fingerprint,
                mask=mask,
                by=by,
                at=at,
            )
        except keeping.ObjectGone:
            if last_try:
                raise
    raise AssertionError


def _poster(capture: Capture) -> bytes:
    with keeping.store().open(capture.poster_key) as poster:
        return poster.read()


def _made(opened: Stripped, mask: Sequence[Rectangle]):
    facts: Facts = opened.facts
    made = keeping.runner().finish([opened.working.read()], facts=facts, mask=mask)
    if isinstance(made, Refusal):
        raise Refused(processing.sentence_of(made), code=made.code)
    return made
