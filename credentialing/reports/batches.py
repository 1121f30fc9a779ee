"""A whole cohort issued in the background: resumable, one report a person whatever happens.

The job's row holds the order; each report is put on record in a transaction of its own, and the
database refuses a second one of the same person in the same batch. So a worker that dies loses
the report it was making and nothing else, and whoever goes on skips what is there.
"""

from __future__ import annotations

import datetime as dt
import itertools
import logging
import tempfile
import uuid
import zipfile
from collections.abc import Callable, Iterator
from typing import IO

from django.db import IntegrityError
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.errors import Refused
from accounts.models import BackgroundJob, Person, Remark
from credentialing.actions.batches import claim, finish, heard
from credentialing.models import Report
from credentialing.queries import chunks
from credentialing.reports import issuing, table
from credentialing.reports.content import Unsound
from credentialing.reports.orders import Batch, Entry

log = logging.getLogger(__name__)

TOGETHER = 50  # people whose records are read at once, and signed one after another
IN_MEMORY = 16 * 1024 * 1024
ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the same archive whenever it is asked for


def run(job_id: object, *, clock: Callable[[], dt.datetime]) -> bool:
    """Claims a job and issues what is still missing. True where this call did the work.

    `clock`: the batch takes minutes, and each report has its own time.
    """
    job = claim(job_id=job_id, by=None, at=clock())
    if job is None:
        return False
    batch = Batch.from_text(job.arguments)
    sentences = Remark.objects.in_bulk([uuid.UUID(e.sentence) for e in batch.entries if e.sentence])
    there = set(map(str, Report.objects.filter(batch=job).values_list("person_id", flat=True)))
    missing = [one for one in batch.entries if one.person not in there]
    done, left_out = len(batch.entries) - len(missing), []
    for some in chunks(missing, TOGETHER):
        press = issuing.Press(
            batch.order_of(some[0]), [one.person for one in some],
            origin=batch.origin, by=job.asked_by, batch=job,
        )  # fmt: skip
        for one, laid in _laid(press, some, sentences, clock):
            left_out += _why_not_issued(press, one, laid)
            done += 1
            if not heard(job=job, done=done, by=None, at=clock()):
                return True
    error = ""
    if left_out:
        error = ngettext(
            "%(n)s report could not be issued.",
            "%(n)s reports could not be issued.",
            len(left_out),
        ) % {"n": len(left_out)}
        error = " ".join([error, *left_out])
    finish(job=job, error=error, by=None, at=clock())
    return True


NOT_ISSUED = (Refused, Unsound, Person.DoesNotExist)


def _laid(
    press: issuing.Press, entries: list[Entry], sentences: dict[uuid.UUID, Remark], clock
) -> Iterator[tuple[Entry, issuing.Laid | Exception]]:
    """Each as it goes to be signed, or what stands against it. The next is begun before the
    present one is handed over."""

    def begin(one: Entry) -> issuing.Laid | Exception:
        sentence = sentences[uuid.UUID(one.sentence)] if one.sentence else ""
        try:
            return press.lay(one.person, recommends=one.recommends, sentence=sentence, at=clock())
        except NOT_ISSUED as said:
            return said

    begun = begin(entries[0])
    for one, following in itertools.pairwise(entries):
        present, begun = begun, begin(following)
        yield one, present
    yield entries[-1], begun


def _why_not_issued(press: issuing.Press, one: Entry, laid: issuing.Laid | Exception) -> list[str]:
    """Issues one report. Nothing where it is on record now, else a sentence that says why not."""
    try:
        if isinstance(laid, Exception):
            raise laid
        press.sign(laid)
    except IntegrityError:
        # Another worker issued it in the meantime; the database has kept one.
        if Report.objects.filter(batch=press.batch, person=one.person).exists():
            return []
        why = _("It was not kept; go on with the rest to try again.")
    except Person.DoesNotExist:
        why = _("This person did not belong to the programme by that day.")
    except NOT_ISSUED as said:
        why = str(said)
    else:
        return []
    log.warning("left out of a batch", extra={"job": str(press.batch.pk), "person": one.person})
    return [f"{press.checks.name(one.person)}: {why}"]


INDEX_HEAD = (
    "file", "name", "legal_name", "staff_number", "copy", "performed_by", "read_by",
    "recommends", "state", "issued_at", "sha256", "content_sha256",
)  # fmt: skip


def archive(job: BackgroundJob, names: dict) -> IO[bytes]:
    """All reports of a job and an index as one ZIP, the same bytes each time until one is revoked
    or superseded. `names`: person -> what is on file. Files are numbered: no person is in a name.
    """
    out = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115 (handed back open)
    reports = list(Report.objects.filter(batch=job))
    reports.sort(key=lambda one: (names[one.person_id].name, str(one.person_id)))
    rows = []
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:  # a PDF is compressed already
        for number, report in enumerate(reports, start=1):
            name, person = f"{number:04d}-{report.filename}", names[report.person_id]
            made.writestr(zipfile.ZipInfo(name, ZIP_DATE), bytes(report.file.data))
            rows.append(
                [
                    name, person.name, person.legal_name, person.staff_number, report.copy,
                    report.performed_by.isoformat(), report.read_by.isoformat(),
                    report.recommends, report.state, report.issued_at.isoformat(),
                    report.sha256, report.content_digest,
                ]
            )  # fmt: skip
        made.writestr(zipfile.ZipInfo("index.csv", ZIP_DATE), table.write(INDEX_HEAD, rows))
    out.seek(0)
    return out
