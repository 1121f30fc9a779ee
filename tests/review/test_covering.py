"""A reader covers more of a capture or takes it out; an attestation still names what was read."""

import datetime as dt
import io

import numpy as np
import pytest
from django.utils import timezone
from PIL import Image

from accounts import ledger
from accounts.errors import Refused
from logbook import keeping, upkeep
from logbook.actions import covering as actions
from logbook.actions import exams
from logbook.intake.facts import Rectangle
from logbook.models import Capture, Fingerprint, FingerprintCode
from review import covering
from tests import factories as f
from tests.logbook.intake import samples

NOW = timezone.now
MIDDLE = Rectangle(0.4, 0.4, 0.6, 0.6)
LATER = dt.timedelta(minutes=11)
TIMES = [0, 1, 2, 7, 8, 30, 31, 32, 90, 91, 200, 451]


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
def programme(db):
    return f.a_programme(code="em")


@pytest.fixture
def bo(programme):
    return f.a_reader(programme, "Bo Lindqvist")


@pytest.fixture
def exam(programme):
    """On the reading list, with a still and a clip of its own."""
    ada = f.a_trainee(programme, "Ada Fenn")
    exam = f.drafted_exam(ada, programme, when=NOW())
    f.kept_capture(exam, samples.picture(samples.pattern()), zone="R1", when=NOW())
    f.kept_capture(exam, samples.clip(times=TIMES, ticks=90), zone="L1", when=NOW())
    exams.submit(exam=exam, version=exam.version, by=ada, at=NOW())
    exam.refresh_from_db()
    return exam


@pytest.fixture
def desk(client, bo, exam):
    client.force_login(bo)
    assert client.post(f"/p/em/reading/{exam.pk}/take/").status_code == 302
    return client


def still(exam):
    return exam.captures.get(zone="R1", state="ready")


def address(capture, what):
    return f"/p/em/reading/{capture.exam_id}/captures/{capture.pk}/{what}/"


def confirm(client, capture, *rectangles):
    data = {"rows": str(len(rectangles)), "then": "confirm"}
    for row, one in enumerate(rectangles):
        for side in ("x0", "y0", "x1", "y1"):
            data[f"{side}-{row}"] = str(getattr(one, side) * 100)
    return client.post(address(capture, "cover"), data)


def pixels(capture):
    with keeping.store().open(capture.master_key) as master, Image.open(master) as picture:
        return np.array(picture.convert("L"))


def last_entry(exam):
    return list(ledger.read(exam.programme.chain, after_seq=0, limit=1000))[-1]


def test_a_covered_capture_is_a_new_master_linked_to_the_old_hash(desk, exam, bo):
    old = still(exam)
    before = pixels(old)
    assert confirm(desk, old, MIDDLE).status_code == 302
    new = still(exam)
    old.refresh_from_db()
    assert (old.state, old.gone_by, new.covers_id) == ("covered", bo, old.pk)
    assert (new.zone, new.depth_mm, new.probe, new.kind) == ("R1", 40, "linear", "still")
    after = pixels(new)
    assert after[50:70, 66:94].max() == 0
    assert np.array_equal(after[30:45], before[30:45])
    entry = last_entry(exam)
    assert (entry.action, entry.subject, entry.actor_id) == (
        "capture.covered", f"capture:{old.pk}", bo.pk,
    )  # fmt: skip
    body = entry.body
    assert (body["was"], body["master"]) == (old.master_sha256, new.master_sha256)
    assert body["hidden"] == [[4000, 4000, 6000, 6000]]


def test_a_covered_clip_keeps_every_frame_and_its_time(exam, bo):
    old = exam.captures.get(zone="L1")
    with keeping.store().open(old.master_key) as master:
        before = samples.frames_of(master.read())
    new = covering.cover(capture=old, mask=[MIDDLE], by=bo, at=NOW())
    with keeping.store().open(new.play_key) as master:
        after = samples.frames_of(master.read())
    assert [time for time, _grey in after] == [time for time, _grey in before]
    assert max(grey[52:68, 68:92].max() for _time, grey in after) <= 24
    assert (new.frames, new.duration_ms) == (old.frames, old.duration_ms)


