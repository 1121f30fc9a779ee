"""What `captures doctor` finds, one thing at a time, and what the sweeps remove."""

import datetime as dt
import io
import os
import threading

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.utils import timezone
from PIL import Image

from logbook import keeping, processing, upkeep
from logbook.actions import captures
from logbook.models import Capture, Upload
from tests.factories import drafted_exam, kept_capture, stripped_capture
from tests.logbook.intake import samples

NOW = timezone.now
DAY = dt.timedelta(hours=24)


@pytest.fixture(autouse=True)
def folders(settings, tmp_path):
    """Staging and store of this test's own."""
    settings.STAGING_ROOT = tmp_path / "staging"
    settings.STORAGES = {
        **settings.STORAGES,
        "default": {
            "BACKEND": "django.core.files.storage.FileSystemStorage",
            "OPTIONS": {"location": tmp_path / "media"},
        },
    }
    return tmp_path


@pytest.fixture
def exam(ines, programme):
    return drafted_exam(ines, programme, when=NOW())


@pytest.fixture
def still(exam):
    return kept_capture(exam, samples.picture(), when=NOW())


def picture(seed):
    return samples.picture(samples.pattern(seed=seed))


def found(**more):
    return [(fault.kind, fault.where) for fault in upkeep.examine(at=NOW(), **more).faults]


def path(folders, key):
    return folders / "media" / key


def put(content, programme):
    return keeping.store().put(str(programme.pk), io.BytesIO(content)).key


def age(folders, key, by=DAY * 2):
    then = (NOW() - by).timestamp()
    os.utime(path(folders, key), (then, then))


def test_nothing_wrong_and_every_wall_is_named(still):
    out = io.StringIO()
    call_command("captures", "doctor", stdout=out)
    assert "wall network: stands" in out.getvalue()
    assert "MISSING" not in out.getvalue().replace("own_network: MISSING", "")
    assert "1 captures, 2 objects, 0 that nothing names" in out.getvalue()


def test_a_missing_object(still, folders):
    path(folders, still.poster_key).unlink()
    assert found() == [("missing", still.poster_key)]
    with pytest.raises(CommandError, match="1 faults"):
        call_command("captures", "doctor", stdout=io.StringIO())


def test_an_altered_object(still, folders):
    with path(folders, still.master_key).open("r+b") as content:
        content.seek(60)
        content.write(b"!")
    assert found() == [("altered", still.master_key)]
    assert found(read=False) == []


def test_an_unreadable_object(still, folders, monkeypatch):
    def refuse(self, key):
        raise OSError("I/O error")

    monkeypatch.setattr("logbook.intake.store.FolderStore.open", refuse)
    assert found() == sorted(
        [("unreadable", still.master_key), ("unreadable", still.poster_key)], key=lambda f: f[1]
    )


def test_an_unstripped_object(still, programme):
    out = io.BytesIO()
    Image.new("RGB", (40, 40)).save(out, "JPEG", comment=b"somebody")
    key = put(out.getvalue(), programme)
    Capture.objects.filter(pk=still.pk).update(poster_key=key)
    assert found() == [("unstripped", f"{key}: segment FE")]


def test_an_orphan_once_it_is_a_day_old(still, folders, programme):
    key = put(b"nobody's", programme)
    assert found() == []
    assert upkeep.examine(at=NOW()).orphans == 1
    age(folders, key)
    assert found() == [("orphaned", key)]


def test_an_upload_whose_staged_file_is_gone(exam):
    waiting = stripped_capture(exam, samples.picture(), when=NOW())
    keeping.staging().remove(str(Upload.objects.get(capture=waiting).pk))
    assert found() == [("unstaged", f"capture {waiting.pk}")]


