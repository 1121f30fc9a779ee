"""A capture from the form to its master: what is kept, what is refused, who may see it."""

import dataclasses
import datetime as dt
import hashlib
import io
import json
import re
import uuid

import av
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client, TestCase
from django.utils import timezone

from accounts import ledger
from accounts.models import AccessLog
from logbook import keeping, processing, uploads
from logbook.actions import captures, exams
from logbook.intake import coded, masks
from logbook.intake.arrival import ArrivalMac
from logbook.intake.facts import Rectangle, Refusal, Suggestions
from logbook.models import Capture, Upload
from logbook.models.uploads import CLAIM_LASTS
from tests.factories import a_programme, a_reader, a_trainee, drafted_exam
from tests.logbook.intake import canaries, samples

NOW = timezone.now


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
def ines_client(client, ines):
    client.force_login(ines)
    return client


def said(**more):
    return {
        "capture_id": str(uuid.uuid4()),
        "zone": "R1",
        "probe": "linear",
        "depth_cm": "4.5",
        "mode": "b",
        "kept": "here",
        **more,
    }


def send(client, exam, content, name="IMG_0001 Ada Invented.jpg", accept="text/html", **more):
    file = SimpleUploadedFile(name, content) if content is not None else None
    return client.post(
        f"/p/em/exams/{exam.pk}/captures/add/",
        {**said(**more), **({"file": file} if file else {})},
        headers={"accept": accept},
    )


def entries(exam):
    return list(ledger.read(exam.programme.chain, after_seq=0, limit=1000))


def work(clock=NOW):
    with TestCase.captureOnCommitCallbacks(execute=True):
        return processing.process_waiting(clock=clock)


def expire(hours):
    with TestCase.captureOnCommitCallbacks(execute=True):
        return processing.expire(clock=lambda: NOW() + dt.timedelta(hours=hours))


def drawn(answer):
    figure = re.search(r"<figure class=.mask.*?</figure>", answer.content.decode(), re.DOTALL)[0]
    return figure.count("<rect ")


def got(client, address, **headers):
    """The answer and its body, read to the end as a browser does."""
    answer = client.get(address, headers=headers)
    return answer, b"".join(answer.streaming_content) if answer.streaming else answer.content


def waiting_for_mask(client, exam, content=None):
    assert send(client, exam, content or samples.picture()).status_code == 302
    assert work() == 1
    return exam.captures.get(state="confirm_mask")


def confirm(client, capture, **fields):
    page = client.get(f"/p/em/captures/{capture.pk}/mask/")
    assert page.status_code == 200
    form = page.context["form"]
    data = {
        name: "" if form.get_initial_for_field(field, name) is None
        else form.get_initial_for_field(field, name)
        for name, field in form.fields.items()
    }  # fmt: skip
    data |= {"rows": form.row_count, "then": "confirm", **fields}
    return client.post(f"/p/em/captures/{capture.pk}/mask/", data)


def ready_capture(client, exam, content=None):
    capture = waiting_for_mask(client, exam, content)
    assert confirm(client, capture).status_code == 302
    assert work() == 1
    capture.refresh_from_db()
    assert capture.state == "ready"
    return capture


def on_disk(folder):
    return b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())


# --- the way in ---------------------------------------------------------------------------------


def test_a_still_becomes_a_master_whose_hash_is_on_the_record(ines_client, exam, ines, folders):
    capture = ready_capture(ines_client, exam)
    assert (capture.kind, capture.zone, capture.depth_mm, capture.probe) == (
        "still",
        "R1",
        45,
        "linear",
    )
    with keeping.store().open(capture.master_key) as master:
        content = master.read()
    assert hashlib.sha256(content).hexdigest() == capture.master_sha256
    entry = entries(exam)[-1]
    assert (entry.action, entry.subject, entry.actor_id) == (
        "capture.kept",
        f"capture:{capture.pk}",
        ines.pk,
    )
    assert capture.master_sha256 in str(entry.body)