def test_nobody_sees_the_old_picture_from_then_on_and_its_objects_go_after_ten_minutes(
    desk, exam, bo
):
    old = still(exam)
    keys = {old.master_key, old.poster_key}
    assert confirm(desk, old, MIDDLE).status_code == 302
    for part in ("master", "poster"):
        assert desk.get(f"/p/em/captures/{old.pk}/{part}/").status_code == 404
    assert upkeep.forget(at=NOW()) == 0
    assert upkeep.forget(at=NOW() + LATER) == 1
    assert keys & set(keeping.store().keys()) == set()
    assert upkeep.examine(at=NOW()).faults == []
    assert not Fingerprint.objects.filter(capture=old).exists()
    assert not FingerprintCode.objects.filter(fingerprint__capture=old).exists()
    with pytest.raises(Refused, match="removed for good"):
        actions.put_back(capture=old, by=bo, at=NOW() + LATER)


@pytest.mark.parametrize("way", ["cover", "cover at once", "take out"])
def test_it_can_be_put_back_for_ten_minutes(desk, exam, way, monkeypatch):
    old = still(exam)
    before = old.master_sha256
    if way == "cover":
        confirm(desk, old, MIDDLE)
    elif way == "cover at once":
        monkeypatch.setattr(keeping, "letters_in", lambda jpeg: [MIDDLE])
        assert desk.post(address(old, "cover/letters")).status_code == 302
        assert still(exam).master_sha256 != before
    else:
        assert desk.post(address(old, "take-out")).status_code == 302
        assert not exam.captures.filter(zone="R1", state="ready").exists()
    page = desk.get(f"/p/em/reading/{exam.pk}/").content.decode()
    assert "Put it back" in page
    assert desk.post(address(old, "put-back")).status_code == 302
    assert (still(exam).pk, still(exam).master_sha256) == (old.pk, before)
    assert last_entry(exam).action == "capture.put_back"
    assert desk.post(address(old, "put-back")).status_code == 302  # again: nothing changes
    assert last_entry(exam).action == "capture.put_back"


def test_what_was_signed_since_is_not_put_back(desk, exam, bo):
    old = still(exam)
    actions.take_out(capture=old, by=bo, at=NOW())
    f.signed_exam(bo, exam, when=NOW())
    with pytest.raises(Refused, match="signed since"):
        actions.put_back(capture=old, by=bo, at=NOW())


def test_an_attestation_keeps_naming_what_was_read_and_its_page_says_that_it_is_covered(
    client, exam, bo
):
    old = still(exam)
    attestation = f.signed_exam(bo, exam, when=NOW())[0]
    statement = attestation.statement
    covering.cover(capture=old, mask=[MIDDLE], by=bo, at=NOW())
    attestation.refresh_from_db()
    assert attestation.statement == statement
    assert old.master_sha256 in attestation.capture_hashes
    for person in (bo, exam.trainee):
        client.force_login(person)
        page = client.get(f"/p/em/feedback/{exam.pk}/").content.decode()
        assert f"({old.master_sha256[:12]}…) was covered since" in page
    # Who may read still finds the way to cover more, the trainee does not.
    client.force_login(bo)
    assert "/cover/" in client.get(f"/p/em/feedback/{exam.pk}/").content.decode()
    client.force_login(exam.trainee)
    assert "/cover/" not in client.get(f"/p/em/feedback/{exam.pk}/").content.decode()
    assert client.post(address(still(exam), "take-out")).status_code == 403


def test_the_page_suggests_the_edges_of_the_image_and_refuses_nothing(desk, exam):
    page = desk.get(address(still(exam), "cover"))
    assert page.status_code == 200
    assert len(page.context["form"].suggested) == 2
    refused = desk.post(address(still(exam), "cover"), {"rows": "0", "then": "confirm"})
    assert refused.status_code == 422
    assert "Draw what is to be covered." in refused.content.decode()
    everything = confirm(desk, still(exam), Rectangle(0, 0, 1, 1))
    assert "cover the whole picture" in everything.content.decode()
    assert still(exam).covers_id is None


