"""Signing what was watched at the bedside, correcting it, taking it back."""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils.translation import gettext as _

from accounts import ledger, notices, remarks
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from accounts.ledger.core import canonical
from logbook.models import Application
from review import rubrics, rules
from review.models import Assessment, RubricVersion
from review.signals import attested

if TYPE_CHECKING:
    from accounts.ledger import Slot
    from accounts.models import Person, Programme


@dataclass(frozen=True)
class Watched:
    """What the assessor says. ``level``: 1-5 of the rubric. ``items``: code -> choice, where it
    was not as expected. ``rubric``: the version that the form showed; None is the newest."""

    level: int
    items: Mapping[str, str] = field(default_factory=dict)
    sentence: str = ""
    summative: bool = False
    rubric: RubricVersion | None = None


@action("assessment.signed")
def sign(
    *,
    programme: Programme,
    trainee: Person,
    application: Application,
    watched: Watched,
    performed_on: dt.date,
    assessment_id: uuid.UUID | None = None,
    by: Person,
    at: dt.datetime,
) -> Assessment:
    """Sign a bedside assessment. The same `assessment_id` a second time writes nothing.

    Raises Forbidden for oneself and without the privilege, Refused for what cannot be.
    """
    slot = ledger.reserve(programme.chain, at=at)  # of two taps the second finds the first's row
    if signed := Assessment.objects.filter(pk=assessment_id).first():
        if signed.assessor_id != by.pk or signed.trainee_id != trainee.pk:
            raise Conflict(_("This form was signed already. Open a new one."), code="signed")
        ledger.nothing_changed()
        return signed
    today = programme.local_date(slot.at)
    rules.check_may_assess(programme, trainee, application, by, on=today)
    rules.check_watched_on(programme, trainee, performed_on, today=today)
    version = watched.rubric or RubricVersion.objects.in_force(programme, rubrics.ASSESSMENT)
    items = _checked(version, watched)
    made = _make(
        assessment_id=assessment_id,
        programme=programme,
        trainee=trainee,
        assessor=by,
        application=application,
        rubric_version=version,
        level=watched.level,
        items=canonical(items),
        summative=watched.summative,
        remark=remarks.write(programme=programme, text=watched.sentence, by=by, at=slot.at),
        performed_on=performed_on,
        slot=slot,
    )
    slot.append(subject=f"assessment:{made.pk}", body=body_of(made), by=by)
    notices.queue(
        kind="review.assessed",
        person=trainee,
        programme=programme,
        dedup_key=f"review.assessed:{made.pk}",
        context={"assessment": str(made.pk)},
        due_at=slot.at,
    )
    _nudge(made)
    return made


@action("assessment.superseded")
def supersede(
    *,
    assessment: Assessment,
    reason: str,
    watched: Watched | None,
    by: Person,
    at: dt.datetime,
) -> Assessment:
    """The assessor corrects what they signed; None takes it back altogether."""
    before = (
        Assessment.objects.select_for_update(of=("self",))
        .select_related("programme", "trainee", "application", "rubric_version", "remark")
        .get(pk=assessment.pk)
    )
    slot = ledger.reserve(before.programme.chain, at=at)
    rules.check_may_change_assessment(before, by)
    if not reason.strip():
        raise Refused(_("Say why this is corrected."), code="no_reason", field="reason")
    programme = before.programme
    kept = {
        "rubric_version": before.rubric_version,
        "level": before.level,
        "items": before.items,
        "summative": before.summative,
        "remark": before.remark,
    }
    if watched is not None:
        kept |= {
            "level": watched.level,
            "items": canonical(_checked(before.rubric_version, watched)),
            "summative": watched.summative,
            "remark": remarks.write(programme=programme, text=watched.sentence, by=by, at=slot.at),
        }
    before.superseded_on, before.superseded_seq = programme.local_date(slot.at), slot.seq
    before.save(update_fields=["superseded_on", "superseded_seq"])
    after = _make(
        programme=programme,
        trainee=before.trainee,
        assessor=before.assessor,
        application=before.application,
        performed_on=before.performed_on,
        ordinal=before.ordinal + 1,
        supersedes=before,
        taken_back=watched is None,
        correction_reason=remarks.write(programme=programme, text=reason, by=by, at=slot.at),
        slot=slot,
        **kept,
    )
    slot.append(subject=f"assessment:{after.pk}", body=body_of(after), by=by)
    _nudge(after)
    return after


def _checked(version: RubricVersion, watched: Watched) -> dict[str, str]:
    if watched.level not in range(1, 6):
        raise Refused(_("Choose a level."), code="no_level", field="level")
    try:
        return version.rubric.check_items(watched.items)
    except ValueError as problem:
        raise Refused(
            _("The form has changed meanwhile. Open it again."), code="items"
        ) from problem


def _make(*, slot: Slot, assessment_id: uuid.UUID | None = None, **columns) -> Assessment:
    made = Assessment(
        signed_at=slot.at,
        signed_on=columns["programme"].local_date(slot.at),
        seq=slot.seq,
        **columns,
    )
    if assessment_id is not None:
        made.pk = assessment_id
    made.statement = statement_of(made)
    made.save(force_insert=True)
    return made


def statement_of(assessment: Assessment) -> str:
    """What was signed, as canonical text: remarks by their digests, the rubric's words as shown."""
    rubric = assessment.rubric_version.rubric
    return canonical(
        {
            "trainee": str(assessment.trainee_id),
            "assessor": str(assessment.assessor_id),
            "application": assessment.application.code,
            "rubric": {
                "version": str(assessment.rubric_version_id),
                "sha256": hashlib.sha256(assessment.rubric_version.text.encode()).hexdigest(),
            },
            "level": assessment.level,
            "level_means": rubric.quality[assessment.level - 1].means,
            "items": assessment.chosen,
            "summative": assessment.summative,
            "performed_on": assessment.performed_on.isoformat(),
            "sentence": assessment.remark.digest if assessment.remark else None,
            "taken_back": assessment.taken_back,
            "supersedes": str(assessment.supersedes_id) if assessment.supersedes_id else None,
            "because": assessment.correction_reason.digest
            if assessment.correction_reason
            else None,
        }
    )


def body_of(assessment: Assessment) -> dict:
    return {
        "assessment": str(assessment.pk),
        "trainee": str(assessment.trainee_id),
        "application": assessment.application.code,
        "level": assessment.level,
        "summative": assessment.summative,
        "performed_on": assessment.performed_on.isoformat(),
        "ordinal": assessment.ordinal,
        "taken_back": assessment.taken_back,
        "supersedes": str(assessment.supersedes_id) if assessment.supersedes_id else None,
        "statement_sha256": hashlib.sha256(assessment.statement.encode()).hexdigest(),
    }


def _nudge(made: Assessment) -> None:
    """Standing follows a signature at once; a listener that fails leaves it to the sweep."""
    news = {
        "programme_id": made.programme_id,
        "trainee_ids": {made.trainee_id},
        "seq": made.seq,
    }
    transaction.on_commit(lambda: attested.send_robust(sender=Assessment, **news))