def test_a_clip_keeps_its_frames_and_plays(ines_client, exam):
    capture = ready_capture(ines_client, exam, samples.clip(frames=12))
    assert (capture.kind, capture.frames, capture.duration_ms) == ("clip", 12, 400)
    assert capture.play_key == capture.master_key
    with keeping.store().open(capture.master_key) as master:
        frames = samples.frames_of(master.read())
    assert [samples.number_in(grey) for _time, grey in frames] == list(range(12))


def test_nothing_readable_rests_on_disk_before_the_mask_is_confirmed(ines_client, exam, folders):
    plant = canaries.Planter()
    content = canaries.jpeg(plant)
    capture = waiting_for_mask(ines_client, exam, content)
    rest = on_disk(folders)
    assert canaries.found_in(rest) == set()
    # Six bytes at least: ciphertext has any three of them by chance.
    for start in (content[:20], b"\xff\xd8\xff\xe0\x00\x10JFIF", b"\x89PNG\r\n"):
        assert start not in rest
    assert confirm(ines_client, capture).status_code == 302
    work()
    assert canaries.found_in(on_disk(folders)) == set()


def test_nothing_is_left_in_staging_once_the_master_is_kept(ines_client, exam):
    capture = ready_capture(ines_client, exam)
    assert keeping.staging().listing() == []
    upload = Upload.objects.get(capture=capture)
    assert upload.sealed_key is None
    assert upload.emptied_at is not None


def test_the_name_of_the_file_is_nowhere(ines_client, exam, folders):
    ready_capture(ines_client, exam)
    assert b"Invented" not in on_disk(folders)
    for capture in Capture.objects.values():
        assert "Invented" not in str(capture)
    assert "Invented" not in str([e.body for e in entries(exam)])


def test_sending_again_with_the_same_identifier_is_the_same_capture(ines_client, exam):
    again = str(uuid.uuid4())
    for _attempt in range(3):
        answer = send(
            ines_client, exam, samples.picture(), capture_id=again, accept="application/json"
        )
        assert (answer.status_code, answer.json()) == (201, {"id": again, "state": "received"})
    assert exam.captures.count() == 1
    assert len(keeping.staging().listing()) == 1


def test_the_same_file_twice_has_the_same_fingerprint(ines_client, exam):
    for _ in range(2):
        send(ines_client, exam, samples.picture())
    send(ines_client, exam, samples.picture(samples.pattern()))
    one, two, other = exam.captures.order_by("ordinal")
    assert one.arrival_mac == two.arrival_mac != other.arrival_mac
    assert one.mac_key_id == keeping.arrival_key().id
    assert one.arrival_mac != hashlib.sha256(samples.picture()).hexdigest()


def test_kept_in_the_archive_stores_nothing(ines_client, exam, folders):
    answer = send(ines_client, exam, None, kept="archive")
    assert answer.status_code == 302
    capture = exam.captures.get()
    assert (capture.kind, capture.state, capture.master_key) == ("archive", "ready", "")
    assert on_disk(folders) == b""


@pytest.mark.parametrize(
    ("content", "more", "sentence"),
    [
        (None, {}, "Choose the file to send."),
        (b"", {}, "The file is empty."),
        (samples.picture(), {"zone": ""}, "This field is required."),
        (samples.picture(), {"zone": "R99"}, "Select a valid choice."),
        (samples.picture(), {"depth_cm": "400"}, "less than or equal to 40"),
        (samples.picture(), {"depth_cm": "deep"}, "Enter a number."),
    ],
)
def test_a_form_that_is_not_right_says_so_keeps_what_was_typed_and_stages_nothing(
    ines_client, exam, content, more, sentence
):
    answer = send(ines_client, exam, content, **{"probe": "curvilinear", **more})
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert '<option value="curvilinear" selected>' in answer.content.decode()
    assert keeping.staging().listing() == []
    assert exam.captures.count() == 0


