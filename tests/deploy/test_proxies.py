"""Whom a request comes from: our own proxies are believed, nobody else is."""

import pytest
from django.http import HttpResponse
from django.test import RequestFactory

from deploy.proxies import caller, networks, only_ours_are_believed

OURS = networks(["10.0.0.0/24", "::1"])


@pytest.mark.parametrize(
    ("connected", "forwarded_for", "called"),
    [
        ("192.0.2.7", "", "192.0.2.7"),
        ("192.0.2.7", "203.0.113.1", "192.0.2.7"),  # a stranger's word
        ("10.0.0.9", "192.0.2.7", "192.0.2.7"),
        ("::1", "192.0.2.7", "192.0.2.7"),
        ("10.0.0.9", "203.0.113.1, 192.0.2.7", "192.0.2.7"),  # left of it: the caller's claim
        ("10.0.0.9", "203.0.113.1, 192.0.2.7, 10.0.0.8", "192.0.2.7"),  # two proxies of ours
        ("10.0.0.9", "", "10.0.0.9"),  # one that adds nothing counts as the caller
        ("10.0.0.9", "192.0.2.7, unknown", "10.0.0.9"),
        ("10.0.0.9", "2001:db8::7", "2001:db8::7"),
        ("10.0.0.9", "::ffff:192.0.2.7", "192.0.2.7"),
        ("::ffff:10.0.0.9", "192.0.2.7", "192.0.2.7"),
        ("", "192.0.2.7", ""),
    ],
)
def test_the_nearest_that_is_no_proxy_of_ours(connected, forwarded_for, called):
    assert caller(connected, forwarded_for, OURS) == called


@pytest.mark.parametrize(
    ("connected", "secure", "address"),
    [("10.0.0.9", True, "192.0.2.7"), ("203.0.113.5", False, "203.0.113.5")],
)
def test_what_a_stranger_forwards_is_dropped(settings, connected, secure, address):
    settings.PROXIES = OURS
    settings.SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    seen = []

    def view(request):
        seen.append((request.is_secure(), request.META["REMOTE_ADDR"]))
        return HttpResponse()

    headers = {"x-forwarded-proto": "https", "x-forwarded-for": "192.0.2.7"}
    only_ours_are_believed(view)(RequestFactory().get("/", headers=headers, REMOTE_ADDR=connected))
    assert seen == [(secure, address)]


def test_what_is_no_address_is_refused():
    with pytest.raises(ValueError, match="proxy"):
        networks(["proxy"])
