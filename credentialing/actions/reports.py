"""Keys, what is printed on reports, and issued reports: put on record, revoked, superseded."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass

from django.conf import settings
from django.db.models import Max
from django.utils.translation import gettext as _

from accounts import ledger, remarks
from accounts.actions_base import action
from accounts.errors import Conflict, Refused
from accounts.models import BackgroundJob, Person, Programme, Remark
from credentialing.models import Report, ReportFile, ReportSheet, SigningKey
from credentialing.reports import signing
from logbook.intake.keys import KeyMissing, keys_from, open_sealed, seal

# --- what is printed on each report ---------------------------------------------------------------

SHEET = ("heading", "contact", "reviewed", "paper")


def sheet_of(programme: Programme) -> ReportSheet | None:
    return ReportSheet.objects.filter(programme=programme).order_by("-n").first()


@action("report_sheet.changed")
def change_sheet(
    *,
    programme: Programme,
    heading: str,
    contact: str,
    reviewed: str,
    paper: str = ReportSheet.A4,
    by: Person,
    at: dt.datetime,
) -> ReportSheet:
    """The next version of what stands on every report. Issued ones keep theirs."""
    said = {
        "heading": heading.strip(),
        "contact": contact.strip(),
        "reviewed": reviewed.strip(),
        "paper": paper,
    }
    slot = ledger.reserve(programme.chain, at=at)
    last = sheet_of(programme)
    if last is not None and all(getattr(last, name) == said[name] for name in SHEET):
        ledger.nothing_changed()
        return last
    sheet = ReportSheet.objects.create(
        programme=programme,
        n=last.n + 1 if last else 1,
        **said,
        recorded_at=slot.at,
        recorded_by=by,
        seq=slot.seq,
    )
    slot.append(subject=f"report_sheet:{sheet.pk}", body={"n": sheet.n, **said}, by=by)
    return sheet


# --- keys -----------------------------------------------------------------------------------------


def key_of(programme: Programme) -> SigningKey | None:
    """The key in use."""
    return SigningKey.objects.filter(programme=programme, retired_at=None).first()


@action("signing_key.made")
def make_key(*, programme: Programme, by: Person | None, at: dt.datetime) -> SigningKey:
    """The programme's first key. Raises Refused where there is one: then it is rotated."""
    slot = ledger.reserve(programme.chain, at=at)
    if SigningKey.objects.filter(programme=programme).exists():
        raise Refused(_("This programme has a key. Replace it by a new one."))
    return _lay_down(programme, 1, slot, by=by)


@action("signing_key.rotated")
def rotate_key(*, programme: Programme, why: str, by: Person | None, at: dt.datetime) -> SigningKey:
    """A new key; the private part of the old one is erased, its certificate stays for ever."""
    slot = ledger.reserve(programme.chain, at=at)
    old = key_of(programme)
    if old is None:
        raise Refused(_("There is no key to replace. Make one."))
    remark = remarks.write(programme=programme, text=why, by=by, at=slot.at)
    if remark is None:
        raise Refused(_("Say why the key is replaced."), field="why")
    old.sealed = None
    old.retired_at, old.retired_by, old.retired_seq = slot.at, by, slot.seq
    old.retired_why = remark
    old.save(update_fields=["sealed", "retired_at", "retired_by", "retired_why", "retired_seq"])
    return _lay_down(
        programme, old.n + 1, slot, by=by, instead_of=old.fingerprint, remark=remark.digest
    )


def _lay_down(programme: Programme, n: int, slot, *, by, **body: str) -> SigningKey:
    new = signing.make_key(
        programme=programme.name, institution=programme.institution.name, at=slot.at
    )
    under = keys_from(settings.SIGNING_KEYS)[0]
    key = SigningKey.objects.create(
        programme=programme,
        n=n,
        certificate=new.certificate,
        fingerprint=new.fingerprint,
        sealed=seal(under, new.private, _context(programme, new.fingerprint)),
        sealed_under=under.id,
        valid_until=new.valid_until,
        made_at=slot.at,
        made_by=by,
        seq=slot.seq,
    )
    slot.append(
        subject=f"signing_key:{key.pk}", body={"fingerprint": new.fingerprint, **body}, by=by
    )
    return key


def private_part(key: SigningKey) -> bytes:
    """Raises Refused where the key from the environment does not open it."""
    if key.sealed is None:
        raise Refused(_("This key was replaced. Its private part is gone."))
    try:
        return open_sealed(
            keys_from(settings.SIGNING_KEYS),
            key.sealed_under,
            bytes(key.sealed),
            _context(key.programme, key.fingerprint),
        )
    except KeyMissing:
        raise Refused(
            _(
                "The programme's key cannot be opened: the secret it lies under is not the one in "
                "INTERSPACE_SIGNING_KEYS. Tell the operator, or replace the key."
            )
        ) from None


