"""Programmes of any size for measuring, two at a time where the database takes two writers."""

from __future__ import annotations

import datetime as dt
import gc
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path

from django.db import connection, transaction

from accounts.models import Programme
from fixtures_demo import clips, happenings, people, processes, story

ONE_PROGRAMME = 50  # trainees
WEEKS = story.DAYS / 7


def load(
    *, trainees: int, scans: int, now: dt.datetime, folder: Path, say: Callable[[str], None]
) -> dict[str, float]:
    """Programmes of at most ONE_PROGRAMME trainees with so many scans in all.

    Returns seconds by part: pictures (drawn and taken in once), rows, verified.
    """
    from fixtures_demo.pictures import take_in

    started = time.monotonic()
    files = clips.ensure(folder, say=lambda slug: say(f"drawing {slug}"))
    taken = {slug: take_in(slug, path, now.date()) for slug, path in files.items()}
    drawn = time.monotonic()
    parts = _parts(trainees, scans)
    first = Programme.objects.filter(code__startswith="measured-").count() + 1
    jobs = [(first + index, *part, now, taken) for index, part in enumerate(parts)]
    at_once = min(2, len(jobs)) if connection.vendor == "postgresql" else 1
    done = 0
    if at_once == 1:
        for job in jobs:
            done += one(*job)
            say(f"{done} of {scans} scans")
    else:
        connection.close()
        pool = ProcessPoolExecutor(
            at_once,
            mp_context=get_context("spawn"),
            initializer=processes.begin,
            initargs=(connection.settings_dict["NAME"],),
        )
        with pool:
            for finished in as_completed([pool.submit(one, *job) for job in jobs]):
                done += finished.result()
                say(f"{done} of {scans} scans")
    return {"pictures": drawn - started, "rows": time.monotonic() - drawn, "scans": done}


def _parts(trainees: int, scans: int) -> list[tuple[int, int]]:
    """(trainees, scans) of each programme; the sums are exact."""
    count = max(1, -(-trainees // ONE_PROGRAMME))
    return [
        (
            trainees // count + (index < trainees % count),
            scans // count + (index < scans % count),
        )
        for index in range(count)
    ]


def one(
    number: int, trainees: int, scans: int, now: dt.datetime, taken: Mapping[str, object]
) -> int:
    """One programme: people through the actions, everything else at once. Returns its scans."""
    from fixtures_demo.bulk import Builder
    from fixtures_demo.load import Cast

    company = people.crowd(number, trainees)
    events = tell(company, trainees=trainees, scans=scans, now=now)
    begun = (events[0].at if events else now) - dt.timedelta(hours=1)
    with transaction.atomic():
        cast = Cast.enter(company, begun, now.date())
    programme = cast.programmes[company.programmes[0].code]
    builder = Builder(
        programme, cast, {slug: one.stored_for(programme) for slug, one in taken.items()}
    )
    with _uncollected():
        for event in events:
            builder.happen(event)
        return builder.write()["Scan"]


@contextmanager
def _uncollected() -> Iterator[None]:
    """No search for garbage among rows that are all still needed; one when they are written."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def tell(
    company: people.Company, *, trainees: int, scans: int, now: dt.datetime
) -> list[happenings.Event]:
    """A story of exactly so many scans: as busy as it must be, cut off when it has enough."""
    weekly = scans / max(1, trainees) / WEEKS / story.USUAL / 1.5
    while True:
        pace = story.Pace(
            most=10**9, scans=scans, session=(40, 80), turns=False, lulls=False, exact=True
        )
        events = story.tell(now, weekly=weekly, company=company, pace=pace)
        told = sum(len(event.data.answers) for event in events if event.kind == "exam")
        if told == scans:
            return events
        weekly *= 1.08
