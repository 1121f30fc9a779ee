"""The logbook's pages as a browser without JavaScript uses them."""

import datetime as dt
import re
import uuid

import pytest
from django.utils import timezone

from accounts.models import AccessLog
from logbook.actions import scans
from logbook.models import Application, Exam, LogbookSettings, OwnValue, SupervisionConfirmation
from tests.factories import (
    NOW,
    ZONE,
    a_coordinator,
    a_programme,
    a_reader,
    a_trainee,
    archived_capture,
    drafted_exam,
    submitted_exam,
)

CAUTION = "Nobody watches this list."


def page(name, exam=None):
    tails = {
        "exam_list": "exams/",
        "exam_new": "exams/new/",
        "shifts": "supervision/",
        "settings": "settings/logbook/",
    }
    if exam is None:
        return f"/p/em/{tails[name]}"
    return f"/p/em/exams/{exam.pk}/{name}{'/' if name else ''}"


def fields(response):
    """What a browser would send back: every control of the exam's form with its present value."""
    html = response.content.decode()
    form = re.search(r"<form[^>]*data-exam-form.*?</form>", html, re.DOTALL)[0]
    sent = {}
    for tag in re.findall(r"<(?:input|textarea|select)\b.*?>", form, re.DOTALL):
        name = re.search(r'name="([^"]*)"', tag)
        kind = re.search(r'type="([^"]*)"', tag)
        value = re.search(r'value="([^"]*)"', tag)
        if not name or name[1] == "csrfmiddlewaretoken":
            continue
        if kind and kind[1] in ("radio", "checkbox"):
            if " checked" in tag:
                sent.setdefault(name[1], []).append(value[1] if value else "on")
        elif tag.startswith("<input"):
            sent[name[1]] = [value[1] if value else ""]
    for name, inner in re.findall(r'<select[^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', inner)
        sent[name] = [chosen[1] if chosen else ""]
    for name, text in re.findall(r'<textarea[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', form, re.S):
        sent[name] = [text.strip()]
    return sent


def filled(sent, supervisor, **more):
    an_hour_ago = (timezone.now() - dt.timedelta(hours=1)).astimezone(ZONE)
    answers = {
        "applications": ["pneumothorax"],
        "setting": "clinical",
        "place": "Resuscitation",
        "performed_at": an_hour_ago.strftime("%Y-%m-%dT%H:%M"),
        "age_band": "18-64",
        "position": "supine",
        "breathing": "spontaneous",
        "chest_procedure": "none",
        "indication": "breathlessness",
        "operator": "all",
        "supervision": "direct",
        "supervisor": str(supervisor.pk),
        "knew_result": "no",
        "answer-pneumothorax-right": "negative",
        "answer-pneumothorax-left": "negative",
        "answer-pneumothorax-confidence": "sure",
    }
    return {**sent, **answers, **more}


@pytest.fixture
def browse(client, ines):
    client.force_login(ines)
    return client


def test_a_new_exam_carries_an_identifier_and_writes_nothing(browse):
    response = browse.get(page("exam_new"))
    sent = fields(response)
    assert uuid.UUID(sent["exam_id"][0])
    assert sent["version"] == [""]
    assert CAUTION in response.content.decode()
    assert not Exam.objects.exists()


def test_from_an_empty_form_to_a_received_exam(browse, programme, ines, maren):
    sent = filled(
        fields(browse.get(page("exam_new"))),
        maren,
        **{"finding-R1-sliding": "present", "finding-L1-sliding": "present"},
    )
    saved = browse.post(page("exam_new"), {**sent, "then": "save"}, follow=True)
    exam = Exam.objects.get()
    assert str(exam.pk) == sent["exam_id"][0]
    assert saved.redirect_chain == [(page("edit", exam), 302)]
    assert exam.code in saved.content.decode()

    kept = fields(saved)
    typed = filled({}, maren)
    assert {name: kept[name] for name in typed} == {
        name: value if isinstance(value, list) else [value] for name, value in typed.items()
    }
    assert kept["finding-R1-sliding"] == ["present"]

    refused = browse.post(page("edit", exam), {**kept, "then": "submit"})
    assert refused.status_code == 422
    assert "Add at least one capture" in refused.content.decode()
    assert fields(refused)["finding-L1-sliding"] == ["present"]

    for zone in ("R1", "L1"):
        archived_capture(exam, zone=zone)
    kept = fields(browse.get(page("edit", exam)))
    done = browse.post(page("edit", exam), {**kept, "then": "submit"}, follow=True)
    assert done.redirect_chain == [(page("", exam), 302)]
    exam.refresh_from_db()
    assert (exam.state, exam.revision.supervisor) == ("complete", maren)
    assert {(f.zone, f.sign, f.value) for f in exam.revision.findings.all()} == {
        ("R1", "sliding", "present"),
        ("L1", "sliding", "present"),
    }
    assert f"Write the code {exam.code} in the patient" in done.content.decode()


