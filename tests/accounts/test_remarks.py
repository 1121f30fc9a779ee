import pytest

from accounts import identifiers, remarks
from accounts.errors import Refused
from tests.factories import a_coordinator, a_programme, at

# The classes of 45 CFR 164.514(b)(2)(i) that free text can hold; the examples are invented.
SAYS_WHO = [
    "seen by mail.me@example.org",
    "admitted 03/04/1951",
    "since 4 March 2026",
    "MRN 4471",
    "call 030 555 0199",
    "record 83-991-227",
    "DOB in the notes",
    "Mr Hollow improved",
    "patient's name on the screen",
]
SAYS_NOTHING = [
    "3 B-lines in R3, depth 15 cm",
    "Try 4 cm and less gain; 6 s clips help.",
    "Quality 2 of 5; hold the probe for 10 breaths",
    "",
]


@pytest.mark.parametrize("text", SAYS_WHO)
def test_what_may_say_who_is_found(text):
    assert identifiers.find(text)


@pytest.mark.parametrize("text", SAYS_NOTHING)
def test_ordinary_feedback_is_let_through(text):
    assert identifiers.find(text) == []


@pytest.mark.django_db
def test_a_refusal_shows_what_to_take_out():
    programme = a_programme()
    with pytest.raises(Refused) as refusal:
        remarks.write(
            programme=programme, text="Ring 030 555 0199", by=a_coordinator(programme), at=at(0)
        )
    assert "030 555 0199" in str(refusal.value.sentence)
    assert refusal.value.code == "identifier"
