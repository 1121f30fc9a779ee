"""The rules of reading against the published ones.

* Volpicelli G et al., International evidence-based recommendations for point-of-care lung
  ultrasound, Intensive Care Med 2012;38:577-91, doi 10.1007/s00134-012-2513-4: three or more
  B-lines in one interspace make a zone positive; two or more positive zones on both sides make
  the pattern diffuse (*the both-sides half is quoted from memory*); sliding, a B-line or a lung
  pulse rules pneumothorax out at that spot; a lung point rules it in (*the list from memory*).
* Buessler A et al., Chest 2020, the eight-point method: one or more positive points on both
  sides.
"""

import itertools

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from accounts.ui import chest
from logbook.answers import DIFFUSE, Answer
from logbook.lung import (
    Context,
    Parameters,
    disagrees,
    interstitial_pattern,
    missing_zones,
    pneumothorax_side,
    required_zones,
    schemes,
    shown_side,
    zone_is_positive,
)

CONSENSUS_2012 = Parameters(scheme="8")
EIGHT_POINT_2020 = Parameters(scheme="8", positive_zones_per_side=1)


def findings_with(right: int, left: int, value: str = "3", other: str = "0"):
    """B-lines looked at in all eight zones, ``value`` in so many of each side."""
    return {
        (f"{side}{n}", "b_lines"): value if n <= count else other
        for side, count in (("R", right), ("L", left))
        for n in range(1, 5)
    }


@pytest.mark.parametrize(
    ("right", "left", "consensus", "eight_point"),
    [
        (2, 2, True, True),
        (2, 1, False, True),
        (4, 0, False, False),
        (1, 1, False, True),  # the two published rules part here
        (0, 0, False, False),
        (4, 4, True, True),
    ],
)
def test_interstitial_rule(right, left, consensus, eight_point):
    findings = findings_with(right, left)
    assert (interstitial_pattern(findings, CONSENSUS_2012).pattern == DIFFUSE) is consensus
    assert (interstitial_pattern(findings, EIGHT_POINT_2020).pattern == DIFFUSE) is eight_point


@pytest.mark.parametrize(
    ("value", "positive"),
    [("0", False), ("1", False), ("2", False), ("3", True), ("4", True), ("5+", True)],
)
def test_three_b_lines_in_one_interspace_make_a_zone_positive(value, positive):
    assert zone_is_positive({("R1", "b_lines"): value}, "R1", CONSENSUS_2012) is positive


def test_confluent_lines_count_whatever_the_number_asked():
    for asked in range(1, 6):
        parameters = Parameters(b_lines_per_zone=asked)
        assert zone_is_positive({("L4", "b_lines"): "confluent"}, "L4", parameters) is True


def test_one_sided_lines_are_focal_and_never_negative():
    assert interstitial_pattern(findings_with(4, 0), CONSENSUS_2012).code == "focal R"
    assert interstitial_pattern(findings_with(0, 1), CONSENSUS_2012).code == "focal L"
    assert interstitial_pattern(findings_with(2, 1), CONSENSUS_2012).code == "focal R L"
    assert interstitial_pattern(findings_with(0, 0), CONSENSUS_2012).code == "none"


def test_none_needs_every_zone_looked_at():
    findings = findings_with(0, 0)
    del findings["L3", "b_lines"]
    assert interstitial_pattern(findings, CONSENSUS_2012).is_open


SUPINE = Context(position="supine", age_band="18-64")


@pytest.mark.parametrize(
    ("sign", "value", "goes_with"),
    [
        ("sliding", "present", {"negative"}),
        ("lung_pulse", "present", {"negative"}),
        ("b_lines", "1", {"negative"}),
        ("lung_point", "seen", {"positive"}),
        ("sliding", "absent", {"positive", "indeterminate"}),
        ("b_lines", "0", {"positive", "negative", "indeterminate"}),
    ],
)
def test_signs_of_pneumothorax(sign, value, goes_with):
    found = pneumothorax_side({("R2", sign): value}, "right", SUPINE, CONSENSUS_2012)
    assert found == goes_with


@pytest.mark.parametrize("before", ["pleurodesis", "thoracic_surgery", "adhesions", "bullae"])
def test_after_altered_pleura_absent_sliding_proves_nothing(before):
    """Common practice; no published table."""
    altered = Context(position="supine", chest_procedures=frozenset({before}))
    absent = {("R1", "sliding"): "absent"}
    assert pneumothorax_side(absent, "right", altered, CONSENSUS_2012) == {"indeterminate"}
    shown = absent | {("R3", "lung_point"): "seen"}
    assert pneumothorax_side(shown, "right", altered, CONSENSUS_2012) == {"positive"}
    excluded = {("R1", "sliding"): "present"}
    assert pneumothorax_side(excluded, "right", altered, CONSENSUS_2012) == {"negative"}
    not_at_the_top = {("R3", "sliding"): "present"}
    assert "positive" not in pneumothorax_side(not_at_the_top, "right", altered, CONSENSUS_2012)


