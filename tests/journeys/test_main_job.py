"""From a phone at the bedside to a report in the director's hand, and what is not left behind."""

from __future__ import annotations

import csv
import io
import re
import time

import pydicom
import pypdf
import pytest
from pydicom import examples

from logbook.models import Capture, Exam
from review.models import Attestation
from tests import factories as f
from tests.journeys import at_rest, hands
from tests.journeys.conftest import DESK, PHONE, with_password
from tests.logbook.intake import canaries

pytestmark = [pytest.mark.journey, pytest.mark.long(50)]

ANSWERS = {
    "pneumothorax": {"right": "negative", "left": "negative", "confidence": "sure"},
    "effusion": {"right": "positive", "left": "negative", "confidence": "fairly"},
}


@pytest.fixture
def programme(transactional_db):
    return f.a_programme(code="em")


@pytest.fixture
def ines(programme):
    return with_password(f.a_trainee(programme, "Ines Haldor"))


@pytest.fixture
def maren(programme):
    return with_password(f.a_reader(programme, "Maren Achterberg"))


@pytest.fixture
def otto(programme):
    """Stood at the bedside, so somebody else reads."""
    return f.a_reader(programme, "Otto Brandvold")


@pytest.fixture
def tove(programme):
    return with_password(f.a_director(programme, "Tove Lindqvist"))


def cine(plant):
    """The ultrasound cine that pydicom ships, with texts where a machine writes the patient."""
    data = pydicom.dcmread(examples.get_path("ybr_color"))
    for keyword in ("PatientName", "PatientID", "PatientComments", "InstitutionName",
                    "StudyDescription", "OperatorsName", "ImageComments"):  # fmt: skip
        setattr(data, keyword, plant(f"DICOM {keyword}"))
    block = data.private_block(0x0009, "INVENTED MACHINE", create=True)
    block.add_new(0x01, "LO", plant("DICOM private attribute"))
    out = io.BytesIO()
    pydicom.dcmwrite(out, data)
    return out.getvalue()


def planted_files():
    """Three captures as a phone holds them; their names give somebody away, too."""
    plant = canaries.Planter()
    made = [
        ("R1", "image/jpeg", canaries.jpeg(plant), "jpg"),
        ("L1", "video/mp4", canaries.mp4(plant), "mp4"),
        ("R4", "application/dicom", cine(plant), "dcm"),
    ]
    captures = [
        {
            "zone": zone,
            "probe": "linear",
            "depth": "4",
            "file": {
                "name": f"{plant(f'the name of the {ending}')}.{ending}",
                "mimeType": kind,
                "buffer": content,
            },
        }
        for zone, kind, content, ending in made
    ]
    sent = b"".join(c["file"]["buffer"] + c["file"]["name"].encode() for c in captures)
    return captures, plant, canaries.found_in(sent)


def test_from_the_phone_to_the_report(
    programme, ines, otto, maren, tove, screen, worker, tmp_path, temporary_folder, web_log
):
    folders = (tmp_path, temporary_folder, web_log.parent)
    left_by_others = set(at_rest.staged())  # tests whose rows are gone, and their frames not
    captures, plant, planted = planted_files()
    assert planted == set(plant.slots)  # only what is in the files proves anything by its absence
    assert {"JPEG Exif GPSDateStamp", "MP4 loci", "DICOM PatientName"} <= set(plant.slots.values())

    phone = screen(**PHONE)
    hands.sign_in(phone, ines)
    assert ruler(phone) == "0 of 25"
    phone.click("a:has-text('Record an exam') >> visible=true")
    hands.describe(phone, answers=ANSWERS, supervisor=otto.name)
    hands.add_captures(phone, captures)
    hands.until_shown(phone, phone.url, "a:has-text('Look at what is hidden')")
    in_flight, *_ = at_rest.search(*folders, words=planted)
    assert in_flight == {}
    assert set(at_rest.staged()) - left_by_others
    hands.confirm_masks(phone, len(captures))
    code = hands.submit(phone)
    exam = Exam.objects.get()
    assert (exam.code, exam.state) == (code, "complete")

    desk = screen(**DESK)
    hand = hands.Keyboard(desk)
    hand.sign_in(maren)
    read_blind_and_sign(hand, exam)
    signed = time.monotonic()
    assert Attestation.objects.filter(exam=exam, reader=maren, blind=True).count() == 2

    while ruler(phone, again=True) != "1 of 25":
        assert time.monotonic() - signed < 10, "the ruler did not move within 10 s"
    print(f"the ruler moved {time.monotonic() - signed:.1f} s after the signature")

    office = screen(**DESK, accept_downloads=True)
    hands.sign_in(office, tove)
    exports = tmp_path / "exports"
    exports.mkdir()
    report = export(office, "pdf", ines, exports)
    text = "\n".join(page.extract_text() for page in pypdf.PdfReader(report).pages)
    assert ines.name in text
    assert code in text
    scans = list(csv.reader(io.StringIO(export(office, "scans", ines, exports).read_text("utf-8"))))
    assert sum(code in row for row in scans) == 2

    assert set(at_rest.staged()) - left_by_others == set()
    hits, objects, size = at_rest.search(*folders, words=planted)
    assert {where: sorted(map(plant.slots.get, words)) for where, words in hits.items()} == {}
    print(f"N = {len(planted)} planted strings, 0 found in {objects} objects, {size} bytes")
    assert objects > 30
    found, *_ = at_rest.search(words=at_rest_proof(exam))
    assert found != {}  # the same search does find what is kept
    assert list(temporary_folder.rglob("*")) == []


