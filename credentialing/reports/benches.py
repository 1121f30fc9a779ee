"""Issued reports beside the bare libraries on the same pages."""

from __future__ import annotations

import datetime as dt
import io
import time
import uuid
from collections.abc import Iterator
from io import StringIO
from typing import Any
from unittest import mock

import typst
from django.core.management import call_command
from django.utils import timezone
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign import fields, signers

from accounts import ledger
from accounts.benching import Measure, bench, scratch_database
from accounts.models import Membership, Programme, Role
from credentialing.actions import batches as asking
from credentialing.actions import reports as actions
from credentialing.queries import chunks
from credentialing.reports import batches, pdf, signing
from credentialing.reports.orders import INSIDE, PDF, Batch, Entry, Order

REPORTS, SCANS_EACH, BLOCK = 500, 40, 50


@bench("reports")
def reports(size: float = 1.0) -> Iterator[Measure]:
    """500 reports as a director asks for them: from the order of a cohort to rows with the signed
    files, beside typst and pyHanko alone on the same pages. Blocks of 50 in turn, so that a busy
    moment meets both and the compiler's memory of the last pages helps neither."""
    n = max(2, round(REPORTS * size))
    with scratch_database():
        call_command("demo_load", trainees=n, scans=n * SCANS_EACH, stdout=StringIO())
        now = timezone.now()
        ours = base_typst = base_sign = 0.0
        issued = 0
        _warm(now)
        for programme in Programme.objects.filter(code__startswith="measured"):
            people = list(
                Membership.objects.filter(programme=programme, role=Role.TRAINEE)
                .order_by("id")
                .values_list("person_id", flat=True)
            )
            for block in chunks(people, BLOCK):
                taken, pages = _issue(programme, block, now)
                ours += taken
                issued += len(pages)
                signer = _signer(programme)
                for given in pages:
                    started = time.perf_counter()
                    made = typst.compile(**given)
                    base_typst += time.perf_counter() - started
                    started = time.perf_counter()
                    _bare_sign(made, signer)
                    base_sign += time.perf_counter() - started
        base = base_typst + base_sign
        note = f"typst {base_typst:.1f} s, pyHanko {base_sign:.1f} s"
        yield Measure("reports", "issue", ours, base, "s", issued, note)
        yield Measure(
            "reports", "each", ours / issued * 1000, base / issued * 1000, "ms", issued
        )  # fmt: skip


def _warm(now: dt.datetime) -> None:
    """A key for each programme, and what is loaded and compiled once."""
    for programme in Programme.objects.filter(code__startswith="measured"):
        actions.make_key(programme=programme, by=None, at=now)
        one = Membership.objects.filter(programme=programme, role=Role.TRAINEE).last()
        _made, pages = _issue(programme, [one.person_id], now)
        _bare_sign(typst.compile(**pages[0]), _signer(programme))


def _issue(
    programme: Programme, people: list[uuid.UUID], now: dt.datetime
) -> tuple[float, list[dict[str, Any]]]:
    """(seconds from the order to the last row, what the compiler was given for each page set)."""
    pages: list[dict[str, Any]] = []
    compile_ = typst.compile

    def noted(**given: Any) -> bytes:
        pages.append(given)
        return compile_(**given)

    today = programme.local_date(now)
    director = Membership.objects.filter(programme=programme, role=Role.DIRECTOR).first().person
    with mock.patch.object(pdf.typst, "compile", noted):
        started = time.perf_counter()
        order = Order(
            programme=str(programme.pk),
            trainee="",
            performed_by=today,
            read_by=today,
            position=ledger.head_of(programme.chain),
            form=PDF,
        )
        entries = tuple(Entry(str(pk), True, "Careful, asks early.") for pk in people)
        job = asking.ask(
            programme=programme, by=director, at=now,
            batch=Batch(order, "https://lung.example", INSIDE, entries),
        )  # fmt: skip
        batches.run(job.pk, clock=lambda: now)
        taken = time.perf_counter() - started
    job.refresh_from_db()
    if job.state != job.State.DONE:
        raise RuntimeError(job.error)
    return taken, pages


def _signer(programme: Programme) -> signers.SimpleSigner:
    key = actions.key_of(programme)
    return signing.signer_of(key.certificate, actions.private_part(key))


def _bare_sign(data: bytes, signer: signers.SimpleSigner) -> bytes:
    out = io.BytesIO()
    signers.sign_pdf(
        IncrementalPdfFileWriter(io.BytesIO(data)),
        signers.PdfSignatureMetadata(
            field_name="Issued",
            md_algorithm="sha256",
            certify=True,
            subfilter=fields.SigSeedSubFilter.PADES,
        ),
        signer=signer,
        output=out,
    )
    return out.getvalue()
