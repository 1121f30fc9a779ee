"""The program that opens untrusted files dies: the next file finds another one."""

from __future__ import annotations

import pytest
from django.utils import timezone

from logbook import tasks
from logbook.models import Capture
from tests import factories as f
from tests.logbook.intake import samples
from tests.support import processes
from tests.support.mortal import Worker, kill_when_seen

pytestmark = pytest.mark.faults
CHILD = "logbook.intake.child"


@pytest.fixture
def exam(transactional_db):
    programme = f.a_programme(code="em")
    return f.drafted_exam(f.a_trainee(programme, "Ines Haldor"), programme, when=timezone.now())


def arrive(exam, content):
    capture = f.arrived_capture(exam, content, when=timezone.now())
    tasks.process_capture.delay(str(capture.pk))
    return capture


def settles(capture, *states, seconds=40):
    def settled():
        return Capture.objects.get(pk=capture.pk).state in states

    processes.until(settled, seconds=seconds, what=f"one of {states}")
    return Capture.objects.get(pk=capture.pk)


def test_a_file_whose_child_is_killed_gets_a_sentence_or_another_turn(exam, tmp_path):
    with Worker(tmp_path) as worker:
        settles(arrive(exam, samples.picture()), "confirm_mask")  # the parent is warm
        struck = arrive(exam, samples.clip(frames=150, width=640, height=480))
        kill_when_seen(worker.process.pid, CHILD, depth=2, seconds=20)
        after = settles(struck, "confirm_mask", "refused", seconds=90)
        assert (after.state == "refused") == bool(after.refusal)
        settles(arrive(exam, samples.picture()), "confirm_mask")
        # Then the warm parent: the next file finds another one.
        kill_when_seen(worker.process.pid, CHILD, depth=1, seconds=5)
        settles(arrive(exam, samples.picture()), "confirm_mask")
        assert worker.process.poll() is None  # the worker itself never noticed
