import json
import logging
import signal
import sys

from django.core.management.base import BaseCommand, CommandError

from accounts.benching import load


class Command(BaseCommand):
    help = "Measure ours beside a bare base, in one run: manage.py bench NAME [--json]"

    def add_arguments(self, parser):
        parser.add_argument("names", nargs="*", help="none: the list of benchmarks")
        parser.add_argument("--json", action="store_true", help="one object a line")
        parser.add_argument("--size", type=float, help="share of the full size, where one has it")

    def handle(self, *, names, **options):
        logging.disable(logging.INFO)  # a line a request would be most of what is measured
        # Told to end, it still ends its workers and takes its scratch database away.
        signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(143))
        known = load()
        if not names:
            for name in sorted(known):
                about = (known[name].__doc__ or "").strip().splitlines()
                self.stdout.write(f"{name:12} {about[0] if about else ''}")
            return
        if unknown := set(names) - known.keys():
            raise CommandError(
                f"no benchmark is called {', '.join(sorted(unknown))}; "
                f"there are {', '.join(sorted(known))}"
            )
        for name in names:
            size = options["size"]
            for measure in known[name]() if size is None else known[name](size=size):
                row = measure.row()
                if options["json"]:
                    self.stdout.write(json.dumps(row))
                else:
                    self.stdout.write(
                        f"{row['bench']} {row['case']:36} ours {row['ours']:>10} "
                        f"base {row['base']:>10} {row['unit']:8} ratio {row['ratio']:>7} "
                        f"n {row['n']} {row['engine']} {row.get('note', '')}"
                    )
                self.stdout.flush()