def at_rest_proof(exam):
    """A word of the same shape, planted in the database now."""
    word = canaries.WORD.format(99_999)
    Capture.objects.filter(exam=exam, ordinal=1).update(refusal=word)
    return {word}


def ruler(page, *, again=False):
    """What the first ruler of the trainee's home says."""
    if again:
        page.goto("/p/em/home/")
    elif not page.locator(".ruler").count():
        hands.until_shown(page, "/p/em/home/", ".ruler")
    said = page.locator(".ruler .ruler-value").first.inner_text()
    return re.match(r"\d+ of \d+", said)[0]


def read_blind_and_sign(hand, exam):
    """From the list to the signature without a mouse: what is typed is what the desk says."""
    page = hand.page
    take = page.wait_for_selector("button[data-key]:has-text('Take the next exam')")
    assert exam.trainee.name not in page.content()
    hand.press(take.get_attribute("data-key"))
    page.wait_for_url(f"**/reading/{exam.pk}/")
    page.wait_for_selector("html.desk-js")
    assert exam.trainee.name not in page.content()
    pneumothorax, effusion = page.locator("[data-scan] h2").all_inner_texts()
    assert (pneumothorax, effusion) == ("Pneumothorax", "Effusion")
    hand.press("w", "s", "4")  # negative right, negative left, good
    hand.press("q", "s", "4")  # the next scan has the keys: positive right, negative left
    hand.press("Enter")
    page.wait_for_selector("[data-desk=revealed]")
    assert exam.trainee.name in page.content()
    hand.press("f")
    hand.write("Clean pleural line.")
    hand.press("Escape", "Tab")
    hand.tab_to(".action-bar .button-primary")
    hand.press("Enter")
    page.wait_for_url(lambda url: str(exam.pk) not in url)
    print(f"read and signed with {hand.presses} presses, sign-in included")


def export(page, form, trainee, folder):
    """The file that the director downloads for one trainee."""
    page.goto("/p/em/reports/")
    page.select_option("[name=who]", label=trainee.name)
    page.check(f'[name=form][value="{form}"]', force=True)
    with page.expect_download(timeout=60_000) as waiting:
        page.click("button:has-text('Make the file')")
    path = folder / waiting.value.suggested_filename
    waiting.value.save_as(path)
    return path


def test_the_same_exam_is_recorded_without_a_script(programme, ines, otto, screen, worker):
    captures, _plant, _planted = planted_files()
    phone = screen(**PHONE, java_script_enabled=False)
    hands.sign_in(phone, ines)
    phone.goto("/p/em/exams/new/")
    hands.describe(phone, answers=ANSWERS, supervisor=otto.name)
    hands.add_captures(phone, captures)
    hands.confirm_masks(phone, len(captures))
    code = hands.submit(phone)
    exam = Exam.objects.get()
    assert (exam.code, exam.state) == (code, "complete")
    assert [c.state for c in exam.captures.order_by("ordinal")] == ["ready"] * 3
    assert [c.kind for c in exam.captures.order_by("ordinal")] == ["still", "clip", "clip"]
    answers = dict(exam.scans.values_list("application__code", "first_answer"))
    assert answers == {"pneumothorax": "R- L-", "effusion": "R+ L-"}
