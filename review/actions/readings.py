"""Reading an exam blind, and the reveal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import rfc8785
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from logbook.value_lists import signs
from review import drafts, queries, rules
from review.actions import holds
from review.actions.programmes import open_reading_room
from review.models import Reading, ReadingDraft, ReadingFinding, RubricVersion

if TYPE_CHECKING:
    from accounts.models import Person
    from logbook.models import Exam


class Incomplete(Refused):
    """Something is still to be answered. ``faults`` maps a field to a sentence; a field of a scan
    is called ``<scan id>-<part>``."""

    def __init__(self, faults: Mapping[str, str]) -> None:
        self.faults = dict(faults)
        super().__init__(_("Something is still to be answered."), code="incomplete")


@action(ledger=None, why="a reader's own working copy; the reveal and the signature are entered")
def save(
    *,
    exam: Exam,
    scans: Mapping[str, Mapping[str, Any]],
    archive_read: list[int] | None = None,
    by: Person,
    at: dt.datetime,
) -> ReadingDraft:
    """Keeps what was marked so far and extends the hold. ``scans``: by scan id, some or all keys
    of ``drafts.EMPTY``; what is not given stays as it was.

    Before the reveal only blind parts are taken, after it only the others: answers and quality
    are frozen then. Raises Refused, ``rules.HeldByAnother``, ``drafts.Misshapen``.
    """
    desk = holds.keep(exam=exam, by=by, at=at).desk
    return _store(desk, scans, archive_read, by, at)


def _store(desk: queries.OnDesk, scans, archive_read, by, at) -> ReadingDraft:
    if unknown := set(scans) - {str(scan.pk) for scan in desk.scans}:
        raise drafts.Misshapen(f"not on this desk: {', '.join(sorted(unknown))}")
    content: dict[str, Any] = {"archive_read": drafts.archive_read(desk.draft), "scans": {}}
    if archive_read is not None and not desk.revealed:
        there = {c.ordinal for c in desk.captures if c.kind == "archive"}
        content["archive_read"] = sorted(set(archive_read) & there)
    keys = drafts.OPEN if desk.revealed else drafts.BLIND
    for scan in desk.scans:
        before = drafts.of_scan(desk.draft, scan.pk)
        given = scans.get(str(scan.pk), {})
        if desk.revealed:
            _check_frozen(before, given)
        for text in drafts.TEXTS:
            if isinstance(given.get(text), str):
                remarks.check(given[text], field=f"{scan.pk}-{text}")
        cleaned = drafts.clean({**before, **given})
        content["scans"][str(scan.pk)] = drafts.merged(before, cleaned, keys)
    draft, _made = ReadingDraft.objects.update_or_create(
        exam=desk.exam,
        reader=by,
        defaults={
            "programme": desk.exam.programme,
            "text": drafts.text_of(content),
            "saved_at": at,
        },
    )
    return draft


def _check_frozen(before: Mapping[str, Any], given: Mapping[str, Any]) -> None:
    if any(key in given and given[key] != before[key] for key in drafts.BLIND):
        raise Refused(
            _("The trainee's answer has been shown to you. Your own can no longer be changed."),
            code="frozen",
        )


@action("reading.revealed")
def reveal(*, exam: Exam, by: Person, at: dt.datetime) -> list[Reading]:
    """Freezes what was answered blind, on the record, and opens the trainee's side to the reader.

    Everything on the desk must be answered: one reveal shows the exam as a whole. A second
    reveal changes nothing. Raises Incomplete with a sentence a field, Refused, HeldByAnother.
    """
    desk = holds.keep(exam=exam, by=by, at=at).desk
    exam = desk.exam
    if desk.revealed:
        ledger.nothing_changed()
        return list(desk.readings)
    check_complete(desk)
    version = RubricVersion.objects.in_force(exam.programme)
    if version is None:
        version, _rule = open_reading_room(programme=exam.programme, by=None, at=at)
    # A reader who has been shown something of this exam before is not blind to it any more, nor
    # is who stood at that bedside.
    at_bedside = queries.was_at_bedside(by, exam)
    blind = not at_bedside and not queries.has_seen(by, exam)
    given = {reading.scan_id for reading in desk.readings}

    slot = ledger.reserve(exam.programme.chain, at=at)
    made = []
    for scan in desk.scans:
        if scan.pk in given:
            continue
        part = drafts.of_scan(desk.draft, scan.pk)
        reading = Reading.objects.create(
            programme=exam.programme,
            scan=scan,
            revision=scan.revision,
            reader=by,
            rubric_version=version,
            given_at=min(desk.saved_at or slot.at, slot.at),
            revealed_at=slot.at,
            seq=slot.seq,
            answer=drafts.answer_of(part).code,
            quality=part["quality"],
            archive_read=rfc8785.dumps(drafts.archive_read(desk.draft)).decode(),
            blind=blind,
            independent=blind and not scan.revision.knew_result,
            at_bedside=at_bedside,
        )
        add_findings(reading, part["findings"])
        made.append(reading)
    slot.append(
        subject=f"exam:{exam.pk}",
        body={
            "readings": {
                str(r.pk): {
                    "scan": str(r.scan_id),
                    "revision": str(r.revision_id),
                    "answer": r.answer,
                    "quality": r.quality,
                    "blind": r.blind,
                    "independent": r.independent,
                }
                for r in made
            }
        },
        by=by,
    )
    return made


def check_complete(desk: queries.OnDesk) -> None:
    """Raises Incomplete. *Cannot be read from these images* is an answer."""
    faults: dict[str, str] = {}
    for scan in desk.scans:
        part = drafts.of_scan(desk.draft, scan.pk)
        try:
            fault = rules.answer_fault(drafts.answer_of(part), scan.application.kind)
        except ValueError:
            fault = _("These cannot stand together. Choose again.")
        if fault:
            faults[f"{scan.pk}-answer"] = fault
        if part["quality"] is None:
            faults[f"{scan.pk}-quality"] = _("Mark the image quality.")
        for zone, sign, value in part["findings"]:
            if sign not in signs() or value not in signs()[sign]:
                faults[f"{scan.pk}-findings"] = _("Choose the findings again.")
            elif zone and zone not in scan.revision.rules.zones:
                faults[f"{scan.pk}-findings"] = _("This zone is not on the chest map.")
    if faults:
        raise Incomplete(faults)


def add_findings(reading: Reading, findings: list[list[str]]) -> None:
    ReadingFinding.objects.bulk_create(
        ReadingFinding(
            programme=reading.programme, reading=reading, zone=zone, sign=sign, value=value
        )
        for zone, sign, value in findings
    )
