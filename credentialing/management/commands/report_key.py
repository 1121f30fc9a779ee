from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.errors import Refused
from accounts.models import Programme
from credentialing.actions import reports
from credentialing.models import SigningKey


class Command(BaseCommand):
    help = "list, make, rotate: the keys with which a programme's reports are signed."

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        for verb in ("list", "make", "rotate", "certificate"):
            one = verbs.add_parser(verb)
            one.add_argument("programme", help="its code")
            if verb == "rotate":
                one.add_argument("--why", required=True, help="kept in the record")

    def handle(self, *, verb, programme, **o):
        its = Programme.objects.select_related("institution").filter(code=programme).first()
        if its is None:
            raise CommandError(f"no programme is called {programme}")
        by = {"programme": its, "by": None, "at": timezone.now()}
        try:
            if verb == "make":
                reports.make_key(**by)
            elif verb == "rotate":
                reports.rotate_key(why=o["why"], **by)
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        if verb == "certificate":
            key = reports.key_of(its)
            if key is None:
                raise CommandError("there is no key in use")
            self.stdout.write(key.certificate.rstrip())
            return
        for key in SigningKey.objects.filter(programme=its).order_by("n"):
            state = f"retired {key.retired_at:%Y-%m-%d}" if key.retired_at else "in use"
            self.stdout.write(f"{key.n} {state}, made {key.made_at:%Y-%m-%d} {key.fingerprint}")
