"""Forecasts, written down once a day after everybody's standing; and who may see their own."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Mapping
from typing import Any

from django.db.models import F, Q
from django.utils import timezone

from accounts import ledger
from accounts.actions_base import action
from accounts.ledger.core import canonical
from accounts.models import Person, Programme
from credentialing import measures, queries
from credentialing.forecasts import gather, telling
from credentialing.models import BackTest, Outlook, OutlookRun

BATCH = 20
# A run that nothing was heard of for so long has died: the next tick takes it over. The back-test
# says nothing while it works, and takes a minute or two.
TAKEN_OVER_AFTER = dt.timedelta(minutes=15)
BACK_TEST_EVERY = dt.timedelta(days=28)


@action(ledger=None, why="claims the day of a programme's forecasts; they state nothing themselves")
def claim(*, programme: Programme, by: None = None, at: dt.datetime) -> OutlookRun | None:
    """Compare-and-set: of two ticks one gets the day, unless the other has died with it."""
    today = programme.local_date(at)
    run, _made = OutlookRun.objects.get_or_create(programme=programme)
    free = Q(day=None) | Q(day__lt=today)
    stuck = Q(finished_at=None, claimed_at__lte=at - TAKEN_OVER_AFTER)
    won = OutlookRun.objects.filter(free | stuck, pk=run.pk).update(
        day=today, claimed_at=at, finished_at=None, people=0, failed=""
    )
    return OutlookRun.objects.get(pk=run.pk) if won else None


@action(ledger=None, why="a forecast is worked out from the record, not stated by anybody")
def write(
    *,
    programme: Programme,
    as_of: measures.AsOf,
    told: Mapping[uuid.UUID, tuple[uuid.UUID, dt.date | None, dict[str, Any]]],
    by: None = None,
    at: dt.datetime,
) -> None:
    """membership -> (plan version, end of training, what is told)."""
    cut = {"d": as_of.d, "d2": as_of.d2, "n": as_of.n}
    stored = {row.membership_id: row for row in Outlook.objects.filter(membership__in=list(told))}
    new, old = [], []
    for membership, (version, ends_on, said) in told.items():
        values = {
            "version_id": version,
            "ends_on": ends_on,
            "why": said["why"],
            "joint": said["joint"],
            "text": canonical(said),
            "computed_at": at,
            **cut,
        }
        row = stored.get(membership)
        if row is None:
            new.append(Outlook(programme=programme, membership_id=membership, **values))
            continue
        for name, value in values.items():
            setattr(row, name, value)
        old.append(row)
    Outlook.objects.bulk_create(new)
    Outlook.objects.bulk_update(
        old, ["version", "ends_on", "why", "joint", "text", "computed_at", *cut]
    )


@action(ledger=None, why="scores of past forecasts, worked out from the record")
def write_back_test(
    *, programme: Programme, told: dict[str, Any], by: None = None, at: dt.datetime
) -> None:
    BackTest.objects.update_or_create(
        programme=programme,
        defaults={
            "verdict": told["verdict"],
            "day": programme.local_date(at),
            "text": canonical(told),
            "computed_at": at,
        },
    )


@action(ledger=None, why="writes down what a run did")
def finish(*, run: OutlookRun, failed: str, by: None = None, at: dt.datetime) -> None:
    OutlookRun.objects.filter(pk=run.pk).update(finished_at=at, failed=failed[:300])


@action(ledger=None, why="counts what a run has done so far, and says that it is alive")
def progress(*, run: OutlookRun, people: int, by: None = None, at: dt.datetime) -> None:
    OutlookRun.objects.filter(pk=run.pk).update(people=F("people") + people, claimed_at=at)


@action("outlook.shown")
def show_to_trainees(*, programme: Programme, shown: bool, by: Person, at: dt.datetime) -> None:
    """Whether trainees see their own outlook and curve."""
    run, _made = OutlookRun.objects.select_for_update().get_or_create(programme=programme)
    if run.shown_to_trainees == shown:
        ledger.nothing_changed()
        return
    run.shown_to_trainees = shown
    run.save(update_fields=["shown_to_trainees"])
    slot = ledger.reserve(programme.chain, at=at)
    slot.append(subject=f"programme:{programme.pk}", body={"to_trainees": shown}, by=by)


def run(
    programme: Programme, *, at: dt.datetime, back_test: bool | None = None
) -> OutlookRun | None:
    """Everybody's forecast for the programme's own day; the back-test when it is due.

    What a transaction writes is a batch of people; one that fails is said in the run's row, and
    the others are written all the same. None where the day is claimed.
    """
    claimed = claim(programme=programme, at=at)
    if claimed is None:
        return None
    failed = ""
    try:
        as_of = queries.now(programme, at)
        material = gather.material_of(programme, on=as_of.d)
        judged = queries.judged_in(programme, on=as_of.d, seq=as_of.n)
        plans = {pk: version.as_plan() for pk, version in _versions(judged).items()}
        failed = _write_all(programme, material, judged, plans, as_of, claimed, at)
        if back_test if back_test is not None else _is_due(programme, at):
            asked = {
                one.membership_id: (plans[one.version_id], str(one.version_id)) for one in judged
            }
            found, _cases = telling.back_test(material, asked, on=as_of.d)
            write_back_test(programme=programme, told=telling.as_json(found), at=at)
    except Exception as problem:  # said on the director's page; tomorrow's run begins anew
        failed = f"{type(problem).__name__}: {problem}"
    finish(run=claimed, failed=failed, at=max(at, timezone.now()))
    return OutlookRun.objects.get(pk=claimed.pk)


def _versions(judged):
    return queries.versions(one.version_id for one in judged)


def _is_due(programme: Programme, at: dt.datetime) -> bool:
    last = BackTest.objects.filter(programme=programme).values_list("computed_at", flat=True)
    return all(computed_at <= at - BACK_TEST_EVERY for computed_at in last)


def _write_all(programme, material, judged, plans, as_of, claimed, at) -> str:
    failed = ""
    going = [one for one in judged if _goes_on(material, one.membership_id, as_of.d)]
    for start in range(0, len(going), BATCH):
        told = {}
        for one in going[start : start + BATCH]:
            member = material.members[one.membership_id]
            try:
                said = telling.outlook_of(
                    material, member, plans[one.version_id], as_of, str(one.version_id)
                )
            except Exception as problem:
                failed = f"{type(problem).__name__}: {problem}"
                continue
            told[one.membership_id] = (one.version_id, member.ends_on, said)
        write(programme=programme, as_of=as_of, told=told, at=at)
        progress(run=claimed, people=len(told), at=max(at, timezone.now()))
    return failed


def _goes_on(material: gather.Material, membership_id: uuid.UUID, on: dt.date) -> bool:
    member = material.members.get(membership_id)
    return member is not None and (member.ends_on is None or member.ends_on > on)
