from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from fixtures_demo import clips, load, measured, people


class Command(BaseCommand):
    help = (
        "Load the invented demonstration. A second time nothing is written and the sign-ins are "
        "printed again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--weekly", type=float, default=1.0, help="how much is scanned, 1 being the usual"
        )
        parser.add_argument(
            "--trainees", type=int, help="for measuring: programmes with so many trainees in all"
        )
        parser.add_argument("--scans", type=int, help="for measuring: so many scans in all")
        parser.add_argument(
            "--draw", action="store_true", help="only draw the clips, which needs no database"
        )
        parser.add_argument(
            "--no-sign-ins", action="store_true", help="for a caller that prints them itself"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if (options["trainees"] is None) != (options["scans"] is None):
            raise CommandError("Give --trainees and --scans together, or neither.")
        if options["draw"]:
            clips.ensure(settings.DATA_DIR / "clips")
            return
        if options["trainees"] is not None:
            self._measured(options["trainees"], options["scans"])
            return
        try:
            seconds = load.load(
                now=timezone.now(),
                folder=settings.DATA_DIR / "clips",
                say=self._say,
                weekly=options["weekly"],
            )
        except load.AlreadyThere:
            self._say("The demonstration is there already.")
        else:
            parts = ", ".join(f"{name} {value:.0f} s" for name, value in seconds.items())
            self._say(f"Loaded in {sum(seconds.values()):.0f} s ({parts}).")
        if options["no_sign_ins"]:
            return
        self._say(f"Password of everyone: {people.PASSWORD}")
        persons = {who.key: who for who in people.everyone()}
        for role, key, shows in people.SIGN_INS:
            self._say(f"  {role:<26} {persons[key].email:<38} {shows}")

    def _measured(self, trainees: int, scans: int) -> None:
        if trainees < 1 or scans < trainees:
            raise CommandError("At least one trainee, and at least one scan a trainee.")
        told = measured.load(
            trainees=trainees,
            scans=scans,
            now=timezone.now(),
            folder=settings.DATA_DIR / "clips",
            say=self._say,
        )
        self._say(
            f"{told['scans']:.0f} scans of {trainees} trainees: rows {told['rows']:.1f} s, "
            f"pictures {told['pictures']:.1f} s."
        )

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()