def test_what_is_missing_is_said_beside_its_field_and_nothing_is_cleared(
    browse, programme, ines, maren
):
    exam = drafted_exam(ines, programme, supervisor=maren)
    kept = fields(browse.get(page("edit", exam)))
    kept |= {
        "age_band": [""],
        "answer-pneumothorax-left": [],
        "note": ["Seen twice."],
        "performed_at": ["2031-01-01T10:00"],
    }
    refused = browse.post(page("edit", exam), {**kept, "then": "submit"})
    html = refused.content.decode()
    assert refused.status_code == 422
    for sentence in (
        "Answer both sides.",
        "This is in the future.",
        "Add at least one capture",
        "Choose one.",
    ):
        assert sentence in html, sentence
    again = fields(refused)
    assert (again["note"], again["performed_at"]) == (["Seen twice."], ["2031-01-01T10:00"])
    assert again["version"] == ["2"]  # the draft was kept; only the submission was refused


def test_an_identifier_is_refused_beside_the_remark_and_stays_typed(browse, maren):
    sent = filled(fields(browse.get(page("exam_new"))), maren, note="MRN 48213377")
    refused = browse.post(page("exam_new"), {**sent, "then": "save"})
    assert refused.status_code == 422
    assert fields(refused)["note"] == ["MRN 48213377"]
    assert not Exam.objects.exists()


def test_a_stale_page_keeps_what_was_typed_and_shows_where_it_differs(browse, programme, ines):
    exam = drafted_exam(ines, programme)
    mine = fields(browse.get(page("edit", exam)))
    browse.post(page("edit", exam), {**mine, "place": "Ward 4", "then": "save"})
    late = browse.post(page("edit", exam), {**mine, "place": "Ward 5", "then": "save"})
    assert late.status_code == 412
    assert "It differs from the stored version in: Place." in late.content.decode()
    again = fields(late)
    assert (again["place"], again["version"]) == (["Ward 5"], ["2"])
    browse.post(page("edit", exam), {**again, "then": "save"})
    exam.refresh_from_db()
    assert '"Ward 5"' in exam.draft


def test_hints_come_before_the_submission_and_do_not_touch_the_answer(browse, programme, ines):
    exam = drafted_exam(
        ines,
        programme,
        when=timezone.now(),
        findings={"R1": {"lung_point": "seen"}, "L1": {"sliding": "present"}},
    )
    archived_capture(exam, zone="R1")  # nothing of the left; the answer says negative on both
    kept = fields(browse.get(page("edit", exam)))
    to_check = browse.post(page("edit", exam), {**kept, "then": "submit"}, follow=True)
    html = to_check.content.decode()
    assert to_check.redirect_chain == [(page("submit", exam), 302)]
    assert "image at least one zone at the front of each side: one of L1, L2." in html
    assert "do not go together" not in html
    done = browse.post(page("submit", exam), {"version": "1"}, follow=True)
    assert "Pneumothorax, right: your answer and the findings" in done.content.decode()


def test_a_lists_values_are_remembered_for_the_next_exam(browse, programme, ines, maren):
    submitted_exam(ines, programme, supervisor=maren, supervision="indirect")
    sent = fields(browse.get(page("exam_new")))
    assert (sent["place"], sent["supervisor"], sent["supervision"]) == (
        ["Resuscitation"],
        [str(maren.pk)],
        ["indirect"],
    )
    assert "answer-pneumothorax-right" not in sent


def test_a_submitted_answer_cannot_be_sent_again(browse, programme, ines):
    exam = submitted_exam(ines, programme)
    kept = fields(browse.get(page("edit", exam)))
    changed = {**kept, "place": "Ward 4", "answer-pneumothorax-right": ["positive"]}
    browse.post(page("edit", exam), {**changed, "then": "submit"})
    exam.refresh_from_db()
    assert exam.revision.place == "Ward 4"
    assert [a.answer for a in exam.revision.answers.all()] == ["R- L-"]


