"""What a programme chooses for its logbook, and what the ledger says of it."""

import datetime as dt

import pytest
from django.core.exceptions import ValidationError

from accounts import ledger
from accounts.errors import Refused
from logbook.actions import programmes
from logbook.models import Application, LogbookSettings, OwnValue
from logbook.queries import logbook_of
from tests.factories import NOW, submitted_exam


def last(programme):
    entry = ledger.read(programme.chain)[-1]
    return entry.action, entry.subject, entry.body


def seq(programme):
    return ledger.head_of(programme.chain)


def test_a_programme_begins_with_a_logbook(programme):
    assert [a.code for a in Application.objects.of(programme)] == [
        "pneumothorax",
        "consolidation",
        "interstitial",
        "effusion",
    ]
    settings = LogbookSettings.objects.get(programme=programme)
    assert (settings.scheme, settings.b_lines_per_zone, settings.positive_zones_per_side) == (
        "8b",
        3,
        2,
    )
    assert "logbook.opened" in [e.action for e in ledger.read(programme.chain)]


def test_opening_twice_changes_nothing(programme, tove):
    before = seq(programme)
    programmes.open_logbook(programme=programme, by=tove, at=NOW)
    assert seq(programme) == before
    assert Application.objects.of(programme).count() == 4


def test_a_change_is_entered_with_what_it_was_and_an_equal_one_is_none(programme, tove):
    values = {"positive_zones_per_side": 1}
    programmes.change_settings(programme=programme, values=values, by=tove, at=NOW)
    assert last(programme) == (
        "logbook.settings_changed",
        f"programme:{programme.pk}",
        {"changed": {"positive_zones_per_side": [2, 1]}},
    )
    before = seq(programme)
    programmes.change_settings(programme=programme, values=values, by=tove, at=NOW)
    assert seq(programme) == before


@pytest.mark.parametrize(
    "values",
    [
        {"scheme": "9"},
        {"b_lines_per_zone": 0},
        {"positive_zones_per_side": 5},
        {"pleura_at_most_mm": 200},
        {"deep_at_least_mm": 900},
        {"close_returned_after_days": 0},
    ],
)
def test_rules_that_no_reading_could_follow_are_refused(programme, tove, values):
    before = seq(programme)
    with pytest.raises(ValidationError):
        programmes.change_settings(programme=programme, values=values, by=tove, at=NOW)
    assert seq(programme) == before


def test_the_parameters_are_those_of_the_settings_and_the_applications(programme, tove):
    programmes.change_settings(programme=programme, values={"scheme": "12"}, by=tove, at=NOW)
    programmes.change_application(
        programme=programme,
        code="effusion",
        name="Effusion",
        required_zones="every",
        by=tove,
        at=NOW,
    )
    parameters = logbook_of(programme).parameters
    assert parameters.scheme == "12"
    assert parameters.required_rule("effusion") == "every"
    assert parameters.required_rule("pneumothorax") == "one_anterior"


def test_a_retired_application_keeps_its_exams_and_takes_no_new_ones(programme, ines, tove):
    exam = submitted_exam(ines, programme)
    programmes.change_application(
        programme=programme,
        code="pneumothorax",
        name="Pneumothorax",
        required_zones="one_anterior",
        retired=True,
        by=tove,
        at=NOW,
    )
    assert exam.scans.get().application.code == "pneumothorax"
    with pytest.raises(Refused):
        submitted_exam(ines, programme, when=NOW + dt.timedelta(hours=1))


def test_a_value_is_added_once_retired_and_brought_back(programme, tove):
    def add(text="Night ward", list_code="place"):
        return programmes.add_value(
            programme=programme, list_code=list_code, text=text, by=tove, at=NOW
        )

    value = add()
    assert last(programme)[0] == "list_value.added"
    assert logbook_of(programme).lists["place"].text_of("night_ward") == "Night ward"
    with pytest.raises(Refused):
        add()
    programmes.retire_value(value=value, by=tove, at=NOW)
    assert "night_ward" not in logbook_of(programme).lists["place"]
    assert add("Night Ward").pk == value.pk
    assert OwnValue.objects.get(programme=programme).text == "Night Ward"


@pytest.mark.parametrize(
    ("list_code", "text", "code"),
    [
        ("setting", "Phantom limb", "closed_list"),
        ("colour", "Blue", "closed_list"),
        ("indication", "Breathlessness", "on_list"),
        ("indication", "…", "text"),
        ("indication", "x" * 81, "text"),
    ],
)
def test_a_value_that_no_list_takes_is_refused(programme, tove, list_code, text, code):
    with pytest.raises(Refused) as refused:
        programmes.add_value(programme=programme, list_code=list_code, text=text, by=tove, at=NOW)
    assert refused.value.code == code
