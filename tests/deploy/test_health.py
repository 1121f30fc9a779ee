"""`/healthz` and `/readyz`."""

import pytest
from django.test import override_settings

from deploy import health


def test_alive_says_so_to_anybody(client, db):
    answer = client.get("/healthz")
    assert (answer.status_code, answer.content) == (200, b"alive\n")


def test_ready_names_everything_it_stands_on(client, db):
    answer = client.get("/readyz")
    assert answer.status_code == 200
    assert answer.json() == {
        "database": "ok",
        "migrations": "ok",
        "storage": "ok",
        "broker": "ok",
    }


def test_a_disk_that_takes_no_file_is_not_ready(client, db, tmp_path):
    a_file = tmp_path / "not-a-folder"
    a_file.write_text("")
    with override_settings(MEDIA_ROOT=a_file / "media"):
        answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json() == {
        "database": "ok",
        "migrations": "ok",
        "storage": "failed",
        "broker": "ok",
    }


@pytest.mark.parametrize("broken", sorted(health.CHECKS))
def test_whatever_fails_is_named_without_its_reason(client, db, monkeypatch, broken):
    def fails() -> None:
        raise RuntimeError("password of the database")

    monkeypatch.setitem(health.CHECKS, broken, fails)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()[broken] == "failed"
    assert b"password" not in answer.content


@pytest.mark.parametrize("path", ["/healthz", "/readyz"])
def test_only_asking_is_possible(client, db, path):
    assert client.post(path).status_code == 405
