"""Making the file of an order, and keeping it until it is fetched."""

from __future__ import annotations

import datetime as dt
import logging

from django.core.files.base import ContentFile
from django.core.files.storage import storages
from django.utils.translation import gettext as _
from django.utils.translation import override

from accounts.errors import Refused
from accounts.models import BackgroundJob
from credentialing.reports import actions, build, pdf, table
from credentialing.reports.content import Unsound, canonical
from credentialing.reports.orders import BOOK, CONTENT, PDF, SCANS, STANDING, Order

log = logging.getLogger(__name__)
FOLDER = "exports"


def make(order: Order) -> bytes:
    """The bytes of an order: a function of the order and the record up to its position.

    Raises Unsound where the record's numbers contradict each other, Refused where a word of it
    cannot be printed.
    """
    content = build.content_of(order)
    if order.form == PDF:
        return pdf.render(content)
    if order.form == CONTENT:
        return canonical(content)
    tables = {STANDING: table.standing, SCANS: table.scans, BOOK: table.book}
    with override(order.language):
        return tables[order.form](content)


def run(job_id: object, *, at: dt.datetime) -> bool:
    """Claims and finishes one job. True where this call did the work. `at`: aware."""
    job = actions.claim(job_id=job_id, by=None, at=at)
    if job is None:
        return False
    order = Order.from_text(job.arguments)
    try:
        data = make(order)
    except Exception as failure:
        log.exception("export failed", extra={"job": str(job.pk)})
        sentence = (
            str(failure)
            if isinstance(failure, Refused | Unsound)
            else _("The file could not be made. Ask again; if it fails again, tell the operator.")
        )
        actions.finish(job=job, by=None, at=at, error=sentence)
        return True
    name = storages["default"].save(
        f"{FOLDER}/{job.pk}/{order.filename(job.programme.code)}", ContentFile(data)
    )
    actions.finish(job=job, by=None, at=at, result=name)
    return True


def sweep(*, at: dt.datetime) -> int:
    """Does what a lost message left, and removes files past their time. Returns jobs done."""
    state = BackgroundJob.State
    left = BackgroundJob.objects.filter(kind=actions.KIND)
    due = list(left.filter(state=state.WAITING).order_by("asked_at").values_list("pk", flat=True))
    lost = left.filter(state=state.RUNNING, started_at__lt=at - actions.LOST_AFTER)
    due += list(lost.values_list("pk", flat=True))
    done = sum(run(job_id, at=at) for job_id in due)
    old = left.filter(state=state.DONE, finished_at__lt=at - actions.KEPT_FOR).exclude(result="")
    for job in old:
        storages["default"].delete(job.result)
        actions.forget(job=job, by=None, at=at)
    return done
