"""Institutions, programmes, people, who belongs to what, and the small shared tables."""

import hashlib
import secrets
import uuid
import zoneinfo
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _

from accounts.fields import uuid7

CODE = RegexValidator(
    r"^[a-z0-9]+(-[a-z0-9]+)*$", _("Use small letters, digits and single hyphens.")
)


class Institution(models.Model):
    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    code = models.CharField(max_length=40, unique=True, validators=[CODE])
    name = models.CharField(max_length=200)

    def __str__(self) -> str:
        return self.name

    @property
    def chain(self) -> str:
        return f"institution:{self.pk}"


class ProgrammeQuerySet(models.QuerySet):
    def of(self, person, *, on: date):
        """Programmes that the person belongs to on that day, or ever belonged to."""
        return self.filter(memberships__person=person, memberships__starts_on__lte=on).distinct()


class Programme(models.Model):
    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    institution = models.ForeignKey(Institution, models.PROTECT, related_name="programmes")
    code = models.CharField(max_length=40, unique=True, validators=[CODE])
    name = models.CharField(max_length=200)
    time_zone = models.CharField(max_length=64, help_text=_("The zone the programme began in."))
    duty_telephone = models.CharField(max_length=40, blank=True, default="")
    created_at = models.DateTimeField()

    objects = ProgrammeQuerySet.as_manager()

    def __str__(self) -> str:
        return self.name

    @property
    def chain(self) -> str:
        return f"programme:{self.pk}"

    @property
    def _changes(self) -> list[tuple[date, datetime, str]]:
        if "_zones" not in self.__dict__:
            rows = self.zone_changes.order_by("from_on", "seq")
            self.__dict__["_zones"] = list(rows.values_list("from_on", "recorded_at", "time_zone"))
        return self.__dict__["_zones"]

    def zone_on(self, day: date) -> zoneinfo.ZoneInfo:
        """The zone in force on a day: the newest change from that day or before."""
        named = [name for from_on, _at, name in self._changes if from_on <= day]
        return zoneinfo.ZoneInfo(named[-1] if named else self.time_zone)

    def local(self, at: datetime) -> datetime:
        """`at` on the programme's clock. A change begins when the new clock has reached its day,
        and not before it was recorded: what was counted keeps its day, and no day comes again."""
        found = at.astimezone(zoneinfo.ZoneInfo(self.time_zone))
        for from_on, recorded_at, name in self._changes:
            there = at.astimezone(zoneinfo.ZoneInfo(name))
            if recorded_at <= at and from_on <= there.date():
                found = there
        return found

    def local_date(self, at: datetime) -> date:
        return self.local(at).date()


class PersonManager(BaseUserManager):
    def get_by_natural_key(self, email):
        return self.get(email__iexact=email)


class Person(AbstractBaseUser):
    """Somebody who signs in. Staff only: nobody here is ever a patient."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    email = models.EmailField(_("e-mail address"), unique=True)
    name = models.CharField(_("name"), max_length=200)
    staff_number = models.CharField(max_length=40, blank=True, default="")
    is_active = models.BooleanField(default=True)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = PersonManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: list[str] = []

    class Meta:
        constraints = [models.UniqueConstraint(Lower("email"), name="one_person_an_address")]

    def __str__(self) -> str:
        return self.name

    def get_full_name(self) -> str:
        return self.name


class ProgrammeOwned(models.Model):
    """What a programme owns says so: who sees it, and later which rows a role may read."""

    programme = models.ForeignKey(Programme, models.PROTECT, related_name="+")

    class Meta:
        abstract = True


class InstitutionAdministratorQuerySet(models.QuerySet):
    def on(self, day: date):
        return self.filter(from_on__lte=day).filter(Q(to_on=None) | Q(to_on__gte=day))


class InstitutionAdministrator(models.Model):
    """A grant of its own, not a membership: may set up programmes, reads nothing in them."""

    mutability = "append_only"
    may_change = frozenset({"to_on", "ended_by"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    institution = models.ForeignKey(Institution, models.PROTECT, related_name="administrators")
    person = models.ForeignKey(Person, models.PROTECT, related_name="administers")
    from_on = models.DateField()
    to_on = models.DateField(null=True)
    ended_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    recorded_at = models.DateTimeField()

    objects = InstitutionAdministratorQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.person} for {self.institution}"


class ZoneChange(ProgrammeOwned):
    """From a date on the programme's days are counted in another zone."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="zone_changes")
    time_zone = models.CharField(max_length=64)
    from_on = models.DateField()
    recorded_at = models.DateTimeField()
    seq = models.BigIntegerField()

    def __str__(self) -> str:
        return f"{self.time_zone} from {self.from_on}"


