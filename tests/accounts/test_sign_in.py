"""Signing in: by e-mail, with limits that are exact, and nothing given away."""

import threading

import pytest
from django.core import mail
from django.db import connection
from django.utils import timezone

from accounts import adapter, notices
from accounts.models import AccessLog, SignInBucket
from tests.factories import PASSWORD, a_director, a_programme, a_trainee

URL = "/sign-in/login/"


@pytest.fixture
def ada(db):
    return a_trainee(a_programme(code="northfield"), password=PASSWORD)


def sign_in(client, email, password):
    return client.post(URL, {"login": email, "password": password})


def test_a_person_signs_in_by_address_whatever_its_case(client, ada):
    answer = sign_in(client, ada.email.upper(), PASSWORD)
    assert (answer.status_code, answer.url) == (302, "/")
    assert AccessLog.objects.filter(what="signed_in", person_id=ada.pk).count() == 1


def test_a_wrong_password_and_an_unknown_address_look_the_same(client, ada):
    wrong = sign_in(client, ada.email, "not this one at all")
    unknown = sign_in(client, "nobody@northfield.example", "not this one at all")
    strip = lambda r, e: r.content.decode().replace(e, "")  # noqa: E731
    assert wrong.status_code == unknown.status_code == 200
    a, b = strip(wrong, ada.email), strip(unknown, "nobody@northfield.example")
    import re

    token = re.compile(r'value="[A-Za-z0-9]{64}"')
    assert token.sub("", a) == token.sub("", b)


def test_a_closed_account_cannot_sign_in_and_a_session_ends_at_once(client, ada):
    client.force_login(ada)
    assert client.get("/p/northfield/").status_code == 302
    ada.is_active = False
    ada.save(update_fields=["is_active"])
    assert client.get("/p/northfield/").url.startswith("/sign-in/")


def test_sign_up_is_closed(client, db):
    answer = client.post("/sign-in/signup/", {"email": "x@y.example", "password1": PASSWORD})
    assert "account/signup_closed.html" in [t.name for t in answer.templates]


@pytest.mark.django_db(transaction=True)
def test_parallel_attempts_never_pass_the_limit_together():
    judged = []

    def guess():
        try:
            for _ in range(5):
                judged.append(adapter.take_attempt("somebody"))
        finally:
            connection.close()

    threads = [threading.Thread(target=guess) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(judged) == 40
    assert sum(judged) == adapter.LIMIT
    assert SignInBucket.objects.get(key="somebody").attempts == adapter.LIMIT


def test_a_used_up_limit_refuses_even_the_right_password(client, ada):
    for _ in range(adapter.LIMIT):
        adapter.take_attempt(adapter.key_of(ada.email))
    answer = sign_in(client, ada.email, PASSWORD)
    assert answer.status_code == 200
    assert not answer.wsgi_request.user.is_authenticated


def test_a_short_password_is_refused(client, ada):
    client.force_login(ada)
    answer = client.post(
        "/sign-in/password/change/",
        {"oldpassword": PASSWORD, "password1": "fourteen chars", "password2": "fourteen chars"},
    )
    assert answer.status_code == 200
    ada.refresh_from_db()
    assert ada.check_password(PASSWORD)


def test_a_new_person_gets_one_mail_with_the_way_in(db):
    programme = a_programme()
    from accounts.actions import people
    from accounts.models import Role

    people.add(
        programme=programme,
        email="new@northfield.example",
        name="Nia Bell",
        role=Role.TRAINEE,
        starts_on=programme.local_date(timezone.now()),
        by=a_director(programme),
        at=timezone.now(),
    )
    assert notices.send_due(at=timezone.now()) == 1
    assert notices.send_due(at=timezone.now()) == 0
    assert [m.to for m in mail.outbox] == [["new@northfield.example"]]
    assert "/sign-in/password/reset/" in mail.outbox[0].body


def test_two_senders_send_once(db):
    programme = a_programme()
    ada = a_trainee(programme)
    now = timezone.now()
    for _ in range(2):
        notices.queue(
            kind="accounts.welcome",
            person=ada,
            programme=programme,
            dedup_key="one",
            context={"path": "/"},
            due_at=now,
        )
    assert notices.send_due(at=now) == 1
    assert len(mail.outbox) == 1
