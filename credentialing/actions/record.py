"""Writing in a trainee's record: a line is added, superseded or revoked, never edited."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from typing import Any

from django.db import models
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions import people
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from accounts.models import Membership, Person, Remark
from credentialing import rules
from credentialing.models import RECORDS, Record

# The columns that hold free text when they are said, and a remark when they are kept.
WORDS = {"transfer": ("document",)}
# Where a kind's own first day is the one from which the row holds.
FIRST_DAY = {"leave": "starts_on", "remediation": "begins_on"}


@action("record.added")
def add(
    *,
    kind: str,
    membership: Membership,
    says: Mapping[str, Any],
    why: str = "",
    supersedes: Record | None = None,
    record_id: uuid.UUID | None = None,
    by: Person | None,
    at: dt.datetime,
) -> Record:
    """Write a line of a kind (`credentialing.models.RECORDS`); `says` holds its own columns.

    The same `record_id` a second time writes nothing. `supersedes` is the line that this one
    corrects, and then `why` is needed. Raises Refused, Forbidden, Conflict.
    """
    model = RECORDS[kind]
    membership = _locked(membership)
    programme = membership.programme
    if record_id is not None and (written := model.objects.filter(pk=record_id).first()):
        if written.membership_id != membership.pk:
            raise Conflict(_("This form was used already. Open a new one."), code="used")
        ledger.nothing_changed()
        return written
    before = _locked_row(supersedes)
    today = programme.local_date(at)
    rules.check_may_record(kind, membership, by, on=today)
    said = _complete(kind, membership, before, says, today=today)
    if before is not None and not why.strip():
        raise Refused(_("Say why this is corrected."), code="no_reason", field="why")
    if kind == "remediation" and not why.strip():
        raise Refused(_("Say why."), code="no_reason", field="why")
    rules.check_says(kind, membership, said, today=today)
    _move_last_day(kind, membership, said, by=by, at=at)
    return _write(model, kind, membership, said, why, before, record_id, by=by, at=at)


@action("record.revoked")
def revoke(*, row: Record, why: str, by: Person | None, at: dt.datetime) -> Record:
    """The line should not stand: a row that says nothing takes its place."""
    kind = kind_of(row)
    membership = _locked(row.membership)
    before = _locked_row(row)
    rules.check_may_record(kind, membership, by, on=membership.programme.local_date(at))
    if not why.strip():
        raise Refused(_("Say why this is taken back."), code="no_reason", field="why")
    if kind in ("extension", "completion"):
        moved_to = before.ends_on if kind == "extension" else before.effective_on
        if membership.ends_on != moved_to:
            raise Conflict(
                _("The last day has been changed since. Set it on the person's page."),
                code="moved_since",
            )
        people.end(membership=membership, ends_on=before.before_on, by=by, at=at)
    said = {name: getattr(before, name) for name in before.SAYS}
    return _write(type(before), kind, membership, said, why, before, None, True, by=by, at=at)


def kind_of(row: Record) -> str:
    return next(kind for kind, model in RECORDS.items() if isinstance(row, model))


def _locked(membership: Membership) -> Membership:
    return (
        Membership.objects.select_for_update(of=("self",))
        .select_related("programme", "person")
        .get(pk=membership.pk)
    )


def _locked_row(row: Record | None) -> Record | None:
    if row is None:
        return None
    row = type(row).objects.select_for_update(of=("self",)).get(pk=row.pk)
    rules.check_current(row)
    return row


def _complete(kind, membership, before, says: Mapping[str, Any], *, today) -> dict[str, Any]:
    """All columns of the kind: what was said, else the model's own beginning."""
    model = RECORDS[kind]
    if unknown := set(says) - set(model.SAYS):
        raise ValueError(f"no columns of a {kind}: {', '.join(sorted(unknown))}")
    if before is not None and (type(before) is not model or before.membership_id != membership.pk):
        raise ValueError("a line supersedes one of its own kind and membership")
    said = {}
    for name in model.SAYS:
        field = model._meta.get_field(name)
        said[name] = says.get(name, field.get_default() if field.has_default() else None)
    if kind in FIRST_DAY:
        said["effective_on"] = said[FIRST_DAY[kind]]
    if kind == "extension":
        said["before_on"] = before.before_on if before else membership.ends_on
    if kind == "completion":
        said["before_on"] = before.before_on if before else membership.ends_on
    if said["effective_on"] is None:
        said["effective_on"] = today
    for field in model._meta.get_fields():
        if isinstance(field, models.CharField) and field.name in said:
            said[field.name] = (said[field.name] or "").strip()
    return said


def _move_last_day(kind, membership, said, *, by, at) -> None:
    """An extension and a completion move the membership's own last day; its entry comes first."""
    if kind in ("extension", "completion"):
        day = said["ends_on"] if kind == "extension" else said["effective_on"]
        people.end(membership=membership, ends_on=day, by=by, at=at)


def _write(model, kind, membership, said, why, before, record_id, revoked=False, *, by, at):
    programme = membership.programme
    slot = ledger.reserve(programme.chain, at=at)
    for name in WORDS.get(kind, ()):
        if isinstance(said.get(name), str):
            said[name] = remarks.write(programme=programme, text=said[name], by=by, at=slot.at)
    today = programme.local_date(slot.at)
    if before is not None:
        before.superseded_on, before.superseded_seq = today, slot.seq
        before.save(update_fields=["superseded_on", "superseded_seq"])
    row = model(
        programme=programme,
        membership=membership,
        recorded_on=today,
        recorded_at=slot.at,
        recorded_by=by,
        seq=slot.seq,
        supersedes=before,
        revoked=revoked,
        why=remarks.write(programme=programme, text=why, by=by, at=slot.at),
        **said,
    )
    if record_id is not None:
        row.pk = record_id
    row.save(force_insert=True)
    slot.append(
        subject=f"record:{row.pk}",
        body={
            "kind": kind,
            "membership": str(membership.pk),
            "trainee": str(membership.person_id),
            "says": {name: _plain(value) for name, value in said.items()},
            "supersedes": str(before.pk) if before else None,
            "revoked": revoked,
            "why": _plain(row.why),
        },
        by=by,
    )
    return row


def _plain(value: Any) -> Any:
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Remark):
        return {"remark": str(value.pk), "digest": value.digest}
    if isinstance(value, models.Model):
        return {"id": str(value.pk), "code": value.code}
    return value
