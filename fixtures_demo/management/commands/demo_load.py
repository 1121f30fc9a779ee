from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from fixtures_demo import load, people


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
            "--no-sign-ins", action="store_true", help="for a caller that prints them itself"
        )

    def handle(self, *args: Any, **options: Any) -> None:
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

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()
