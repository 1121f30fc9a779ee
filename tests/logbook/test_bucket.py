"""Captures in an S3-compatible bucket, against moto's server, set up as deploy/settings does it."""

import hashlib
import io
import json
import os
import subprocess
import sys
import warnings

import pytest
from django.core.files.storage import storages
from django.test import Client
from django.utils import timezone

from logbook import keeping, upkeep
from logbook.intake.store import S3Store
from tests.factories import drafted_exam, kept_capture
from tests.logbook.intake import samples
from tests.support.processes import ROOT

NOW = timezone.now
PROGRAMME = "0199aaaa-0000-7000-8000-000000000001"


@pytest.fixture(scope="module")
def server():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from moto.server import ThreadedMotoServer

        one = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
        one.start()
        host, port = one.get_host_and_port()
        yield f"http://{host}:{port}"
        one.stop()


@pytest.fixture(scope="module")
def said(server):
    """What deploy/settings makes of the variables that name a bucket."""
    program = (
        "import json; from deploy import settings as s; o = s.STORAGES['default']['OPTIONS'];"
        "c = o.pop('client_config');"
        "print(json.dumps([s.STORAGES['default']['BACKEND'], o, c.request_checksum_calculation,"
        " c.response_checksum_validation, c.signature_version]))"
    )
    out = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        env={
            **os.environ,
            "INTERSPACE_S3_BUCKET": "captures",
            "INTERSPACE_S3_ENDPOINT": server,
            "INTERSPACE_S3_REGION": "eu-central-1",
            "INTERSPACE_S3_ACCESS_KEY": "invented",
            "INTERSPACE_S3_SECRET_KEY": "invented",
        },
        capture_output=True,
        check=True,
        text=True,
    )
    return json.loads(out.stdout)


@pytest.fixture
def bucket(settings, said, tmp_path):
    """The default storage is a fresh bucket; returns it as boto3 knows it."""
    from botocore.config import Config

    backend, options, request, response, signature = said
    config = Config(
        signature_version=signature,
        request_checksum_calculation=request,
        response_checksum_validation=response,
    )
    options = {**options, "bucket_name": f"captures-{os.urandom(4).hex()}", "client_config": config}
    settings.STAGING_ROOT = tmp_path / "staging"
    settings.STORAGES = {
        **settings.STORAGES,
        "default": {"BACKEND": backend, "OPTIONS": options},
    }
    with warnings.catch_warnings():
        # boto3's own use of a clock without a zone.
        warnings.simplefilter("ignore", DeprecationWarning)
        made = storages["default"].bucket
        made.create(CreateBucketConfiguration={"LocationConstraint": "eu-central-1"})
        yield made


def test_checksums_are_sent_only_where_required_and_nothing_is_public(said):
    backend, options, request, response, _signature = said
    assert backend == "storages.backends.s3.S3Storage"
    assert (request, response) == ("when_required", "when_required")
    assert options["default_acl"] is None


def test_an_object_is_kept_under_the_name_of_its_content_and_read_in_ranges(bucket):
    store = keeping.store()
    assert isinstance(store, S3Store)
    content = os.urandom(3_000_000)
    stored = store.put(PROGRAMME, io.BytesIO(content))
    digest = hashlib.sha256(content).hexdigest()
    assert stored.key == f"{PROGRAMME}/{digest[:2]}/{digest}"
    assert store.put(PROGRAMME, io.BytesIO(content)) == stored
    assert list(store.keys()) == [stored.key]
    assert store.size(stored.key) == 3_000_000
    assert store.changed_at(stored.key) <= NOW()
    with store.open(stored.key) as remote:
        assert remote.read(12) == content[:12]
        remote.seek(2_999_990)
        assert remote.read() == content[-10:]
        remote.seek(1_500_000)
        assert remote.read(700_000) == content[1_500_000:2_200_000]
    store.remove(stored.key)
    store.remove(stored.key)
    assert not store.exists(stored.key)
    with pytest.raises(FileNotFoundError):
        store.open(stored.key)


def test_a_capture_goes_all_the_way_through_a_bucket(bucket, ines, programme, client):
    exam = drafted_exam(ines, programme, when=NOW())
    capture = kept_capture(exam, samples.clip(), when=NOW())
    assert upkeep.examine(at=NOW()).faults == []
    client.force_login(ines)
    address = f"/p/em/captures/{capture.pk}/play/"
    whole = b"".join(client.get(address).streaming_content)
    assert hashlib.sha256(whole).hexdigest() == capture.master_sha256
    part = client.get(address, headers={"range": "bytes=100-199"})
    assert (part.status_code, b"".join(part.streaming_content)) == (206, whole[100:200])
    # Never an address of the bucket: what the application sends comes through the application.
    page = client.get(f"/p/em/exams/{exam.pk}/captures/").content.decode()
    assert "X-Amz" not in page
    assert bucket.name not in page
    assert Client().get(address).status_code == 302


def test_the_doctor_sees_what_is_altered_missing_and_orphaned_in_a_bucket(bucket, ines, programme):
    exam = drafted_exam(ines, programme, when=NOW())
    capture = kept_capture(exam, samples.picture(), when=NOW())
    bucket.Object(capture.master_key).put(Body=b"other bytes")
    bucket.Object(capture.poster_key).delete()
    faults = {(f.kind, f.where) for f in upkeep.examine(at=NOW()).faults}
    assert faults == {("altered", capture.master_key), ("missing", capture.poster_key)}
