"""A real worker, with the schedule, over the broker of this leg."""

import pytest
from django.conf import settings
from django.utils import timezone

from accounts import notices
from accounts.models import Notice
from deploy.celery import FLOORS, app, schedule
from tests.factories import a_programme, a_trainee
from tests.support import processes

pytestmark = pytest.mark.worker


def test_the_schedule_names_tasks_that_exist():
    app.loader.import_default_modules()
    scheduled = {entry["task"] for entry in schedule().values()}
    assert scheduled - set(app.tasks) == set()
    assert len(schedule()) >= 1
    assert FLOORS == ("accounts", "logbook", "review", "credentialing")


def test_two_floors_cannot_schedule_one_name(monkeypatch):
    from accounts import tasks as of_accounts
    from deploy import celery

    monkeypatch.setattr(celery, "FLOORS", ("accounts", "accounts"))
    assert of_accounts.SCHEDULE
    with pytest.raises(ValueError, match="two floors schedule"):
        celery.schedule()


@pytest.mark.django_db(transaction=True)
def test_a_nudge_over_this_broker_makes_the_worker_send_what_is_due(worker):
    programme = a_programme()
    ada = a_trainee(programme)
    notices.queue(
        kind="accounts.welcome",
        person=ada,
        programme=programme,
        dedup_key="of-this-test",
        context={"path": "/sign-in/"},
        due_at=timezone.now(),
    )
    app.send_task("accounts.send_notices")
    # Well before the schedule's half minute: it was the message.
    processes.until(
        lambda: Notice.objects.filter(dedup_key="of-this-test").exclude(sent_at=None).exists(),
        seconds=15,
        what="the notice",
    )
    written = [path.read_text() for path in settings.NOTICE_ROOT.iterdir()]
    assert [text for text in written if f"To: {ada.email}" in text]


@pytest.mark.django_db(transaction=True)
def test_a_worker_that_is_told_to_end_ends(worker):
    processes.stop(worker)
    assert worker.returncode in (0, -15)