def test_a_file_too_large_is_cut_off_and_says_so(ines_client, exam, settings):
    settings.UPLOAD_FILE_MB = 1
    answer = send(ines_client, exam, b"\xff" * (2**20 + 1))
    assert answer.status_code == 422
    assert "larger than 1 MB" in answer.content.decode()
    assert keeping.staging().listing() == []


def test_a_form_whose_line_breaks_leaves_nothing(ines_client, exam, monkeypatch):
    def half(self, data, start):
        original(self, data, start)
        raise ConnectionResetError

    original = uploads.IntoStaging.receive_data_chunk
    monkeypatch.setattr(uploads.IntoStaging, "receive_data_chunk", half)
    with pytest.raises(ConnectionResetError):
        send(ines_client, exam, b"\xff" * 300_000)
    assert keeping.staging().listing() == []
    assert list(keeping.staging().root.iterdir()) == []


def test_a_form_without_its_token_is_refused(ines, exam):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(ines)
    assert send(strict, exam, samples.picture()).status_code == 403
    assert exam.captures.count() == 0


# --- a bad file costs nothing else --------------------------------------------------------------


def test_a_bad_file_is_refused_with_a_sentence_and_the_others_go_on(ines_client, exam):
    send(ines_client, exam, samples.picture(), zone="R1")
    send(ines_client, exam, b"%PDF-1.7 not an image", zone="R2")
    send(ines_client, exam, samples.picture(form="JPEG")[:-200], zone="L1")
    send(ines_client, exam, samples.picture(samples.pattern()), zone="L2")
    assert work() == 4
    assert [(c.zone, c.state) for c in exam.captures.order_by("ordinal")] == [
        ("R1", "confirm_mask"),
        ("R2", "refused"),
        ("L1", "refused"),
        ("L2", "confirm_mask"),
    ]
    refused = exam.captures.get(zone="R2")
    assert refused.refusal.startswith("This is not an image or clip that can be read here.")
    page = ines_client.get(f"/p/em/exams/{exam.pk}/captures/").content.decode()
    assert "This is not an image or clip that can be read here." in page
    assert {staged.upload for staged in keeping.staging().listing()} == {
        str(pk) for pk in Upload.objects.filter(emptied_at=None).values_list("pk", flat=True)
    }


def damaged_late(frames):
    """A clip with wrong bytes amid its last key frame; its container is whole."""
    content = bytearray(samples.clip(frames=frames, options={"crf": "12", "g": "8", "bf": "0"}))
    with av.open(io.BytesIO(content)) as container:
        *_, last = (one for one in container.demux(video=0) if one.size and one.is_keyframe)
        amid = last.pos + last.size // 3
        content[amid : amid + 4] = b"\x55" * 4
    return bytes(content)


def test_damage_beyond_what_was_looked_at_is_told_once_the_mask_is_confirmed(ines_client, exam):
    near = send(ines_client, exam, damaged_late(frames=8))
    assert (near.status_code, work()) == (302, 1)
    assert exam.captures.get().state == "refused"

    capture = waiting_for_mask(ines_client, exam, damaged_late(frames=coded.LOOKED_AT + 8))
    assert confirm(ines_client, capture).status_code == 302
    assert work() == 1
    capture.refresh_from_db()
    assert (capture.state, capture.master_key) == ("refused", "")
    assert capture.refusal == processing.sentence_of(Refusal("damaged"))
    assert keeping.staging().listing() == []
    page = ines_client.get(f"/p/em/exams/{exam.pk}/captures/").content.decode()
    assert page.count(capture.refusal) == 2


def test_a_child_that_cannot_start_is_tried_again_and_given_up_in_the_end(
    ines_client, exam, monkeypatch
):
    send(ines_client, exam, samples.picture())
    runner = keeping.runner()
    runner.close()
    monkeypatch.setattr("sys.executable", "/bin/false")
    now = NOW()
    for attempt in range(3):
        clock = lambda attempt=attempt: now + dt.timedelta(minutes=attempt)  # noqa: E731
        assert work(clock) == 1
    capture = exam.captures.get()
    assert capture.state == "refused"
    assert "interrupted" in capture.refusal


