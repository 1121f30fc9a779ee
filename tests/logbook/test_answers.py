"""Answers, their canonical text and the comparison that agreement is counted from."""

import itertools

import pytest

from logbook.answers import CALLS, Answer, Comparison, compare

SIDE = ["positive", "negative", "indeterminate"]
SIDED = [Answer(right=r, left=left) for r, left in itertools.product(SIDE, SIDE)]
PATTERNS = [
    Answer(pattern="none"),
    Answer(pattern="diffuse"),
    Answer(pattern="indeterminate"),
    Answer(pattern="focal", right="positive"),
    Answer(pattern="focal", left="positive"),
    Answer(pattern="focal", right="positive", left="positive"),
]
LIMITED = Answer(limited=True)
OPEN = [
    Answer(),
    Answer(right="positive"),
    Answer(left="negative"),
    Answer(pattern="focal"),
]
CLOSED = [*SIDED, *PATTERNS, LIMITED]


def test_codes_are_the_canonical_ones():
    assert [a.code for a in PATTERNS] == [
        "none",
        "diffuse",
        "indeterminate",
        "focal R",
        "focal L",
        "focal R L",
    ]
    assert [a.code for a in SIDED[:3]] == ["R+ L+", "R+ L-", "R+ L?"]
    assert LIMITED.code == "limited"
    assert Answer().code == ""


@pytest.mark.parametrize("answer", CLOSED + OPEN, ids=lambda a: a.code or "nothing")
def test_parse_is_the_inverse_of_code(answer):
    assert Answer.parse(answer.code) == answer


def test_codes_are_distinct():
    codes = [answer.code for answer in CLOSED + OPEN]
    assert len(set(codes)) == len(codes)


@pytest.mark.parametrize(
    "code",
    [
        "L+ R+",
        "R+L+",
        "R+  L+",
        "R+ R-",
        "focal L R",
        "focal Q",
        "LIMITED",
        "R*",
        " none",
    ],
)
def test_parse_refuses_what_code_cannot_give(code):
    with pytest.raises(ValueError):
        Answer.parse(code)


@pytest.mark.parametrize(
    "fields",
    [
        {"right": "yes"},
        {"pattern": "positive"},
        {"limited": True, "right": "positive"},
        {"pattern": "diffuse", "right": "positive"},
        {"pattern": "focal", "right": "indeterminate"},
    ],
)
def test_what_cannot_stand_together_is_refused(fields):
    with pytest.raises(ValueError):
        Answer(**fields)


def test_focal_on_one_side_says_that_the_other_is_free():
    assert Answer(pattern="focal", right="positive").left == "negative"


def test_only_open_answers_are_open():
    assert [a for a in CLOSED if a.is_open] == []
    assert [a for a in OPEN if not a.is_open] == []


def test_calls():
    calls = {answer.code: answer.call for answer in CLOSED}
    assert calls == {
        "R+ L+": "positive",
        "R+ L-": "positive",
        "R+ L?": "positive",
        "R- L+": "positive",
        "R- L-": "negative",
        "R- L?": "indeterminate",
        "R? L+": "positive",
        "R? L-": "indeterminate",
        "R? L?": "indeterminate",
        "none": "negative",
        "diffuse": "positive",
        "indeterminate": "indeterminate",
        "focal R": "focal",
        "focal L": "focal",
        "focal R L": "focal",
        "limited": "limited",
    }
    assert set(calls.values()) == set(CALLS)


@pytest.mark.parametrize(
    ("trainee", "reader", "pair", "agrees", "determinate"),
    [
        ("R+ L-", "R+ L-", True, True, True),
        ("R- L+", "R+ L-", True, False, True),  # a wrong side is a disagreement
        ("R+ L+", "R+ L-", True, False, True),  # so is one side too many
        ("R? L-", "R- L-", True, False, False),
        ("limited", "R- L-", True, False, False),
        ("R+ L?", "R+ L?", True, True, True),  # the left is not compared
        ("R+ L-", "R+ L?", True, True, True),
        ("R? L+", "R+ L?", True, False, False),
        ("R- L-", "R- L?", False, False, False),  # negative on one side only is no pair
        ("R- L-", "R? L?", False, False, False),
        ("R- L-", "limited", False, False, False),
        ("none", "none", True, True, True),
        ("none", "diffuse", True, False, True),
        ("focal R", "focal L", True, False, True),
        ("focal R", "focal R L", True, False, True),
        ("focal R", "focal R", True, True, True),
        ("indeterminate", "none", True, False, False),
        ("limited", "diffuse", True, False, False),
        ("none", "indeterminate", False, False, False),
        ("none", "limited", False, False, False),
    ],
)
def test_comparison(trainee, reader, pair, agrees, determinate):
    assert compare(Answer.parse(trainee), Answer.parse(reader)) == Comparison(
        pair=pair, agrees=agrees, determinate=determinate
    )


def test_agreement_implies_determinate_implies_pair():
    for answers in ([*SIDED, LIMITED], [*PATTERNS, LIMITED]):
        for trainee, reader in itertools.product(answers, answers):
            result = compare(trainee, reader)
            assert result.agrees <= result.determinate <= result.pair
            if result.pair and trainee == reader:
                assert result.agrees


def test_a_sided_answer_is_not_compared_with_a_pattern():
    with pytest.raises(ValueError):
        compare(Answer.parse("R+ L+"), Answer.parse("diffuse"))
