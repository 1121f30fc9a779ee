"""The requests of the protocol, as a client writes them."""

from __future__ import annotations

import base64
import uuid

from django.utils import timezone

NOW = timezone.now
V = {"Tus-Resumable": "1.0.0"}
PIECES = "application/offset+octet-stream"


def pairs(**said):
    """Upload-Metadata: keys and base64 values."""
    encoded = {k: base64.b64encode(str(v).encode()).decode() for k, v in said.items()}
    return ",".join(f"{key} {value}" for key, value in encoded.items())


def described(**more):
    return {"capture": uuid.uuid4(), "zone": "R1", "probe": "linear", "depth_mm": 45, **more}


def begin(client, exam, size, *, said=None, **headers):
    return client.post(
        f"/api/v1/exams/{exam.pk}/uploads",
        headers={
            **V,
            "Upload-Length": str(size),
            "Upload-Metadata": pairs(**(said or described())),
            **headers,
        },
    )


def begun(client, exam, size, **more):
    """The address of a new upload."""
    answer = begin(client, exam, size, **more)
    assert answer.status_code == 201, answer.content
    return answer["Location"]


def head(client, address, **headers):
    return client.head(address, headers={**V, **headers})


def patch(client, address, offset, content, *, content_type=PIECES, **headers):
    return client.patch(
        address,
        content,
        content_type=content_type,
        CONTENT_TYPE=content_type,  # Django's client leaves both out where the body is empty
        CONTENT_LENGTH=str(len(content)),
        headers={**V, "Upload-Offset": str(offset), **headers},
    )


def offset(client, address):
    return int(head(client, address)["Upload-Offset"])