def test_a_worker_that_died_is_followed_by_another(ines_client, exam):
    send(ines_client, exam, samples.picture())
    upload = Upload.objects.get()
    assert captures.claim(upload=upload, by=None, at=NOW()) is True
    assert captures.claim(upload=Upload.objects.get(), by=None, at=NOW()) is False
    assert work() == 0
    later = NOW() + CLAIM_LASTS + dt.timedelta(seconds=1)
    assert work(lambda: later) == 1
    assert exam.captures.get().state == "confirm_mask"


def test_each_step_done_twice_is_done_once(ines_client, exam):
    capture = ready_capture(ines_client, exam)
    upload = Upload.objects.get(capture=capture)
    before = len(entries(exam))
    assert processing.process(upload, clock=NOW) is False
    assert captures.refuse(upload=upload, sentence="late", by=None, at=NOW()) is False
    assert len(entries(exam)) == before


def test_what_is_not_confirmed_within_a_day_is_removed(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    expire(hours=23)
    capture.refresh_from_db()
    assert capture.state == "confirm_mask"
    expire(hours=25)
    capture.refresh_from_db()
    assert capture.state == "refused"
    assert "24 hours" in capture.refusal
    assert keeping.staging().listing() == []


def test_staging_that_no_row_knows_is_emptied(ines_client, exam):
    send(ines_client, exam, samples.picture())
    keeping.staging().write("stray", "arrived", [b"x"], key=b"k" * 32)
    assert expire(hours=0) == 0
    assert expire(hours=2) == 1
    assert len(keeping.staging().listing()) == 1


# --- what is hidden -----------------------------------------------------------------------------


def test_the_suggested_rectangles_stand_in_the_form_and_on_the_picture(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    page = ines_client.get(f"/p/em/captures/{capture.pk}/mask/")
    html = page.content.decode()
    assert drawn(page) == 2
    assert re.findall(r'name="y1-0" value="([\d.]+)"', html) == ["10.0"]


def test_what_is_confirmed_is_black_in_what_is_kept(ines_client, exam):
    from PIL import Image

    capture = waiting_for_mask(ines_client, exam, samples.picture(samples.pattern()))
    fields = {"x0-2": "50", "y0-2": "50", "x1-2": "75", "y1-2": "75"}
    assert confirm(ines_client, capture, **fields).status_code == 302
    work()
    capture.refresh_from_db()
    with keeping.store().open(capture.master_key) as master, Image.open(master) as picture:
        kept = picture.convert("L").load()
    assert kept[100, 80] == 0  # inside the drawn rectangle
    assert kept[80, 4] == 0  # inside the upper band
    assert kept[40, 60] == samples.pattern()[60, 40]
    entry = entries(exam)[-1]
    assert "[5000,5000,7500,7500]" in str(entry.body).replace(" ", "")


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"x0-2": "50"}, "Give all four numbers of a rectangle, or none."),
        ({"x0-2": "50", "y0-2": "50", "x1-2": "40", "y1-2": "75"}, "From must be smaller than to"),
        ({"x0-2": "-1", "y0-2": "50", "x1-2": "40", "y1-2": "75"}, "greater than or equal to 0"),
        ({"x0-2": "nan", "y0-2": "50", "x1-2": "40", "y1-2": "75"}, "Enter a number."),
    ],
)
def test_rectangles_that_are_none_are_said_and_nothing_typed_is_cleared(
    ines_client, exam, fields, sentence
):
    capture = waiting_for_mask(ines_client, exam)
    answer = confirm(ines_client, capture, **fields)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert f'value="{fields["x0-2"]}"' in answer.content.decode()
    capture.refresh_from_db()
    assert capture.state == "confirm_mask"


