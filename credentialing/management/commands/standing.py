from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.models import Programme
from credentialing import tasks
from credentialing.actions import standing


class Command(BaseCommand):
    help = (
        "recompute: everybody's standing, and every stored row that was not what it should be; "
        "follow: what the ledger says since."
    )

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        again = verbs.add_parser("recompute")
        again.add_argument("programme", nargs="*", help="all programmes without one")
        news = verbs.add_parser("follow", help="take up what the ledger says past the cursor")
        news.add_argument("programme", nargs="*", help="all programmes without one")

    def handle(self, *, verb, programme, **_options):
        rows = Programme.objects.order_by("code")
        if programme:
            rows = rows.filter(code__in=programme)
            missing = set(programme) - {row.code for row in rows}
            if missing:
                raise CommandError(f"There is no programme {', '.join(sorted(missing))}.")
        if verb == "follow":
            for row in rows:
                self.stdout.write(f"{row.code}: {tasks.follow(str(row.pk))} people")
            return
        wrong = 0
        for row in rows:
            done = standing.recompute(programme=row, check=True, at=timezone.now())
            self.stdout.write(f"{row.code}: {done.people} people, {done.changed} rows changed")
            for sentence in done.differing:
                self.stderr.write(f"{row.code}: {sentence}")
            wrong += len(done.differing)
        if wrong:
            raise CommandError(f"{wrong} rows were not what their own day and position say.")
