"""Pictures that came before: the same file, or one that looks much like it.

A hint for faculty to look, nothing more: a file sent twice, a shared scan or a machine's test
picture all look the same from here.

What it costs: the same file is one look-up in an index. A look-alike is 200 look-ups in an index
for each capture and the reading of at most `MOST` fingerprints of 7 kB, whatever the programme's
size; of unrelated pictures about seven in 10,000 come along. Beyond `MOST` the newest are compared,
so a programme of a million captures may miss an old one and takes no longer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.intake import fingerprint
from logbook.models import Capture, Exam, Fingerprint, FingerprintCode
from logbook.models.captures import GONE

if TYPE_CHECKING:
    from django.db.models import QuerySet

MOST = 400
AT_ONCE = 6000  # values in one question to the index


@dataclass(frozen=True)
class Hint:
    """`same`: the very same file; else `likeness`, a correlation, says how near it comes."""

    capture: Capture
    other: Capture
    same: bool
    likeness: float = 1.0


def hints_of(exam: Exam, captures: Sequence[Capture]) -> list[Hint]:
    """What of `captures`, all of one exam, came before or since: the same file first."""
    stored = [capture for capture in captures if capture.kind != "archive"]
    same = _same_files(exam, stored)
    known = {(hint.capture.pk, hint.other.pk) for hint in same}
    like = [
        hint for hint in _look_alikes(exam, stored) if (hint.capture.pk, hint.other.pk) not in known
    ]
    return [*same, *like]


def exams_with_the_same_file(exam: Exam) -> QuerySet[Capture]:
    """Other exams of the programme, anybody's, that hold a file which this one holds: their ids.
    Files that are no longer kept count as well: a hash outlives its picture."""
    held = _with_a_file_of(exam).filter(state__in=("ready", "covered", "expired"))
    return held.exclude(exam=exam).values("exam")


def lock_same_files(exam: Exam) -> None:
    """Whoever credits one of two exams that hold the same file waits here for whoever credits the
    other. After the exam's own lock; SQLite lets in one writer at a time without it."""
    same = _with_a_file_of(exam).order_by("id").select_for_update(no_key=True)
    list(same.values_list("id"))


def _with_a_file_of(exam: Exam) -> QuerySet[Capture]:
    macs = exam.captures.ready().exclude(arrival_mac="").values("arrival_mac")
    return Capture.objects.filter(programme=exam.programme_id, arrival_mac__in=macs)


def _same_files(exam: Exam, captures: Sequence[Capture]) -> list[Hint]:
    by_mac = defaultdict(list)
    for capture in captures:
        if capture.arrival_mac:
            by_mac[capture.mac_key_id, capture.arrival_mac].append(capture)
    found = (
        Capture.objects.filter(
            programme=exam.programme_id, arrival_mac__in=[mac for _key, mac in by_mac]
        )
        .exclude(state__in=GONE)
        .select_related("exam")
        .order_by("created_at", "id")
    )
    return [
        Hint(capture, other, same=True)
        for other in found
        for capture in by_mac[other.mac_key_id, other.arrival_mac]
        if other.pk != capture.pk and (other.exam_id != exam.pk or other.ordinal > capture.ordinal)
    ]


def _look_alikes(exam: Exam, captures: Sequence[Capture]) -> list[Hint]:
    prints = {
        row.capture_id: bytes(row.picture)
        for row in Fingerprint.objects.filter(capture__in=captures)
    }
    wanted = sorted({code for one in prints.values() for code in fingerprint.near_codes(one)})
    near: set = set()
    for start in range(0, len(wanted), AT_ONCE):
        near |= set(
            FingerprintCode.objects.filter(
                programme=exam.programme_id, code__in=wanted[start : start + AT_ONCE]
            ).values_list("fingerprint_id", flat=True)
        )
    # Two clips of one zone look alike within an exam; and time-ordered ids name the newest.
    newest = sorted(near, reverse=True)[: MOST + len(captures)]
    others = list(
        Fingerprint.objects.filter(pk__in=newest, capture__state="ready")
        .exclude(capture__exam=exam)
        .select_related("capture__exam")
        .order_by("-id")[:MOST]
    )
    hints = []
    for capture in captures:
        if capture.pk not in prints:
            continue
        likeness = fingerprint.correlations(
            prints[capture.pk], [bytes(one.picture) for one in others]
        )
        hints += [
            Hint(capture, other.capture, same=False, likeness=float(r))
            for r, other in zip(likeness, others, strict=True)
            if r >= fingerprint.HINT_AT
        ]
    return sorted(hints, key=lambda hint: -hint.likeness)
