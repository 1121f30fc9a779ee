"""Sign-in, sign-out, passwords and the pages of refusal, in words."""

import re

import pytest
from allauth.mfa.totp.internal.auth import (
    format_hotp_value,
    hotp_value,
    yield_hotp_counters_from_time,
)
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


def test_a_good_link_asks_for_a_new_password(client, ines, mailoutbox):
    client.post(reverse("account_reset_password"), {"email": "ines@northfield.example"})
    link = re.search(r"https?://[^/]+(/\S+)", mailoutbox[0].body).group(1)
    response = client.get(link, follow=True)
    assert heading(response) == "Choose a new password"
    refused = client.post(response.request["PATH_INFO"], {"password1": "short", "password2": "x"})
    assert 'id="error-summary"' in refused.content.decode()


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


def test_the_second_factor_from_adding_to_leaving(client, ines):
    client.post(
        reverse("account_login"),
        {"login": "ines@northfield.example", "password": factories.PASSWORD},
    )
    assert "Not in use." in client.get(reverse("mfa_index")).content.decode()
    once_more = client.get(reverse("mfa_activate_totp"), follow=True)
    assert heading(once_more) == "Please confirm that it is you"
    page = client.post(
        f"{reverse('account_reauthenticate')}?next={reverse('mfa_activate_totp')}",
        {"password": factories.PASSWORD},
        follow=True,
    ).content.decode()
    assert '<svg viewBox="0 0' in page
    assert "data:" not in page
    secret = re.search(r"<code>([A-Z2-7]+)</code>", page).group(1)
    code = format_hotp_value(hotp_value(secret, next(yield_hotp_counters_from_time())))
    client.post(reverse("mfa_activate_totp"), {"code": code})
    assert "It is in use." in client.get(reverse("mfa_index")).content.decode()
    again = client.get(reverse("mfa_generate_recovery_codes"))
    assert heading(again) == "New recovery codes"
    assert heading(client.get(reverse("mfa_deactivate_totp"))) == "Stop using the app"


def test_recovery_codes_are_listed():
    page = render_to_string(
        "mfa/recovery_codes/index.html",
        {
            "unused_codes": ["1234-5678", "8765-4321"],
            "total_count": 10,
            "can_view_codes": True,
            "can_download_codes": True,
            "can_generate_codes": True,
        },
    )
    assert "2 of 10 are unused." in page
    assert page.count("<li><code>") == 2


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
