"""What goes with a capture's objects: the fingerprint that comes with them, and their end."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from accounts.actions_base import action
from logbook.intake.fingerprint import codes
from logbook.models import Capture, Fingerprint, FingerprintCode

if TYPE_CHECKING:
    from accounts.models import Person


@action(ledger=None, why="the entry was made when the capture went; now its objects are gone too")
def forgotten(*, capture: Capture, by: Person | None, at: dt.datetime) -> Capture:
    """The objects of a capture that is gone are removed; its hash stays."""
    capture.master_key = capture.poster_key = capture.play_key = capture.dicom_key = ""
    capture.save(update_fields=["master_key", "poster_key", "play_key", "dicom_key"])
    FingerprintCode.objects.filter(fingerprint__capture=capture).delete()
    Fingerprint.objects.filter(capture=capture).delete()
    return capture


def remember(capture: Capture, fingerprint: bytes) -> None:
    """Files a kept picture's fingerprint; one of nothing but black finds nothing and is left."""
    if not any(fingerprint):
        return
    row = Fingerprint.objects.create(
        programme_id=capture.programme_id, capture=capture, picture=fingerprint
    )
    FingerprintCode.objects.bulk_create(
        FingerprintCode(programme_id=capture.programme_id, fingerprint=row, code=code)
        for code in codes(fingerprint)
    )
