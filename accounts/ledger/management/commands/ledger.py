import json
import sys

from django.core.management.base import BaseCommand, CommandError

from accounts.ledger import core
from accounts.ledger.models import LedgerHead


class Command(BaseCommand):
    help = "verify: walk every chain and name the first false entry. export: one entry a line."

    def add_arguments(self, parser):
        verbs = parser.add_subparsers(dest="verb", required=True)
        verify = verbs.add_parser("verify", help="walk the chains")
        verify.add_argument("--chain", help="this chain only")
        verify.add_argument(
            "--head", help="SEQ:HASH noted elsewhere; shows a cut tail or a roll-back"
        )
        export = verbs.add_parser("export", help="JSON lines: header, hash, salt, body")
        export.add_argument("chain")
        export.add_argument("--after", type=int, default=0)

    def handle(self, *, verb, **options):
        getattr(self, verb)(**options)

    def verify(self, *, chain, head, **_):
        chains = (
            [chain]
            if chain
            else list(LedgerHead.objects.order_by("chain").values_list("chain", flat=True))
        )
        bad = 0
        for name in chains:
            verdict = core.verify(name)
            if verdict.true and head and not self._holds(name, head):
                verdict = core.Verdict(
                    name,
                    verdict.entries,
                    verdict.redacted,
                    int(head.split(":")[0]),
                    "the noted head is not in this chain: cut, or rolled back",
                )
            if verdict.true:
                self.stdout.write(
                    f"{name}: true, {verdict.entries} entries, {verdict.redacted} redacted"
                )
            else:
                bad += 1
                self.stdout.write(f"{name}: FALSE at entry {verdict.first_bad}: {verdict.because}")
        if bad:
            raise CommandError(f"{bad} of {len(chains)} chains are false")

    def _holds(self, chain, head):
        seq, _, digest = head.partition(":")
        return any(row[0] == int(seq) and row[6] == digest for row in core.rows_of(chain))

    def export(self, *, chain, after, **_):
        for row in core.rows_of(chain):
            if row[0] > after:
                line = {"header": row[5], "hash": row[6], "salt": row[7], "body": row[8]}
                sys.stdout.write(json.dumps(line) + "\n")
