"""The invented programme at its whole size, for looking at: minutes of single actions in seconds.

What the story has by the hundred (exams, confirmed shifts, readings) is written many at once,
which tests/fixtures_demo/test_bulk.py holds to be the same rows; the few other things follow
through the actions.
"""

from __future__ import annotations

import datetime as dt
import functools
from dataclasses import replace
from pathlib import Path
from unittest import mock

from django.db import transaction

from credentialing.actions import outlook, reports, standing
from credentialing.forecasts import telling
from credentialing.outlook.futures import tell
from fixtures_demo import clips, people, story
from fixtures_demo.bulk import Builder
from fixtures_demo.load import Cast, Loader
from fixtures_demo.pictures import Pictures, take_in

AT_ONCE = ("exam", "shift", "read")
FRAMES = 24  # of 48: half as long to draw
FUTURES = 50  # of 2,000: a band drawn from fewer looks the same


def fill(*, now: dt.datetime, folder: Path) -> dict[str, Path]:
    """Everybody and everything of the demonstration. `folder`: where drawn clips are kept.

    Returns slug -> path of each clip.
    """
    with mock.patch.object(clips, "FRAMES", FRAMES):
        files = clips.ensure(folder)
    company = people.demonstration()
    events = story.tell(now)
    taken = {slug: take_in(slug, path, now.date()) for slug, path in files.items()}
    turned = {event.data.exam for event in events if event.kind == "turn"}
    with transaction.atomic():
        cast = Cast.enter(company, events[0].at - dt.timedelta(hours=1), now.date())
    present = {who.key for who in company.people for role in who.roles if role.year in (1, 2, 3)}
    pictures = Pictures(files)
    builders = {}
    for code, programme in cast.programmes.items():
        masters = {slug: one.stored_for(programme) for slug, one in taken.items()}
        pictures.masters |= {(programme.pk, slug): one for slug, one in masters.items()}
        builders[code] = Builder(programme, cast, masters)
    others = []
    for event in events:
        # Read after it came back: only once it has gone back.
        later = event.kind == "read" and event.data.exam in turned
        if event.kind in AT_ONCE and not later:
            builders[event.programme].happen(event)
        elif event.kind == "watched":  # signed within two weeks, and by then the chain is at today
            if event.data.trainee in present:
                today = replace(event.data, performed_on=now.date())
                others.append(replace(event, at=now, data=today))
        else:
            others.append(event)
    for builder in builders.values():
        builder.write()
    loader = Loader(cast, pictures)
    with transaction.atomic():
        for event in others:
            loader.happen(event)
    for programme in cast.programmes.values():
        while standing.follow(programme=programme, at=now) is not None:
            pass
        reports.make_key(programme=programme, by=None, at=now)
        with mock.patch.object(telling, "tell", functools.partial(tell, n=FUTURES)):
            outlook.run(programme, at=now)
    return files
