"""Who may, at every address, by every method, as everybody: held against a policy of its own.

`MAY` is written by hand and knows nothing of the access table: for each address and method, who
gets in. Everybody else must be turned away: a stranger to sign-in, an outsider with 404, an
insider with 403 or 404. Addresses of one object are asked with an object of the first programme
and with one that does not exist; where they refuse, the two answers are the same bytes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import pytest
from django.db import connection, transaction
from django.test import Client
from django.urls import get_resolver, reverse
from django.utils import timezone

from accounts import access
from accounts.access import SHUT
from accounts.actions import keys
from tests.guards.policy import MAY, OPEN
from tests.guards.world import World, a_world

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
# Whoever asks where the answer is another method's, or every method's without a row, once the
# other database has heard everybody: a stranger, who may most, and somebody of another programme.
FEW = ("nobody", "dora", "eve")
KEYED = {  # answer to a key as well
    "api_whoami", "api_exams", "api_exam", "api_submission", "api_uploads", "api_upload",
}  # fmt: skip
OUTSIDERS = ("eve", "finn", "gil", "hana", "kit")


def addresses() -> dict[str, set[str]]:
    """Every URL name with the arguments it takes."""
    found: dict[str, set[str]] = {}

    def walk(resolver, prefix: str, arguments: set[str]) -> None:
        for part in resolver.url_patterns:
            its = arguments | set(part.pattern.converters) | set(part.pattern.regex.groupindex)
            if hasattr(part, "url_patterns"):
                walk(part, f"{prefix}{part.namespace}:" if part.namespace else prefix, its)
            else:
                found[prefix + (part.name or "")] = its

    walk(get_resolver(), "", set())
    return found


def test_every_address_is_in_the_table_and_every_row_is_an_address():
    names = addresses().keys()
    assert set(names) - set(access.table()) - set(SHUT) == set()
    assert set(access.table()) - set(names) == set()


def test_every_address_is_in_the_policy_of_this_test():
    assert set(addresses()) - set(MAY) - set(OPEN) - set(SHUT) == set()
    assert (set(MAY) | set(OPEN)) - set(addresses()) == set()


@dataclass
class Tally:
    """What the sweep counted."""

    asked: int = 0
    leaks: list[str] = field(default_factory=list)
    wrong_refusals: list[str] = field(default_factory=list)
    telling: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)


@pytest.fixture
def world(db) -> World:
    return a_world()


def bare(body: bytes) -> bytes:
    """An answer without what differs by design: tokens against forgery, the address asked."""
    body = re.sub(rb'value="[A-Za-z0-9]{64}"', b"", body)
    return re.sub(rb"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", b"", body)


class Rollback(Exception):
    """Ends one question without a trace."""


def ask(client: Client, method: str, url: str, **headers):
    """One question whose effects are undone."""
    answer = None
    try:
        with transaction.atomic():
            answer = client.generic(method, url, **headers)
            if answer.streaming:
                b"".join(answer.streaming_content)
            raise Rollback
    except Rollback:
        return answer


def gets_in(answer) -> bool:
    if answer.status_code in (401, 403, 404, 405):
        return False
    return not (answer.status_code == 302 and answer.url.startswith("/sign-in/login/"))


@pytest.mark.long(130)
def test_everybody_gets_what_is_theirs_and_nothing_else(world: World, request):
    tally = Tally()
    clients = {"nobody": Client(raise_request_exception=False)}
    for name, person in world.people.items():
        clients[name] = Client(raise_request_exception=False)
        clients[name].force_login(person)
    world.close("jon")
    tokens = {
        name: keys.make(person=person, name="sweep", by=person, at=timezone.now())[1]
        for name, person in world.people.items()
        if name != "jon"
    }
    for name, arguments in sorted(addresses().items()):
        if name in OPEN or name in SHUT or name.startswith(("account_", "mfa_")):
            continue
        values = world.arguments(name, arguments)
        url = reverse(name, kwargs=values)
        missing = reverse(name, kwargs=world.missing(values)) if world.one_object(values) else ""
        for method in METHODS:
            allowed = MAY[name].get("GET" if method == "HEAD" else method, frozenset())
            few = request.config.getoption("--data-only") and method not in MAY[name]
            for who, client in clients.items():
                if few and who not in FEW:
                    continue
                tally.asked += 1
                real = ask(client, method, url)
                judge(tally, name, method, who, real, allowed)
                if missing and who not in allowed and who != "nobody" and method in MAY[name]:
                    tally.asked += 1
                    none = ask(client, method, missing)
                    if (real.status_code, bare(real.content)) != (
                        none.status_code,
                        bare(none.content),
                    ):
                        tally.telling.append(f"{who} {method} {name}")
            if name in KEYED:
                for who, key in tokens.items():
                    tally.asked += 1
                    answer = ask(clients["nobody"], method, url, HTTP_AUTHORIZATION=f"Bearer {key}")
                    judge(tally, name, method, f"{who}", answer, allowed)
    print(
        f"N = {tally.asked} questions, {len(tally.leaks)} leaks, "
        f"{len(tally.wrong_refusals)} wrong refusals, {connection.vendor}"
    )
    request.node.user_properties.append(("N", str(tally.asked)))
    assert (tally.leaks, tally.wrong_refusals, tally.telling, tally.broken) == ([], [], [], [])


def judge(tally: Tally, name, method, who, answer, allowed) -> None:
    case = f"{who} {method} {name}: {answer.status_code}"
    if answer.status_code >= 500:
        tally.broken.append(case)
    elif method == "OPTIONS" or answer.status_code == 428:
        return  # 428: the preconditions are asked for before anything is looked up
    elif gets_in(answer) and who not in allowed:
        tally.leaks.append(case)
    elif not gets_in(answer) and who in allowed:
        if not (method == "HEAD" and name in KEYED and answer.status_code == 405):
            tally.wrong_refusals.append(case)
    elif who in OUTSIDERS and who not in allowed and answer.status_code == 403:
        tally.telling.append(case)


def test_a_missing_programme_looks_like_one_of_others(world: World):
    client = Client()
    client.force_login(world.people["eve"])
    others = client.get(f"/p/{world.first.code}/")
    none = client.get("/p/no-such-programme/")
    assert (others.status_code, bare(others.content)) == (404, bare(none.content))


def everything() -> dict[str, list]:
    """All rows of all tables but sessions, the access log and the cache."""
    from django.apps import apps

    return {
        m._meta.db_table: sorted(map(str, m.objects.values_list()))
        for m in apps.get_models()
        if m._meta.db_table not in ("django_session", "accounts_accesslog")
    }


def test_a_get_changes_nothing(world: World):
    clients = [Client(raise_request_exception=False) for _ in range(3)]
    for client, who in zip(clients, ("ada", "bo", "dora"), strict=True):
        client.force_login(world.people[who])  # which writes when they last signed in
    before = everything()
    asked = 0
    for name, arguments in sorted(addresses().items()):
        if name in SHUT:
            continue
        values = world.arguments(name, arguments)
        url = reverse(name, kwargs=values)
        for client in clients:
            for method in ("GET", "HEAD"):
                answer = client.generic(method, url)
                if answer.streaming:
                    b"".join(answer.streaming_content)
                asked += 1
    print(f"N = {asked} GETs")
    assert everything() == before