def test_a_second_tap_on_submit_changes_nothing(browse, programme, ines):
    exam = drafted_exam(ines, programme, when=timezone.now())
    for zone in ("R1", "L1"):
        archived_capture(exam, zone=zone)
    tapped = {**fields(browse.get(page("edit", exam))), "then": "submit"}
    for _tap in range(2):
        answer = browse.post(page("edit", exam), tapped, follow=True)
        assert answer.redirect_chain == [(page("", exam), 302)]
    assert "Nothing was changed." in answer.content.decode()
    assert exam.revisions.count() == 1


def test_captures_are_added_after_the_draft_is_kept(browse, programme, maren):
    sent = filled(fields(browse.get(page("exam_new"))), maren)
    added = browse.post(page("exam_new"), {**sent, "then": "capture"})
    exam = Exam.objects.get()
    assert added.url == f"/p/em/exams/{exam.pk}/captures/add/"


def test_my_exams_come_in_pages(browse, programme, ines):
    for ago in range(50, -1, -1):  # at one moment any of them could be the last
        last = submitted_exam(ines, programme, when=NOW - dt.timedelta(minutes=ago))
    first, second = (browse.get(page("exam_list"), {"page": n}).content.decode() for n in (1, 2))
    codes = re.compile(r'class="code">([2-9A-Z]{2}-[2-9A-Z]{3})<')
    assert (len(codes.findall(first)), len(codes.findall(second))) == (50, 1)
    assert not set(codes.findall(first)) & set(codes.findall(second))
    assert last.code in first


def test_my_exams_say_their_states_in_words(browse, programme, ines, bram, maren):
    draft = drafted_exam(ines, programme)
    waiting = submitted_exam(ines, programme)
    returned = submitted_exam(ines, programme)
    scans.move(
        scan=returned.scans.get(),
        to="returned",
        seq=1,
        by=maren,
        at=timezone.now(),
        because="zones",
    )
    fellow = submitted_exam(bram, programme)
    html = browse.get(page("exam_list")).content.decode()
    order = [html.index(exam.code) for exam in (returned, draft, waiting)]
    assert order == sorted(order)
    assert fellow.code not in html
    for word in ("needs you", "draft", "waiting to be read", "returned"):
        assert word in html, word


def test_withdrawal_is_asked_before_it_is_done(browse, programme, ines):
    exam = submitted_exam(ines, programme)
    assert "cannot be undone" in browse.get(page("withdraw", exam)).content.decode()
    browse.post(page("withdraw", exam))
    exam.refresh_from_db()
    assert exam.state == "withdrawn"
    refused = browse.post(page("withdraw", exam))
    assert refused.status_code == 422
    assert "withdrawn already" in refused.content.decode()


def test_changes_can_be_dropped(browse, programme, ines):
    exam = submitted_exam(ines, programme)
    kept = fields(browse.get(page("edit", exam)))
    browse.post(page("edit", exam), {**kept, "place": "Ward 4", "then": "save"})
    assert "Drop these changes" in browse.get(page("edit", exam)).content.decode()
    browse.post(page("drop-changes", exam), {"version": "3"})
    exam.refresh_from_db()
    assert (exam.draft, exam.revision.place) == (None, "Resuscitation")


# --- who sees what --------------------------------------------------------------------------------

CANARY = "Zanzibar remark"


@pytest.fixture
def canary(programme, ines):
    return submitted_exam(
        ines,
        programme,
        note=CANARY,
        answers={"pneumothorax": {"right": "positive", "left": "positive", "confidence": "unsure"}},
        findings={"R3": {"lung_point": "seen"}},
    )


SECRETS = (CANARY, "Ines Haldor", "answer-positive", "Unsure", "Lung point: seen")


def test_whoever_could_still_read_sees_no_answer_finding_note_or_name(client, canary, maren):
    client.force_login(maren)
    html = client.get(page("", canary)).content.decode()
    assert canary.code in html
    assert [secret for secret in SECRETS if secret in html] == []
    assert "You could still be the one who reads this exam" in html


def test_the_trainee_and_a_director_see_the_whole_record(client, canary, ines, tove):
    for person in (ines, tove):
        client.force_login(person)
        html = client.get(page("", canary)).content.decode()
        assert [secret for secret in SECRETS if secret not in html] == []
    assert list(AccessLog.objects.values_list("what", flat=True)) == ["exam", "exam"]


def test_fellow_trainees_coordinators_and_outsiders_find_nothing(client, canary, programme, bram):
    other = a_programme(code="icu")
    for person in (
        bram,
        a_coordinator(programme),
        a_reader(programme, "Per Anders", ("effusion",)),
        a_trainee(other, "Sol Marek"),
    ):
        client.force_login(person)
        assert client.get(page("", canary)).status_code == 404
    for name in ("edit", "submit", "withdraw"):
        client.force_login(bram)
        assert client.get(page(name, canary)).status_code == 404


