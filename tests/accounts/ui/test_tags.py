"""The components say in words what they draw, and draw it without inline style or script."""

import re
from dataclasses import dataclass

import pytest
from django import forms
from django.template import Context, Template, TemplateSyntaxError
from django.utils import translation


def render(source: str, **context) -> str:
    return Template("{% load ui %}" + source).render(Context(context))


def words(html: str) -> str:
    """What a person reads or hears: drawings that are hidden from assistive technology left out."""
    html = re.sub(r"<svg[^>]*aria-hidden=\"true\".*?</svg>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).strip()


@dataclass(frozen=True)
class Answer:
    right: str = ""
    left: str = ""
    pattern: str = ""
    limited: bool = False


# Depth ruler


def test_a_ruler_says_what_is_left_and_what_waits():
    html = render('{% depth_ruler 18 25 3 label="Lung" %}')
    assert words(html) == "Lung 18 of 25 7 to go 3 wait to be read"


def test_a_ruler_takes_the_callers_word():
    html = render('{% depth_ruler 31 25 label="Lung" state_word="met 3 March" %}')
    assert words(html) == "Lung 31 of 25 met 3 March"


def test_a_share_whose_range_does_not_clear_the_bar_is_not_met():
    html = render('{% depth_ruler 87 85 kind="share" low=74 high=94 bound=True %}')
    assert words(html) == "87%, asked 85% not yet met plausible 74% to 94%"
    assert "is-open" in html


def test_a_share_without_a_bound_is_judged_by_itself():
    assert "is-met" in render('{% depth_ruler 87 85 kind="share" low=74 high=94 %}')


def test_an_upper_limit():
    assert words(render('{% depth_ruler 12 20 kind="share" at_most=True %}')) == (
        "12%, at most 20% within the limit"
    )
    assert words(render("{% depth_ruler 21 20 at_most=True %}")) == "21, at most 20 above the limit"


def test_not_yet_known_is_never_zero():
    assert words(render("{% depth_ruler None 25 %}")) == "asked 25 not yet known"


def test_lapsed_must_be_said_by_the_caller():
    html = render('{% depth_ruler 26 25 state="lapsed" %}')
    assert words(html) == "26 of 25 lapsed"
    assert "is-lapsed" in html


def test_the_number_leads_to_what_adds_up_to_it():
    html = render('{% depth_ruler 18 25 label="Lung" href=to %}', to="/x/?a=1&b=2")
    assert '<a href="/x/?a=1&amp;b=2">18 of 25<span class="unseen">, Lung</span></a>' in html


def test_lying_down_keeps_its_ticks_and_its_words():
    upright = render('{% depth_ruler 18 25 label="Lung" %}')
    lying = render('{% depth_ruler 18 25 label="Lung" orientation="across" %}')
    assert lying.count('class="ruler-tick') == upright.count('class="ruler-tick') == 7
    assert words(lying) == words(upright)


def test_numbers_in_attributes_stay_numbers_in_every_language():
    with translation.override("de"):
        html = render('{% depth_ruler 12.5 85 kind="share" orientation="across" %}')
    assert re.findall(r'(?:width|height|x|y|d)="[^"]*,[^"]*"', html) == []


def test_a_label_is_escaped():
    assert "<b>" not in render("{% depth_ruler 1 2 label=label %}", label="<b>x</b>")


# Chest map


@pytest.mark.parametrize("mode", ["read", "links", "choose"])
def test_both_sides_are_named_on_every_map(mode):
    html = render('{% chest_map "8b" mode %}', mode=mode)
    assert re.findall(r'class="chest-side[^>]*>([^<]+)<', html) == [
        "patient’s right",
        "patient’s left",
    ]


def test_from_behind_the_sides_change_places():
    html = render('{% chest_map "12" %}')
    assert re.findall(r'class="chest-side[^>]*>([^<]+)<', html) == [
        "patient’s right",
        "patient’s left",
        "patient’s left",
        "patient’s right",
    ]


def test_to_read_every_zone_has_its_sentence():
    html = render(
        "{% chest_map codes values=values %}",
        codes=["R1", "LB"],
        values={"R1": 2, "LB": {"state": "missing"}},
    )
    assert words(html) == (
        "R1, patient’s right, anterior upper: 2 LB, patient’s left, posterolateral base: missing"
    )


def test_links_lead_to_their_zone():
    html = render('{% chest_map "4" "links" %}')
    assert re.findall(r'<a[^>]* href="([^"]+)"', html) == [
        "#zone-R1",
        "#zone-R2",
        "#zone-L1",
        "#zone-L2",
    ]
    assert 'aria-label="R1, patient’s right, anterior upper: not imaged"' in html


def test_choosing_works_as_a_list_of_boxes():
    class Zones(forms.Form):
        imaged = forms.MultipleChoiceField(choices=[("R1", "R1"), ("L1", "L1")])

    form = Zones({"e-imaged": ["L1"]}, prefix="e")
    html = render('{% chest_map codes "choose" field=form.imaged %}', codes=["R1", "L1"], form=form)
    assert re.findall(
        r'<input type="checkbox" id="(\S+)" name="(\S+)" value="(\S+)"( checked)?>', html
    ) == [
        ("zone-R1", "e-imaged", "R1", ""),
        ("zone-L1", "e-imaged", "L1", " checked"),
    ]


# Chips, marks, states


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (
            Answer(right="positive", left="negative"),
            "patient’s right positive patient’s left negative",
        ),
        (Answer(right="indeterminate"), "patient’s right indeterminate"),
        (Answer(pattern="focal", left="positive"), "focal patient’s left"),
        (Answer(pattern="none"), "none"),
        (Answer(limited=True), "limited: the images cannot answer"),
        (Answer(), "not answered"),
        (None, "not answered"),
    ],
)
def test_an_answer_in_words(answer, said):
    assert words(render("{% answer_chips answer %}", answer=answer)) == said


