"""tus 1.0.0 as published: what each request is answered, in status and headers."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import socket
import uuid
from email.utils import parsedate_to_datetime

import pytest
import time_machine
from django.test import Client, TestCase
from django.utils import timezone

from accounts.actions import keys
from logbook import keeping, processing
from logbook.actions import captures, exams
from logbook.models import Capture, Upload
from logbook.tus.pool import RETRY_AFTER, SILENT_FOR, Pool, pool
from tests.factories import a_trainee, drafted_exam
from tests.logbook.intake import samples
from tests.logbook.tus.sending import (
    NOW,
    PIECES,
    V,
    begin,
    begun,
    described,
    head,
    offset,
    pairs,
    patch,
)  # fmt: skip


def whole(address):
    """The file that an upload has become, read back from staging."""
    upload = Upload.objects.get(pk=address.rpartition("/")[2])
    return b"".join(keeping.arrived(upload, keeping.key_of(upload)))


def checksum(content, algorithm="sha1"):
    digest = base64.b64encode(hashlib.new(algorithm, content).digest()).decode()
    return {"Upload-Checksum": f"{algorithm} {digest}"}


# --- core -----------------------------------------------------------------------------------------


def test_pieces_become_the_file_and_the_capture_goes_its_way(phone, exam, ines):
    content = samples.picture()
    address = begun(phone, exam, len(content))
    assert exam.captures.get().state == "uploading"
    step = len(content) // 3
    reached = 0
    while reached < len(content):
        answer = patch(phone, address, reached, content[reached : reached + step])
        assert answer.status_code == 204
        reached = min(reached + step, len(content))
        assert answer["Upload-Offset"] == str(reached)
        assert answer["Tus-Resumable"] == "1.0.0"
    assert exam.captures.get().state == "received"
    assert whole(address) == content
    with TestCase.captureOnCommitCallbacks(execute=True):
        assert processing.process_waiting(clock=NOW) == 1
    capture = exam.captures.get()
    assert (capture.state, capture.zone, capture.depth_mm, capture.probe) == (
        "confirm_mask", "R1", 45, "linear",
    )  # fmt: skip
    left = {path.name for path in (keeping.staging().root / str(capture.upload.pk)).iterdir()}
    assert left == {"working", "preview", "facts"}


def test_the_same_file_is_known_again_however_it_came(phone, exam):
    content = samples.picture()
    phone.post(
        f"/p/em/exams/{exam.pk}/captures/add/",
        {
            "capture_id": uuid.uuid4(), "zone": "R1", "mode": "b", "kept": "here",
            "probe": "linear", "file": samples_file(content),
        },
    )  # fmt: skip
    address = begun(phone, exam, len(content))
    patch(phone, address, 0, content[:100])
    patch(phone, address, 100, content[100:])
    with TestCase.captureOnCommitCallbacks(execute=True):
        processing.process_waiting(clock=NOW)
    macs = set(exam.captures.values_list("arrival_mac", flat=True))
    assert len(macs) == 1
    assert len(macs.pop()) == 64


def samples_file(content):
    from django.core.files.uploadedfile import SimpleUploadedFile

    return SimpleUploadedFile("a.png", content)


def test_head_says_how_far_it_is_even_where_nothing_has_come(phone, exam):
    address = begun(phone, exam, 1000)
    answer = head(phone, address)
    assert (answer.status_code, answer.content) == (200, b"")
    assert (answer["Upload-Offset"], answer["Upload-Length"]) == ("0", "1000")
    assert answer["Cache-Control"] == "no-store"
    patch(phone, address, 0, b"x" * 400)
    assert head(phone, address)["Upload-Offset"] == "400"
    told = phone.get(address).json()
    assert (told["offset"], told["size"], told["state"]) == (400, 1000, "uploading")


@pytest.mark.parametrize("said", [None, "0.2.2", "1.0", "2.0.0"])
def test_another_version_is_412_with_ours(phone, exam, said):
    address = begun(phone, exam, 10)
    headers = {"Upload-Length": "10", "Upload-Metadata": pairs(**described())}
    headers |= {"Tus-Resumable": said} if said else {}
    for answer in (
        phone.post(f"/api/v1/exams/{exam.pk}/uploads", headers=headers),
        phone.head(address, headers=headers),
        phone.patch(address, b"x" * 10, content_type=PIECES, headers=headers),
        phone.delete(address, headers=headers),
    ):
        assert answer.status_code == 412
        assert (answer["Tus-Version"], answer["Tus-Resumable"]) == ("1.0.0", "1.0.0")
    assert (offset(phone, address), exam.captures.count()) == (0, 1)


def test_options_needs_no_version_and_says_what_is_spoken(phone, exam, settings):
    settings.UPLOAD_FILE_MB = 3
    answer = phone.options(f"/api/v1/exams/{exam.pk}/uploads")
    assert answer.status_code == 204
    assert answer["Tus-Version"] == "1.0.0"
    assert answer["Tus-Extension"] == "creation,checksum,expiration,termination"
    assert answer["Tus-Max-Size"] == str(3 * 2**20)
    assert answer["Tus-Checksum-Algorithm"] == "sha1,sha256"


@pytest.mark.parametrize("wrong", [1, 399, 401, 1000])
def test_another_offset_is_409_and_moves_nothing(phone, exam, wrong):
    address = begun(phone, exam, 1000)
    patch(phone, address, 0, b"x" * 400)
    answer = patch(phone, address, wrong, b"y")
    assert (answer.status_code, answer["Upload-Offset"]) == (409, "400")
    assert offset(phone, address) == 400


def test_another_type_is_415(phone, exam):
    address = begun(phone, exam, 10)
    assert (
        patch(phone, address, 0, b"x", content_type="application/octet-stream").status_code == 415
    )
    assert patch(phone, address, 0, b"x", content_type="text/plain").status_code == 415
    assert offset(phone, address) == 0


@pytest.mark.parametrize("said", ["", "-1", "1.5", "a", "0x10"])
def test_what_is_no_offset_is_400(phone, exam, said):
    address = begun(phone, exam, 10)
    assert patch(phone, address, said, b"x").status_code == 400


def test_more_than_was_begun_is_413_and_nothing_of_it_is_kept(phone, exam):
    address = begun(phone, exam, 10)
    assert patch(phone, address, 0, b"x" * 11).status_code == 413
    assert offset(phone, address) == 0
    assert patch(phone, address, 0, b"x" * 10).status_code == 204
    assert patch(phone, address, 10, b"x").status_code == 413
    assert patch(phone, address, 10, b"").status_code == 204  # a repeated end


def test_an_empty_body_moves_nothing(phone, exam):
    address = begun(phone, exam, 10)
    answer = patch(phone, address, 0, b"")
    assert (answer.status_code, answer["Upload-Offset"]) == (204, "0")


def test_a_line_that_lets_no_patch_through_says_its_method_in_a_header(phone, exam):
    address = begun(phone, exam, 10)
    headers = {**V, "Upload-Offset": "0", "X-HTTP-Method-Override": "PATCH"}
    assert phone.post(address, b"x" * 4, content_type=PIECES, headers=headers).status_code == 204
    assert offset(phone, address) == 4
    headers["X-HTTP-Method-Override"] = "DELETE"
    assert phone.post(address, b"", content_type=PIECES, headers=headers).status_code == 204
    assert head(phone, address).status_code == 410
    headers["X-HTTP-Method-Override"] = "PUT"
    assert phone.post(address, b"", content_type=PIECES, headers=headers).status_code == 405


# --- creation -------------------------------------------------------------------------------------


def test_begun_again_it_is_the_same_upload(phone, exam):
    said = described()
    one, two = (begun(phone, exam, 1000, said=said) for _ in range(2))
    assert one == two
    assert exam.captures.count() == 1
    assert begin(phone, exam, 999, said=said).status_code == 409


def test_a_name_is_not_kept(phone, exam):
    said = described(filename="Ada Invented 1950-01-01.mp4", filetype="video/mp4")
    address = begun(phone, exam, 1000, said=said)
    answer = head(phone, address)
    kept = {pair.split(" ")[0] for pair in answer["Upload-Metadata"].split(",")}
    assert kept == {"capture", "zone", "probe", "depth_mm", "mode"}
    assert "Invented" not in str(Upload.objects.values_list()) + str(Capture.objects.values_list())


@pytest.mark.parametrize("size", [None, "-1", "abc", "1.0", ""])
def test_without_a_length_nothing_begins(phone, exam, size):
    headers = {**V, "Upload-Metadata": pairs(**described())}
    headers |= {} if size is None else {"Upload-Length": size}
    assert phone.post(f"/api/v1/exams/{exam.pk}/uploads", headers=headers).status_code == 400
    assert phone.post(
        f"/api/v1/exams/{exam.pk}/uploads", headers={**headers, "Upload-Defer-Length": "1"}
    ).status_code == 400  # fmt: skip


def test_an_empty_file_and_one_too_large_are_refused_before_a_byte(phone, exam, settings):
    settings.UPLOAD_FILE_MB = 1
    assert begin(phone, exam, 0).status_code == 422
    answer = begin(phone, exam, 2**20 + 1)
    assert (answer.status_code, answer.json()["fields"].keys()) == (413, {"file"})
    assert exam.captures.count() == 0
    begun(phone, exam, 2**20)


@pytest.mark.parametrize(
    ("said", "fields"),
    [
        (described(zone="Q9"), {"zone"}),
        (described(depth_mm=4001), {"depth_cm"}),
        (described(depth_mm="deep"), {"depth_mm"}),
        (described(mode="z"), {"mode"}),
        (described(probe="hockey"), {"probe"}),
        (described(capture="x"), {"capture"}),
    ],
)
def test_a_description_outside_the_programmes_words_is_refused(phone, exam, said, fields):
    answer = begin(phone, exam, 10, said=said)
    assert answer.status_code == 422
    assert answer.json()["fields"].keys() == fields
    assert exam.captures.count() == 0


@pytest.mark.parametrize(
    "text", ["zone !", "zone UjE=,zone UjE=", "zö UjE=", "zone /w==", "a" * 5000]
)
def test_metadata_that_cannot_be_read_is_400(phone, exam, text):
    headers = {"Upload-Metadata": text.encode().decode("latin-1")}
    assert begin(phone, exam, 10, **headers).status_code == 400


# --- checksum -------------------------------------------------------------------------------------


@pytest.mark.parametrize("algorithm", ["sha1", "sha256"])
def test_a_kept_promise_counts(phone, exam, algorithm):
    content = b"hello world" * 1000
    address = begun(phone, exam, len(content))
    answer = patch(phone, address, 0, content, **checksum(content, algorithm))
    assert answer.status_code == 204
    assert whole(address) == content


def test_a_broken_promise_is_460_and_leaves_nothing(phone, exam):
    content = b"hello world" * 1000
    address = begun(phone, exam, len(content))
    answer = patch(phone, address, 0, content, **checksum(content[:-1]))
    assert (answer.status_code, answer.reason_phrase) == (460, "Checksum Mismatch")
    assert (offset(phone, address), keeping.staging().listing()) == (0, [])
    assert patch(phone, address, 0, content, **checksum(content)).status_code == 204


@pytest.mark.parametrize(
    "said", ["md5 XrY7u+Ae7tCTyyK7j1rNww==", "sha1", "sha1 !", "sha1 AAAA", "crc32 AAAAAA=="]
)
def test_a_promise_that_cannot_be_checked_is_400(phone, exam, said):
    address = begun(phone, exam, 10)
    assert patch(phone, address, 0, b"x" * 10, **{"Upload-Checksum": said}).status_code == 400
    assert offset(phone, address) == 0


# --- expiration and termination -------------------------------------------------------------------


def test_a_day_after_it_began_it_is_gone_and_so_is_what_had_come(phone, exam):
    address = begun(phone, exam, 1000)
    expires = parsedate_to_datetime(patch(phone, address, 0, b"x" * 400)["Upload-Expires"])
    day = dt.timedelta(hours=24)
    assert abs(expires - NOW() - day) < dt.timedelta(seconds=60)
    with time_machine.travel(expires + dt.timedelta(seconds=1), tick=False):
        # Before the sweep has come by, too.
        phone.force_login(exam.trainee)
        assert head(phone, address).status_code == 410
        assert patch(phone, address, 400, b"x").status_code == 410
    with TestCase.captureOnCommitCallbacks(execute=True):
        processing.expire(clock=lambda: NOW() + dt.timedelta(hours=23))
        assert exam.captures.get().state == "uploading"
        processing.expire(clock=lambda: NOW() + day)
    capture = exam.captures.get()
    assert capture.state == "refused"
    assert "did not come whole" in capture.refusal
    assert (keeping.staging().listing(), capture.upload.sealed_key) == ([], None)
    assert head(phone, address).status_code == 410


def test_given_up_it_is_gone_and_may_be_begun_anew(phone, exam):
    address = begun(phone, exam, 1000)
    patch(phone, address, 0, b"x" * 400)
    assert phone.delete(address, headers=V).status_code == 204
    assert keeping.staging().listing() == []
    for answer in (
        head(phone, address),
        patch(phone, address, 400, b"x"),
        phone.delete(address, headers=V),
    ):
        assert (answer.status_code, "Upload-Offset" in answer) == (410, False)
    assert exam.captures.get().state == "removed"
    begun(phone, exam, 1000)


# --- whose it is ----------------------------------------------------------------------------------


def test_anybody_elses_upload_is_missing(phone, exam, programme):
    address = begun(phone, exam, 1000)
    bram = Client()
    bram.force_login(a_trainee(programme, "Bram Oduya"))
    nowhere = f"/api/v1/uploads/{uuid.uuid4()}"
    for ask in (
        lambda at: head(bram, at),
        lambda at: bram.get(at),
        lambda at: patch(bram, at, 0, b"x"),
        lambda at: bram.delete(at, headers=V),
    ):
        real, none = ask(address), ask(nowhere)
        assert (real.status_code, real.content) == (404, none.content)
    assert begin(bram, exam, 10).status_code == 404
    assert Client().head(address, headers=V).status_code in (401, 403)


def test_a_key_sends_as_its_person_and_a_session_needs_its_token(exam, ines):
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    bare = Client(headers={"Authorization": f"Bearer {key}"}, enforce_csrf_checks=True)
    address = begun(bare, exam, 10)
    assert patch(bare, address, 0, b"x" * 10).status_code == 204
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(ines)
    assert begin(strict, exam, 10).status_code == 403


def test_an_exam_that_is_not_open_takes_nothing(phone, exam, ines):
    exams.withdraw(exam=exam, by=ines, at=NOW())
    assert begin(phone, exam, 10).status_code in (409, 422)
    assert exam.captures.count() == 0


def test_a_submitted_exam_waits_for_what_is_still_coming(phone, ines, programme):
    exam = drafted_exam(ines, programme, when=NOW())
    address = begun(phone, exam, 10)
    exams.submit(exam=exam, version=exam.version, by=ines, at=NOW())
    exam.refresh_from_db()
    assert exam.state == "received"
    phone.delete(address, headers=V)
    captures.archive(
        capture_id=uuid.uuid4(), exam=exam, zone="R1", probe="", depth_mm=None, mode="b",
        by=ines, at=NOW(),
    )  # fmt: skip
    exam.refresh_from_db()
    assert exam.state == "complete"


# --- the pool -------------------------------------------------------------------------------------


def test_a_phone_that_says_nothing_loses_its_slot(rf):
    ours, theirs = socket.socketpair()
    with ours, theirs:
        request = rf.get("/", **{"gunicorn.socket": ours})
        with Pool(1).slot(request):
            assert ours.gettimeout() == SILENT_FOR
        assert ours.gettimeout() is None


def test_a_full_pool_says_when_to_come_again_and_keeps_the_ward_open(phone, exam, settings):
    address = begun(phone, exam, 10)
    settings.UPLOAD_SLOTS = 1
    pool.cache_clear()
    try:
        with pool().slot(head(phone, address).wsgi_request):
            answer = patch(phone, address, 0, b"x" * 10)
            assert (answer.status_code, answer["Retry-After"]) == (503, str(RETRY_AFTER))
            form = phone.post(f"/p/em/exams/{exam.pk}/captures/add/", {})
            assert (form.status_code, form["Retry-After"]) == (503, str(RETRY_AFTER))
            assert offset(phone, address) == 0
            assert phone.get(f"/p/em/exams/{exam.pk}/captures/").status_code == 200
        assert patch(phone, address, 0, b"x" * 10).status_code == 204
    finally:
        pool.cache_clear()