def test_a_director_changes_nobodys_exam(client, canary, tove):
    client.force_login(tove)
    for name in ("edit", "submit", "withdraw"):
        assert client.get(page(name, canary)).status_code == 403
        assert client.post(page(name, canary)).status_code == 403


# --- the attending and the director ---------------------------------------------------------------


def test_a_whole_shift_is_confirmed_in_one_tap(client, programme, ines, bram, maren):
    shift = [submitted_exam(t, programme, supervisor=maren) for t in (ines, bram)]
    submitted_exam(ines, programme)  # a typed name: nobody can confirm it
    drafted_exam(ines, programme, supervisor=maren)
    client.force_login(maren)
    html = client.get(page("shifts")).content.decode()
    sent = re.findall(r'name="exam" value="([^"]*)" checked', html)
    assert sorted(sent) == sorted(str(exam.pk) for exam in shift)
    assert "Confirm these 2 exams" in html
    done = client.post(page("shifts"), {"exam": sent}, follow=True)
    assert "2 exams confirmed." in done.content.decode()
    assert "Nothing to confirm" in done.content.decode()
    assert SupervisionConfirmation.objects.filter(by_person=maren).count() == 2


@pytest.mark.parametrize("sent", ["nonsense", "00000000-0000-4000-8000-000000000000"])
def test_only_what_names_the_attending_can_be_confirmed(client, programme, ines, maren, sent):
    client.force_login(maren)
    assert client.post(page("shifts"), {"exam": [sent]}).status_code == 422
    assert not SupervisionConfirmation.objects.exists()


def test_the_director_sets_the_rules_of_reading(client, programme, tove):
    client.force_login(tove)
    sent = {
        "scheme": "12",
        "b_lines_per_zone": 3,
        "positive_zones_per_side": 1,
        "both_sides": "on",
        "pleura_at_most_mm": 60,
        "deep_at_least_mm": 130,
        "close_returned_after_days": 14,
    }
    assert client.post(page("settings"), sent).status_code == 302
    chosen = LogbookSettings.objects.get(programme=programme)
    assert (chosen.scheme, chosen.positive_zones_per_side) == ("12", 1)
    refused = client.post(page("settings"), {**sent, "b_lines_per_zone": 9})
    assert refused.status_code == 422
    chosen.refresh_from_db()
    assert chosen.b_lines_per_zone == 3
    crossed = client.post(page("settings"), {**sent, "pleura_at_most_mm": 200})
    assert crossed.status_code == 422


def test_the_director_adds_an_application_and_a_place(client, programme, tove, ines):
    client.force_login(tove)
    new = {"code": "diaphragm", "name": "Diaphragm", "kind": "sided", "required_zones": "bases"}
    added = client.post("/p/em/settings/logbook/applications/new/", new)
    assert added.status_code == 302
    again = client.post("/p/em/settings/logbook/applications/new/", new)
    assert (again.status_code, "This code is taken." in again.content.decode()) == (422, True)
    changed = client.post(
        "/p/em/settings/logbook/applications/diaphragm/",
        {"name": "Diaphragm movement", "required_zones": "bases", "retired": "on"},
    )
    assert changed.status_code == 302
    stored = Application.objects.get(programme=programme, code="diaphragm")
    assert (stored.name, stored.kind, stored.retired) == ("Diaphragm movement", "sided", True)

    place = {"list_code": "place", "text": "Resuscitation bay"}
    assert client.post("/p/em/settings/logbook/values/", place).status_code == 302
    assert client.post("/p/em/settings/logbook/values/", place).status_code == 422
    value = OwnValue.objects.get(programme=programme)
    client.force_login(ines)
    form = client.get(page("exam_new")).content.decode()
    assert f'<option value="{value.code}">Resuscitation bay</option>' in form
    assert "Diaphragm movement" not in form
    client.force_login(tove)
    client.post(f"/p/em/settings/logbook/values/{value.pk}/retire/")
    value.refresh_from_db()
    assert value.retired


def test_no_page_needs_more_queries_for_more_exams(browse, programme, ines):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def count():
        with CaptureQueriesContext(connection) as queries:
            browse.get(page("exam_list"))
        return len(queries)

    submitted_exam(ines, programme)
    drafted_exam(ines, programme)
    few = count()
    for _ in range(5):
        submitted_exam(ines, programme)
        drafted_exam(ines, programme)
    assert count() == few
