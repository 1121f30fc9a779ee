"""The proxy as its example says, before the real service: what it sends on and what it keeps."""

from __future__ import annotations

import re
import subprocess
import urllib.error
import urllib.request

import pytest
from django.conf import settings
from django.test import Client
from django.utils import timezone

from deploy.legs import needs
from tests import factories as f
from tests.logbook.intake import samples
from tests.support import processes

pytestmark = pytest.mark.journey

EXAMPLE = processes.ROOT / "deploy" / "services" / "proxy.conf.example"
# Of nginx's own choice where it sends a file itself, of each answer's moment, or of words, which a
# picture has none of.
ITS_OWN = {"server", "date", "connection", "content-length", "last-modified", "etag",
           "accept-ranges", "transfer-encoding", "x-request-id", "content-language"}  # fmt: skip


@pytest.fixture
def service(transactional_db, tmp_path):
    env = processes.environment(INTERSPACE_ACCEL_LOCATION="/inside/")
    with processes.web(log=tmp_path / "web.log", env=env) as address:
        yield address


@pytest.fixture
def proxy(service, tmp_path):
    """nginx with the example's own lines; what differs is where things are on this machine."""
    port, web = needs.free_port(), service.rpartition(":")[2]
    server = EXAMPLE.read_text("utf-8")
    for here, there in {
        r"listen 443 ssl;": f"listen 127.0.0.1:{port};",
        r"server_name .*;": "server_name _;",
        r"127\.0\.0\.1:800[01];": f"127.0.0.1:{web};",
        r"/var/lib/interspace/media/": f"{settings.DATA_DIR}/media/",
        r"Host \$host;": f"Host $host:{port};",
    }.items():
        server, found = re.subn(here, there, server)
        assert found, here
    places = "".join(
        f"{kind}_temp_path {tmp_path / kind};\n"
        for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    conf = tmp_path / "nginx.conf"
    conf.write_text(
        f"daemon off; user root; worker_processes 1; pid {tmp_path / 'pid'};\n"
        f"error_log {tmp_path / 'error.log'};\nevents {{}}\n"
        f"http {{\naccess_log off;\n{places}{server}}}\n"
    )
    command = [needs.nginx(), "-e", str(tmp_path / "error.log"), "-c", str(conf)]
    subprocess.run([*command, "-t", "-q"], check=True)
    with processes.started(command, log=tmp_path / "nginx.log"):
        address = f"http://127.0.0.1:{port}"
        processes.until(lambda: processes.answers(f"{address}/healthz"), seconds=20, what="nginx")
        yield address


class Straight(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


def get(url, person=None, **headers):
    """(status, headers, body) without following anything."""
    if person is not None:
        client = Client()
        client.force_login(person)
        headers["Cookie"] = f"session={client.cookies['session'].value}"
    request = urllib.request.Request(url, headers=headers)
    try:
        answer = urllib.request.build_opener(Straight).open(request, timeout=20)
    except urllib.error.HTTPError as refused:
        answer = refused
    with answer:
        said = {name.lower(): value for name, value in answer.headers.items()}
        return answer.status, said, answer.read()


def test_captures_go_by_way_of_the_proxy_and_lose_nothing_that_protects(service, proxy):
    programme = f.a_programme(code="em")
    ines, eve = f.a_trainee(programme, "Ines Haldor"), f.a_trainee(programme, "Eve Marsh")
    exam = f.drafted_exam(ines, programme, when=timezone.now())
    capture = f.kept_capture(exam, samples.clip(), when=timezone.now())
    path = f"/p/em/captures/{capture.pk}/play/"

    status, straight, body = get(service + path, ines)
    assert (status, body) == (200, b"")
    place = straight.pop("x-accel-redirect")
    status, said, whole = get(proxy + path, ines)
    kept = settings.DATA_DIR / "media" / capture.master_key
    assert (status, whole) == (200, kept.read_bytes())
    for name in straight.keys() - ITS_OWN:
        assert said.get(name) == straight[name], name
    assert "sandbox" in said["content-security-policy"]
    assert said["x-content-type-options"] == "nosniff"

    status, said, part = get(proxy + path, ines, Range="bytes=10-19")
    assert (status, part) == (206, whole[10:20])
    assert said["content-range"] == f"bytes 10-19/{len(whole)}"
    assert "sandbox" in said["content-security-policy"]

    assert get(proxy + path)[0] == 302  # to sign in
    assert get(proxy + path, eve)[0] == 404
    assert get(proxy + place, ines)[0] == 404  # inside, for nobody from outside


def test_pages_and_pieces_are_let_through_up_to_their_size(proxy):
    assert get(f"{proxy}/sign-in/login/")[0] == 200
    assert sent(f"{proxy}/sign-in/login/", 3) == 413
    assert sent(f"{proxy}/api/v1/uploads/", 3) not in (413, 502)


def sent(url, mib):
    request = urllib.request.Request(url, data=bytes(mib * 2**20), method="POST")
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status
    except urllib.error.HTTPError as refused:
        with refused:
            return refused.status
