import pytest

from review import rubrics


def test_the_default_rubric_starts_as_expected_and_is_adequate_at_three():
    rubric = rubrics.default()
    assert [item.code for item in rubric.items] == [
        "depth_gain",
        "pleural_line",
        "zones",
        "orientation",
        "clip_length",
    ]
    assert {item.choices[0][0] for item in rubric.items} == {"as_expected"}
    assert (rubric.quality_cut, rubric.word(3)) == (3, "adequate")
    assert rubrics.Rubric.from_text(rubric.text) == rubric


def test_the_words_of_quality_are_those_of_the_drawn_marks():
    from accounts.ui.parts.marks import QUALITY_WORDS

    assert {m.value: m.word for m in rubrics.default().quality} == {
        mark: str(word) for mark, word in QUALITY_WORDS.items()
    }


def test_only_what_is_not_as_expected_is_kept():
    rubric = rubrics.default()
    chosen = {"zones": "mislabelled", "depth_gain": "as_expected"}
    assert rubric.check_items(chosen) == {"zones": "mislabelled"}
    assert rubric.check_items({}) == {}
    with pytest.raises(ValueError, match="no such item"):
        rubric.check_items({"charm": "lacking"})
    with pytest.raises(ValueError, match="no such choice"):
        rubric.check_items({"zones": "lovely"})


def test_a_file_that_is_no_rubric_is_refused():
    text = rubrics.default().text
    with pytest.raises(ValueError, match="steps 1 to 5"):
        rubrics.Rubric.from_text(text.replace('[1,"cannot answer"', '[0,"cannot answer"'))
    with pytest.raises(ValueError, match="starts as expected"):
        rubrics.Rubric.from_text(text.replace('["as_expected","as expected"],', ""))