def test_a_readers_limited_is_worded_as_theirs():
    html = render("{% answer_chips answer reader=True %}", answer=Answer(limited=True))
    assert words(html) == "cannot be read from these images"


def test_quality_has_its_word():
    assert words(render("{% quality 3 %}")) == "3 adequate"
    assert words(render('{% quality 3 "will do" %}')) == "3 will do"
    assert words(render("{% quality None %}")) == "not marked"


def test_a_state_without_a_shape_prints_its_word():
    assert words(render('{% state_tag "needs_you" %}')) == "needs you"
    assert (
        words(render('{% state_tag "half_done" detail="since Monday" %}'))
        == "half done since Monday"
    )


# Notices


def test_a_notice_holds_what_it_is_given():
    html = render('{% notice "caution" title=t %}<p>{{ x }}</p>{% endnotice %}', t="Mind", x="<i>")
    assert words(html) == "Mind &lt;i&gt;"
    assert 'class="notice notice-caution"' in html


def test_a_notice_may_take_its_title_without_the_name():
    html = render('{% notice "note" t live=True %}x{% endnotice %}', t="Mind")
    assert words(html) == "Mind x"
    assert 'role="status"' in html


def test_a_notice_without_its_kind_is_a_mistake():
    with pytest.raises(TemplateSyntaxError, match="needs its kind"):
        render("{% notice %}x{% endnotice %}")


def test_urgent_says_what_to_do_and_dials():
    html = render('{% urgent telephone="+000 555-0144" exam_code="K4-7QX" %}')
    assert words(html) == (
        "Telephone the duty clinician now +000 555-0144 Exam code K4-7QX "
        "A tick here is not notification."
    )
    assert 'href="tel:+0005550144"' in html


@pytest.mark.parametrize(
    ("place", "first"),
    [
        ("record", ""),
        ("read", " You see only what was saved, and you are one reader."),
        ("report", " Numbers show exposure. They do not by themselves show competence."),
    ],
)
def test_the_urgent_caution_stands_first_and_the_rest_folds(place, first):
    shown, folded = render("{% cautions place %}", place=place).split("<details>")
    assert words(shown) == (
        "Nobody watches this list. If you are worried about the patient, call now." + first
    )
    assert ("Write nothing here" in folded) == (place == "record")
    for said in (
        "not the patient’s chart, not for diagnosis",
        "Local credentialing policy and the licensed clinician at the bedside decide.",
        "Ask counsel",
    ):
        assert said in folded


# Forms


class Sample(forms.Form):
    place = forms.CharField(label="Place", help_text="Ward or room")
    side = forms.ChoiceField(
        label="Side", widget=forms.RadioSelect, choices=[("r", "right"), ("l", "left")]
    )
    told = forms.BooleanField(label="Told", required=False)
    kept = forms.CharField(widget=forms.HiddenInput, initial="k")

    def clean(self):
        raise forms.ValidationError("These two do not go together.")


def test_a_field_is_tied_to_its_help_and_its_error():
    html = render("{% field form.place %}", form=Sample({"side": "r"}))
    assert 'aria-describedby="id_place_helptext id_place_error"' in html
    assert 'aria-invalid="true"' in html
    assert 'id="id_place_helptext"' in html
    assert 'id="id_place_error"' in html


def test_what_was_typed_is_still_there():
    html = render("{% field form.place %}", form=Sample({"place": "Ward <4>"}))
    assert 'value="Ward &lt;4&gt;"' in html


def test_a_group_of_choices_is_one_named_group():
    html = render('{% field form.side look="segments" %}', form=Sample())
    assert words(html) == "Side right left"
    assert html.count("<fieldset") == 1
    assert 'role="radiogroup"' in html
    assert html.count('class="choice"') == 2


def test_optional_is_said_in_words():
    assert words(render("{% field form.told %}", form=Sample())) == "Told"
    assert (
        words(
            render(
                "{% field form.note %}",
                form=type("F", (forms.Form,), {"note": forms.CharField(required=False)})(),
            )
        )
        == "Note if you like"
    )


def test_the_summary_leads_to_each_error():
    html = render("{% error_summary form %}", form=Sample({"told": "on"}))
    assert re.findall(r'<a href="([^"]+)"', html) == ["#id_place", "#id_side_0"]
    assert words(html).startswith("4 things need another look These two do not go together.")
    assert "Kept: This field is required." in words(html)


def test_no_summary_without_errors():
    assert words(render("{% error_summary form %}", form=Sample())) == ""


def test_hidden_fields_come_along():
    html = render("{% fields form %}", form=Sample())
    assert html.count('type="hidden"') == 1


# Clip


def test_a_clip_plays_without_the_module():
    html = render('{% clip src="/c/1" label="R1, clip 1" frames=48 rate=25 %}')
    assert re.search(r"<video[^>]* loop muted playsinline controls ", html)
    assert '<div class="clip-bar" hidden>' in html
    assert 'max="47"' in html


def test_a_still_is_a_picture_with_its_name():
    html = render('{% clip src="/c/1" label="R1, still" kind="still" %}')
    assert '<img class="clip-picture" src="/c/1" alt="R1, still"' in html
