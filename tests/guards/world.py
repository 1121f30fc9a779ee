"""Two programmes with somebody in each role, and one object of each kind in the first."""

from __future__ import annotations

import dataclasses
import uuid
from dataclasses import dataclass, field
from typing import Any

from accounts import ledger
from accounts.actions import institutions, people
from accounts.models import Person, Programme, Role
from credentialing import drafting
from credentialing.actions import batches as asking
from credentialing.actions import drafts, record, standing
from credentialing.actions import reports as report_actions
from credentialing.models import PlanVersion
from credentialing.reports import actions as reports
from credentialing.reports import batches, issuing, work
from credentialing.reports.orders import Batch, Entry, Order
from logbook.actions.programmes import add_value
from logbook.models import Capture
from review.actions import assessments
from tests import factories as f
from tests.logbook.intake import samples

MISSING_TEXT = "no-such-thing"


@dataclass
class World:
    """`people`: ada records, tom records too, bo reads, cai coordinates, dora directs; eve, finn,
    gil and hana do the same elsewhere; ida records here and elsewhere; jon's account is closed."""

    first: Programme
    second: Programme
    people: dict[str, Person]
    objects: dict[str, Any] = field(default_factory=dict)

    def close(self, name: str) -> None:
        person = self.people[name]
        person.is_active = False
        person.save(update_fields=["is_active"])

    def arguments(self, name: str, arguments: set[str]) -> dict[str, Any]:
        """For each argument the object of ada's, or of the first programme."""
        values = {}
        for argument in arguments:
            special = f"{name}.{argument}"
            key = special if special in self.objects else argument
            if key not in self.objects:
                raise KeyError(f"tell tests/guards/world.py what {special} is")
            values[argument] = self.objects[key]
        return values

    def one_object(self, values: dict[str, Any]) -> bool:
        return any(isinstance(v, uuid.UUID) for v in values.values())

    def missing(self, values: dict[str, Any]) -> dict[str, Any]:
        return {k: uuid.uuid4() if isinstance(v, uuid.UUID) else v for k, v in values.items()}


def a_world() -> World:
    first, second = f.a_programme(code="northfield"), f.a_programme(code="southmere")
    who = {
        "ada": f.a_trainee(first, "Ada Fenn"),
        "tom": f.a_trainee(first, "Tom Vale"),
        "bo": f.a_reader(first, "Bo Lindqvist"),
        "cai": f.a_coordinator(first, "Cai Brandt"),
        "dora": f.a_director(first, "Dora Quist"),
        "eve": f.a_trainee(second, "Eve Stone"),
        "finn": f.a_reader(second, "Finn Arden"),
        "gil": f.a_coordinator(second, "Gil Moor"),
        "hana": f.a_director(second, "Hana Wirth"),
        "ida": f.outside(f.a_trainee(first, "Ida Roth"), second),
        "jon": f.a_director(first, "Jon Pell"),
    }
    who["kit"] = institutions.grant(
        institution=first.institution,
        email="kit.arno@northfield.example",
        name="Kit Arno",
        on=f.START,
        by=None,
        at=f.at(0, 0),
    ).person
    world = World(first, second, who)
    exam = f.submitted_exam(who["ada"], first, supervisor=None)
    bos = people.Membership.objects.get(person=who["bo"], role=Role.FACULTY)
    kept = f.kept_capture(exam, samples.clip())
    waiting = f.stripped_capture(f.drafted_exam(who["ada"], first), samples.picture())
    sending = f.begun_upload(f.drafted_exam(who["ada"], first), 1000)
    read = f.waiting_exam(who["ada"], first)
    attestation = f.signed_exam(who["bo"], read, {"pneumothorax": "R+ L-"})[0]
    taught = read.captures.order_by("ordinal").first()
    Capture.objects.filter(pk=taught.pk).update(dicom_key=kept.master_key)
    standing.recompute(programme=first, at=f.NOW)
    adas = people.Membership.objects.get(person=who["ada"])
    order = Order(
        programme=str(first.pk),
        trainee="",
        performed_by=first.local_date(f.NOW),
        read_by=first.local_date(f.NOW),
        position=ledger.head_of(first.chain),
        form="standing",
    )
    job = reports.ask(programme=first, order=order, by=who["dora"], at=f.NOW)
    work.run(job.pk, at=f.NOW)
    key = report_actions.make_key(programme=first, by=who["dora"], at=f.NOW)
    own = dataclasses.replace(order, trainee=str(who["ada"].pk), form="pdf")
    own = dataclasses.replace(own, position=ledger.head_of(first.chain))
    report = issuing.issue(
        order=own, recommends=None, sentence="", origin="http://testserver", by=who["dora"],
        at=f.NOW,
    )  # fmt: skip
    asked = Batch(own, "http://testserver", "inside", (Entry(own.trainee, None),))
    batch = asking.ask(programme=first, batch=asked, by=who["dora"], at=f.NOW)
    batches.run(batch.pk, clock=lambda: f.NOW)
    value = add_value(
        programme=first, list_code="place", text="Ward Nine", by=who["dora"], at=f.NOW
    )
    assessed = assessments.sign(
        programme=first,
        trainee=who["ada"],
        application=read.scans.get().application,
        watched=assessments.Watched(4),
        performed_on=first.local_date(f.NOW),
        by=who["bo"],
        at=f.NOW,
    )
    written = record.add(
        kind="document",
        membership=adas,
        says={"kind": "course", "title": "First lessons", "effective_on": f.START},
        by=who["cai"],
        at=f.NOW,
    )
    version = PlanVersion.objects.filter(programme=first).first()
    draft = drafts.start(
        programme=first,
        plan=version.as_plan(),
        terms=drafting.Terms(),
        based_on=version,
        by=who["dora"],
        at=f.NOW,
    )
    world.objects = {
        "draft_id": draft.pk,
        "version_id": version.pk,
        "other_id": version.pk,
        "run_id": standing.run_full(first, at=f.NOW).pk,
        "kind": "document",
        "review:rubric.kind": "assessment",
        "row_id": written.pk,
        "assessment_id": assessed.pk,
        "membership_id": adas.pk,
        "ordinal": 1,
        "job": job.pk,
        "credentialing:batch.job": batch.pk,
        "credentialing:batch_zip.job": batch.pk,
        "report": report.pk,
        "key": "x",
        "credentialing:certificate.key": key.pk,
        "review:exam.exam_id": read.pk,
        "review:exception.exam_id": read.pk,
        "attestation_id": attestation.pk,
        "discrepancy_id": attestation.discrepancy.pk,
        "capture_id": kept.pk,
        "logbook:capture_mask.capture_id": waiting.pk,
        "logbook:teaching_file.capture_id": taught.pk,
        "logbook:capture_preview.capture_id": waiting.pk,
        "programme": first.code,
        "institution": first.institution.code,
        "exam_id": exam.pk,
        "upload_id": sending.pk,
        "membership": bos.pk,
        "code": "effusion",
        "value_id": value.pk,
        "uidb36": "1",
    }
    return world
