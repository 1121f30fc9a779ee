from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.actions import institutions
from accounts.errors import Refused
from accounts.models import Institution, InstitutionAdministrator


class Command(BaseCommand):
    help = "grant, end: who administers an institution. The first one is granted here."

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        grant = verbs.add_parser("grant")
        grant.add_argument("code", help="the institution's, as in north-hospital")
        grant.add_argument("--institution-name", default="", help="where the institution is new")
        grant.add_argument("--email", required=True)
        grant.add_argument("--name", required=True)
        end = verbs.add_parser("end")
        end.add_argument("code")
        end.add_argument("--email", required=True)

    def handle(self, *, verb, code, **o):
        now = timezone.now()
        today = timezone.localdate(now)
        place = Institution.objects.filter(code=code).first()
        try:
            if verb == "grant":
                if place is None:
                    place = institutions.found(
                        code=code, name=o["institution_name"] or code, by=None, at=now
                    )
                institutions.grant(
                    institution=place, email=o["email"], name=o["name"], on=today, by=None, at=now
                )
                self.stdout.write(f"{o['name']}: /institution/{place.code}/")
                return
            row = InstitutionAdministrator.objects.filter(
                institution__code=code, person__email__iexact=o["email"], to_on=None
            ).first()
            if row is None:
                raise CommandError("There is no such administrator.")
            institutions.end(administrator=row, on=today, by=None, at=now)
            self.stdout.write(f"{row.person.name}: until the end of {today}")
        except (Refused, ValidationError) as refusal:
            raise CommandError(str(refusal)) from refusal
