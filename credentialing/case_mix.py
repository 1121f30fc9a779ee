"""What somebody has seen so far, and what never: zones, answers, signs, patients, hours.

Of signed scans alone, by the reader's finding: nothing here tells what an answer was that nobody
has read yet. A number of kinds seen shows exposure; it is no measure of skill.
"""

from __future__ import annotations

import collections
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Count
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.models import Programme
from credentialing.reports.words import call
from logbook.answers import CALLS
from logbook.models import Capture, ExamRevision
from logbook.queries import Logbook, logbook_of
from logbook.value_lists import signs
from review.models import Attestation, ReadingFinding

# Four parts of the day by the programme's clock; the night is the one before the morning.
PARTS_OF_DAY = (
    ("night", gettext_lazy("night, 22 to 6"), lambda hour: hour >= 22 or hour < 6),
    ("morning", gettext_lazy("morning, 6 to 12"), lambda hour: 6 <= hour < 12),
    ("afternoon", gettext_lazy("afternoon, 12 to 18"), lambda hour: 12 <= hour < 18),
    ("evening", gettext_lazy("evening, 18 to 22"), lambda hour: 18 <= hour < 22),
)
OF_THE_EXAM = ("age_band", "position", "breathing")


@dataclass(frozen=True)
class Seen:
    """One kind of thing: what of it was seen how often, and what never."""

    title: str
    counts: list[tuple[str, int]]

    @property
    def never(self) -> list[str]:
        return [name for name, n in self.counts if not n]

    @property
    def some(self) -> list[tuple[str, int]]:
        return [(name, n) for name, n in self.counts if n]


@dataclass(frozen=True)
class CaseMix:
    scans: int
    exams: int
    zones: dict[str, dict[str, str]]
    scheme: list[str]
    zones_never: list[str]
    answers: list[dict[str, Any]]
    answer_columns: list[str]
    kinds: list[Seen]

    @property
    def never(self) -> list[tuple[str, str]]:
        """Everything that was never seen: (kind, its names)."""
        told = [(_("Zones"), ", ".join(self.zones_never))] if self.zones_never else []
        return told + [(kind.title, ", ".join(kind.never)) for kind in self.kinds if kind.never]


def case_mix(programme: Programme, person: uuid.UUID) -> CaseMix:
    """A fixed number of queries, whatever was scanned."""
    logbook = logbook_of(programme)
    rows = list(
        Attestation.objects.current()
        .filter(programme=programme, trainee=person)
        .values_list(
            "exam_id", "revision_id", "reading_id", "application__code", "reader_call",
            "performed_at",
        )
    )  # fmt: skip
    exams = {exam: at for exam, _rev, _reading, _application, _call, at in rows}
    revisions = {exam: revision for exam, revision, *_rest in rows}
    zones = dict(
        Capture.objects.filter(exam__in=exams, state="ready")
        .values_list("zone")
        .annotate(Count("exam", distinct=True))
        .order_by()
    )
    scheme = list(logbook.parameters.zones.zones)
    tally = collections.Counter((code, said) for _e, _v, _r, code, said, _at in rows)
    columns = [said for said in CALLS if any(said == one for _code, one in tally)]
    return CaseMix(
        scans=len(rows),
        exams=len(exams),
        zones={
            z.code: {"state": "imaged" if zones.get(z.code) else "missing",
                     "word": str(zones.get(z.code, 0))}
            for z in scheme
        },
        scheme=[z.code for z in scheme],
        zones_never=[z.code for z in scheme if not zones.get(z.code)],
        answers=[
            {"name": a.name, "cells": [tally[a.code, said] for said in columns]}
            for a in logbook.applications
        ],
        answer_columns=[call(said) for said in columns],
        kinds=[
            _hours(programme, exams.values()),
            *_of_exams(logbook, revisions.values()),
            _signs({reading for _e, _v, reading, *_rest in rows}),
        ],
    )  # fmt: skip


def _hours(programme: Programme, times: Iterable) -> Seen:
    local = [programme.local(at) for at in times]
    counts = [(str(name), sum(fits(at.hour) for at in local)) for _code, name, fits in PARTS_OF_DAY]
    counts.append((_("at the weekend"), sum(at.isoweekday() > 5 for at in local)))
    return Seen(_("Hours"), counts)


def _of_exams(logbook: Logbook, revisions: Iterable[uuid.UUID]) -> list[Seen]:
    said: Mapping[str, collections.Counter] = {name: collections.Counter() for name in OF_THE_EXAM}
    for values in ExamRevision.objects.filter(pk__in=set(revisions)).values_list(*OF_THE_EXAM):
        for name, value in zip(OF_THE_EXAM, values, strict=True):
            said[name][value] += 1
    return [
        Seen(
            _(logbook.lists[name].name),
            [(_(value.text), said[name][value.code]) for value in logbook.lists[name]],
        )
        for name in OF_THE_EXAM
    ]


def _signs(readings: set[uuid.UUID]) -> Seen:
    """By the reader's findings, which are optional: never noted is not the same as never there."""
    found = collections.Counter(
        dict(
            ReadingFinding.objects.filter(reading__in=readings)
            .values_list("sign")
            .annotate(Count("reading", distinct=True))
            .order_by()
        )
    )
    return Seen(
        _("Signs that readers noted"),
        [(_(sign.name), found[code]) for code, sign in signs().items()],
    )
