"""The share that agrees, held against a library's: scikit-learn's accuracy_score (its user guide,
"Accuracy score": the fraction of predictions that equal the true labels) on the same answers, and
its multilabel subset accuracy where two sides have to match together."""

import random

import pytest
from sklearn.metrics import accuracy_score, confusion_matrix

from logbook.answers import Answer, compare

SIDES = ("positive", "negative")
PATTERNS = ("none", "diffuse", "focal R", "focal L", "focal R L")


@pytest.mark.parametrize("seed", range(5))
def test_two_sides_agree_where_both_labels_match(seed):
    dice = random.Random(seed)
    trainee, reader, agreed, pairs = [], [], 0, 0
    for _ in range(400):
        said = (dice.choice(SIDES), dice.choice(SIDES))
        read = tuple(s if dice.random() < 0.8 else dice.choice(SIDES) for s in said)
        found = compare(Answer(right=said[0], left=said[1]), Answer(right=read[0], left=read[1]))
        pairs += found.pair
        agreed += found.agrees
        trainee.append([s == "positive" for s in said])
        reader.append([s == "positive" for s in read])
    assert pairs == 400
    assert agreed / pairs == pytest.approx(accuracy_score(reader, trainee), abs=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_patterns_agree_where_the_whole_answer_matches(seed):
    dice = random.Random(seed)
    said = [dice.choice(PATTERNS) for _ in range(400)]
    read = [s if dice.random() < 0.7 else dice.choice(PATTERNS) for s in said]
    found = [compare(Answer.parse(s), Answer.parse(r)) for s, r in zip(said, read, strict=True)]
    assert all(one.pair for one in found)
    agreed = sum(one.agrees for one in found)
    assert agreed / 400 == pytest.approx(accuracy_score(read, said), abs=1e-12)
    assert agreed == confusion_matrix(read, said, labels=PATTERNS).trace()


def test_what_the_reader_left_open_is_not_compared():
    """By definition of this project; no source outside: a pair needs the reader to commit."""
    open_side = Answer(right="positive", left="indeterminate")
    assert compare(Answer(right="positive", left="positive"), open_side).agrees
    assert compare(Answer(right="positive", left="indeterminate"), open_side).agrees
    neither = Answer(right="negative", left="indeterminate")
    assert not compare(Answer(right="negative", left="negative"), neither).pair
    assert not compare(Answer(right="negative", left="negative"), Answer(limited=True)).pair
