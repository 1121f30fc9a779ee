"""The credit rule, as a pure function. The defaults are the programme's to change: local policy,
no published figure."""

import datetime as dt

import pytest

from review import credit
from review.credit import Facts, Rule, judge

NOON = dt.datetime(2026, 3, 9, 12, tzinfo=dt.UTC)


def facts(**changed) -> Facts:
    return Facts(
        **{
            "setting": "clinical",
            "operator": "all",
            "quality": 3,
            "missing_zones": (),
            "performed_at": NOON,
            "answered_at": NOON + dt.timedelta(hours=24),
            "received_at": NOON + dt.timedelta(days=14),
            **changed,
        }
    )


def test_a_scan_on_every_edge_of_the_rule_is_credited():
    assert judge(Rule(), facts()) == credit.Verdict()
    assert judge(Rule(), facts(setting="educational")).credited


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"setting": "volunteer"}, "setting"),
        ({"setting": "simulator"}, "setting"),
        ({"operator": "shared"}, "operator"),
        ({"operator": "watched"}, "operator"),
        ({"quality": 2}, "quality"),
        ({"quality": None}, "quality"),
        ({"missing_zones": ("L1",)}, "zones"),
        ({"answered_at": NOON + dt.timedelta(hours=24, seconds=1)}, "answered_late"),
        ({"received_at": NOON + dt.timedelta(days=14, seconds=1)}, "received_late"),
        ({"credited_elsewhere": True}, "same_file"),
    ],
)
def test_each_reason_alone_stands_against_credit(changed, reason):
    assert judge(Rule(), facts(**changed)).reasons == (reason,)
    assert not judge(Rule(), facts(**changed)).credited


def test_reasons_come_in_one_order_and_an_exception_waives_what_it_names():
    late = facts(quality=1, setting="simulator", received_at=NOON + dt.timedelta(days=30))
    assert judge(Rule(), late).reasons == ("setting", "quality", "received_late")
    waived = judge(Rule(), late, waived={"received_late", "zones"})
    assert (waived.reasons, waived.waived) == (("setting", "quality"), ("received_late",))
    assert credit.is_late(Rule(), late)


def test_a_programme_may_ask_less_or_more():
    generous = Rule(settings=("volunteer",), operators=("shared",), quality_cut=1, zones=False)
    given = facts(setting="volunteer", operator="shared", quality=1, missing_zones=("R1",))
    assert judge(generous, given).credited
    assert judge(Rule(quality_cut=4), facts()).reasons == ("quality",)


def test_a_rule_is_its_canonical_text():
    rule = Rule(settings=("educational", "clinical", "clinical"))
    assert rule == Rule()
    assert Rule.from_text(rule.text) == rule
    with pytest.raises(ValueError, match="knows nothing of agreement"):
        Rule.from_text('{"agreement": true}')


@pytest.mark.parametrize(
    "wrong",
    [
        {"settings": ()},
        {"operators": ()},
        {"quality_cut": 0},
        {"quality_cut": 6},
        {"answered_within_hours": 0},
        {"received_within_days": 0},
    ],
)
def test_a_rule_that_no_scan_can_meet_is_refused(wrong):
    with pytest.raises(ValueError):
        Rule(**wrong)
