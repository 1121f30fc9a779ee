"""The jobs behind the standing in a real worker, over this leg's broker."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone
from kombu.exceptions import OperationalError

from credentialing import measures, publishing, tasks
from credentialing.actions import standing
from credentialing.models import LedgerCursor, PlanStanding, Run, Standing
from deploy.celery import app
from tests import factories as f
from tests.credentialing.test_standing import assign, publish, rows
from tests.support import processes

pytestmark = [pytest.mark.worker, pytest.mark.django_db(transaction=True)]

COUNT = measures.Plan(
    (measures.Gate(1, (measures.Clause(1, "credited", 9),)),), "counted", "Counted"
)


def counted(programme) -> list[int]:
    return list(
        Standing.objects.filter(programme=programme, clause__version__code="counted")
        .order_by("membership_id")
        .values_list("numerator", flat=True)
    )


def follows(programme, numbers, *, seconds=15):
    processes.until(lambda: counted(programme) == numbers, seconds=seconds, what=f"{numbers}")


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="northfield")


def test_a_message_a_lost_one_and_far_too_many(programme, worker, monkeypatch):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    assign(publish(programme, COUNT), ada)
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    follows(programme, [1])  # well before the sweep: it was the message

    def lost(*_args):
        raise OperationalError("the broker is away")

    with monkeypatch.context() as patched:
        patched.setattr(tasks.follow, "delay", lost)
        f.signed_exam(bo, f.waiting_exam(ada, programme, when=f.at(64)), when=f.at(64, 15))
    app.send_task("credentialing.sweep")
    follows(programme, [2])
    for number in range(4):
        app.send_task("credentialing.tick")
        app.send_task("credentialing.sweep")
        app.send_task("credentialing.follow", [str(programme.pk)])
        day = 65 + number
        f.signed_exam(bo, f.waiting_exam(ada, programme, when=f.at(day)), when=f.at(day, 15))
    follows(programme, [6])
    full = Run.objects.filter(programme=programme)
    processes.until(
        lambda: full.filter(finished_at__isnull=False).exists(), seconds=15, what="the full run"
    )
    assert [(run.people, run.differing, run.failed) for run in full] == [(1, 0, "")]
    written = rows(programme)
    PlanStanding.objects.all().delete()
    Standing.objects.all().delete()
    standing.recompute(programme=programme, at=timezone.now())
    assert rows(programme) == written


def test_a_failure_is_on_the_directors_page_and_nothing_is_half_new(
    programme, worker, monkeypatch, client
):
    """A clause that no rule would let through cannot be judged: its programme keeps what it had,
    and the one after it in the alphabet is counted all the same."""
    other, bo = f.a_programme(code="westfield"), f.a_reader(programme)
    people = [f.a_trainee(programme), f.a_trainee(programme, "Tom Vale")]
    assign(publish(programme, COUNT), *people)
    assign(publish(other, COUNT), f.a_trainee(other, "Eve Stone"))
    f.signed_exam(bo, f.waiting_exam(people[0], programme))
    follows(programme, [1, 0] if people[0].memberships.get().pk < people[1].memberships.get().pk
            else [0, 1])  # fmt: skip
    before, cursor = rows(programme), LedgerCursor.objects.get(chain=programme.chain).seq
    broken = measures.Plan(
        (measures.Gate(1, (measures.Clause(1, "credited", 1, since="2026-13-01"),)),),
        "broken",
        "Broken",
    )
    with monkeypatch.context() as patched:
        patched.setattr(publishing, "refusals", lambda *_args, **_more: [])
        assign(publish(programme, broken), people[1], when=f.at(1))
    app.send_task("credentialing.sweep")
    failed = Run.objects.filter(programme=programme).exclude(failed="")
    processes.until(failed.exists, seconds=15, what="the failure, said")
    assert rows(programme) == before
    assert LedgerCursor.objects.get(chain=programme.chain).seq == cursor
    follows(other, [0])
    client.force_login(f.a_director(programme))
    page = client.get(reverse("credentialing:cohort", args=[programme.code])).content.decode()
    assert "Somebody’s numbers were not counted: ValueError" in page
