"""The protocol's own client, `tus-js-client` of the npm registry, unmodified, against the service.

It knows nothing of ours. Real processes, a real line that breaks; what arrives is compared with
what was sent, byte for byte.
"""

from __future__ import annotations

import json
import random
import subprocess
import uuid
from pathlib import Path

import pytest
from django.utils import timezone

from accounts.actions import keys
from deploy.legs import needs
from logbook import keeping, processing
from logbook.models import Upload
from tests import factories as f
from tests.support import cutting, processes

pytestmark = pytest.mark.faults
HERE = Path(__file__).parent / "tus_client"
MIB = 2**20


@pytest.fixture(scope="session")
def node():
    return needs.tus_client()


@pytest.fixture
def ines(transactional_db):
    return f.a_trainee(f.a_programme(code="em"), "Ines Haldor")


@pytest.fixture
def exam(ines):
    return f.drafted_exam(ines, ines.memberships.get().programme, when=timezone.now())


@pytest.fixture(scope="module")
def web(django_db_setup, tmp_path_factory):
    with processes.web(log=tmp_path_factory.mktemp("web") / "web.log", threads=16) as address:
        yield address


@pytest.fixture
def headers(ines):
    _token, key = keys.make(person=ines, name="phone", by=ines, at=timezone.now())
    return {"Authorization": f"Bearer {key}"}


@pytest.fixture
def run(node, web, exam, headers, tmp_path):
    """`run(content, **order)`: what the client's uploads ended with, and its requests."""

    def go(content, *, through=None, **order):
        file = tmp_path / "file"
        file.write_bytes(content)
        base = f"http://127.0.0.1:{through.port}" if through else web
        if "uploadUrl" not in order:
            order["endpoint"] = f"{base}/api/v1/exams/{exam.pk}/uploads"
        order.setdefault("metadata", {"capture": str(uuid.uuid4()), "zone": "R1"})
        done = subprocess.run(
            [node, "send.mjs"],
            cwd=HERE,
            input=json.dumps({"file": str(file), "headers": headers, **order}),
            capture_output=True,
            text=True,
            timeout=180,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-2000:]
        return json.loads(done.stdout.splitlines()[-1])

    return go


def content_of(n, seed=1):
    return random.Random(seed).randbytes(n)


def whole(exam):
    upload = Upload.objects.get(capture__exam=exam)
    return b"".join(keeping.arrived(upload, keeping.key_of(upload)))


def statuses(said, method):
    return [status for how, status, _offset in said["requests"] if how == method]


def test_a_file_in_pieces(run, exam):
    content = content_of(1_000_000)
    said = run(content, chunkSize=300_000)
    assert [end.get("error") for end in said["ends"]] == [None]
    assert [tuple(one) for one in said["requests"]] == [
        ("POST", 201, "0"),
        ("PATCH", 204, "300000"),
        ("PATCH", 204, "600000"),
        ("PATCH", 204, "900000"),
        ("PATCH", 204, "1000000"),
    ]
    assert whole(exam) == content
    assert exam.captures.get().state == "received"


def test_a_cut_in_every_five_megabytes_costs_a_tenth_at_most(run, web, exam, scale):
    """One body for the whole file, cut wherever the seed says; resent bytes by the line's count."""
    size = max(10, scale(50)) * MIB
    content, times = content_of(size), size // (5 * MIB)
    draw = random.Random(77)
    cuts = [draw.randint(60_000, size // times) for _ in range(times)]
    with cutting.line(web, cuts, rate=4 * MIB) as line:
        said = run(content, through=line)
        assert [end.get("error") for end in said["ends"]] == [None]
        assert line.broken == times
        resent = line.sent / size - 1
    print(f"{size / MIB:.1f} MB, {times} cuts, sent again: {resent:.1%}")
    assert whole(exam) == content
    assert resent <= 0.10


def test_who_is_overtaken_asks_and_goes_on(run, exam):
    content = content_of(500_000)
    said = run(content, chunkSize=100_000, overtake=[1, 3])
    assert [end.get("error") for end in said["ends"]] == [None]
    # Told, or cut off on a connection that had idled too long: either way it asks once, and sends
    # what the other did not.
    assert statuses(said, "PATCH").count(409) >= 1
    assert statuses(said, "HEAD") == [200, 200]
    assert statuses(said, "PATCH").count(204) == 3
    assert whole(exam) == content


def test_a_bad_checksum_is_sent_again(run, exam):
    content = content_of(500_000)
    said = run(content, chunkSize=100_000, checksums={"wrong": [2, 3, 5]})
    assert [end.get("error") for end in said["ends"]] == [None]
    assert statuses(said, "PATCH").count(460) == 3
    assert statuses(said, "PATCH").count(204) == 5
    assert whole(exam) == content


def test_two_that_resume_the_same_upload_both_end_and_nothing_is_doubled(run, web, exam):
    content = content_of(2_000_000)
    upload = f.begun_upload(exam, len(content), when=timezone.now())
    said = run(content, uploadUrl=f"{web}/api/v1/uploads/{upload.pk}", chunkSize=50_000, together=3)
    assert [end.get("error") for end in said["ends"]] == [None] * 3
    assert whole(exam) == content
    accepted = statuses(said, "PATCH").count(204)
    assert accepted == len(content) // 50_000
    print(f"409: {statuses(said, 'PATCH').count(409)}")


def test_out_of_time_it_is_gone(run, web, exam):
    content = content_of(100_000)
    upload = f.begun_upload(exam, len(content), when=timezone.now())
    processing.expire(clock=lambda: upload.expires_at)
    said = run(content, uploadUrl=f"{web}/api/v1/uploads/{upload.pk}")
    assert statuses(said, "HEAD") == [410]
    assert said["ends"][0]["status"] == 410


def test_given_up_by_the_client_it_leaves_nothing(run, exam):
    said = run(content_of(500_000), chunkSize=100_000, giveUpAt=200_000)
    assert said["ends"][0].get("givenUp")
    capture = exam.captures.get()
    assert (capture.state, capture.upload.sealed_key) == ("removed", None)
    assert not (keeping.staging().root / str(capture.upload.pk)).exists()


def test_where_no_patch_passes_it_says_its_method_in_a_header(run, exam):
    content = content_of(300_000)
    said = run(content, chunkSize=100_000, override=True)
    assert [end.get("error") for end in said["ends"]] == [None]
    assert statuses(said, "PATCH") == []
    assert whole(exam) == content
