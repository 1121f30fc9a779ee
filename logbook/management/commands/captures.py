"""Looks after what is kept of captures: `captures doctor` and `captures sweep`."""

from __future__ import annotations

import datetime as dt
import json as text
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from logbook import keeping, upkeep


class Command(BaseCommand):
    help = (
        "doctor: which walls stand around the program that opens files, and every object that is "
        "missing, unreadable, altered, unstripped, orphaned or left over. sweep: removes objects "
        "that nothing names and that are older than a day."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("what", choices=["doctor", "sweep"])
        parser.add_argument("--json", action="store_true", help="one JSON object")
        parser.add_argument(
            "--quick", action="store_true", help="do not read every object to compare its hash"
        )

    def handle(self, *args: Any, what: str, json: bool, quick: bool, **options: Any) -> None:
        if what == "sweep":
            gone = upkeep.sweep(older_than=dt.timedelta(hours=24), at=timezone.now())
            self.stdout.write(f"{len(gone)} objects removed that nothing names")
            return
        walls = keeping.runner().walls()
        found = upkeep.examine(at=timezone.now(), read=not quick)
        keeping.runner().close()
        if json:
            self.stdout.write(_as_json(walls, found))
        else:
            self._say(walls, found)
        missing = [name for name, stands in walls.items() if not stands and name != "own_network"]
        if missing or found.faults:
            raise CommandError(
                f"{len(missing)} walls missing, {len(found.faults)} faults. See above."
            )

    def _say(self, walls: dict[str, bool], found: upkeep.Found) -> None:
        for name, stands in walls.items():
            self.stdout.write(f"wall {name}: {'stands' if stands else 'MISSING'}")
        for fault in found.faults:
            self.stdout.write(f"{fault.kind}: {fault.where}")
        self.stdout.write(
            f"{found.captures} captures, {found.objects} objects, "
            f"{found.orphans} that nothing names, {found.staged} uploads in staging"
        )


def _as_json(walls: dict[str, bool], found: upkeep.Found) -> str:
    return text.dumps(
        {
            "walls": walls,
            "captures": found.captures,
            "objects": found.objects,
            "orphans": found.orphans,
            "staged": found.staged,
            "faults": [[fault.kind, fault.where] for fault in found.faults],
        }
    )