def test_what_a_capture_that_is_gone_left_behind(still):
    captures.remove(capture=still, by=still.exam.trainee, at=NOW())
    assert found() == []
    Capture.objects.filter(pk=still.pk).update(gone_at=NOW() - dt.timedelta(hours=2))
    assert found() == [("left", f"capture {still.pk}, removed")]
    assert upkeep.forget(at=NOW()) == 1
    assert found() == []
    assert list(keeping.store().keys()) == []
    still.refresh_from_db()
    assert (still.master_key, still.poster_key, len(still.master_sha256)) == ("", "", 64)
    assert upkeep.forget(at=NOW()) == 0


def test_an_object_that_another_capture_names_stays(exam):
    one, two = (kept_capture(exam, samples.picture(), when=NOW()) for _ in range(2))
    assert one.master_key == two.master_key
    captures.remove(capture=one, by=exam.trainee, at=NOW())
    assert upkeep.forget(at=NOW()) == 1
    assert set(keeping.store().keys()) == {two.master_key, two.poster_key}
    assert found() == []


def test_the_sweep_takes_old_orphans_and_nothing_else(exam, folders, programme):
    kept = kept_capture(exam, samples.picture(), when=NOW())
    old, young, strange = (put(one, programme) for one in (b"old", b"young", b"strange"))
    strange_place = put(b"x", programme).replace(str(programme.pk), "nobody")
    for key in (old, kept.master_key, kept.poster_key):
        age(folders, key)
    path(folders, strange).rename(path(folders, strange).with_name("notes.txt"))
    assert upkeep.sweep(older_than=DAY, at=NOW()) == [old]
    assert {kept.master_key, kept.poster_key, young} <= set(keeping.store().keys())
    assert not keeping.store().exists(strange_place)


def test_a_swept_object_that_was_about_to_be_named_is_stored_again(exam, folders, monkeypatch):
    """The sweep comes between storing and naming: the worker sees it and stores once more."""
    capture = stripped_capture(exam, samples.picture(), when=NOW())
    mask = processing.facts_of(capture.upload).mask
    captures.confirm_mask(capture=capture, mask=mask, by=exam.trainee, at=NOW())
    keep, swept = captures.keep, []

    def after_a_sweep(**said):
        if not swept:
            for key in (said["master"].key, said["poster"].key):
                age(folders, key)
            swept.extend(upkeep.sweep(older_than=DAY, at=NOW()))
        return keep(**said)

    monkeypatch.setattr(captures, "keep", after_a_sweep)
    processing.process(Upload.objects.get(capture=capture), clock=NOW)
    assert len(swept) == 2
    capture.refresh_from_db()
    assert capture.state == "ready"
    assert found() == []


@pytest.mark.django_db(transaction=True)
def test_a_sweep_waits_for_whoever_is_naming_an_object(exam, folders, programme, engine):
    """The same bytes come again just while the sweep would take them as an orphan."""
    capture = kept_capture(exam, samples.picture(), when=NOW())
    keys = {capture.master_key, capture.poster_key}
    for key in keys:
        age(folders, key)
    was = (capture.master_key, capture.poster_key)
    Capture.objects.filter(pk=capture.pk).update(
        state="removed", gone_at=NOW(), gone_because="own", master_key="", poster_key=""
    )
    swept = []

    def sweep():
        try:
            swept.extend(upkeep.sweep(older_than=DAY, at=NOW()))
        finally:
            connection.close()

    with transaction.atomic():
        keeping.check_there(programme.pk, was)
        other = threading.Thread(target=sweep)
        other.start()
        other.join(0.4)
        assert other.is_alive()
        Capture.objects.filter(pk=capture.pk).update(
            state="ready", master_key=was[0], poster_key=was[1]
        )
    other.join(25)
    assert swept == []
    assert set(keeping.store().keys()) == keys


def test_the_command_sweeps(still, folders, programme):
    age(folders, put(b"old", programme))
    out = io.StringIO()
    call_command("captures", "sweep", stdout=out)
    assert out.getvalue() == "1 objects removed that nothing names\n"
