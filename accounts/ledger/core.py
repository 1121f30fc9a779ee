"""Appending to, reading and verifying a chain.

Lock order: domain rows first, then the head. Whoever holds the head takes `seq` and `at`, writes
the rows that carry them, then the entry, and commits; so sequence order is commit order.
"""

import hashlib
import json
import secrets
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785
from django.db import connection, transaction

from accounts.ledger.models import LedgerBody, LedgerEntry, LedgerHead

VERSION = 1
GENESIS = "0" * 64

# Set by the house above: names an entry after the running action, and hears of no-ops.
naming: Callable[[str, str | None], str] = lambda chain, action: action or ""  # noqa: E731
noop: Callable[[], None] = lambda: None  # noqa: E731


@dataclass(frozen=True)
class Entry:
    """One entry as readers see it; `body` is None once redacted."""

    chain: str
    seq: int
    at: datetime
    actor_id: uuid.UUID | None
    action: str
    subject: str
    body: dict[str, Any] | None


def canonical(value: Any) -> str:
    """The RFC 8785 text of a JSON value. Raises ValueError for what JSON cannot carry."""
    if _is_plain(value):
        return _PLAIN.encode(value)
    return rfc8785.dumps(value).decode()


# The same text from the standard library's own encoder, ten times sooner, where nothing needs the
# rules for numbers with a fraction, for names beyond ASCII or for what cannot be encoded.
_PLAIN = json.JSONEncoder(
    ensure_ascii=False, check_circular=False, allow_nan=False, sort_keys=True, separators=(",", ":")
)
_SAFE = 2**53 - 1


def _is_plain(value: Any) -> bool:
    kind = type(value)
    if kind is dict:
        for name, one in value.items():
            if type(name) is not str or not name.isascii():
                return False
            # Most values are texts or nothing: asked here, they need no call of their own.
            if type(one) is str:
                if not one.isascii():
                    return False
            elif one is not None and one is not True and one is not False and not _is_plain(one):
                return False
        return True
    if kind is str:
        return value.isascii()
    if kind is list:
        return all(map(_is_plain, value))
    return value is None or kind is bool or (kind is int and -_SAFE <= value <= _SAFE)


def moment(at: datetime) -> str:
    """UTC, RFC 3339, microseconds always written, so that equal times have equal texts."""
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def digest_of_body(salt: str, body: str) -> str:
    """SHA-256 over 32 random bytes and the body's canonical text, as hex."""
    return hashlib.sha256(bytes.fromhex(salt) + body.encode()).hexdigest()


def header_text(
    *,
    chain: str,
    seq: int,
    at: datetime,
    actor_id,
    action: str,
    subject: str,
    body_digest: str,
    prev: str,
) -> str:
    return canonical(
        {
            "v": VERSION,
            "chain": chain,
            "seq": seq,
            "at": moment(at),
            "actor_id": str(actor_id) if actor_id else None,
            "action": action,
            "subject": subject,
            "body_digest": body_digest,
            "prev": prev,
        }
    )


def hash_of(header: str) -> str:
    return hashlib.sha256(header.encode()).hexdigest()


@dataclass
class Slot:
    """The next place of a chain, held until the transaction ends."""

    head: LedgerHead
    seq: int
    at: datetime

    @property
    def chain(self) -> str:
        return self.head.chain

    def append(self, *, subject: str, body: dict[str, Any], by=None, action: str | None = None):
        """Write the entry, the last write of its action. `by` is a person, an id or None."""
        name = naming(self.head.chain, action)
        actor_id = getattr(by, "pk", by)
        salt = secrets.token_bytes(32).hex()
        text = canonical(body)
        header = header_text(
            chain=self.head.chain,
            seq=self.seq,
            at=self.at,
            actor_id=actor_id,
            action=name,
            subject=subject,
            body_digest=digest_of_body(salt, text),
            prev=self.head.hash or GENESIS,
        )
        entry = LedgerEntry.objects.create(
            chain=self.head.chain,
            seq=self.seq,
            at=self.at,
            actor_id=actor_id,
            action=name,
            subject=subject,
            header=header,
            hash=hash_of(header),
        )
        LedgerBody.objects.create(entry=entry, salt=salt, body=text)
        self.head.seq, self.head.at, self.head.hash = self.seq, self.at, entry.hash
        self.head.save(update_fields=["seq", "at", "hash"])
        return entry


