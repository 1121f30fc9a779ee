"""One table and one sender. Floors register kinds; actions queue rows; a job sends them.

The row is written in the action's own transaction, so a notice is never about something that
did not happen. Sending is at least once with a claim; the dedup key makes queueing exact.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.mail import send_mail
from django.db.models import Q

from accounts.models import Notice, Person, Programme

CLAIM = timedelta(minutes=5)
ATTEMPTS = 20


@dataclass(frozen=True)
class Kind:
    """`write(notice, context)` gives (subject, text): plain words, never a patient, no answers."""

    name: str
    write: Callable[[Notice, dict], tuple[str, str]]


KINDS: dict[str, Kind] = {}


def register(name: str, write: Callable[[Notice, dict], tuple[str, str]]) -> None:
    KINDS[name] = Kind(name, write)


def queue(
    *,
    kind: str,
    person: Person,
    programme: Programme | None,
    dedup_key: str,
    context: dict | None = None,
    due_at: datetime,
) -> None:
    """Inside an action. A second row with the same key is silently the first."""
    if kind not in KINDS:
        raise LookupError(f"no notice is called {kind!r}")
    Notice.objects.bulk_create(
        [
            Notice(
                kind=kind,
                person=person,
                programme=programme,
                dedup_key=dedup_key,
                context=json.dumps(context or {}),
                due_at=due_at,
            )
        ],
        ignore_conflicts=True,
    )


def send_due(*, at: datetime, limit: int = 200) -> int:
    """Send what is due; returns how many went. Two senders never claim one row."""
    due = Notice.objects.filter(sent_at=None, due_at__lte=at, attempts__lt=ATTEMPTS).filter(
        Q(claimed_at=None) | Q(claimed_at__lt=at - CLAIM)
    )
    sent = 0
    for notice in due.select_related("person", "programme").order_by("due_at", "id")[:limit]:
        claim = Notice.objects.filter(
            pk=notice.pk, sent_at=None, claimed_at=notice.claimed_at
        ).update(claimed_at=at, attempts=notice.attempts + 1)
        if not claim:
            continue
        sent += _send(notice, at)
    return sent


def _send(notice: Notice, at: datetime) -> int:
    rows = Notice.objects.filter(pk=notice.pk)
    if not notice.person.is_active:
        rows.update(sent_at=at, last_error="the person's account is closed: not sent")
        return 0
    subject, text = KINDS[notice.kind].write(notice, json.loads(notice.context))
    try:
        send_mail(subject, text, None, [notice.person.email])
    except OSError as problem:  # the next sweep tries again
        rows.update(last_error=str(problem)[:200])
        return 0
    rows.update(sent_at=at, last_error="")
    return 1
