"""Plan files: read, written back, refused with a line and how to mend it; and publishing."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from credentialing import planfile, publishing
from credentialing.measures import Clause, Gate, Plan
from tests.credentialing.histories import plans

LUNG = dict.fromkeys(("pneumothorax", "consolidation", "interstitial", "effusion"), "lung")


@pytest.mark.parametrize("code", planfile.templates())
def test_a_template_may_be_published_and_says_whose_numbers_they_are(code):
    found = planfile.parse(planfile.template(code))
    assert publishing.refusals(found.plan, groups=LUNG) == []
    assert "local committee decides" in found.sources
    assert all(clause.text and clause.source for clause in found.plan.clauses)
    assert found.plan.code == code


def test_the_first_plan_asks_25_exams_and_marks_its_own_minima():
    plan = planfile.parse(planfile.template("lung-start")).plan
    first, *rest = plan.clauses
    assert (first.measure, first.bar, first.group, first.unit) == ("credited", 25, "lung", "exam")
    assert {clause.source for clause in rest} == {"local, no published figure"}


@settings(max_examples=100, deadline=None)
@given(plans(), st.text(max_size=40), st.text(max_size=40))
def test_a_plan_survives_being_written_and_read(plan, name, sources):
    plan = Plan(plan.gates, "some-plan", "N " + " ".join(name.split()))
    plan = Plan(plan.gates, plan.code, plan.name.strip())
    written = planfile.PlanFile(plan, " ".join(sources.split()))
    try:
        text = planfile.dump(written, remark="of a test")
        tomllib.loads(text)
    except (UnicodeEncodeError, tomllib.TOMLDecodeError):
        # A lone surrogate is no text; nothing else may fail.
        assert any(0xD800 <= ord(c) <= 0xDFFF for c in name + sources)
        return
    assert planfile.parse(text) == written


MISTAKES = [
    ('code = "a"\nname = "A"\nname = "B"\n', 3),
    ('code = "a"\nname = "A"\n', 1),
    ('code = "a"\nname = "A"\n\n[[gate]]\n', 4),
    ('code = "a"\nname = "A"\n[[gate]]\n[[gate.clause]]\nmeasure = "scans"\nat_least = 3\n', 5),
    ('code = "a"\nname = "A"\n[[gate]]\n[[gate.clause]]\nmeasure = "read"\nat_least = "3"\n', 6),
    ('code = "a"\nname = "A"\n[[gate]]\n[[gate.clause]]\nmeasure = "read"\n', 4),
    (
        'code = "a"\nname = "A"\n[[gate]]\n[[gate.clause]]\nmeasure = "read"\nat_least = 3\n'
        "[[gate.clause]]\nat_most = 3\nwithin = 12\n",
        9,
    ),
    ("code = [[[", 1),
]


@pytest.mark.parametrize(("text", "line"), MISTAKES)
def test_a_mistake_is_told_with_its_line_and_how_to_mend_it(text, line):
    with pytest.raises(planfile.PlanFileError) as caught:
        planfile.parse(text)
    problem = next(p for p in caught.value.problems if p.line == line)
    assert problem.what
    assert problem.mend


def plan_of(*clauses: Clause) -> Plan:
    return Plan((Gate(1, clauses),))


AGREEMENT = Clause(1, "agreement", 0.8, application="effusion")
REFUSED = [
    (plan_of(), "asks nothing"),
    (plan_of(AGREEMENT), "always answering negative"),
    (plan_of(AGREEMENT, Clause(2, "positive", 10, application="effusion")), "always answering"),
    (plan_of(Clause(1, "determinate", 0.9, bound=True), Clause(2, "read", 30)), "it takes 35"),
    (plan_of(Clause(1, "determinate", 1.0, bound=True)), "cannot be met"),
    (plan_of(Clause(1, "determinate", 80)), "between 0 and 1"),
    (plan_of(Clause(1, "credited", 0)), "asks nothing"),
    (plan_of(Clause(1, "credited", 2.5)), "whole number"),
    (plan_of(Clause(1, "credited", 25, "at_most", mode="once")), "must hold still"),
    (plan_of(Clause(1, "read", 25, normal_cap=5)), "credited ones only"),
    (plan_of(Clause(1, "quality", 3, unit="exam")), "only counts"),
    (plan_of(Clause(1, "credited", 25, within_months=0)), "1 to 120 months"),
    (plan_of(Clause(1, "with_finding", 5)), "which finding"),
    (plan_of(Clause(1, "credited", 5, application="thyroid")), "no application 'thyroid'"),
    (plan_of(Clause(1, "credited", 5, group="neck")), "no group 'neck'"),
    (plan_of(Clause(1, "sensitivity", 0.8, application="effusion")), "not entered here yet"),
    (plan_of(Clause(1, "curve", 1, application="effusion")), "never the only thing"),
    (plan_of(Clause(1, "curve", 1, group="lung")), "one application at a time"),
    (plan_of(Clause(1, "credited", 5), Clause(2, "quality", 3, further=(1,))), "of further ones"),
    (plan_of(Clause(1, "credited", 5, further=(1,))), "no clause 1 before it"),
    (plan_of(Clause(1, "credited", 5, after=2)), "no clause 2 before it"),
    (plan_of(Clause(1, "credited", 5, since="yesterday")), "none of them"),
    (plan_of(Clause(1, "document", 1, kind="diploma")), "which dated record"),
    (plan_of(Clause(1, "assessed", 1, level=6)), "levels 1 to 5"),
    (plan_of(Clause(1, "unread_share", 0.5)), "upper limit only"),
    (plan_of(Clause(1, "readers", 2, max_share=1.5)), "largest share"),
    (plan_of(Clause(1, "negative", 5, focal="negative")), "what a focal pattern counts as"),
    (
        Plan((Gate(1, (Clause(1, "quality", 3),), window="best", within_months=12),)),
        "in a best window stand counts",
    ),
    (
        plan_of(
            Clause(1, "determinate", 0.9, application="effusion", bound=True),
            Clause(2, "read", 40, application="effusion"),
        ),
        "even 25 of 25 stay under 90%",
    ),
]


@pytest.mark.parametrize(("plan", "because"), REFUSED)
def test_publishing_says_why_not(plan, because):
    sentences = publishing.refusals(plan, groups=LUNG)
    assert [s for s in sentences if because in s], sentences


def test_a_director_may_override_what_keeps_agreement_honest_and_nothing_else():
    reason = "Only while the reference is being set up."
    assert publishing.refusals(plan_of(AGREEMENT), groups=LUNG, override_reason=reason) == []
    beyond = plan_of(Clause(1, "agreement", 80, application="effusion"))
    assert publishing.refusals(beyond, groups=LUNG, override_reason=reason) != []


def test_a_bound_says_the_fewest_that_can_pass():
    plan = plan_of(Clause(1, "determinate", 0.9, bound=True), Clause(2, "read", 50))
    assert publishing.refusals(plan) == []
    # Computed: at 50 only 50 of 50 reach a lower bound of 0.90.
    assert publishing.remarks(plan) == [
        "Clause 1: Of the plan's own 50, 50 must agree. The fewest that can pass: 35/35, 52/53, "
        "67/69. Not protected against repeated checking."
    ]
