"""Compares what the rows say of captures with what is in the store and in staging."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db import transaction
from django.db.models import Q

from logbook import keeping
from logbook.intake.store import Store, sha256_of
from logbook.models import Capture, Upload

KEYS = ("master_key", "poster_key", "play_key")


@dataclass(frozen=True)
class Fault:
    """`kind`: missing, altered, unreadable, unstaged; `where`: the capture and the object."""

    kind: str
    where: str


@dataclass
class Found:
    captures: int = 0
    objects: int = 0
    orphans: int = 0
    staged: int = 0
    faults: list[Fault] = field(default_factory=list)


def examine(*, read: bool = True) -> Found:
    """Every capture against its objects, every object against the rows. Changes nothing.

    With `read` each object is read and its hash compared with its name.
    """
    store, found = keeping.store(), Found()
    named: set[str] = set()
    for capture in Capture.objects.filter(state="ready").iterator(chunk_size=1000):
        found.captures += 1
        if capture.kind == "archive":
            continue
        if capture.master_key.rpartition("/")[2] != capture.master_sha256:
            found.faults.append(Fault("altered", f"capture {capture.pk}: key and hash differ"))
        named.update(key for name in KEYS if (key := getattr(capture, name)))
    known = set(store.keys())
    for key in sorted(named):
        if fault := _fault(store, key, key in known, read=read):
            found.faults.append(fault)
    found.objects, found.orphans = len(known), len(known - named)
    staged = {one.upload for one in keeping.staging().listing()}
    found.staged = len(staged)
    for upload in Upload.objects.filter(emptied_at=None).iterator(chunk_size=1000):
        if str(upload.pk) not in staged:
            found.faults.append(Fault("unstaged", f"capture {upload.capture_id}"))
    return found


def sweep(*, older_than: dt.timedelta, at: dt.datetime) -> list[str]:
    """Removes objects that no capture names and that are older than that. Returns their keys."""
    store = keeping.store()
    named = set(_named(Capture.objects.all()))
    gone = []
    for key in sorted(set(store.keys()) - named):
        if store.changed_at(key) > at - older_than:
            continue
        # A capture may have come to name it meanwhile: the same bytes have the same key.
        with transaction.atomic():
            if not Capture.objects.filter(
                Q(master_key=key) | Q(poster_key=key) | Q(play_key=key)
            ).exists():
                store.remove(key)
                gone.append(key)
    return gone


def _named(captures: Iterable[Capture]) -> Iterable[str]:
    for capture in captures:
        yield from (key for name in KEYS if (key := getattr(capture, name)))


def _fault(store: Store, key: str, present: bool, *, read: bool) -> Fault | None:
    if not present:
        return Fault("missing", key)
    if not read:
        return None
    try:
        with store.open(key) as content:
            digest = sha256_of(content)
    except OSError:
        return Fault("unreadable", key)
    return None if digest == key.rpartition("/")[2] else Fault("altered", key)
