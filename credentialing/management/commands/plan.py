import datetime as dt
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.errors import Refused
from accounts.models import Person, Programme
from credentialing import planfile, publishing
from credentialing.actions import plans
from credentialing.models import PlanVersion
from credentialing.queries import groups_of, trainees_on


class Command(BaseCommand):
    help = "import, export, templates: plans as commented files."

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        take = verbs.add_parser("import", help="check a file; with --publish make it a version")
        take.add_argument("programme")
        take.add_argument("file", help="a path, or the code of a template that ships with this")
        take.add_argument("--publish", action="store_true")
        take.add_argument("--effective-on", type=dt.date.fromisoformat, help="as in 2026-07-01")
        take.add_argument("--approved-on", type=dt.date.fromisoformat)
        take.add_argument("--for-newcomers", action="store_true", help="given to new trainees")
        take.add_argument("--assign-all", action="store_true", help="given to today's trainees")
        take.add_argument("--by", help="the director's e-mail address, for the ledger")
        give = verbs.add_parser("export", help="print a published version as a file")
        give.add_argument("programme")
        give.add_argument("code")
        give.add_argument("--version", type=int, dest="n", help="the newest without it")
        verbs.add_parser("templates", help="the codes of the templates that ship with this")

    def handle(self, *, verb, **options):
        if verb == "templates":
            self.stdout.write("\n".join(planfile.templates()))
            return
        programme = Programme.objects.filter(code=options["programme"]).first()
        if programme is None:
            raise CommandError(f"There is no programme {options['programme']!r}.")
        if verb == "export":
            self.export(programme, options["code"], options["n"])
        else:
            self.take(programme, options)

    def export(self, programme, code, n):
        versions = PlanVersion.objects.with_clauses().filter(programme=programme, code=code)
        if n is not None:
            versions = versions.filter(n=n)
        version = versions.order_by("-n").first()
        if version is None:
            raise CommandError(f"{programme.code} has published no such version of {code!r}.")
        found = planfile.PlanFile(version.as_plan(), version.sources)
        self.stdout.write(planfile.dump(found, remark=f"Version {version.n}."), ending="")

    def take(self, programme, options):
        found = self.read(options["file"])
        reasons = publishing.refusals(
            found.plan, groups=groups_of(programme), override_reason=found.override_reason
        )
        if reasons:
            raise CommandError("\n".join(reasons))
        for remark in publishing.remarks(found.plan):
            self.stdout.write(remark)
        if not options["publish"]:
            self.stdout.write("The file can be published. Nothing was written.")
            return
        now = timezone.now()
        try:
            version = plans.publish(
                programme=programme,
                plan=found.plan,
                sources=found.sources,
                override_reason=found.override_reason,
                effective_on=options["effective_on"] or programme.local_date(now),
                approved_on=options["approved_on"],
                by_default=options["for_newcomers"],
                by=self.person(options["by"]),
                at=now,
            )
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write(f"{version.name}, version {version.n}")
        if options["assign_all"]:
            today = programme.local_date(now)
            given = plans.assign(
                version=version,
                memberships=trainees_on(programme, max(today, version.effective_on)),
                effective_on=version.effective_on,
                by=self.person(options["by"]),
                at=now,
            )
            self.stdout.write(f"{len(given)} trainees are judged by it.")

    def read(self, name):
        try:
            text = (
                planfile.template(name)
                if name in planfile.templates()
                else Path(name).read_text(encoding="utf-8")
            )
            return planfile.parse(text)
        except (OSError, UnicodeDecodeError) as unreadable:
            raise CommandError(f"{name} cannot be read: {unreadable}") from unreadable
        except planfile.PlanFileError as wrong:
            raise CommandError(f"{name}\n{wrong}") from wrong

    def person(self, email):
        if not email:
            return None
        person = Person.objects.filter(email__iexact=email).first()
        if person is None:
            raise CommandError(f"Nobody here has the address {email}.")
        return person
