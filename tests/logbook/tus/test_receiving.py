"""A body that breaks off, two at once, and one whose upload goes away meanwhile."""

from __future__ import annotations

import hashlib
import itertools
import random
import threading

import pytest
from django.db import connection
from hypothesis import given, settings
from hypothesis import strategies as st

from accounts.errors import Refused
from logbook import keeping
from logbook.actions import captures, uploads
from logbook.intake.staging import Staging, StagingError, new_key
from logbook.models import Upload
from logbook.tus import receiving
from logbook.tus.headers import Promise
from logbook.tus.receiving import Broken, Moved, Over, receive
from tests.factories import a_programme, a_trainee, begun_upload, drafted_exam
from tests.logbook.tus.sending import NOW


class Line:
    """A body that comes in pieces of any size and may break: "reset" raises, "end" just ends."""

    def __init__(self, content, *, breaks_at=None, how="end", then=None):
        self.content, self.at, self.how = content, 0, how
        self.breaks_at = len(content) if breaks_at is None else breaks_at
        self.then = then

    def read(self, size):
        data = self.content[self.at : min(self.at + size, self.breaks_at)]
        self.at += len(data)
        if self.then and self.at >= self.breaks_at:
            then, self.then = self.then, None
            then()
        if not data and self.how == "reset" and self.at < len(self.content):
            raise ConnectionResetError
        return data


def content_of(n):
    return random.Random(n).randbytes(n)


def as_found(upload):
    return Upload.objects.select_related("capture__exam__trainee").get(pk=upload.pk)


def take(upload, line, length=None, promise=None):
    return take_into(as_found(upload), line, length, promise)


def take_into(upload, line, length=None, promise=None):
    """What comes into an upload that was looked at some time ago."""
    return receive(
        upload,
        line,
        length=len(line.content) if length is None else length,
        promise=promise,
        by=upload.capture.exam.trainee,
        clock=NOW,
    )


def whole(upload):
    upload = Upload.objects.get(pk=upload.pk)
    return b"".join(keeping.arrived(upload, keeping.key_of(upload)))


def objects(upload):
    folder = keeping.staging().root / str(upload.pk)
    return sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []


@pytest.fixture
def upload(exam):
    return begun_upload(exam, 300_000, when=NOW())


@pytest.fixture(autouse=True)
def small_objects(monkeypatch):
    monkeypatch.setattr(receiving, "OBJECT", 70_000)


# --- a line that breaks ---------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["end", "reset"])
@pytest.mark.parametrize("at", [0, 1, 4096, 69_999, 70_000, 123_456, 299_999])
def test_what_a_broken_line_brought_is_kept(upload, at, how):
    content = content_of(300_000)
    taken = take(upload, Line(content, breaks_at=at, how=how))
    assert (taken.offset, taken.cut) == (at, True)
    taken = take(upload, Line(content[at:]))
    assert (taken.offset, taken.cut) == (300_000, False)
    assert whole(upload) == content


@pytest.mark.parametrize("at", [1, 123_456, 299_999])
def test_but_nothing_of_what_was_promised_with_a_checksum(upload, at):
    content = content_of(300_000)
    promise = Promise("sha256", hashlib.sha256(content).digest())
    taken = take(upload, Line(content, breaks_at=at), promise=promise)
    assert (taken.offset, taken.cut, objects(upload)) == (0, True, [])
    assert take(upload, Line(content), promise=promise).offset == 300_000
    assert whole(upload) == content


def test_a_broken_promise_after_a_kept_one_leaves_the_kept_one(upload):
    content = content_of(300_000)
    first, rest = content[:100_000], content[100_000:]
    take(upload, Line(first), promise=Promise("sha1", hashlib.sha1(first).digest()))
    before = objects(upload)
    with pytest.raises(Broken):
        take(upload, Line(rest), promise=Promise("sha1", hashlib.sha1(first).digest()))
    assert objects(upload) == before
    assert take(upload, Line(rest)).offset == 300_000
    assert whole(upload) == content


def test_the_offset_moves_while_a_long_body_comes(upload):
    seen = []
    content = content_of(300_000)

    def look():
        seen.append(Upload.objects.get(pk=upload.pk).offset)

    take(upload, Line(content, breaks_at=250_000, then=look))
    assert seen == [210_000]


def test_no_transaction_is_open_while_a_body_comes(exam, upload, django_db_blocker):
    depth = len(connection.savepoint_ids)
    seen = []
    take(upload, Line(content_of(1000), then=lambda: seen.append(len(connection.savepoint_ids))))
    assert seen == [depth]


# --- two at once, and one that is over ------------------------------------------------------------


def test_of_two_at_the_same_offset_the_first_to_end_counts(upload):
    ours, theirs = content_of(300_000), bytes(300_000)

    def the_other_is_faster():
        assert take(upload, Line(theirs[:50_000])).offset == 50_000

    with pytest.raises(Moved):
        take(upload, Line(ours, breaks_at=60_000, then=the_other_is_faster))
    assert len(objects(upload)) == 1
    take(upload, Line(theirs[50_000:]))
    assert whole(upload) == theirs


def test_an_upload_given_up_meanwhile_leaves_nothing(
    upload, exam, django_capture_on_commit_callbacks
):
    def give_up():
        with django_capture_on_commit_callbacks(execute=True):
            captures.remove(capture=upload.capture, by=exam.trainee, at=NOW())

    with pytest.raises(Over):
        take(upload, Line(content_of(300_000), breaks_at=150_000, then=give_up))
    assert objects(upload) == []
    assert keeping.staging().listing() == []


