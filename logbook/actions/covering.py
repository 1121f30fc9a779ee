"""A reader covers more of a capture, takes it out, or thinks better of it.

Locks: the exam first, then the capture, then the names of objects, then the ledger's head.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from accounts import ledger
from accounts.actions_base import action
from logbook import capture_rules, keeping
from logbook.actions.captures import mask_text, next_ordinal
from logbook.actions.objects import remember
from logbook.actions.scans import lock_exam
from logbook.intake.facts import Rectangle
from logbook.models import Capture

if TYPE_CHECKING:
    from accounts.models import Person
    from logbook.intake.store import Stored

# What a covered capture's successor has of it.
CARRIED = (
    "zone", "probe", "depth_mm", "mode", "kind", "frames", "duration_ms", "frame_starts",
    "width", "height", "file_date", "arrival_mac", "mac_key_id",
)  # fmt: skip


@action("capture.covered")
def cover(
    *,
    capture: Capture,
    master: Stored,
    poster: Stored,
    fingerprint: bytes,
    mask: Sequence[Rectangle],
    by: Person,
    at: dt.datetime,
) -> Capture:
    """A reader covered more: a new capture with a master of its own takes this one's place.

    The old one keeps its row and its hash, which attestations name; its objects go. Raises
    Refused, keeping.ObjectGone.
    """
    capture = _locked(capture)
    capture_rules.check_coverable(capture)
    keeping.check_there(capture.programme_id, [master.key, poster.key])
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    new = Capture.objects.create(
        programme=capture.exam.programme,
        exam=capture.exam,
        ordinal=next_ordinal(capture.exam),
        covers=capture,
        state="ready",
        created_at=slot.at,
        ready_at=slot.at,
        master_key=master.key,
        master_sha256=master.sha256,
        poster_key=poster.key,
        play_key=master.key if capture.kind == "clip" else "",
        **{name: getattr(capture, name) for name in CARRIED},
    )
    remember(new, fingerprint)
    _go(capture, "covered", "covered", by=by, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={
            "exam": str(capture.exam_id),
            "was": capture.master_sha256,
            "capture": str(new.pk),
            "master": master.sha256,
            "hidden": json.loads(mask_text(mask)),
        },
        by=by,
    )
    return new


@action("capture.taken_out")
def take_out(*, capture: Capture, by: Person, at: dt.datetime) -> Capture:
    """A reader takes a capture out: nobody sees it from now on. Raises Refused."""
    capture = _locked(capture)
    if capture.state == "removed":
        ledger.nothing_changed()
        return capture
    capture_rules.check_coverable(capture)
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    _go(capture, "removed", "identifies", by=by, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={
            "exam": str(capture.exam_id),
            "master": capture.master_sha256,
            "why": capture.gone_because,
        },
        by=by,
    )
    return capture


@action("capture.put_back")
def put_back(*, capture: Capture, by: Person, at: dt.datetime) -> Capture:
    """Undoes a cover or a taking out, while the objects are still there. Raises Refused."""
    capture = _locked(capture)
    if capture.state == "ready":
        ledger.nothing_changed()
        return capture
    instead = Capture.objects.filter(covers=capture, state="ready").first()
    capture_rules.check_put_back(capture, instead, at)
    keys = [capture.master_key, capture.poster_key]
    keeping.check_there(capture.programme_id, keys)
    slot = ledger.reserve(capture.exam.programme.chain, at=at)
    capture.state = "ready"
    capture.gone_at = capture.gone_by = None
    capture.gone_because = ""
    capture.save()
    if instead is not None:
        _go(instead, "removed", "put_back", by=by, at=slot.at)
    slot.append(
        subject=f"capture:{capture.pk}",
        body={
            "exam": str(capture.exam_id),
            "master": capture.master_sha256,
            "instead_of": str(instead.pk) if instead else None,
        },
        by=by,
    )
    return capture


def _locked(capture: Capture) -> Capture:
    lock_exam(capture.exam_id)
    return (
        Capture.objects.select_for_update(of=("self",))
        .select_related("exam__programme")
        .get(pk=capture.pk)
    )


def _go(capture: Capture, state: str, because: str, *, by: Person, at: dt.datetime) -> None:
    capture_rules.check_move(capture, state)
    capture.state, capture.gone_because = state, because
    capture.gone_at, capture.gone_by = at, by
    capture.save()
