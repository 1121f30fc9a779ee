"""Cleaned DICOM for a programme's teaching set: only where asked for, under keys of its own."""

import io

import pydicom
import pytest
from django.utils import timezone
from pydicom import examples

from logbook import keeping, upkeep
from logbook.actions import programmes
from logbook.intake.keys import Key
from logbook.models import Capture, Upload
from tests.factories import a_programme, drafted_exam, kept_capture, signed_exam, submitted_exam
from tests.logbook.intake import samples
from tests.logbook.test_captures import folders  # noqa: F401

NOW = timezone.now
LONG = "a-secret-of-thirty-two-characters"


@pytest.fixture
def asked_for(programme, tove):
    programmes.change_settings(programme=programme, values={"keep_dicom": True}, by=tove, at=NOW())
    return programme


@pytest.fixture
def exam(ines, programme):
    return drafted_exam(ines, programme, when=NOW())


def example():
    with open(examples.get_path("ybr_color"), "rb") as file:
        return file.read()


def test_nothing_is_kept_unless_the_programme_asks(exam):
    capture = kept_capture(exam, example(), when=NOW())
    assert (capture.state, capture.dicom_key, capture.uid_key_id) == ("ready", "", "")


def test_a_cleaned_copy_is_kept_beside_the_master_with_the_id_of_its_key(asked_for, exam):
    capture = kept_capture(exam, example(), when=NOW())
    assert capture.uid_key_id == keeping.uid_key().id
    with keeping.store().open(capture.dicom_key) as kept:
        data = pydicom.dcmread(io.BytesIO(kept.read()))
    before = examples.ybr_color
    new = keeping.new_uid(keeping.uid_key(), exam.programme_id, before.StudyInstanceUID)
    assert data.StudyInstanceUID == new
    assert (data.PatientName or "") == ""
    assert (data.NumberOfFrames, data.Rows, data.Columns) == (30, 240, 320)
    assert data.pixel_array[:, :10].max() == 0  # covered as in the master
    assert upkeep.examine(at=NOW()).faults == []
    assert Upload.objects.get(capture=capture).sealed_key is None


def test_a_picture_that_is_no_dicom_has_no_copy(asked_for, exam):
    assert kept_capture(exam, samples.picture(), when=NOW()).dicom_key == ""


def test_identifiers_are_the_same_in_one_programme_and_others_in_another(programme):
    other, old, new = a_programme(), Key("old", LONG.encode()), Key("new", LONG.encode() + b"x")
    uid = "1.2.840.113619.2.1"
    made = {
        keeping.new_uid(key, owner.pk, uid) for key in (old, new) for owner in (programme, other)
    }
    assert len(made) == 4
    again = keeping.new_uid(old, programme.pk, uid)
    assert again in made
    assert pydicom.uid.UID(again).is_valid
    assert len(again) <= 64  # DICOM PS3.5 section 9.1


def test_identifiers_do_not_depend_on_the_key_of_sessions(settings, programme):
    before = keeping.new_uid(keeping.uid_key(), programme.pk, "1.2.3")
    settings.SECRET_KEY = "another" * 10
    assert keeping.new_uid(keeping.uid_key(), programme.pk, "1.2.3") == before


def test_the_director_fetches_it_once_the_exam_is_read_and_nobody_else_does(
    client, asked_for, ines, maren, tove
):
    exam = submitted_exam(ines, asked_for, when=NOW())
    capture = kept_capture(drafted_exam(ines, asked_for, when=NOW()), example(), when=NOW())
    Capture.objects.filter(pk=capture.pk).update(exam=exam, ordinal=7)
    address = f"/p/em/settings/teaching/{capture.pk}/"
    client.force_login(tove)
    assert client.get(address).status_code == 404  # somebody still has to read it
    assert str(capture.pk) not in client.get("/p/em/settings/teaching/").content.decode()
    signed_exam(maren, exam, when=NOW())
    assert str(capture.pk) in client.get("/p/em/settings/teaching/").content.decode()
    answer = client.get(address)
    assert b"".join(answer.streaming_content)[128:132] == b"DICM"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{capture.pk}.dcm"'
    for person in (ines, maren):
        client.force_login(person)
        assert client.get(address).status_code in (403, 404)


def test_a_copy_that_cannot_be_made_costs_the_capture_nothing(asked_for, exam, monkeypatch):
    from logbook.intake.facts import Refusal
    from logbook.intake.runner import Runner

    monkeypatch.setattr(Runner, "clean", lambda self, arrived, **said: Refusal("damaged"))
    capture = kept_capture(exam, example(), when=NOW())
    assert (capture.state, capture.dicom_key) == ("ready", "")
