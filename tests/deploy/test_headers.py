"""The headers of every class of response: pages, refusals, redirects, files, failures."""

import pytest
from django.http import HttpResponse
from django.test import RequestFactory

from deploy.middleware import MAY_ADD, content_policy, response_headers

POLICY = (
    "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
EVERYWHERE = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": (
        "camera=(self), fullscreen=(self), geolocation=(), microphone=(), payment=(), usb=()"
    ),
}

CLASSES = [
    ("a page", "GET", "/sign-in/login/", 200),
    ("a redirect", "GET", "/", 302),
    ("a page of a programme, as a stranger", "GET", "/p/emergency/exams/", 302),
    ("nothing there", "GET", "/nothing/here/", 404),
    ("a method that is not offered", "PUT", "/healthz", 405),
    ("the API, as a stranger", "GET", "/api/v1/whoami", 401),
    ("plain text", "GET", "/healthz", 200),
    ("JSON", "GET", "/readyz", 200),
    ("a static file", "GET", "/static/ui/look.css", 200),
]


def asked(client, method, path):
    """The answer, read to its end: a file is closed only then."""
    answer = client.generic(method, path)
    if answer.streaming:
        b"".join(answer.streaming_content)
    answer.close()
    return answer


@pytest.mark.parametrize(
    ("method", "path", "status"), [c[1:] for c in CLASSES], ids=[c[0] for c in CLASSES]
)
def test_every_class_of_response_carries_them(client, db, method, path, status):
    answer = asked(client, method, path)
    assert answer.status_code == status
    assert {name: answer.headers.get(name) for name in EVERYWHERE} == EVERYWHERE


def test_so_does_a_refused_form(client, db):
    from tests.support.client import StrictClient

    answer = StrictClient(enforce_csrf_checks=True).post("/sign-in/login/")
    assert answer.status_code == 403
    assert answer.headers["Content-Security-Policy"] == POLICY


def test_so_does_a_failure(client, db, monkeypatch):
    def fails(request):
        raise RuntimeError("inside")

    monkeypatch.setattr("deploy.health.JsonResponse", fails)
    client.raise_request_exception = False
    answer = client.get("/readyz")
    assert answer.status_code == 500
    assert answer.headers["Content-Security-Policy"] == POLICY
    assert b"inside" not in answer.content


def test_records_are_kept_by_no_cache_unless_a_view_says_so(client, db):
    assert "no-store" in asked(client, "GET", "/sign-in/login/").headers["Cache-Control"]
    assert "no-store" not in asked(client, "GET", "/static/ui/look.css").headers["Cache-Control"]


def test_a_view_may_open_what_is_listed_and_nothing_else():
    def answering(extra):
        def view(request):
            response = HttpResponse()
            response.csp_extra = extra
            return response

        return response_headers(view)(RequestFactory().get("/"))

    assert (
        "img-src 'self' blob: data:"
        in (answering({"img-src": ["blob:", "data:"]}).headers["Content-Security-Policy"])
    )
    for directive, source in [
        ("script-src", "blob:"),
        ("style-src", "'unsafe-inline'"),
        ("img-src", "https://elsewhere.example"),
        ("default-src", "data:"),
    ]:
        with pytest.raises(ValueError, match="may not be widened"):
            content_policy({directive: [source]})


def test_nothing_unsafe_is_on_the_list():
    assert not [s for sources in MAY_ADD.values() for s in sources if "unsafe" in s or "*" in s]