def reserve(chain: str, *, at: datetime) -> Slot:
    """Lock the chain's head and take its next place. Needs a transaction.

    The time never runs backwards along a chain: it is the later of `at` and the head's.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("the ledger is written inside an action")
    head = LedgerHead.objects.select_for_update().filter(chain=chain).first()
    if head is None:
        LedgerHead.objects.get_or_create(chain=chain)
        head = LedgerHead.objects.select_for_update().get(chain=chain)
    return Slot(head=head, seq=head.seq + 1, at=max(at, head.at) if head.at else at)


def nothing_changed() -> None:
    """Say, inside an action, that it turned out to have nothing to do."""
    noop()


def head_of(chain: str) -> int:
    """The chain's newest position; 0 for an empty chain."""
    return LedgerHead.objects.filter(chain=chain).values_list("seq", flat=True).first() or 0


def read(chain: str, *, after_seq: int = 0, limit: int | None = None) -> list[Entry]:
    """Entries past a cursor, in order. Cost grows with what is read."""
    rows = (
        LedgerEntry.objects.filter(chain=chain, seq__gt=after_seq)
        .order_by("seq")
        .values_list("seq", "at", "actor_id", "action", "subject", "body__body")
    )
    if limit is not None:
        rows = rows[:limit]
    return [
        Entry(chain, seq, at, actor, action, subject, json.loads(body) if body else None)
        for seq, at, actor, action, subject, body in rows
    ]


def redact(*, chain: str, seq: int, why: str, by, at: datetime) -> LedgerEntry:
    """Erase what an entry says and keep the chain true; the redaction is itself an entry."""
    slot = reserve(chain, at=at)
    LedgerBody.objects.filter(entry__chain=chain, entry__seq=seq).update(body=None, salt=None)
    return slot.append(subject=f"entry:{seq}", body={"why": why}, by=by, action="ledger.redacted")


@dataclass(frozen=True)
class Verdict:
    """What a walk along a chain found; `first_bad` is the first false entry, or None."""

    chain: str
    entries: int
    redacted: int
    first_bad: int | None
    because: str

    @property
    def true(self) -> bool:
        return self.first_bad is None


def rows_of(chain: str) -> Iterator[tuple]:
    return (
        LedgerEntry.objects.filter(chain=chain)
        .order_by("seq")
        .values_list(
            "seq",
            "at",
            "actor_id",
            "action",
            "subject",
            "header",
            "hash",
            "body__salt",
            "body__body",
            "body__entry_id",
        )
        .iterator(chunk_size=5000)
    )


def verify(chain: str) -> Verdict:
    """Walk a chain from its first entry. Cost: linear, one row in memory at a time.

    A cut tail or a roll-back of the whole database shows only against a head kept elsewhere.
    """
    prev, count, redacted = GENESIS, 0, 0
    redacted_seqs, said_redacted = set(), set()
    for row in rows_of(chain):
        seq, at, actor, action, subject, header, digest, salt, body, body_id = row
        if seq != count + 1:
            return Verdict(chain, count, redacted, seq, f"entry {count + 1} is missing")
        try:
            said = json.loads(header)
        except ValueError:
            return Verdict(chain, count, redacted, seq, "the header is not JSON")
        if hash_of(header) != digest:
            return Verdict(chain, count, redacted, seq, "the header does not have its hash")
        if said.get("prev") != prev:
            return Verdict(chain, count, redacted, seq, "it does not follow the entry before it")
        columns = {
            "chain": chain,
            "seq": seq,
            "at": moment(at),
            "actor_id": str(actor) if actor else None,
            "action": action,
            "subject": subject,
        }
        for name, value in columns.items():
            if said.get(name) != value:
                return Verdict(
                    chain, count, redacted, seq, f"the column {name} differs from the header"
                )
        if body_id is None:
            return Verdict(chain, count, redacted, seq, "the body's row is missing")
        if body is None and salt is None:
            redacted += 1
            redacted_seqs.add(seq)
        elif body is None or salt is None or digest_of_body(salt, body) != said["body_digest"]:
            return Verdict(chain, count, redacted, seq, "the body differs from its digest")
        if action == "ledger.redacted":
            said_redacted.add(int(subject.removeprefix("entry:")))
        prev, count = digest, seq
    if unsaid := redacted_seqs - said_redacted:
        return Verdict(chain, count, redacted, min(unsaid), "redacted, and no entry says so")
    head = LedgerHead.objects.filter(chain=chain).first()
    if head is not None and (head.seq, head.hash or GENESIS) != (count, prev):
        return Verdict(chain, count, redacted, count + 1, "the head is not the last entry")
    return Verdict(chain, count, redacted, None, "")
