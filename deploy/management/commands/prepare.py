from __future__ import annotations

from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser


class Command(BaseCommand):
    help = (
        "Bring the database to this version: migrations, triggers and grants, the shared cache's "
        "table. Runs as DATABASE_OWNER_URL; safe to run again."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--quiet", action="store_true", help="say nothing unless it fails")

    def handle(self, *args: Any, **options: Any) -> None:
        verbosity = 0 if options["quiet"] else options["verbosity"]
        # The table first: migrate ends with the grants, which must find it.
        call_command("createcachetable", verbosity=verbosity)
        call_command("migrate", interactive=False, verbosity=verbosity)
