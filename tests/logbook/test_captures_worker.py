"""A real worker over a real broker takes a capture from its arrival to its master."""

import time

import pytest
from django.test import Client
from django.utils import timezone

from logbook.models import Capture
from tests.factories import a_programme, a_trainee, drafted_exam
from tests.logbook.intake import samples
from tests.logbook.test_captures import confirm, send
from tests.support import processes

pytestmark = pytest.mark.worker


def state_is(capture_id, state):
    return lambda: Capture.objects.get(pk=capture_id).state == state


def test_the_worker_strips_and_makes_the_master(worker):
    programme = a_programme(code="em")
    exam = drafted_exam(a_trainee(programme, "Ines Haldor"), programme, when=timezone.now())
    client = Client()
    client.force_login(exam.trainee)
    began = time.monotonic()
    assert send(client, exam, samples.clip(frames=12)).status_code == 302
    capture = exam.captures.get()
    processes.until(state_is(capture.pk, "confirm_mask"), seconds=30, what="stripping")
    assert confirm(client, capture).status_code == 302
    processes.until(state_is(capture.pk, "ready"), seconds=30, what="the master")
    print(f"from sending to ready: {time.monotonic() - began:.1f} s")
    assert Capture.objects.get(pk=capture.pk).frames == 12
