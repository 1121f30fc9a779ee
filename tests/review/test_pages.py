"""The reader's pages as plain forms, and the exam with its feedback as its trainee sees it."""

import datetime as dt

import pytest
import time_machine
from django.urls import reverse

from logbook.answers import Answer
from review import queries
from review.models import Attestation, CreditRule, Discrepancy, Hold, Reading
from tests.factories import (
    NOW,
    a_director,
    a_programme,
    a_reader,
    a_trainee,
    revealed_exam,
    signed_exam,
    waiting_exam,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW + dt.timedelta(hours=1), tick=False):
        yield


def go(client, name, programme, *args):
    return client.get(reverse(f"review:{name}", args=[programme.code, *args]))


def send(client, name, programme, *args, **data):
    return client.post(reverse(f"review:{name}", args=[programme.code, *args]), data)


def blind_data(exam, answer="R- L-", quality="4"):
    data = {}
    for scan in exam.scans.all():
        said = Answer.parse(answer)
        data |= {f"{scan.pk}-right": said.right, f"{scan.pk}-left": said.left}
        data[f"{scan.pk}-quality"] = quality
    return data


def text(response) -> str:
    return response.content.decode()


def test_an_exam_from_the_list_to_the_next_one(client, programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    second = waiting_exam(trainee, programme, when=NOW + dt.timedelta(minutes=5))
    client.force_login(reader)
    page = text(go(client, "list", programme))
    assert exam.code in page
    assert trainee.name not in page

    taken = send(client, "next", programme)
    assert taken.headers["Location"] == reverse("review:desk", args=[programme.code, exam.pk])
    blind = text(go(client, "desk", programme, exam.pk))
    assert trainee.name not in blind
    assert "Breathlessness" in blind

    shown = send(client, "reveal", programme, exam.pk, **blind_data(exam))
    assert shown.status_code == 302
    page = text(go(client, "desk", programme, exam.pk))
    assert trainee.name in page
    assert "The answers agree." in page
    assert "The credit rule credits this scan." in page

    scan = exam.scans.get()
    signed = send(
        client, "sign", programme, exam.pk,
        **{f"{scan.pk}-credited": "yes", f"{scan.pk}-feedback": "Calm, well centred clips."},
    )  # fmt: skip
    assert signed.headers["Location"] == reverse("review:desk", args=[programme.code, second.pk])
    attestation = Attestation.objects.get()
    assert (attestation.credited, attestation.agrees, attestation.quality) == (True, True, 4)
    assert attestation.feedback.text == "Calm, well centred clips."
    assert Hold.objects.get().exam == second


def test_nothing_that_was_marked_is_cleared_by_a_refusal(client, programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    client.force_login(reader)
    send(client, "take", programme, exam.pk)
    scan = exam.scans.get()
    data = {f"{scan.pk}-right": "positive", f"{scan.pk}-quality": "2"}
    refused = send(client, "reveal", programme, exam.pk, **data)
    assert refused.status_code == 422
    page = text(refused)
    assert "Answer both sides." in page
    assert trainee.name not in page
    assert not Reading.objects.exists()
    kept = queries.draft_of(exam, reader).content["scans"][str(scan.pk)]
    assert (kept["right"], kept["quality"]) == ("positive", 2)


def test_an_override_needs_a_reason(client, programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    client.force_login(reader)
    revealed_exam(reader, exam, when=NOW + dt.timedelta(hours=1))
    scan = exam.scans.get()
    refused = send(client, "sign", programme, exam.pk, **{f"{scan.pk}-credited": "no"})
    assert refused.status_code == 422
    assert "This differs from the credit rule. Say why." in text(refused)
    assert not Attestation.objects.exists()
    why = {f"{scan.pk}-credited": "no", f"{scan.pk}-reason": "Clips of another exam."}
    assert send(client, "sign", programme, exam.pk, **why).status_code == 302
    attestation = Attestation.objects.get()
    assert (attestation.credited, attestation.override_reason.text) == (
        False,
        "Clips of another exam.",
    )
    assert attestation.reasons == ()


def test_an_urgent_disagreement_shows_whom_to_call_and_stays_until_told(
    client, programme, trainee, reader
):
    exam = waiting_exam(trainee, programme)
    client.force_login(reader)
    revealed_exam(reader, exam, {"pneumothorax": "R+ L-"}, when=NOW + dt.timedelta(hours=1))
    page = text(go(client, "desk", programme, exam.pk))
    for shown in ("extension 4410", "Telephone the duty clinician now", exam.code,
                  "Resuscitation", "Dr. Visiting", "A tick here is not notification"):  # fmt: skip
        assert shown in page
    scan = exam.scans.get()
    send(client, "sign", programme, exam.pk, **{f"{scan.pk}-credited": "yes"})
    row = Discrepancy.objects.get()
    assert (row.because, row.told, row.telephone) == ("pneumothorax", "", "extension 4410")
    assert "Nobody has been told yet" in text(go(client, "list", programme))

    send(client, "told", programme, row.pk, told="duty_clinician", note="Going to the bed now.")
    row.refresh_from_db()
    assert (row.told, row.told_by) == ("duty_clinician", reader)
    assert "Nobody has been told yet" not in text(go(client, "list", programme))

    client.force_login(trainee)
    page = text(go(client, "exam", programme, exam.pk))
    assert "I have seen this" in page
    send(client, "acknowledge", programme, row.pk)
    row.refresh_from_db()
    assert row.acknowledged_at is not None
    assert "I have seen this" not in text(go(client, "exam", programme, exam.pk))


def test_the_trainee_reads_the_feedback_and_what_is_asked(client, programme, trainee, reader):
    signed = waiting_exam(trainee, programme)
    signed_exam(reader, signed, {"pneumothorax": "R? L-"}, feedback="Hold still for one breath.")
    client.force_login(trainee)
    page = text(go(client, "exam", programme, signed.pk))
    assert "Hold still for one breath." in page
    assert "Bo Lindqvist read" in page
    assert "Not compared" in page

    returned = waiting_exam(trainee, programme, when=NOW + dt.timedelta(minutes=30))
    client.force_login(reader)
    send(client, "take", programme, returned.pk)
    scan = returned.scans.get()
    away = send(
        client, "return", programme, returned.pk,
        **{"return-scans": str(scan.pk), "return-zones": "L2", "return-text": "Left base, please."},
    )  # fmt: skip
    assert away.headers["Location"] == reverse("review:list", args=[programme.code])
    client.force_login(trainee)
    page = text(go(client, "exam", programme, returned.pk))
    assert "Left base, please." in page
    assert "L2" in page


def test_setting_aside_needs_a_reason_and_shows_it(client, programme, trainee, reader):
    exam = waiting_exam(trainee, programme)
    client.force_login(reader)
    send(client, "take", programme, exam.pk)
    scan = exam.scans.get()
    refused = send(client, "set_aside", programme, exam.pk, **{"aside-scans": str(scan.pk)})
    assert refused.status_code == 422
    data = {"aside-scans": str(scan.pk), "aside-reason": "duplicate"}
    assert send(client, "set_aside", programme, exam.pk, **data).status_code == 302
    client.force_login(trainee)
    assert "recorded twice" in text(go(client, "exam", programme, exam.pk))


def test_the_signer_corrects_and_another_reader_reads_again(
    client, programme, trainee, reader, second_reader
):
    exam = waiting_exam(trainee, programme)
    (first,) = signed_exam(reader, exam, feedback="Good.")
    client.force_login(reader)
    assert "stay as you gave them" in text(go(client, "correct", programme, first.pk))
    data = {"reason": "Wrong sentence.", "credited": "yes", "feedback": "Good, but short."}
    assert send(client, "correct", programme, first.pk, **data).status_code == 302
    second = Attestation.objects.current().get()
    assert (second.ordinal, second.feedback.text, second.in_read) == (2, "Good, but short.", True)

    client.force_login(second_reader)
    assert "your reading is not blind" in text(go(client, "correct", programme, second.pk))
    prefix = str(exam.scans.get().pk)
    own = {f"{prefix}-right": "negative", f"{prefix}-left": "positive", f"{prefix}-quality": "3"}
    data = {"reason": "The left side has a lung point.", "credited": "yes", "feedback": ""}
    assert send(client, "correct", programme, second.pk, **data, **own).status_code == 302
    third = Attestation.objects.current().get()
    assert (third.ordinal, third.reader, third.reader_answer) == (3, second_reader, "R- L+")
    assert (third.in_read, third.not_in_read_because) == (False, "corrected")
    gone = go(client, "correct", programme, second.pk)
    assert gone.status_code == 409


def test_without_a_duty_telephone_the_list_says_so_and_what_to_do(client):
    programme = a_programme(duty_telephone="")
    reader = a_reader(programme)
    exam = waiting_exam(a_trainee(programme), programme)
    client.force_login(reader)
    page = text(go(client, "list", programme))
    assert "No duty telephone is set" in page
    assert exam.code not in page
    taken = send(client, "next", programme)
    assert taken.headers["Location"] == reverse("review:list", args=[programme.code])
    assert not Hold.objects.exists()


def test_the_director_puts_a_new_rule_in_force_and_makes_an_exception(
    client, programme, trainee, reader
):
    director = a_director(programme)
    client.force_login(director)
    data = {"settings": ["clinical"], "operators": ["all"], "quality_cut": "5", "zones": "on",
            "answered_within_hours": "12", "received_within_days": "7"}  # fmt: skip
    assert send(client, "credit_rule", programme, **data).status_code == 302
    rule = CreditRule.objects.in_force(programme)
    assert (rule.n, rule.rule.quality_cut, rule.by_person) == (2, 5, director)
    assert send(client, "credit_rule", programme, **{**data, "settings": []}).status_code == 422

    exam = waiting_exam(trainee, programme)
    scan = exam.scans.get()
    waive = {"exception-scan": str(scan.pk), "exception-waives": "quality",
             "exception-reason": "The scanner's monitor was broken."}  # fmt: skip
    assert "Make an exception" in text(go(client, "exam", programme, exam.pk))
    assert send(client, "exception", programme, exam.pk, **waive).status_code == 302
    (attestation,) = signed_exam(reader, exam, quality=4)
    assert (attestation.credited, attestation.credit_reasons) == (True, "")
    assert attestation.exception.reason.text == "The scanner's monitor was broken."


def test_what_was_signed_together_stands_together(client, programme, trainee, reader):
    both = waiting_exam(trainee, programme, asks=("pneumothorax", "effusion"))
    signed_exam(reader, both)
    other = waiting_exam(trainee, programme, when=NOW + dt.timedelta(minutes=5))
    signed_exam(reader, other, when=NOW + dt.timedelta(minutes=10))
    client.force_login(reader)
    response = go(client, "signed", programme)
    together = [[one.application.code for one in group] for group in response.context["readings"]]
    assert together == [["pneumothorax"], ["pneumothorax", "effusion"]]
    page = text(response)
    assert page.count(f">{both.code}</a>") == 1
    assert page.count(f" {both.code} ") == 2  # a link to correct each, told apart by its name


def test_readings_that_are_not_ones_own_to_give_do_not_exist(client, programme, trainee):
    pleura = a_reader(programme, "Femi Oduya", may_read=("pneumothorax",))
    exam = waiting_exam(trainee, programme, asks=("effusion",))
    client.force_login(pleura)
    for name in ("desk",):
        assert go(client, name, programme, exam.pk).status_code == 404
    for name in ("take", "save", "reveal", "sign", "return", "set_aside", "release"):
        assert send(client, name, programme, exam.pk).status_code == 404


def test_pages_cost_the_same_however_many_exams_wait(
    client, programme, trainee, reader, django_assert_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client.force_login(reader)
    counts = []
    for n in range(6):
        waiting_exam(trainee, programme, when=NOW + dt.timedelta(minutes=n))
        if n in (0, 5):
            with CaptureQueriesContext(
                connection,
            ) as captured:
                go(client, "list", programme)
            counts.append(len(captured))
    assert counts[0] == counts[1]
