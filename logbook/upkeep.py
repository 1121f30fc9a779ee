"""Compares what the rows say of captures with what is in the store and in staging."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

import structlog
from django.db import transaction

from logbook import keeping
from logbook.actions import objects
from logbook.intake import bare
from logbook.intake.store import PIECE, Store, sha256_of
from logbook.models import Capture, Upload
from logbook.models.captures import GONE

KEYS = ("master_key", "poster_key", "play_key", "dicom_key")
NEW = dt.timedelta(hours=24)  # an object younger than that may be about to be named

log = structlog.get_logger("interspace.captures")


@dataclass(frozen=True)
class Fault:
    """`kind`: missing, altered, unreadable, unstripped, orphaned, left, unstaged; `where`: the
    capture or the object."""

    kind: str
    where: str


@dataclass
class Found:
    captures: int = 0
    objects: int = 0
    orphans: int = 0
    staged: int = 0
    faults: list[Fault] = field(default_factory=list)


def examine(*, at: dt.datetime, read: bool = True) -> Found:
    """Every capture against its objects, every object against the rows. Changes nothing.

    With `read` each object is read, its hash compared with its name and its structure with what
    the service writes.
    """
    store, found = keeping.store(), Found()
    named: set[str] = set()
    for capture in Capture.objects.filter(state="ready").iterator(chunk_size=1000):
        found.captures += 1
        if capture.kind == "archive":
            continue
        if capture.master_key.rpartition("/")[2] != capture.master_sha256:
            found.faults.append(Fault("altered", f"capture {capture.pk}: key and hash differ"))
        named.update(_keys(capture))
    known = set(store.keys())
    for key in sorted(named):
        if fault := _fault(store, key, key in known, read=read):
            found.faults.append(fault)
    waiting: set[str] = set()
    for capture in Capture.objects.filter(state__in=GONE).exclude(master_key=""):
        waiting.update(_keys(capture))
        if capture.gone_at is None or capture.gone_at < at - dt.timedelta(hours=1):
            found.faults.append(Fault("left", f"capture {capture.pk}, {capture.state}"))
    found.objects = len(known)
    orphans = known - named - waiting
    found.orphans = len(orphans)
    found.faults += [
        Fault("orphaned", key) for key in sorted(orphans) if store.changed_at(key) <= at - NEW
    ]
    staged = {one.upload for one in keeping.staging().listing()}
    found.staged = len(staged)
    for upload in Upload.objects.filter(emptied_at=None, offset__gt=0).iterator(chunk_size=1000):
        if str(upload.pk) not in staged:
            found.faults.append(Fault("unstaged", f"capture {upload.capture_id}"))
    return found


def sweep(*, older_than: dt.timedelta, at: dt.datetime) -> list[str]:
    """Removes objects that no capture names and that are older than that. Returns their keys."""
    store = keeping.store()
    named = {key for capture in Capture.objects.all().iterator(1000) for key in _keys(capture)}
    gone = []
    for key in sorted(set(store.keys()) - named):
        # A capture may be coming to name it: the same bytes have the same key, and storing them
        # again makes them young. Whoever names an object holds the same lock and looks again.
        with transaction.atomic():
            keeping.lock_names(key.partition("/")[0])
            if Capture.objects.naming(key).exists():
                continue
            if _is_young(store, key, at - older_than):
                continue
            store.remove(key)
            gone.append(key)
    return gone


def forget(*, at: dt.datetime, at_most: int = 200) -> int:
    """Removes the objects of captures that are gone. Returns how many captures that were."""
    waiting = Capture.objects.to_forget(at=at).order_by("gone_at", "id")[:at_most]
    return sum(forget_one(capture, at=at) for capture in waiting)


def forget_one(capture: Capture, *, at: dt.datetime) -> bool:
    """The objects first, the row after them: what breaks off between the two is found again."""
    store = keeping.store()
    with transaction.atomic():
        capture = Capture.objects.select_for_update(of=("self",)).get(pk=capture.pk)
        keeping.lock_names(capture.programme_id)
        if capture.state not in GONE or not capture.master_key:
            return False
        for key in set(_keys(capture)):
            if Capture.objects.naming(key).exists():
                log.info("kept: another capture has the same object", capture=str(capture.pk))
            else:
                store.remove(key)
        objects.forgotten(capture=capture, by=None, at=at)
    return True


def _keys(capture: Capture) -> Iterable[str]:
    yield from (key for name in KEYS if (key := getattr(capture, name)))


def _is_young(store: Store, key: str, since: dt.datetime) -> bool:
    try:
        return store.changed_at(key) > since
    except FileNotFoundError:
        return True


def _fault(store: Store, key: str, present: bool, *, read: bool) -> Fault | None:
    if not present:
        return Fault("missing", key)
    if not read:
        return None
    try:
        with store.open(key) as content:
            digest = sha256_of(content)
            if digest != key.rpartition("/")[2]:
                return Fault("altered", key)
            content.seek(0)
            whole = b"".join(iter(lambda: content.read(PIECE), b""))
    except OSError:
        return Fault("unreadable", key)
    found = bare.strange(whole)
    return Fault("unstripped", f"{key}: {found}") if found else None
