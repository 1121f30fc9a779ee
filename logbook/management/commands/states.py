"""Write what is made from data: docs/states.md and logbook/list_texts.py, or check both."""

from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from logbook import states, value_lists


class Command(BaseCommand):
    help = "Draws the states of exams, scans and captures, and lists the texts to translate."

    def add_arguments(self, parser):
        parser.add_argument("--check", action="store_true", help="fail if one is out of date")

    def handle(self, *args, check=False, **options):
        made = {
            "docs/states.md": states.page(),
            "logbook/list_texts.py": value_lists.texts_module(),
        }
        for name, wanted in made.items():
            path = Path(settings.BASE_DIR) / name
            if not check:
                path.write_text(wanted, "utf-8")
                self.stdout.write(f"{name} written")
            elif not path.exists() or path.read_text("utf-8") != wanted:
                raise CommandError(f"{name} is out of date. Run: manage.py states")
