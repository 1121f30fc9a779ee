"""What two answers are to each other, and which disagreements are urgent."""

import itertools

import pytest

from logbook.answers import Answer, compare
from review import outcomes

SIDED = [
    f"R{r} L{l}"
    for r, l in itertools.product("+-?", repeat=2)  # noqa: E741
] + ["limited"]
PATTERNS = ["none", "diffuse", "focal R", "focal L", "focal R L", "indeterminate", "limited"]


def is_urgent(trainee, reader, *, application="pneumothorax", on_patient=True):
    return outcomes.is_urgent(
        outcomes.Case(application, on_patient, Answer.parse(trainee), Answer.parse(reader))
    )


@pytest.mark.parametrize(
    ("trainee", "reader", "urgent"),
    [
        ("R- L-", "R- L-", False),
        ("R+ L-", "R+ L-", False),
        ("R- L-", "R+ L-", True),  # missed
        ("R+ L-", "R- L-", True),  # overcalled: somebody may be about to drain
        ("R+ L-", "R- L+", True),  # wrong side
        ("R+ L+", "R+ L-", True),  # one side too many
        ("R+ L-", "R+ L+", True),  # one side too few
        ("R? L-", "R+ L-", True),  # the trainee could not tell
        ("R? L?", "R+ L-", True),
        ("limited", "R- L+", True),
        ("R? L-", "R- L-", False),  # nobody said positive
        ("R? L+", "R- L+", True),
        ("limited", "R- L-", False),
        ("R+ L-", "R? L-", False),  # the reader could not tell: the reader's own tick
        ("R+ L-", "limited", False),
        ("R+ L+", "R+ L?", False),
        ("R- L+", "R+ L?", True),
        ("R+ L-", "R- L?", True),  # no pair for agreement, and urgent all the same
    ],
)
def test_the_urgent_rule(trainee, reader, urgent):
    assert is_urgent(trainee, reader) is urgent


@pytest.mark.parametrize("application", ["consolidation", "effusion"])
def test_other_applications_are_urgent_by_the_readers_tick_alone(application):
    assert not is_urgent("R- L-", "R+ L-", application=application)


def test_a_volunteer_has_nobody_at_the_bedside_to_call():
    assert not is_urgent("R- L-", "R+ L-", on_patient=False)


def test_every_disagreement_with_a_positive_that_counts_as_a_pair_is_urgent():
    """The urgent rule never sees less than agreement does, over all 100 combinations."""
    checked = 0
    for trainee, reader in itertools.product(SIDED, repeat=2):
        a, b = Answer.parse(trainee), Answer.parse(reader)
        found = compare(a, b)
        if found.pair and not found.agrees and "positive" in (a.call, b.call):
            assert is_urgent(trainee, reader), (trainee, reader)
            checked += 1
        if found.agrees:
            assert not is_urgent(trainee, reader), (trainee, reader)
    # Reader positive and sure of both sides: 3 readings x 9 other answers; of one side only:
    # 2 x 7; reader negative on both: the 5 answers with a positive side.
    assert checked == 3 * 9 + 2 * 7 + 5


@pytest.mark.parametrize(
    ("trainee", "reader", "outcome"),
    [
        ("R+ L-", "R+ L-", "agrees"),
        ("R- L-", "R+ L-", "missed"),
        ("R+ L-", "R- L-", "overcalled"),
        ("R+ L-", "R- L+", "wrong_side"),
        ("R+ L+", "R+ L-", "sides_differ"),
        ("R+ L-", "R+ L+", "sides_differ"),
        ("R? L-", "R+ L-", "uncommitted"),
        ("limited", "R- L-", "uncommitted"),
        ("R+ L-", "limited", "not_compared"),
        ("R+ L-", "R? L?", "not_compared"),
        ("R+ L?", "R+ L?", "agrees"),
        ("none", "diffuse", "missed"),
        ("diffuse", "none", "overcalled"),
        ("none", "focal R", "pattern_differs"),
        ("focal L", "focal R", "pattern_differs"),
        ("diffuse", "focal R", "pattern_differs"),
        ("indeterminate", "none", "uncommitted"),
        ("none", "indeterminate", "not_compared"),
    ],
)
def test_a_comparison_has_a_name(trainee, reader, outcome):
    assert outcomes.outcome(Answer.parse(trainee), Answer.parse(reader)) == outcome


@pytest.mark.parametrize("codes", [SIDED, PATTERNS])
def test_the_name_never_contradicts_the_comparison(codes):
    for trainee, reader in itertools.product(codes, repeat=2):
        a, b = Answer.parse(trainee), Answer.parse(reader)
        found, name = compare(a, b), outcomes.outcome(a, b)
        assert (name == "agrees") is found.agrees
        assert (name == "not_compared") is (not found.pair)
        assert (name == "uncommitted") is (found.pair and not found.determinate)
