"""What is pointed out before a submission, in codes and in sentences.

Depths and probes are common practice, no published table: linear for the pleural line, about 4 cm
and at most 6 to 7; low frequency and about 14 to 15 cm for the rest in adults.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook import lung, value_lists, words
from logbook.answers import Answer
from logbook.lung import Context, Hint, Parameters, View, hints_before
from logbook.value_lists import exam_lists, signs

RULES = Parameters()
ADULT = Context(position="supine", age_band="18-64")
NEGATIVE = Answer(right="negative", left="negative")


def codes(application, views, *, findings=None, context=ADULT, answer=NEGATIVE):
    found = hints_before(
        [application], views, findings or {}, context, RULES, {application: answer}
    )
    return [(hint.code, hint.zones) for hint in found]


def pleural(zone, **more):
    return View(zone, **{"probe": "linear", "depth_mm": 40, **more})


def deep(zone, **more):
    return View(zone, **{"probe": "curvilinear", "depth_mm": 150, **more})


BASES = [deep("RB"), deep("LB")]
FRONTS = [pleural("R1"), pleural("L1")]


def test_nothing_is_said_where_nothing_is_missing():
    assert codes("pneumothorax", FRONTS) == []
    assert codes("effusion", BASES) == []


@pytest.mark.parametrize(
    ("application", "views", "said"),
    [
        ("pneumothorax", [pleural("R1"), pleural("R2")], [("zones_missing", ("L1", "L2"))]),
        ("effusion", [deep("RB")], [("zones_missing", ("LB",))]),
        (
            "pneumothorax",
            [pleural("R1", kind="still"), pleural("L1")],
            [("still_for_movement", ("R1",))],
        ),
        ("pneumothorax", [pleural("R1", kind="still", mode="m"), pleural("L1")], []),
        ("pneumothorax", [pleural("R1", depth_mm=70), pleural("L1")], []),
        ("pneumothorax", [pleural("R1", depth_mm=71), pleural("L1")], [("too_deep", ("R1",))]),
        ("effusion", [deep("RB", depth_mm=120), deep("LB")], []),
        ("effusion", [deep("RB", depth_mm=119), deep("LB")], [("too_shallow", ("RB",))]),
        ("effusion", [deep("RB", probe="linear"), deep("LB")], [("linear_probe", ("RB",))]),
        # one view of a zone that can answer is enough
        ("effusion", [deep("RB", depth_mm=40), *BASES], []),
        # what is kept in the archive says nothing of itself
        ("pneumothorax", [View("R1", kind="archive"), View("L1", kind="archive")], []),
    ],
)
def test_before_the_submission(application, views, said):
    assert codes(application, views) == said


@pytest.mark.parametrize("age", ["neonate", "infant", "1-17"])
def test_no_adult_depth_or_probe_in_the_small(age):
    small = Context(position="supine", age_band=age)
    shallow = [deep("RB", depth_mm=40, probe="linear"), deep("LB", depth_mm=40, probe="linear")]
    assert codes("effusion", shallow, context=small) == []
    still = [pleural("R1", kind="still"), pleural("L1", kind="still")]
    assert codes("pneumothorax", still, context=small) == [("still_for_movement", ("R1", "L1"))]


def test_one_positive_zone_ends_the_search():
    right = Answer(right="positive", left="negative")
    assert codes("effusion", [deep("RB")], answer=right) == []


@pytest.mark.parametrize(
    ("right", "left", "said"),
    [
        ("absent", "absent", True),
        ("absent", "present", False),
        ("absent", "unclear", False),
        ("absent", "", False),
    ],
)
def test_no_sliding_on_both_sides_asks_for_the_breath_first(right, left, said):
    findings = {("R1", "sliding"): right, ("L1", "sliding"): left}
    hints = codes("pneumothorax", FRONTS, findings=findings)
    assert (("check_breathing", ()) in hints) is said


FINDINGS = st.dictionaries(
    st.tuples(
        st.sampled_from([z.code for z in RULES.zones.zones]),
        st.sampled_from(["sliding", "lung_point", "b_lines", "consolidation", "effusion"]),
    ),
    st.sampled_from(["present", "absent", "seen", "0", "3", "confluent", "none", "large"]),
).map(lambda found: {k: v for k, v in found.items() if v in signs()[k[1]]})


@given(FINDINGS)
def test_hints_before_never_say_what_the_answer_should_be(findings):
    """Findings change nothing of what is said before, but for the question of the breath: else
    the hint would rewrite the answer that is measured."""
    for application in ("pneumothorax", "consolidation", "interstitial", "effusion"):
        views = [*FRONTS, *BASES]
        said = codes(application, views, findings=findings)
        without = codes(application, views)
        assert [h for h in said if h[0] != "check_breathing"] == without


def test_every_hint_has_a_sentence():
    names = {"effusion": "Effusion", "pneumothorax": "Pneumothorax"}
    said = {
        code: words.hint(Hint(code, "effusion", ("RB", "LB")), names, RULES)
        for code in (
            "zones_missing",
            "still_for_movement",
            "too_deep",
            "too_shallow",
            "linear_probe",
            "check_breathing",
        )
    }
    assert said["zones_missing"] == "Effusion: not imaged yet: RB, LB."
    assert said["too_deep"].endswith("more than 7 cm rarely does.")
    assert said["too_shallow"].endswith("this is less than 12 cm.")
    assert len(set(said.values())) == len(said)
    one_of = words.hint(Hint("zones_missing", "pneumothorax", ("L1", "L2")), names, RULES)
    assert one_of == (
        "Pneumothorax: image at least one zone at the front of each side: one of L1, L2."
    )


# --- the lists that the rules read ----------------------------------------------------------------


def test_the_codes_that_the_rules_name_are_on_the_lists():
    lists = exam_lists()
    assert lists["chest_procedure"].where("pleura_altered") == lung.PLEURA_ALTERED
    assert set(lists["position"].codes) >= lung.UPRIGHT
    assert lung.NO_ADULT_DEPTH - {""} <= set(lists["age_band"].codes)
    for shown in lung._SHOWN.values():
        for sign, values in shown.items():
            assert values <= set(signs()[sign].codes)
    assert set(signs()["b_lines"].codes) == {"0", "1", "2", "3", "4", "5+", "confluent"}


def test_what_is_credited_by_default_stands_in_the_lists():
    assert exam_lists()["setting"].where("credited") == {"clinical", "educational"}
    assert exam_lists()["operator"].where("credited") == {"all"}


def test_translators_see_every_text_of_the_lists():
    module = Path(value_lists.__file__).with_name("list_texts.py")
    assert module.read_text("utf-8") == value_lists.texts_module()


def test_a_programmes_own_values_follow_the_shipped_ones():
    indication = exam_lists()["indication"].with_own([("night_call", "Night call")])
    assert indication.codes[-1] == "night_call"
    with pytest.raises(ValueError, match="setting takes no values"):
        exam_lists()["setting"].with_own([("night", "Night")])