def test_letters_are_covered_at_once_and_the_reader_chooses_where_none_are_found(
    desk, exam, monkeypatch
):
    monkeypatch.setattr(keeping, "letters_in", lambda jpeg: [MIDDLE])
    old = still(exam)
    answer = desk.post(address(old, "cover/letters"))
    new = still(exam)
    assert new.covers_id == old.pk
    assert answer.url == f"/p/em/reading/{exam.pk}/#capture-{new.ordinal}"
    assert last_entry(exam).body["hidden"] == [[4000, 4000, 6000, 6000]]
    assert pixels(new)[50:70, 66:94].max() == 0
    # Pressed twice: the second finds the old one gone, and nothing more happens.
    answer = desk.post(address(old, "cover/letters"), follow=True)
    assert answer.redirect_chain[-1][0] == f"/p/em/reading/{exam.pk}/"
    for nothing in ([], None):
        monkeypatch.setattr(keeping, "letters_in", lambda jpeg, said=nothing: said)
        assert desk.post(address(new, "cover/letters")).url == address(new, "cover")
    assert still(exam).pk == new.pk


def test_letters_are_what_is_suggested_where_they_are_looked_for(exam, monkeypatch):
    found = [Rectangle(0.1, 0.2, 0.3, 0.25)]
    monkeypatch.setattr(keeping, "letters_in", lambda jpeg: found)
    assert covering.look(still(exam)) == found


def test_an_object_swept_meanwhile_is_stored_again(exam, bo, monkeypatch):
    cover, lost = actions.cover, []

    def after_a_sweep(**said):
        if not lost:
            lost.append(said["master"].key)
            keeping.store().remove(said["master"].key)
        return cover(**said)

    monkeypatch.setattr(actions, "cover", after_a_sweep)
    new = covering.cover(capture=still(exam), mask=[MIDDLE], by=bo, at=NOW())
    assert lost == [new.master_key]
    assert upkeep.examine(at=NOW()).faults == []


def test_an_archive_capture_cannot_be_covered(exam, bo):
    archive = f.archived_capture(exam, zone="R2")
    with pytest.raises(Refused, match="archive"):
        actions.take_out(capture=archive, by=bo, at=NOW())


def test_the_strip_over_time_says_what_it_is(desk, exam, client):
    clip = exam.captures.get(zone="L1")
    answer = desk.get(f"/p/em/captures/{clip.pk}/strip/?above=10&below=90")
    assert answer.status_code == 200
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    picture = Image.open(io.BytesIO(answer.content))
    assert (picture.format, picture.width) == ("PNG", 800)
    assert np.array(picture)[-24:].max() > 200  # the sentence is drawn into it
    again = desk.get(
        f"/p/em/captures/{clip.pk}/strip/?above=10&below=90",
        headers={"if-none-match": answer.headers["ETag"]},
    )
    assert again.status_code == 304
    assert desk.get(f"/p/em/captures/{clip.pk}/strip/?above=-1").status_code == 404
    assert desk.get(f"/p/em/captures/{still(exam).pk}/strip/").status_code == 404
    page = desk.get(f"/p/em/reading/{exam.pk}/").content.decode()
    assert "a teaching aid, not for deciding sliding" in page


def test_two_captures_of_one_object_do_not_take_it_from_each_other(exam, bo):
    same = Capture.objects.create(
        programme=exam.programme, exam=exam, ordinal=9, zone="R3", kind="still", state="ready",
        created_at=NOW(), ready_at=NOW(), master_key=still(exam).master_key,
        master_sha256=still(exam).master_sha256, poster_key=still(exam).poster_key,
    )  # fmt: skip
    actions.take_out(capture=still(exam), by=bo, at=NOW())
    assert upkeep.forget(at=NOW() + LATER) == 1
    assert keeping.store().exists(same.master_key)
