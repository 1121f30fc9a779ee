"""The shape of a draft: anything that is one has one text, anything else is refused."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook import drafts
from logbook.drafts import Misshapen, canonical, clean, read

TEXT = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\x00"), max_size=40
)
DRAFTS = st.fixed_dictionaries(
    {},
    optional={
        **dict.fromkeys(drafts.TEXTS, TEXT),
        "note": TEXT,
        "performed_at": st.one_of(
            st.just(""),
            st.datetimes(
                min_value=dt.datetime(1990, 1, 1),  # noqa: DTZ001 - the strategy adds the zone
                max_value=dt.datetime(2090, 1, 1),  # noqa: DTZ001
                timezones=st.timezones(),
            ).map(lambda at: at.isoformat()),
        ),
        "supervisor": st.one_of(st.just(""), st.uuids().map(str)),
        "knew_result": st.sampled_from(["", "no", "yes"]),
        "applications": st.lists(st.sampled_from(["pneumothorax", "effusion"]), max_size=4),
        "answers": st.dictionaries(
            st.sampled_from(["pneumothorax", "effusion"]),
            st.fixed_dictionaries(
                {},
                optional={
                    "right": st.sampled_from(["", "positive", "negative"]),
                    "pattern": st.sampled_from(["", "diffuse"]),
                    "limited": st.booleans(),
                    "confidence": st.sampled_from(["", "sure"]),
                },
            ),
        ),
        "findings": st.dictionaries(
            st.sampled_from(["R1", "LB"]),
            st.dictionaries(st.sampled_from(["sliding"]), st.sampled_from(["", "present"])),
        ),
    },
)


@given(DRAFTS)
def test_cleaning_twice_is_cleaning_once(made):
    once = clean(made)
    assert clean(once) == once
    assert read(canonical(once)) == once


@given(DRAFTS)
def test_the_order_in_which_things_are_said_does_not_matter(made):
    assert canonical(clean(dict(reversed(made.items())))) == canonical(clean(made))


def test_equal_times_in_two_zones_are_equal():
    berlin = clean({"performed_at": "2026-03-09T10:00:00+01:00"})
    assert berlin == clean({"performed_at": "2026-03-09T09:00:00Z"})


@pytest.mark.parametrize(
    ("made", "field"),
    [
        (["a list"], "draft"),
        ({"patient_name": "x"}, "patient_name"),
        ({"place": 7}, "place"),
        ({"place": "x" * 81}, "place"),
        ({"place": "\ud800"}, "place"),
        ({"note": "x" * 2001}, "note"),
        ({"performed_at": "2026-03-09"}, "performed_at"),
        ({"supervisor": "Maren"}, "supervisor"),
        ({"knew_result": True}, "knew_result"),
        ({"applications": "pneumothorax"}, "applications"),
        ({"answers": {"effusion": {"side": "right"}}}, "answers"),
        ({"findings": {"R1": "fluid"}}, "findings"),
        ({"findings": {"R1": {f"s{n}": "x" for n in range(601)}}}, "findings"),
    ],
)
def test_another_shape_is_refused_with_its_field(made, field):
    with pytest.raises(Misshapen) as wrong:
        clean(made)
    assert list(wrong.value.faults) == [field]


def test_a_draft_from_before_a_field_was_added_reads_whole():
    assert read('{"place":"Ward 4"}') == {**drafts.EMPTY, "place": "Ward 4"}