class Role(models.TextChoices):
    TRAINEE = "trainee", _("Trainee")
    FACULTY = "faculty", _("Faculty")
    COORDINATOR = "coordinator", _("Coordinator")
    DIRECTOR = "director", _("Director")


class MembershipEvent(ProgrammeOwned):
    """What was said about a membership, and when it takes effect."""

    mutability = "append_only"

    class Kind(models.TextChoices):
        BEGUN = "begun", _("begun")
        CHANGED = "changed", _("changed")
        ENDED = "ended", _("ended")

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    membership = models.UUIDField(db_index=True)
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind)
    role = models.CharField(max_length=12, choices=Role)
    profession = models.CharField(max_length=60, blank=True, default="")
    level = models.CharField(max_length=60, blank=True, default="")
    starts_on = models.DateField()
    ends_on = models.DateField(null=True)
    effective_on = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    seq = models.BigIntegerField()

    def __str__(self) -> str:
        return f"{self.kind} {self.role} {self.effective_on}"


class PersonEventQuerySet(models.QuerySet):
    def newest(self, *, seq: int | None = None) -> dict[uuid.UUID, "PersonEvent"]:
        """person -> what was on file at a ledger position (now, without one); one query."""
        rows = self if seq is None else self.filter(seq__lte=seq)
        return {row.person_id: row for row in rows.order_by("seq")}


class PersonEvent(ProgrammeOwned):
    """How a programme calls a person, from one position of its ledger on. Another programme's
    word on the same person is its own."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    name = models.CharField(max_length=200)
    legal_name = models.CharField(max_length=200, blank=True, default="")
    staff_number = models.CharField(max_length=40, blank=True, default="")
    effective_on = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    seq = models.BigIntegerField()

    # What is said of the person.
    SAYS = ("name", "legal_name", "staff_number")

    objects = PersonEventQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["programme", "person", "seq"], name="person_event_newest")]

    def __str__(self) -> str:
        return f"{self.name} from {self.effective_on}"

    @property
    def said(self) -> dict[str, str]:
        return {name: getattr(self, name) for name in self.SAYS}


class MembershipQuerySet(models.QuerySet):
    def on(self, day: date):
        return self.filter(starts_on__lte=day).filter(Q(ends_on=None) | Q(ends_on__gte=day))


class Membership(ProgrammeOwned):
    """The present state of a membership: the projection of its events."""

    mutability = "projection"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    programme = models.ForeignKey(Programme, models.PROTECT, related_name="memberships")
    person = models.ForeignKey(Person, models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=12, choices=Role)
    profession = models.CharField(max_length=60, blank=True, default="")
    level = models.CharField(max_length=60, blank=True, default="")
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True)

    objects = MembershipQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ends_on=None) | Q(ends_on__gte=F("starts_on")),
                name="a_membership_ends_after_it_starts",
                violation_error_message=_("The last day lies before the first."),
            )
        ]
        indexes = [models.Index(fields=["programme", "role", "starts_on"], name="membership_role")]

    def __str__(self) -> str:
        return f"{self.person} as {self.role}"


class PrivilegeQuerySet(models.QuerySet):
    def on(self, day: date):
        return self.filter(from_on__lte=day).filter(Q(to_on=None) | Q(to_on__gte=day))


class Privilege(ProgrammeOwned):
    """A faculty member may read scans of one application, from a day to a day."""

    mutability = "append_only"
    may_change = frozenset({"to_on", "ended_at", "ended_by"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    person = models.ForeignKey(Person, models.PROTECT, related_name="privileges")
    application = models.CharField(max_length=40)
    from_on = models.DateField()
    to_on = models.DateField(null=True)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")

    objects = PrivilegeQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["programme", "person", "application"],
                condition=Q(to_on=None),
                name="one_open_privilege_an_application",
            )
        ]

    def __str__(self) -> str:
        return f"{self.application} from {self.from_on}"


class Remark(ProgrammeOwned):
    """Free text, the only place that holds any. Can be erased; its digest stays."""

    mutability = "append_only"
    may_change = frozenset({"erased_at", "erased_by", "erased_why"})
    may_erase = frozenset({"text", "salt"})

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    text = models.TextField(null=True)
    salt = models.CharField(max_length=64, null=True)
    digest = models.CharField(max_length=64)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    erased_at = models.DateTimeField(null=True)
    erased_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    erased_why = models.CharField(max_length=200, null=True)

    def __str__(self) -> str:
        return self.text if self.text is not None else str(_("(erased)"))


class TokenQuerySet(models.QuerySet):
    def current(self):
        return self.filter(revoked_at=None, person__is_active=True)


class Token(models.Model):
    """A key for the API. Only its digest is kept; the prefix tells which is which."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    person = models.ForeignKey(Person, models.PROTECT, related_name="tokens")
    name = models.CharField(max_length=60)
    prefix = models.CharField(max_length=12, unique=True)
    digest = models.CharField(max_length=64)
    created_at = models.DateTimeField()
    last_used_on = models.DateField(null=True)
    revoked_at = models.DateTimeField(null=True)

    objects = TokenQuerySet.as_manager()

    def __str__(self) -> str:
        return f"{self.prefix}… ({self.name})"

    @staticmethod
    def draw() -> tuple[str, str, str]:
        """A new key: (the key, its prefix, its digest). 256 random bits need no slow hash."""
        prefix = "isp" + secrets.token_hex(4)
        key = f"{prefix}.{secrets.token_urlsafe(32)}"
        return key, prefix, Token.digest_of(key)

    @staticmethod
    def digest_of(key: str) -> str:
        return hashlib.sha256(key.encode()).hexdigest()


