"""Write docs/states.md from the transition tables, or check that it is up to date."""

from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from logbook import states


class Command(BaseCommand):
    help = "Draws the states of exams, scans and captures into docs/states.md."

    def add_arguments(self, parser):
        parser.add_argument("--check", action="store_true", help="fail if the page is out of date")

    def handle(self, *args, check=False, **options):
        path = Path(settings.BASE_DIR) / "docs" / "states.md"
        wanted = states.page()
        if check:
            if not path.exists() or path.read_text("utf-8") != wanted:
                raise CommandError("docs/states.md is out of date. Run: manage.py states")
            return
        path.write_text(wanted, "utf-8")
        self.stdout.write("docs/states.md written")