def test_sliding_excludes_only_where_it_was_seen():
    """A sitting patient's free air is at the top: a lower zone says nothing about it."""
    seated = Context(position="seated")
    low = {("R2", "sliding"): "present"}
    assert "positive" in pneumothorax_side(low, "right", seated, CONSENSUS_2012)
    high = {("R1", "sliding"): "present"}
    assert pneumothorax_side(high, "right", seated, CONSENSUS_2012) == {"negative"}
    prone = Context(position="prone")  # the front is underneath: nothing there excludes it above
    assert "positive" in pneumothorax_side(high, "right", prone, CONSENSUS_2012)
    assert pneumothorax_side(high, "left", seated, CONSENSUS_2012) == {
        "positive",
        "negative",
        "indeterminate",
    }


# --- properties ----------------------------------------------------------------------------------

B_LINES = st.sampled_from(["", "0", "1", "2", "3", "4", "5+", "confluent"])
ORDER = ["", "0", "1", "2", "3", "4", "5+", "confluent"]
RANK = {"none": 0, "focal": 1, "diffuse": 2}
ZONES = [zone.code for zone in schemes()["8b"].zones]

parameters = st.builds(
    Parameters,
    scheme=st.sampled_from(sorted(schemes())),
    b_lines_per_zone=st.integers(1, 5),
    positive_zones_per_side=st.integers(1, 4),
    both_sides=st.booleans(),
)


@st.composite
def b_line_findings(draw, scheme="8b", values=B_LINES):
    return {(z.code, "b_lines"): draw(values) for z in schemes()[scheme].zones}


@given(st.data(), parameters)
def test_more_b_lines_never_make_less_of_the_pattern(data, rules):
    before = data.draw(b_line_findings(rules.scheme))
    zone = data.draw(st.sampled_from([z.code for z in rules.zones.zones]))
    more = data.draw(st.sampled_from(ORDER[ORDER.index(before[zone, "b_lines"]) :]))
    was = interstitial_pattern(before, rules)
    now = interstitial_pattern(before | {(zone, "b_lines"): more}, rules)
    if was.pattern:
        assert RANK[now.pattern] >= RANK[was.pattern]
        assert set(was.positive_sides) <= set(now.positive_sides)


@given(st.data(), parameters)
def test_stricter_rules_never_find_more(data, rules):
    findings = data.draw(b_line_findings(rules.scheme, values=st.sampled_from(ORDER[1:])))
    stricter = Parameters(
        scheme=rules.scheme,
        b_lines_per_zone=data.draw(st.integers(rules.b_lines_per_zone, 5)),
        positive_zones_per_side=data.draw(st.integers(rules.positive_zones_per_side, 4)),
        both_sides=rules.both_sides or data.draw(st.booleans()),
    )
    loose, strict = (
        interstitial_pattern(findings, rules),
        interstitial_pattern(findings, stricter),
    )
    assert RANK[strict.pattern] <= RANK[loose.pattern]


def mirrored(findings):
    return {({"R": "L", "L": "R"}[z[0]] + z[1:], sign): v for (z, sign), v in findings.items()}


SYMMETRIC = st.sampled_from(sorted(set(schemes()) - {"28"}))  # the heart breaks it there
PLEURAL = st.fixed_dictionaries(
    {},
    optional={
        (zone, sign): st.sampled_from(values)
        for zone in ZONES
        for sign, values in {
            "sliding": ["present", "absent", "unclear"],
            "lung_pulse": ["present", "absent"],
            "lung_point": ["seen", "not_seen"],
            "b_lines": ORDER[1:],
        }.items()
    },
)
CONTEXTS = st.builds(
    Context,
    position=st.sampled_from(["supine", "seated", "semi_recumbent", "prone", ""]),
    chest_procedures=st.sampled_from([frozenset(), frozenset({"pleurodesis"})]),
)


@given(st.data(), SYMMETRIC)
def test_the_pattern_is_the_same_in_the_mirror(data, scheme):
    rules = Parameters(scheme=scheme)
    findings = data.draw(b_line_findings(scheme))
    here = interstitial_pattern(findings, rules)
    there = interstitial_pattern(mirrored(findings), rules)
    assert (there.pattern, there.right, there.left) == (
        here.pattern,
        here.left,
        here.right,
    )


@given(PLEURAL, CONTEXTS)
def test_pneumothorax_is_the_same_in_the_mirror(findings, context):
    rules = Parameters()
    here = pneumothorax_side(findings, "right", context, rules)
    assert pneumothorax_side(mirrored(findings), "left", context, rules) == here


SEATED_AFTER_PLEURODESIS = Context(position="seated", chest_procedures=frozenset({"pleurodesis"}))


@given(PLEURAL, CONTEXTS, st.sampled_from(["R1", "R2", "R3", "RB"]))
@example({("R2", "sliding"): "absent"}, SEATED_AFTER_PLEURODESIS, "R2")
def test_sliding_never_makes_pneumothorax_likelier(findings, context, zone):
    """More that excludes never adds *positive*; only a lung point can put it there."""
    rules = Parameters()
    before = pneumothorax_side(findings, "right", context, rules)
    after = pneumothorax_side(findings | {(zone, "sliding"): "present"}, "right", context, rules)
    assert ("positive" in after) <= ("positive" in before)