class SignInBucket(models.Model):
    """Failures in a row at one address; its row is locked while an attempt is judged."""

    mutability = "mutable"

    key = models.CharField(max_length=64, primary_key=True)
    attempts = models.PositiveIntegerField(default=0)
    opened_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.attempts} attempts"


class AccessLog(models.Model):
    """Views, downloads, sign-ins and refusals: append-only, unchained, written after the answer."""

    mutability = "append_only"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    at = models.DateTimeField()
    person_id = models.UUIDField(null=True)
    programme_id = models.UUIDField(null=True)
    what = models.CharField(max_length=64)
    method = models.CharField(max_length=8, blank=True, default="")
    path = models.CharField(max_length=300, blank=True, default="")
    status = models.PositiveSmallIntegerField(null=True)
    address = models.GenericIPAddressField(null=True)

    class Meta:
        indexes = [models.Index(fields=["programme_id", "at"], name="access_by_programme")]

    def __str__(self) -> str:
        return f"{self.what} {self.at:%Y-%m-%d %H:%M}"


class Notice(models.Model):
    """Something to tell somebody, once. The row is the truth; sending it is a job's work."""

    mutability = "mutable"

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    kind = models.CharField(max_length=60)
    person = models.ForeignKey(Person, models.PROTECT, related_name="notices")
    programme = models.ForeignKey(Programme, models.PROTECT, null=True, related_name="+")
    dedup_key = models.CharField(max_length=200, unique=True)
    context = models.TextField(default="{}")
    due_at = models.DateTimeField()
    claimed_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    last_error = models.CharField(max_length=200, blank=True, default="")

    class Meta:
        indexes = [
            models.Index(fields=["due_at"], condition=Q(sent_at=None), name="notices_to_send")
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.person_id}"


class BackgroundJob(ProgrammeOwned):
    """Long work that somebody asked for: batches, exports. `key` makes asking twice harmless."""

    mutability = "mutable"

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("running")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    kind = models.CharField(max_length=60)
    key = models.CharField(max_length=200, unique=True)
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    arguments = models.TextField(default="{}")
    result = models.CharField(max_length=300, blank=True, default="")
    error = models.CharField(max_length=300, blank=True, default="")
    asked_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    heard_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"{self.kind}: {self.state}"