def test_a_disk_that_is_full_costs_nothing_of_what_was_acknowledged(upload, monkeypatch):
    from logbook.intake import staging

    content = content_of(300_000)
    take(upload, Line(content, breaks_at=100_000))
    before = objects(upload)

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(staging.os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        take(upload, Line(content[100_000:]))
    monkeypatch.undo()
    assert objects(upload) == before
    monkeypatch.setattr(receiving, "OBJECT", 70_000)
    take(upload, Line(content[100_000:]))
    assert whole(upload) == content


# --- pieces at rest -------------------------------------------------------------------------------


def chain(staging, parts, key):
    reached, before = 0, ""
    for part in parts:
        with staging.piece("u1", start=reached, before=before, key=key) as piece:
            piece.write(part)
        reached, before = reached + len(part), piece.mark
    return before


@settings(max_examples=25)  # each writes and syncs up to seven files
@given(cuts=st.lists(st.integers(0, 200_000), max_size=6))
def test_any_cutting_gives_the_same_file(tmp_path_factory, cuts):
    content = content_of(200_000)
    edges = sorted({0, *cuts, 200_000})
    staging, key = Staging(tmp_path_factory.mktemp("staging")), new_key()
    parts = [content[a:b] for a, b in itertools.pairwise(edges)]
    head = chain(staging, parts, key)
    assert b"".join(staging.assembled("u1", head=head, key=key)) == content


def test_pieces_missing_exchanged_or_renamed_are_refused(tmp_path):
    key = new_key()
    for harm in ("missing", "exchanged", "renamed", "cut"):
        staging = Staging(tmp_path / harm)
        head = chain(staging, [b"a" * 1000, b"b" * 1000, b"c" * 1000], key)
        one, two, _three = sorted((staging.root / "u1").iterdir())
        if harm == "missing":
            two.unlink()
        elif harm == "exchanged":
            kept = one.read_bytes()
            one.write_bytes(two.read_bytes())
            two.write_bytes(kept)
        elif harm == "renamed":
            two.rename(two.with_name(two.name.replace("000001000-", "000002000-")))
        else:
            two.write_bytes(two.read_bytes()[:-1])
        with pytest.raises(StagingError):
            list(staging.assembled("u1", head=head, key=key))


def test_at_rest_it_is_noise(upload):
    take(upload, Line(b"plain words of a patient " * 1000))
    folder = keeping.staging().root / str(upload.pk)
    assert b"patient" not in b"".join(path.read_bytes() for path in folder.iterdir())


# --- quotas ---------------------------------------------------------------------------------------


def together(n, attempt):
    """What `n` threads that start at once got: True, or the code of the refusal."""
    gate, got = threading.Barrier(n), []

    def run():
        gate.wait()
        try:
            attempt()
            got.append(True)
        except Refused as refused:
            got.append(refused.code)
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(n)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return got


MIB = 2**20


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(("limit", "exams_of"), [("EXAM", 1), ("PERSON", 20)])
def test_of_twenty_for_the_last_room_exactly_one_wins(settings, limit, exams_of):
    programme = a_programme(code="em")
    ines = a_trainee(programme, "Ines Haldor")
    setattr(settings, f"UPLOAD_{limit}_MB", 10)
    places = [drafted_exam(ines, programme, when=NOW()) for _ in range(exams_of)]
    begun_upload(places[0], 9 * MIB, when=NOW())
    turn = iter(places * 20)
    got = together(20, lambda: begun_upload(next(turn), MIB, when=NOW()))
    assert sorted(map(str, got)) == ["True", *["no_room"] * 19]
    assert Upload.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_of_twenty_that_begin_the_same_all_get_the_same(settings):
    programme = a_programme(code="em")
    ines = a_trainee(programme, "Ines Haldor")
    exam = drafted_exam(ines, programme, when=NOW())
    one = begun_upload(exam, 10, when=NOW())
    found = set()

    def again():
        found.add(
            uploads.begin(
                capture_id=one.capture_id, exam=exam, size=10, zone="R1", probe="", depth_mm=None,
                mode="b", by=ines, at=NOW(),
            ).pk
        )  # fmt: skip

    assert together(20, again) == [True] * 20
    assert found == {one.pk}


@pytest.mark.django_db(transaction=True)
def test_of_ten_pieces_at_one_offset_exactly_one_counts(settings, tmp_path):
    settings.STAGING_ROOT = tmp_path / "staging"
    programme = a_programme(code="em")
    exam = drafted_exam(a_trainee(programme, "Ines Haldor"), programme, when=NOW())
    upload = begun_upload(exam, 100_000, when=NOW())
    bodies = [bytes([n]) * 100_000 for n in range(10)]
    turn, won = iter([(as_found(upload), body) for body in bodies]), []

    def send():
        found, body = next(turn)
        try:
            take_into(found, Line(body))
        except Moved as late:
            raise Refused("late", code="late") from late
        won.append(body)

    assert sorted(map(str, together(10, send))) == ["True", *["late"] * 9]
    assert [whole(upload)] == won
    assert len(objects(upload)) == 2  # one body, two objects


def test_what_was_removed_or_refused_makes_room(settings, exam, ines):
    settings.UPLOAD_EXAM_MB = settings.UPLOAD_PERSON_MB = 10
    first = begun_upload(exam, 10 * MIB, when=NOW())
    with pytest.raises(Refused):
        begun_upload(exam, 1, when=NOW())
    captures.remove(capture=first.capture, by=ines, at=NOW())
    second = begun_upload(exam, 10 * MIB, when=NOW())
    captures.refuse(upload=second, sentence="No.", by=None, at=NOW())
    begun_upload(exam, 10 * MIB, when=NOW())