@given(PLEURAL, CONTEXTS)
def test_a_lung_point_always_shows_it(findings, context):
    found = pneumothorax_side(
        findings | {("L3", "lung_point"): "seen"}, "left", context, Parameters()
    )
    assert found == {"positive"}


@given(parameters)
def test_parameters_survive_their_canonical_text(rules):
    assert Parameters.from_text(rules.text) == rules
    assert Parameters.from_text(rules.text).text == rules.text


# --- what has to be imaged (common practice, parameters) ------------------------------------------


def test_required_zones_of_the_default_scheme():
    rules = Parameters()
    eight = {f"{s}{n}" for s, n in itertools.product("RL", range(1, 5))}
    assert required_zones("pneumothorax", rules) == {"R1", "R2", "L1", "L2"}
    assert required_zones("interstitial", rules) == eight
    assert required_zones("consolidation", rules) == eight | {"RB", "LB"}
    assert required_zones("effusion", rules) == {"RB", "LB"}


def test_one_anterior_zone_a_side_is_enough_for_pneumothorax():
    rules = Parameters()
    assert missing_zones("pneumothorax", {"R1", "L2"}, rules) == ()
    assert missing_zones("pneumothorax", {"R1", "R2"}, rules) == ("L1", "L2")


def test_one_positive_zone_is_enough_for_a_positive_answer():
    rules = Parameters()
    right = Answer(right="positive", left="negative")
    assert missing_zones("effusion", {"RB"}, rules, answer=right) == ()
    assert missing_zones("effusion", {"LB"}, rules, answer=right) == ("RB",)
    neither = Answer(right="negative", left="negative")
    assert missing_zones("effusion", {"RB"}, rules, answer=neither) == ("LB",)


def test_schemes_have_the_zones_that_they_are_named_for():
    """4, 8, 12 and 28 are the published schemes' own counts (28: from memory)."""
    counts = {code: len(scheme.zones) for code, scheme in schemes().items()}
    assert counts == {
        "8b": 10,
        "8": 8,
        "4": 4,
        "6": 6,
        "12": 12,
        "28": 28,
    }


def test_zones_are_the_ones_that_are_drawn():
    assert {code: {z.code for z in scheme.zones} for code, scheme in schemes().items()} == {
        code: set(zones) for code, zones in chest.SCHEMES.items()
    }


def test_every_scheme_can_be_asked_for_every_application():
    for scheme, application in itertools.product(
        schemes(), ["pneumothorax", "consolidation", "interstitial", "effusion"]
    ):
        asked = required_zones(application, Parameters(scheme=scheme))
        assert {zone[0] for zone in asked} == {"R", "L"}


def test_disagreement_is_by_side_and_silent_where_findings_decide_nothing():
    rules, context = Parameters(scheme="8"), SUPINE
    findings = {("R1", "sliding"): "present"}
    answer = Answer(right="positive", left="positive")
    assert disagrees("pneumothorax", answer, findings, context, rules) == ("right",)
    diffuse = findings_with(2, 2)
    assert disagrees("interstitial", Answer(pattern="none"), diffuse, context, rules) == (
        "pattern",
    )
    assert disagrees("interstitial", Answer(limited=True), diffuse, context, rules) == ()


# --- consolidation and effusion ------------------------------------------------------------------
# Volpicelli et al. 2012: consolidation shows as a subpleural echo-poor or tissue-like region, with
# shred sign or air bronchograms (sign names as in Bhoil R, J Ultrason 2021;21:e225-33).

ANY = {"positive", "negative", "indeterminate"}


@pytest.mark.parametrize(
    ("sign", "value"),
    [
        ("consolidation", "subpleural"),
        ("consolidation", "lobar"),
        ("shred", "seen"),
        ("air_bronchogram", "static"),
        ("air_bronchogram", "dynamic"),
    ],
)
def test_each_sign_of_consolidation_shows_it_on_its_own_side(sign, value):
    findings = {("L4", sign): value}
    assert shown_side("consolidation", findings, "left", CONSENSUS_2012) == {"positive"}
    assert shown_side("consolidation", findings, "right", CONSENSUS_2012) == ANY


def test_fluid_is_denied_only_where_its_zone_was_looked_at():
    rules = Parameters()
    elsewhere = {(f"R{n}", "effusion"): "none" for n in range(1, 5)}
    assert shown_side("effusion", elsewhere, "right", rules) == ANY
    base = elsewhere | {("RB", "effusion"): "none"}
    assert shown_side("effusion", base, "right", rules) == {"negative"}
    assert shown_side("effusion", base | {("R4", "effusion"): "small"}, "right", rules) == {
        "positive"
    }


@given(st.integers(0, 3), st.sampled_from(["small", "moderate", "large"]))
def test_more_fluid_never_takes_it_away(number, amount):
    rules = Parameters()
    findings = {(zone, "effusion"): "none" for zone in ["RB", "R1", "R2", "R3"]}
    findings |= {(zone, "effusion"): amount for zone in ["RB", "R1", "R2", "R3"][: number + 1]}
    assert shown_side("effusion", findings, "right", rules) == {"positive"}
