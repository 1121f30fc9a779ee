"""What a programme's readings go by: rubric versions, credit rules, exceptions."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import TYPE_CHECKING

from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Refused
from logbook.actions import scans
from logbook.models import Scan
from review import credit, rubrics
from review.models import CreditException, CreditRule, RubricVersion

if TYPE_CHECKING:
    from accounts.models import Person, Programme


@action("reading_room.opened")
def open_reading_room(
    *, programme: Programme, by: Person | None, at: dt.datetime
) -> tuple[RubricVersion, CreditRule]:
    """The default rubrics and credit rule as their first versions. A second time does nothing."""
    rubric = RubricVersion.objects.in_force(programme)
    bedside = RubricVersion.objects.in_force(programme, rubrics.ASSESSMENT)
    rule = CreditRule.objects.in_force(programme)
    if rubric and bedside and rule:
        ledger.nothing_changed()
        return rubric, rule
    slot = ledger.reserve(programme.chain, at=at)
    rubric = rubric or _add(RubricVersion, programme, rubrics.default().text, slot, by)
    bedside = bedside or _add(
        RubricVersion,
        programme,
        rubrics.default(rubrics.ASSESSMENT).text,
        slot,
        by,
        kind=rubrics.ASSESSMENT,
    )
    rule = rule or _add(CreditRule, programme, credit.Rule().text, slot, by)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={
            "rubric_version": str(rubric.pk),
            "rubric": rubric.text,
            "assessment_version": str(bedside.pk),
            "assessment": bedside.text,
            "credit_rule": str(rule.pk),
            "rule": rule.text,
        },
        by=by,
    )
    return rubric, rule


def lay_down(sender: object, *, programme: Programme, by: Person | None, at, **_rest) -> None:
    """A new programme begins with a reading room; called inside the action that makes it."""
    open_reading_room(programme=programme, by=by, at=at)


@action("credit_rule.published")
def publish_credit_rule(
    *, programme: Programme, rule: credit.Rule, by: Person, at: dt.datetime
) -> CreditRule:
    """The next version. Attestations that were signed before keep theirs."""
    slot = ledger.reserve(programme.chain, at=at)
    before = CreditRule.objects.in_force(programme)
    if before is not None and before.rule == rule:
        ledger.nothing_changed()
        return before
    made = _add(CreditRule, programme, rule.text, slot, by)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"credit_rule": str(made.pk), "n": made.n, "rule": made.text},
        by=by,
    )
    return made


@action("rubric.published")
def publish_rubric(
    *, programme: Programme, rubric: rubrics.Rubric, by: Person, at: dt.datetime
) -> RubricVersion:
    """The next version; a reading that was begun under an earlier one keeps it."""
    slot = ledger.reserve(programme.chain, at=at)
    before = RubricVersion.objects.in_force(programme, rubric.kind)
    if before is not None and before.text == rubric.text:
        ledger.nothing_changed()
        return before
    made = _add(RubricVersion, programme, rubric.text, slot, by, kind=rubric.kind)
    slot.append(
        subject=f"programme:{programme.pk}",
        body={"rubric_version": str(made.pk), "n": made.n, "rubric": made.text},
        by=by,
    )
    return made


def _add(model, programme, text: str, slot, by, **more):
    """The chain's head is held: nobody else numbers a version at the same time."""
    if model is RubricVersion:
        more = {"kind": "reading", **more}
    newest = (
        model.objects.filter(programme=programme, **more)
        .order_by("-n")
        .values_list("n", flat=True)
        .first()
    )
    return model.objects.create(
        programme=programme,
        n=(newest or 0) + 1,
        text=text,
        by_person=by,
        recorded_at=slot.at,
        seq=slot.seq,
        **more,
    )


@action("credit.excepted")
def make_exception(
    *, scan: Scan, waives: Collection[str], reason: str, by: Person, at: dt.datetime
) -> CreditException:
    """The director waives reasons of the credit rule for one scan, before it is signed.

    Once it is signed the signer corrects it, keeping the reading: a director never attests.
    A scan that is late stays out of every accuracy figure.
    """
    unknown = set(waives) - set(credit.REASONS)
    if unknown or not waives:
        raise Refused(_("Choose what is waived."), code="waives_nothing", field="waives")
    if not reason.strip():
        raise Refused(_("Say why."), code="no_reason", field="reason")
    scans.lock_exam(scan.exam_id)
    if CreditException.objects.filter(scan=scan).exists():
        raise Refused(_("There is an exception for this scan already."), code="excepted")
    slot = ledger.reserve(scan.programme.chain, at=at)
    remark = remarks.write(programme=scan.programme, text=reason, by=by, at=slot.at)
    exception = CreditException.objects.create(
        programme=scan.programme,
        scan=scan,
        waives=" ".join(code for code in credit.REASONS if code in waives),
        reason=remark,
        by_person=by,
        effective_on=scan.programme.local_date(slot.at),
        recorded_at=slot.at,
        seq=slot.seq,
    )
    slot.append(
        subject=f"scan:{scan.pk}",
        body={
            "exception": str(exception.pk),
            "waives": exception.waives.split(),
            "reason": {"remark": str(remark.pk), "digest": remark.digest},
        },
        by=by,
    )
    return exception
