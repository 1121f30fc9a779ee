"""The ledger: order, truth, and what an edit behind its back looks like."""

import itertools
import json

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from accounts import append_only, ledger
from accounts.ledger import core
from accounts.ledger.models import LedgerBody, LedgerEntry, LedgerHead
from tests.factories import a_coordinator, a_programme, at
from tests.support.database import as_owner

pytestmark = pytest.mark.django_db


def test_entries_follow_each_other_and_time_never_runs_backwards():
    programme = a_programme(when=at(3))
    before = ledger.head_of(programme.chain)
    a_coordinator(programme, when=at(1))  # a clock that was set back
    entries = ledger.read(programme.chain, after_seq=before)
    assert [e.action for e in entries] == ["membership.begun"]
    assert entries[0].at == at(3)
    assert core.verify(programme.chain).true


def test_reading_goes_on_from_a_cursor():
    programme = a_programme()
    head = ledger.head_of(programme.chain)
    a_coordinator(programme, "Cai Brandt")
    a_coordinator(programme, "Eda Moss")
    seqs = [e.seq for e in ledger.read(programme.chain, after_seq=head)]
    assert seqs == [head + 1, head + 2]
    assert [e.seq for e in ledger.read(programme.chain, after_seq=head, limit=1)] == [head + 1]


@pytest.fixture
def unlocked(transactional_db):
    """Edits behind the database's back: the owner, with the triggers taken away."""

    def run(sql, *values):
        with as_owner() as owner:
            for model in (LedgerEntry, LedgerBody):
                append_only.remove(model, owner)
            with owner.cursor() as cursor:
                if owner.vendor == "sqlite":
                    cursor.execute("PRAGMA foreign_keys = OFF")
                cursor.execute(sql, values)
                if owner.vendor == "sqlite":
                    cursor.execute("PRAGMA foreign_keys = ON")
            for model in (LedgerEntry, LedgerBody):
                append_only.install(model, owner)

    return run


EDITS = {
    "an actor": "UPDATE ledger_ledgerentry SET actor_id = NULL, header = "
    "REPLACE(header, 'membership', 'membershiq') WHERE chain = %s AND seq = %s",
    "a time": "UPDATE ledger_ledgerentry SET at = '2020-01-01 00:00:00+00' "
    "WHERE chain = %s AND seq = %s",
    "an action's name": "UPDATE ledger_ledgerentry SET action = 'membership.ended' "
    "WHERE chain = %s AND seq = %s",
    "a hash": "UPDATE ledger_ledgerentry SET hash = header_of.hash FROM "
    "(SELECT hash FROM ledger_ledgerentry WHERE seq = 1 LIMIT 1) AS header_of "
    "WHERE chain = %s AND seq = %s",
    "a body": "UPDATE ledger_ledgerbody SET body = REPLACE(body, 'coordinator', 'director') "
    "WHERE entry_id = (SELECT id FROM ledger_ledgerentry WHERE chain = %s AND seq = %s)",
    "a body taken away unsaid": "UPDATE ledger_ledgerbody SET body = NULL, salt = NULL "
    "WHERE entry_id = (SELECT id FROM ledger_ledgerentry WHERE chain = %s AND seq = %s)",
}


@pytest.mark.parametrize("edit", EDITS)
def test_an_edit_behind_the_databases_back_is_found_and_located(unlocked, edit):
    programme = a_programme()
    a_coordinator(programme, "Cai Brandt")
    place = ledger.head_of(programme.chain)
    a_coordinator(programme, "Eda Moss")
    unlocked(EDITS[edit], programme.chain, place)
    assert core.verify(programme.chain).first_bad == place


def test_a_missing_entry_and_a_cut_tail_are_found(unlocked):
    programme = a_programme()
    for name in ("Cai Brandt", "Eda Moss", "Fia Holm"):
        a_coordinator(programme, name)
    head = LedgerHead.objects.get(chain=programme.chain)
    noted = f"{head.seq}:{head.hash}"
    call_command("ledger", "verify", "--chain", programme.chain, "--head", noted)
    unlocked(
        "DELETE FROM ledger_ledgerbody WHERE entry_id IN "
        "(SELECT id FROM ledger_ledgerentry WHERE chain = %s AND seq >= %s)",
        programme.chain,
        head.seq,
    )
    unlocked(
        "DELETE FROM ledger_ledgerentry WHERE chain = %s AND seq >= %s", programme.chain, head.seq
    )
    assert core.verify(programme.chain).first_bad == head.seq
    # Whoever also rolls the head back is caught only by a head kept elsewhere.
    last = LedgerEntry.objects.filter(chain=programme.chain).order_by("-seq").first()
    LedgerHead.objects.filter(chain=programme.chain).update(seq=last.seq, hash=last.hash)
    assert core.verify(programme.chain).true
    with pytest.raises(CommandError):
        call_command("ledger", "verify", "--chain", programme.chain, "--head", noted)


def test_a_redacted_body_leaves_the_chain_true():
    programme = a_programme()
    coordinator = a_coordinator(programme)
    place = ledger.head_of(programme.chain)
    core.redact(chain=programme.chain, seq=place, why="asked by the person", by=None, at=at(1))
    verdict = core.verify(programme.chain)
    assert (verdict.true, verdict.redacted) == (True, 1)
    entry = ledger.read(programme.chain, after_seq=place - 1, limit=1)[0]
    assert entry.body is None
    assert str(coordinator.pk) not in "".join(
        b or "" for b in LedgerBody.objects.filter(entry__seq=place).values_list("body", flat=True)
    )


def test_export_gives_what_an_independent_check_needs(capsys):
    import hashlib

    programme = a_programme()
    a_coordinator(programme)
    call_command("ledger", "export", programme.chain)
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    prev = "0" * 64
    for seq, line in zip(itertools.count(1), lines, strict=False):
        header = json.loads(line["header"])
        assert (header["seq"], header["prev"]) == (seq, prev)
        said = bytes.fromhex(line["salt"]) + line["body"].encode()
        assert header["body_digest"] == hashlib.sha256(said).hexdigest()
        prev = hashlib.sha256(line["header"].encode()).hexdigest()
        assert prev == line["hash"]
    assert len(lines) == ledger.head_of(programme.chain)


def test_canonical_text_is_rfc_8785():
    """Values and their text: RFC 8785 section 3.2.2 and appendix B (numbers by IEEE 754 bits)."""
    import struct

    sample = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": '€$\x0f\nA\'B"\\\\"/',
        "literals": [None, True, False],
    }
    assert core.canonical(sample) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    for bits, text in {
        "444b1ae4d6e2ef50": "1e+21",
        "3eb0c6f7a0b5ed8d": "0.000001",
        "8000000000000000": "0",
    }.items():
        number = struct.unpack(">d", bytes.fromhex(bits))[0]
        assert core.canonical(number) == text


def test_the_ledger_needs_a_transaction(transactional_db):
    from django.db.transaction import TransactionManagementError

    with pytest.raises(TransactionManagementError):
        ledger.reserve("site", at=at(0))
    assert connection.in_atomic_block is False
