from django.db import models


class LedgerHead(models.Model):
    """The last entry of a chain; its row is the chain's lock."""

    mutability = "mutable"

    chain = models.CharField(primary_key=True, max_length=64)
    seq = models.BigIntegerField(default=0)
    at = models.DateTimeField(null=True)
    hash = models.CharField(max_length=64, default="", blank=True)

    def __str__(self) -> str:
        return f"{self.chain} at {self.seq}"


class LedgerEntry(models.Model):
    """One header, as the canonical text that was hashed; the columns beside it only index it."""

    mutability = "append_only"

    chain = models.CharField(max_length=64)
    seq = models.BigIntegerField()
    at = models.DateTimeField()
    actor_id = models.UUIDField(null=True)
    action = models.CharField(max_length=64)
    subject = models.CharField(max_length=120)
    header = models.TextField()
    hash = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["chain", "seq"], name="one_entry_per_chain_and_seq"),
            models.CheckConstraint(condition=models.Q(seq__gte=1), name="entries_count_from_one"),
        ]
        indexes = [models.Index(fields=["subject"], name="ledger_subject")]

    def __str__(self) -> str:
        return f"{self.chain}#{self.seq} {self.action}"


class LedgerBody(models.Model):
    """What an entry says. Its one permitted change is to be redacted: body and salt to null."""

    mutability = "append_only"
    may_erase = frozenset({"body", "salt"})

    entry = models.OneToOneField(LedgerEntry, models.PROTECT, primary_key=True, related_name="body")
    salt = models.CharField(max_length=64, null=True)
    body = models.TextField(null=True)

    def __str__(self) -> str:
        return f"body of {self.entry_id}"
