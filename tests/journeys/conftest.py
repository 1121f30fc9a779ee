"""People at their own screens. A complaint of the browser about a page fails its test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.test import Client

from accounts.models import Person
from tests import factories as f

PHONE = {
    "viewport": {"width": 360, "height": 740},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESK = {"viewport": {"width": 1280, "height": 800}}


@pytest.fixture
def screen(transactional_db: None, web: str, browser: Any) -> Iterator[Callable[..., Any]]:
    """`screen(**context)`: a page of a browser of its own, at the service's door."""
    opened, complaints = [], []

    def open_page(who: Person | None = None, /, **options: Any) -> Any:
        options = {"base_url": web, "locale": "en-GB", "timezone_id": "Europe/Berlin", **options}
        context = browser.new_context(**options)
        context.set_default_timeout(15_000)
        opened.append(context)
        if who is not None:
            signed_in = Client()
            signed_in.force_login(who)
            cookie = signed_in.cookies["session"].value
            context.add_cookies([{"name": "session", "value": cookie, "url": web}])
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
        return page

    open_page.complaints = complaints
    yield open_page
    for context in opened:
        for page in context.pages:  # shown where the test failed
            print(f"\n{page.url}\n{page.inner_text('body')[:1500]}")
        context.close()
    assert complaints == []


def with_password(person: Person) -> Person:
    """The person can sign in at the real server, which knows no cheap hash."""
    hasher = Argon2PasswordHasher()
    person.password = hasher.encode(f.PASSWORD, hasher.salt())
    person.save(update_fields=["password"])
    return person
