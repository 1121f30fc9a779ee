from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.actions import people, programmes
from accounts.errors import Refused
from accounts.models import Role


class Command(BaseCommand):
    help = "create: a programme, with a first director."

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        create = verbs.add_parser("create")
        create.add_argument("code")
        create.add_argument("name")
        create.add_argument("--institution", required=True, help="its code, as in north-hospital")
        create.add_argument("--institution-name", default="")
        create.add_argument("--time-zone", required=True, help="as in Europe/Berlin")
        create.add_argument("--duty-telephone", default="", help="without one nothing can be read")
        create.add_argument("--director-email", required=True)
        create.add_argument("--director-name", required=True)

    def handle(self, *, verb, **o):
        now = timezone.now()
        try:
            programme = programmes.create(
                institution=o["institution"],
                institution_name=o["institution_name"] or o["institution"],
                code=o["code"],
                name=o["name"],
                time_zone=o["time_zone"],
                duty_telephone=o["duty_telephone"],
                by=None,
                at=now,
            )
            people.add(
                programme=programme,
                email=o["director_email"],
                name=o["director_name"],
                role=Role.DIRECTOR,
                starts_on=programme.local_date(now),
                by=None,
                at=now,
            )
        except (Refused, ValidationError) as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write(f"{programme.name}: /p/{programme.code}/")