def test_showing_does_not_confirm(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    fields = {"x0-2": "50", "y0-2": "50", "x1-2": "75", "y1-2": "75", "then": "show"}
    answer = confirm(ines_client, capture, **fields)
    assert answer.status_code == 200
    assert drawn(answer) == 3
    capture.refresh_from_db()
    assert capture.state == "confirm_mask"


def test_covering_everything_is_refused_with_a_sentence(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    everything = [Rectangle(0, 0, 1, 1)]
    captures.confirm_mask(capture=capture, mask=everything, by=exam.trainee, at=NOW())
    work()
    capture.refresh_from_db()
    assert capture.state == "refused"
    assert "cover the whole picture" in capture.refusal


def test_confirming_twice_is_confirming_once(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    mask = [Rectangle(0, 0, 1, 0.25)]
    for _ in range(2):
        captures.confirm_mask(capture=capture, mask=mask, by=exam.trainee, at=NOW())
    assert work() == 1
    assert work() == 0


def with_letters(capture, *places):
    """As if letters had been found there: in what was staged and on the row."""
    upload = Upload.objects.get(capture=capture)
    facts = dataclasses.replace(
        processing.facts_of(upload),
        text=list(places),
        text_sought=True,
        suggestions=Suggestions(
            depth_mm=111.0, pixel_mm=1.0, region=Rectangle(0.1, 0.1, 0.8, 0.9), zero_at=0.1
        ),
    )
    content = [json.dumps(facts.as_json()).encode()]
    keeping.staging().write(str(upload.pk), processing.FACTS, content, key=keeping.key_of(upload))
    Upload.objects.filter(pk=upload.pk).update(text_at=captures.mask_text(places))


NAME = Rectangle(0.3, 0.4, 0.5, 0.45)


def test_letters_inside_the_image_are_suggested_covered(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    with_letters(capture, NAME)
    page = ines_client.get(f"/p/em/captures/{capture.pk}/mask/")
    assert "Letters were looked for: 1 place was found." in page.content.decode()
    assert masks.is_covered(NAME, page.context["form"].suggested)
    assert confirm(ines_client, capture).status_code == 302
    work()
    capture.refresh_from_db()
    assert capture.state == "ready"
    assert '"letters":{"found":1,"name_nobody":false}' in str(entries(exam)[-1].body).replace(
        " ", ""
    ).replace("'", '"').replace("False", "false")


def test_letters_that_are_neither_covered_nor_answered_keep_the_exam_open(ines_client, ines, exam):
    capture = waiting_for_mask(ines_client, exam)
    with_letters(capture, NAME)
    exams.submit(exam=exam, version=exam.version, by=ines, at=NOW())
    bare = {"x0-2": "", "y0-2": "", "x1-2": "", "y1-2": ""}
    refused = confirm(ines_client, capture, **bare)
    assert refused.status_code == 422
    assert "Letters were found that are not covered." in refused.content.decode()
    exam.refresh_from_db()
    assert exam.state == "needs_you"
    assert confirm(ines_client, capture, **bare, text_answered="on").status_code == 302
    work()
    exam.refresh_from_db()
    assert exam.state == "complete"


def test_what_the_file_says_of_itself_is_offered_and_taken_only_when_ticked(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    with_letters(capture)
    page = ines_client.get(f"/p/em/captures/{capture.pk}/mask/").content.decode()
    assert "Note 11.1 cm as the depth" in page  # 4.5 cm was noted, more than a fifth away
    assert confirm(ines_client, capture, side="left").status_code == 302
    work()
    capture.refresh_from_db()
    assert (capture.depth_mm, capture.file_date) == (45, "absent")
    other = waiting_for_mask(ines_client, exam, samples.picture(samples.pattern(seed=9)))
    with_letters(other)
    assert confirm(ines_client, other, take_depth="on").status_code == 302
    other.refresh_from_db()
    assert other.depth_mm == 111


def test_a_depth_within_a_fifth_of_the_files_is_not_asked_about(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    with_letters(capture)
    Capture.objects.filter(pk=capture.pk).update(depth_mm=95)
    page = ines_client.get(f"/p/em/captures/{capture.pk}/mask/").content.decode()
    assert "as the depth" not in page


# --- who may see it -----------------------------------------------------------------------------


def files(capture):
    return [f"/p/em/captures/{capture.pk}/{part}/" for part in ("master", "poster")]


def test_the_owner_a_reader_and_the_director_see_what_is_kept_and_nobody_else(
    ines_client, ines, exam, programme, bram, maren, tove
):
    capture = ready_capture(ines_client, exam)
    other = a_programme(code="other")
    stranger = a_trainee(other, "Sam Elsewhere")
    from_there = a_reader(other, "Rosa Elsewhere")

    def sees(person):
        visitor = Client()
        visitor.force_login(person)
        return {got(visitor, address)[0].status_code for address in files(capture)}

    assert sees(ines) == {200}
    assert sees(maren) == {404}  # a draft is its trainee's own
    exams.submit(exam=exam, version=exam.version, by=ines, at=NOW())
    assert sees(maren) == {200}
    assert sees(tove) == {200}
    assert sees(bram) == {404}
    assert sees(stranger) == {404}
    assert sees(from_there) == {404}
    assert {Client().get(address).status_code for address in files(capture)} == {302}
    assert AccessLog.objects.filter(what="capture", person_id=maren.pk).count() == 2


def test_the_preview_and_the_mask_are_the_owners_alone(ines_client, exam, bram, maren, tove):
    capture = waiting_for_mask(ines_client, exam)
    addresses = [f"/p/em/captures/{capture.pk}/{what}/" for what in ("mask", "preview")]
    assert {ines_client.get(address).status_code for address in addresses} == {200}
    for person in (bram, maren, tove):
        visitor = Client()
        visitor.force_login(person)
        assert {visitor.get(address).status_code for address in addresses} <= {403, 404}
        removed = visitor.post(f"/p/em/captures/{capture.pk}/remove/")
        assert removed.status_code in (403, 404)
    capture.refresh_from_db()
    assert capture.state == "confirm_mask"


def test_a_stored_file_runs_nothing_and_says_what_it_is(ines_client, exam):
    capture = ready_capture(ines_client, exam)
    answer, _content = got(ines_client, files(capture)[0])
    assert answer.headers["Content-Type"] == "image/png"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["Content-Disposition"] == "inline"
    assert answer.headers["Cache-Control"] == "private, no-cache"
    again = ines_client.get(files(capture)[0], headers={"if-none-match": answer.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_ranges_as_rfc_9110_section_14_has_them(ines_client, exam):
    capture = ready_capture(ines_client, exam, samples.clip())
    address = f"/p/em/captures/{capture.pk}/play/"
    _answer, whole = got(ines_client, address)
    size = len(whole)

    def ask(wanted, **headers):
        answer, body = got(ines_client, address, range=wanted, **headers)
        return answer.status_code, answer.headers.get("Content-Range"), body

    assert ask("bytes=0-9") == (206, f"bytes 0-9/{size}", whole[:10])
    assert ask("bytes=10-") == (206, f"bytes 10-{size - 1}/{size}", whole[10:])
    assert ask("bytes=-5") == (206, f"bytes {size - 5}-{size - 1}/{size}", whole[-5:])
    assert ask(f"bytes=5-{size * 2}") == (206, f"bytes 5-{size - 1}/{size}", whole[5:])
    assert ask(f"bytes={size}-") == (416, f"bytes */{size}", b"")
    assert ask("bytes=9-3") == (416, f"bytes */{size}", b"")
    for whole_again in ("bytes=-", "pages=1-2", "bytes=0-1,4-5"):
        assert ask(whole_again) == (200, None, whole)
    assert ask("bytes=0-9", **{"if-range": '"another"'}) == (200, None, whole)
    assert ask("bytes=0-9", **{"if-range": f'"{capture.master_sha256}"'})[0] == 206


# --- taken away ---------------------------------------------------------------------------------


def test_a_removed_capture_is_gone_from_every_address(ines_client, exam):
    capture = ready_capture(ines_client, exam)
    assert ines_client.post(f"/p/em/captures/{capture.pk}/remove/").status_code == 302
    assert {ines_client.get(address).status_code for address in files(capture)} == {404}
    entry = entries(exam)[-1]
    assert (entry.action, entry.subject) == ("capture.removed", f"capture:{capture.pk}")


def test_a_capture_removed_while_it_is_worked_on_stays_removed(ines_client, exam):
    capture = waiting_for_mask(ines_client, exam)
    upload = Upload.objects.get(capture=capture)
    facts, mac = processing.facts_of(upload), ArrivalMac(keeping.arrival_key())
    captures.remove(capture=capture, by=exam.trainee, at=NOW())
    assert captures.stripped(upload=upload, facts=facts, mac=mac, by=None, at=NOW()) is False
    capture.refresh_from_db()
    assert capture.state == "removed"


def test_the_exam_is_complete_once_every_capture_is_ready(ines_client, ines, exam):
    capture = waiting_for_mask(ines_client, exam)
    exams.submit(exam=exam, version=exam.version, by=ines, at=NOW())
    exam.refresh_from_db()
    assert exam.state == "needs_you"
    confirm(ines_client, capture)
    exam.refresh_from_db()
    assert exam.state == "received"
    work()
    exam.refresh_from_db()
    assert exam.state == "complete"


def test_every_page_of_a_capture_opens(ines_client, exam):
    add = ines_client.get(f"/p/em/exams/{exam.pk}/captures/add/")
    assert "Nobody watches this list." in add.content.decode()
    assert 'enctype="multipart/form-data"' in add.content.decode()
    ready_capture(ines_client, exam)
    waiting_for_mask(ines_client, exam, samples.clip())
    send(ines_client, exam, samples.picture())
    page = ines_client.get(f"/p/em/exams/{exam.pk}/captures/").content.decode()
    assert page.count("<li>") >= 3
    assert "data-under-way" in page
    fragment = ines_client.get(
        f"/p/em/exams/{exam.pk}/captures/", headers={"x-fragment": "captures"}
    ).content.decode()
    assert "<html" not in fragment
    assert "data-under-way" in fragment


def test_dicom_takes_the_same_way(ines_client, exam):
    from pydicom import examples

    with open(examples.get_path("ybr_color"), "rb") as file:
        capture = ready_capture(ines_client, exam, file.read())
    assert (capture.kind, capture.frames, capture.width, capture.height) == ("clip", 30, 320, 240)


def test_a_file_of_nothing_but_its_token_field_is_no_file(ines_client, exam):
    answer = ines_client.post(
        f"/p/em/exams/{exam.pk}/captures/add/", {**said(), "file": io.BytesIO(b"")}
    )
    assert answer.status_code == 422


def test_a_proxy_may_send_the_bytes_once_the_permission_is_checked(
    settings, ines_client, exam, bram
):
    """nginx's X-Accel-Redirect: the answer names a place inside an internal location, no more."""
    capture = ready_capture(ines_client, exam, samples.clip())
    settings.ACCEL_LOCATION = "/inside/"
    address = f"/p/em/captures/{capture.pk}/play/"
    answer = ines_client.get(address, headers={"range": "bytes=0-9"})
    assert (answer.status_code, answer.content) == (200, b"")
    assert answer.headers["X-Accel-Redirect"] == f"/inside/{capture.master_key}"
    assert answer.headers["Content-Type"] == "video/mp4"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in answer.headers["Content-Security-Policy"]
    stranger = Client()
    stranger.force_login(bram)
    refused = stranger.get(address)
    assert refused.status_code == 404
    assert "X-Accel-Redirect" not in refused.headers