def _context(programme: Programme, fingerprint: str) -> str:
    return f"signing key {programme.pk} {fingerprint}"


# --- issued reports -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Signed:
    """A report that is made and signed, and not yet on record."""

    order: str
    person: Person
    copy: str
    performed_by: dt.date
    read_by: dt.date
    position: int
    version_id: object
    recommends: bool | None
    code: str
    content_digest: str
    sha256: str
    data: bytes
    key: SigningKey


def later_ones(
    programme: Programme, people: Iterable[uuid.UUID], copy: str, read_by: dt.date
) -> dict[uuid.UUID, dt.date]:
    """person -> the latest day up to which a report that stands was read, where it is a later
    one; one query."""
    later = Report.objects.standing().filter(
        programme=programme, person__in=list(people), copy=copy, read_by__gt=read_by
    )
    return dict(later.values_list("person").annotate(Max("read_by")))


def check_not_older(later: dt.date | None) -> None:
    """A report as of an earlier day would look newer than the `later` one that is out."""
    if later is not None:
        raise Refused(
            _("A report as of %(day)s is out. Revoke it before one as of an earlier day is issued.")
            % {"day": later.isoformat()},
            field="read_by",
        )


@action("report.issued")
def issue(
    *,
    programme: Programme,
    signed: Signed,
    sentence: str | Remark = "",
    said_by: str,
    batch: BackgroundJob | None = None,
    by: Person,
    at: dt.datetime,
) -> Report:
    """Put a signed report on record; it supersedes the person's earlier ones of the same kind.

    `sentence`: the director's, as text or already a remark; `said_by`: their name as printed.
    Raises Conflict where the key was replaced meanwhile, Refused where a later report is out.
    """
    # The person's row is the lock under which one person's reports are issued and revoked.
    Person.objects.select_for_update(no_key=True).get(pk=signed.person.pk)
    if not SigningKey.objects.filter(pk=signed.key.pk, retired_at=None).exists():
        raise Conflict(_("The key was replaced meanwhile. Issue the report again."))
    person = signed.person.pk
    check_not_older(later_ones(programme, [person], signed.copy, signed.read_by).get(person))
    slot = ledger.reserve(programme.chain, at=at)
    if isinstance(sentence, str):
        remark = remarks.write(programme=programme, text=sentence, by=by, at=slot.at)
    else:
        remark = sentence
    report = Report.objects.create(
        programme=programme,
        person=signed.person,
        copy=signed.copy,
        order=signed.order,
        performed_by=signed.performed_by,
        read_by=signed.read_by,
        position=signed.position,
        version_id=signed.version_id,
        recommends=signed.recommends,
        sentence=remark,
        said_by=said_by,
        said_on=programme.local_date(at),
        code_digest=signing.digest_of_code(signed.code),
        content_digest=signed.content_digest,
        sha256=signed.sha256,
        size=len(signed.data),
        key=signed.key,
        batch=batch,
        issued_at=slot.at,
        issued_by=by,
        seq=slot.seq,
    )
    ReportFile.objects.create(programme=programme, report=report, data=signed.data)
    earlier = Report.objects.standing().filter(
        programme=programme, person=signed.person, copy=signed.copy
    )
    for old in earlier.exclude(pk=report.pk):
        old.superseded_at, old.superseding, old.superseded_seq = slot.at, report, slot.seq
        old.save(update_fields=["superseded_at", "superseding", "superseded_seq"])
    slot.append(
        subject=f"report:{report.pk}",
        body={
            "person": str(signed.person.pk),
            "copy": signed.copy,
            "order": signed.order,
            "recommends": signed.recommends,
            "sentence": remark.digest if remark else None,
            "content": signed.content_digest,
            "sha256": signed.sha256,
            "key": signed.key.fingerprint,
        },
        by=by,
    )
    return report


@action("report.revoked")
def revoke(*, report: Report, why: str, by: Person, at: dt.datetime) -> Report:
    """Whoever checks the report from now on reads that it was revoked; never why."""
    Person.objects.select_for_update(no_key=True).get(pk=report.person_id)
    report = Report.objects.select_related("programme").get(pk=report.pk)
    if report.revoked_at:
        ledger.nothing_changed()
        return report
    slot = ledger.reserve(report.programme.chain, at=at)
    remark = remarks.write(programme=report.programme, text=why, by=by, at=slot.at)
    if remark is None:
        raise Refused(_("Say why the report is revoked."), field="why")
    report.revoked_at, report.revoked_by, report.revoked_seq = slot.at, by, slot.seq
    report.revoked_why = remark
    report.save(update_fields=["revoked_at", "revoked_by", "revoked_why", "revoked_seq"])
    slot.append(
        subject=f"report:{report.pk}", body={"why": remark.digest, "sha256": report.sha256}, by=by
    )
    return report
