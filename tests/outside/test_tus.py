"""The tus resumable upload protocol, version 1.0.0, and the examples in its text.

Published at https://tus.io/protocols/resumable-upload. Whole numbers, status codes and the two
worked values below are the specification's own.
"""

from __future__ import annotations

import base64
import hashlib

import pytest

from logbook.tus import headers

# "Upload-Checksum: sha1 Kq5sNclPz7QV2+lfQIuc6R7oRu0=" for the body "hello world" (Checksum).
CHECKSUM = "sha1 Kq5sNclPz7QV2+lfQIuc6R7oRu0="
# "Upload-Metadata: filename d29ybGRfZG9taW5hdGlvbl9wbGFuLnBkZg==,is_confidential" (Creation).
METADATA = "filename d29ybGRfZG9taW5hdGlvbl9wbGFuLnBkZg==,is_confidential"


def test_the_checksum_of_the_specifications_example():
    promise = headers.promise(CHECKSUM)
    hasher = promise.hasher()
    hasher.update(b"hello world")
    assert promise.kept_by(hasher)
    assert base64.b64encode(hashlib.sha1(b"hello world").digest()).decode() == CHECKSUM.split()[1]
    other = promise.hasher()
    other.update(b"hello worlds")
    assert not promise.kept_by(other)


def test_the_metadata_of_the_specifications_example():
    assert headers.metadata(METADATA) == {
        "filename": "world_domination_plan.pdf",
        "is_confidential": "",
    }


def test_metadata_says_the_same_after_a_round_trip():
    said = {"zone": "R1", "note": "Ünïcode, and a comma", "empty": ""}
    assert headers.metadata(headers.metadata_text(said)) == said


@pytest.mark.parametrize("text", ["a b c", "a ?", ", ", "k dg==,k dg==", "ké dg=="])
def test_what_the_specification_forbids_is_refused(text):
    with pytest.raises(headers.Malformed):
        headers.metadata(text)


def test_servers_support_at_least_sha1():
    """Checksum: 'MUST support at least SHA1'."""
    assert "sha1" in headers.ALGORITHMS


@pytest.mark.parametrize("version", [None, "", "1.0", "1.0.1", "2.0.0", "0.2.2"])
def test_only_the_published_version_is_spoken(version):
    with pytest.raises(headers.OtherVersion):
        headers.check_version(version)
    headers.check_version("1.0.0")
