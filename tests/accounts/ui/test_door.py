"""Sign-in, sign-out, passwords and the pages of refusal, in words."""

import re

import pytest
from django.contrib.auth.tokens import default_token_generator
from django.template.loader import render_to_string
from django.urls import reverse

from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def ines():
    programme = factories.a_programme()
    return factories.a_member(
        programme,
        "trainee",
        "Ines Valkama",
        email="ines@northfield.example",
        password=factories.PASSWORD,
    )


def heading(response) -> str:
    return re.search(r"<h1>([^<]+)</h1>", response.content.decode()).group(1)


def test_the_door_is_ours(client):
    response = client.get(reverse("account_login"))
    page = response.content.decode()
    assert heading(response) == "Sign in"
    assert page.count('class="door-drawing"') == 1
    assert re.findall(r"\sstyle=|<style|\son\w+=", page) == []


def test_a_refused_sign_in_keeps_the_address_and_says_what_is_wrong(client, ines):
    response = client.post(
        reverse("account_login"), {"login": "ines@northfield.example", "password": "not this one"}
    )
    page = response.content.decode()
    assert 'value="ines@northfield.example"' in page
    assert 'id="error-summary"' in page
    assert "not this one" not in page


def test_where_one_was_going_is_not_lost(client):
    page = client.get(reverse("account_login") + "?next=/p/north/").content.decode()
    assert re.search(r'<input type="hidden" name="next" value="/p/north/"', page)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("account_reset_password", "A new password"),
        ("account_reset_password_done", "Look in your mail"),
        ("account_reset_password_from_key_done", "Your password is changed"),
        ("account_inactive", "This account is closed"),
        ("account_signup", "Accounts are made by your programme"),
    ],
)
def test_pages_before_signing_in(client, name, words):
    assert heading(client.get(reverse(name))) == words


def test_a_worn_out_link_says_so(client):
    response = client.get(reverse("account_reset_password_from_key", args=["a", "b-c"]))
    assert heading(response) == "This link no longer works"


def test_a_good_link_asks_for_a_new_password(client, ines):
    from allauth.account.utils import user_pk_to_url_str

    key = default_token_generator.make_token(ines)
    response = client.get(
        reverse("account_reset_password_from_key", args=[user_pk_to_url_str(ines), key]),
        follow=True,
    )
    assert response.status_code == 200


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("account_change_password", "Change your password"),
        ("account_logout", "Sign out?"),
        ("account_reauthenticate", "Please confirm that it is you"),
    ],
)
def test_pages_of_ones_own(client, ines, name, words):
    client.force_login(ines)
    assert heading(client.get(reverse(name))) == words


def test_the_second_factor_is_drawn_not_linked(client, ines):
    client.post(
        reverse("account_login"),
        {"login": "ines@northfield.example", "password": factories.PASSWORD},
    )
    assert "No recovery codes" in client.get(reverse("mfa_index")).content.decode()
    page = client.get(reverse("mfa_activate_totp")).content.decode()
    assert '<svg viewBox="0 0' in page
    assert "data:" not in page


@pytest.mark.parametrize("status", ["400", "403", "404", "409", "429", "500", "503", "403_csrf"])
def test_a_page_of_refusal_needs_nothing_but_itself(status, django_assert_num_queries):
    with django_assert_num_queries(0):
        page = render_to_string(f"{status}.html")
    assert len(re.findall(r"<h1>[^<]+</h1>", page)) == 1
    assert "shell" not in page


def test_a_refusal_says_its_sentence():
    page = render_to_string("403.html", {"sentence": "Only the signer may correct this."})
    assert "<p>Only the signer may correct this.</p>" in page


@pytest.mark.parametrize("status", ["500", "503"])
def test_when_we_fail_the_patient_comes_first(status):
    assert "Call now." in render_to_string(f"{status}.html")


def test_while_the_demonstration_loads():
    page = render_to_string(
        "ui/progress.html",
        {
            "title": "Setting up",
            "lead": "",
            "label": "Exams",
            "done": 640,
            "all": 1400,
            "refresh": 2,
            "steps": [{"label": "People", "done": True}, {"label": "Exams", "current": True}],
        },
    )
    assert "640 of 1400" in page
    assert '<meta http-equiv="refresh" content="2">' in page
    assert '<li aria-current="step">Exams</li>' in page
