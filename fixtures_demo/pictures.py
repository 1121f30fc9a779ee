"""The synthetic clips in the store: each goes through the real intake once.

The first exam that shows a clip uploads it like a phone would: encrypted staging, the walled
child process, the proposed mask confirmed, the master kept. Every later exam of the demonstration
attaches the stored master, and a second programme gets a copy under its own key.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from accounts.actions_base import action
from accounts.fields import uuid7
from fixtures_demo.clips import CLIPS
from logbook import keeping, processing
from logbook.actions import captures
from logbook.intake.arrival import ArrivalMac
from logbook.intake.facts import Day, Refusal
from logbook.intake.runner import pieces
from logbook.models import Capture, Exam, Upload
from logbook.uploads import ARRIVED, Arrival

if TYPE_CHECKING:
    from accounts.models import Person, Programme

CLIP = {clip.slug: clip for clip in CLIPS}


class Pictures:
    """Masters by (programme, slug), filled as they are needed."""

    def __init__(self, files: Mapping[str, Path]) -> None:
        self.files = files
        self.masters: dict[tuple[object, str], Capture] = {}

    def add(self, exam: Exam, shown: Mapping[str, str], *, by: Person, at: dt.datetime) -> None:
        """Captures of an exam: `shown` is zone -> slug. All are ready afterwards."""
        stored: list[tuple[str, Capture]] = []
        for zone, slug in shown.items():
            master = self.masters.get((exam.programme_id, slug))
            if master is None:
                master = self._borrow(exam, slug)
            if master is None:
                master = self._take_in(exam, zone, slug, by=by, at=at)
                self.masters[exam.programme_id, slug] = master
            else:
                self.masters[exam.programme_id, slug] = master
                stored.append((zone, master))
        if stored:
            attach(exam=exam, stored=stored, by=by, at=at)

    def _borrow(self, exam: Exam, slug: str) -> Capture | None:
        """Another programme's master under this programme's key: the same bytes, kept apart."""
        for (programme, its_slug), master in self.masters.items():
            if its_slug == slug and programme != exam.programme_id:
                copy = Capture(**{f: getattr(master, f) for f in COPIED})
                store = keeping.store()
                for name in ("master_key", "poster_key"):
                    with store.open(getattr(master, name)) as source:
                        stored = store.put(str(exam.programme_id), source)
                    setattr(copy, name, stored.key)
                copy.play_key = copy.master_key if copy.kind == "clip" else ""
                return copy
        return None

    def _take_in(self, exam: Exam, zone: str, slug: str, *, by: Person, at: dt.datetime) -> Capture:
        clip = CLIP[slug]
        capture = captures.receive(
            capture_id=uuid7(),
            exam=exam,
            arrival=arrive(self.files[slug].read_bytes()),
            zone=zone,
            probe=clip.probe.name,
            depth_mm=clip.depth_mm,
            mode="b",
            by=by,
            at=at,
        )
        upload = Upload.objects.get(capture=capture)
        processing.process(upload, clock=lambda: at)
        proposed = processing.facts_of(upload).mask
        capture.refresh_from_db()
        # Invented pictures: what letters they show (a depth scale) name nobody.
        captures.confirm_mask(capture=capture, mask=proposed, text_answered=True, by=by, at=at)
        upload.refresh_from_db()
        processing.process(upload, clock=lambda: at)
        capture.refresh_from_db()
        if capture.state != "ready":
            raise RuntimeError(f"{slug} was not taken in: {capture.refusal or capture.state}")
        return capture


def arrive(data: bytes) -> Arrival:
    """A file whole in encrypted staging, as the upload of a form leaves it."""
    upload_id = str(uuid7())
    key, sealed, sealed_by = keeping.fresh_key(upload_id)
    mac = ArrivalMac(keeping.arrival_key())
    keeping.staging().write(upload_id, ARRIVED, mac.watch([data]), key=key)
    return Arrival(upload_id, sealed, sealed_by, len(data), mac.hexdigest(), mac.key_id)


@dataclass(frozen=True)
class Taken:
    """A clip that went through strip and mask without an exam, for loading many at once."""

    columns: Mapping[str, object]
    master: bytes
    poster: bytes

    def stored_for(self, programme: Programme) -> Capture:
        """A capture that is not saved, its objects in the store under this programme's key."""
        store, owner = keeping.store(), str(programme.pk)
        master = store.put(owner, io.BytesIO(self.master))
        capture = Capture(**self.columns)
        capture.master_key, capture.master_sha256 = master.key, master.sha256
        capture.poster_key = store.put(owner, io.BytesIO(self.poster)).key
        capture.play_key = master.key if capture.kind == "clip" else ""
        return capture


def take_in(slug: str, path: Path, day: dt.date) -> Taken:
    """The two steps of the intake on one drawn clip, with the mask that it proposes."""
    data, clip = path.read_bytes(), CLIP[slug]
    stripped = keeping.runner().strip([data], day=Day(day.isoformat()))
    if isinstance(stripped, Refusal):
        raise RuntimeError(f"{slug} was not taken in: {stripped.code}")
    facts = stripped.facts
    finished = keeping.runner().finish(pieces(stripped.working), facts=facts, mask=facts.mask)
    if isinstance(finished, Refusal):
        raise RuntimeError(f"{slug} was not taken in: {finished.code}")
    mac = ArrivalMac(keeping.arrival_key())
    list(mac.watch([data]))
    columns = {
        "probe": clip.probe.name,
        "depth_mm": clip.depth_mm,
        "mode": "b",
        "kind": facts.kind,
        "frames": facts.frames,
        "duration_ms": facts.duration_ms,
        "width": facts.width,
        "height": facts.height,
        "arrival_mac": mac.hexdigest(),
        "mac_key_id": mac.key_id,
    }
    poster = finished.poster if isinstance(finished.poster, bytes) else finished.poster.read()
    return Taken(columns, finished.master.read(), poster)


# What two captures of one stored picture have in common; to the service they came as two files.
COPIED = (
    "probe", "depth_mm", "mode", "kind", "master_key", "master_sha256", "poster_key", "play_key",
    "frames", "duration_ms", "width", "height",
)  # fmt: skip


@action(ledger=None, why="the demonstration shows one stored picture in many exams")
def attach(
    *, exam: Exam, stored: list[tuple[str, Capture]], by: Person, at: dt.datetime
) -> list[Capture]:
    """Ready captures that show masters that went through the intake before: (zone, master)."""
    first = exam.captures.count() + 1
    return Capture.objects.bulk_create(
        Capture(
            programme=exam.programme,
            exam=exam,
            ordinal=ordinal,
            zone=zone,
            state="ready",
            created_at=at,
            ready_at=at,
            **{name: getattr(master, name) for name in COPIED},
        )
        for ordinal, (zone, master) in enumerate(stored, start=first)
    )
