"""The director changes a rubric: what is reworded keeps its code, what is new gets its own."""

import html
import re

import pytest
from django.urls import reverse

from review import rubrics
from review.models import RubricVersion
from tests import factories as f

pytestmark = pytest.mark.django_db


@pytest.fixture
def scene(client):
    programme = f.a_programme()
    client.force_login(f.a_director(programme))
    return programme


def page(programme, kind):
    return reverse("review:rubric", args=[programme.code, kind])


def fields(client, url):
    """What a browser would send back unchanged."""
    text = client.get(url).content.decode().split("<main")[1]
    sent = {}
    for tag in re.findall(r"<input\b[^>]*>", text):
        name = re.search(r'name="([^"]*)"', tag)
        value = re.search(r'value="([^"]*)"', tag)
        if name and 'type="checkbox"' not in tag:
            sent[name[1]] = html.unescape(value[1]) if value else ""
    for name, inner in re.findall(
        r'<textarea[^>]*name="([^"]*)"[^>]*>(.*?)</textarea>', text, re.S
    ):
        sent[name] = html.unescape(inner).strip()
    return sent


def now(programme, kind):
    return RubricVersion.objects.in_force(programme, kind)


@pytest.mark.parametrize("kind", rubrics.KINDS)
def test_sent_back_unchanged_nothing_is_published(client, scene, kind):
    url = page(scene, kind)
    assert client.post(url, fields(client, url)).status_code == 302
    assert now(scene, kind).n == 1


def test_reworded_left_out_and_new(client, scene):
    url = page(scene, "assessment")
    sent = fields(client, url)
    sent |= {
        "image-name": "The picture",
        "image-choice-prompted": "a word was needed",
        "image-choice-not_seen": "",
        "image-more": "Too hurried\n\nAs expected",
        "ending-drop": "on",
        "new-name": "Talking to the patient",
        "new-more": "not at all",
        "word_4": "next door",
    }
    assert client.post(url, sent).status_code == 302
    made = now(scene, "assessment")
    assert made.n == 2
    rubric = made.rubric
    assert [item.code for item in rubric.items] == [
        "beginning", "finding", "image", "answering", "talking_to_the_patient",
    ]  # fmt: skip
    image = rubric.item("image")
    assert image.name == "The picture"
    assert image.choices == (
        ("as_expected", "as expected"),
        ("prompted", "a word was needed"),
        ("missed", "left out"),
        ("too_hurried", "Too hurried"),
        ("as_expected_2", "As expected"),
    )
    assert rubric.item("talking_to_the_patient").choices[1:] == (("not_at_all", "not at all"),)
    assert (rubric.quality[3].word, rubric.quality_cut) == ("next door", 4)
    # A code that was left out never comes back with another meaning.
    again = fields(client, url) | {"new-name": "Ending", "new-more": "Not seen"}
    client.post(url, again)
    new = now(scene, "assessment").rubric.items[-1]
    assert (new.code, new.choices[1]) == ("ending_2", ("not_seen_2", "Not seen"))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"image-name": ""}, "This field is required"),
        ({f"image-choice-{code}": "" for code in ("prompted", "missed", "not_seen")}, "one more"),
        ({"new-more": "a choice"}, "Name the new item"),
        ({"word_1": "x" * 41}, "at most 40"),
    ],
)
def test_what_is_no_rubric_is_said_beside_it(client, scene, change, says):
    url = page(scene, "assessment")
    answer = client.post(url, fields(client, url) | change)
    assert answer.status_code == 422
    assert says in answer.content.decode()
    assert now(scene, "assessment").n == 1


def test_there_are_two_kinds(client, scene):
    assert client.get(page(scene, "diary")).status_code == 404
