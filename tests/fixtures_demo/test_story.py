"""The story of the demonstration is invented, repeatable and looks like a programme at work."""

import datetime as dt
import itertools
import statistics
from collections import Counter

import pytest

from fixtures_demo import clips, people, story
from logbook import value_lists
from logbook.answers import Answer, compare

NOW = dt.datetime(2026, 11, 25, 10, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def events():
    return story.tell(NOW)


def exams(events):
    return {event.data.id: event.data for event in events if event.kind == "exam"}


def readings(events):
    return {event.data.exam: event for event in events if event.kind == "read"}


def test_the_people_are_those_of_a_programme_of_this_size():
    roles = Counter((role.programme, role.role) for who in people.everyone() for role in who.roles)
    assert roles["emergency", "trainee"] == 24 + 8  # eight of them finished last June
    assert roles["emergency", "faculty"] == 6
    assert roles["emergency", "director"] == roles["emergency", "coordinator"] == 1
    shared = [
        who.key for who in people.everyone() if len({role.programme for role in who.roles}) > 1
    ]
    assert shared == [people.SHARED]


def test_the_same_moment_tells_the_same_story():
    assert story.tell(NOW) == story.tell(NOW)


def test_never_more_than_fifteen_hundred_exams_and_none_in_the_future(events):
    assert 600 < len(exams(events)) <= 1500
    assert max(event.at for event in events) < NOW
    assert min(event.at for event in events) > NOW - dt.timedelta(days=550)
    assert len(exams(story.tell(NOW, weekly=5))) == 1500


def test_in_order_of_time_and_nothing_read_before_it_is_sent(events):
    assert [event.at for event in events] == sorted(event.at for event in events)
    sent = {key: exam.submitted_at for key, exam in exams(events).items()}
    assert all(event.at > sent[key] for key, event in readings(events).items())


def test_a_reader_reads_one_exam_at_a_time(events):
    spans = {}
    for event in readings(events).values():
        spans.setdefault(event.data.reader, []).append((event.at, event.data.signed_at))
    for of_one in spans.values():
        of_one.sort()
        assert all(before[1] <= after[0] for before, after in itertools.pairwise(of_one))


def test_nobody_reads_at_their_own_bedside_or_without_the_privilege(events):
    reads = {who.key: set(who.reads) for who in people.everyone()}
    known = exams(events)
    for key, event in readings(events).items():
        exam, reading = known[key], event.data
        assert reading.reader not in (exam.supervisor, exam.trainee)
        assert set(reading.answers) == set(exam.answers) <= reads[reading.reader]


def test_trainees_get_better(events):
    known, read = exams(events), readings(events)
    agreed = {"first": [], "later": []}
    order = Counter()
    for exam in sorted(known.values(), key=lambda one: one.performed_at):
        order[exam.trainee] += 1
        if exam.id not in read:
            continue
        when = "first" if order[exam.trainee] <= 8 else "later" if order[exam.trainee] > 25 else ""
        for code, said in exam.answers.items():
            result = compare(
                Answer.parse(said.answer),
                Answer.parse(read[exam.id].data.answers[code].answer),
            )
            if when and result.pair:
                agreed[when].append(result.agrees)
    assert statistics.mean(agreed["first"]) < 0.75
    assert statistics.mean(agreed["later"]) > 0.85


def test_a_backlog_waits_and_some_of_it_is_old(events):
    done = set(readings(events)) | {e.data.exam for e in events if e.kind == "turn"}
    waiting = [exam for exam in exams(events).values() if exam.id not in done]
    assert 20 <= len(waiting) <= 80
    assert min(exam.submitted_at for exam in waiting) < NOW - dt.timedelta(days=7)


def test_every_word_is_one_that_the_logbook_knows(events):
    lists, signs = value_lists.exam_lists(), value_lists.signs()
    slugs = {clip.slug for clip in clips.CLIPS}
    for exam in exams(events).values():
        for name, code in exam.fields.items():
            if name not in ("place", "knew_result"):
                assert code in lists[name]
        for said in exam.answers.values():
            assert Answer.parse(said.answer).code == said.answer
            assert said.confidence in lists["confidence"]
        assert set(exam.clips.values()) <= slugs
        for found in exam.findings.values():
            assert all(value in signs[sign] for sign, value in found.items())


def test_what_the_clips_show_is_in_the_logbooks_words():
    signs = value_lists.signs()
    for clip in clips.CLIPS:
        assert all(value in signs[sign] for sign, value in clip.signs)
