"""Resumable uploads under the API: begun at the exam, continued at an address of their own.

Every address answers to its own person alone; anybody else's upload is missing, byte for byte.
What a client says of the file is where it was recorded (``zone``, ``probe``, ``depth_mm``,
``mode``) and the capture's identifier; names of files and whatever else is sent are not kept.
"""

from __future__ import annotations

import uuid
from typing import Any

import structlog
from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.http import http_date
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import exceptions, serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from accounts.errors import Refused
from logbook import api, keeping
from logbook.actions import captures, uploads
from logbook.intake.keys import KeyMissing
from logbook.models import Upload
from logbook.models.captures import GONE
from logbook.nudging import nudge
from logbook.tus import headers
from logbook.tus.pool import RETRY_AFTER, Full, leave_body, pool
from logbook.tus.receiving import MOST_PIECES, Broken, Moved, Over, receive

CHECKSUM_MISMATCH = 460
OVERRIDE = "X-HTTP-Method-Override"

log = structlog.get_logger("interspace.captures")


class MetadataSerializer(serializers.Serializer):
    """The pairs of Upload-Metadata."""

    capture = serializers.UUIDField()
    zone = serializers.CharField(max_length=8)
    probe = serializers.CharField(max_length=40, required=False, default="")
    depth_mm = serializers.IntegerField(required=False, default=None, allow_null=True)
    mode = serializers.CharField(max_length=8, required=False, default="b")


class UploadSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    capture = serializers.UUIDField(source="capture_id")
    state = serializers.CharField(source="capture.state")
    size = serializers.IntegerField()
    offset = serializers.IntegerField()
    expires_at = serializers.DateTimeField()


class OtherVersion(exceptions.APIException):
    status_code = 412
    default_detail = f"Send Tus-Resumable: {headers.VERSION}."


class Gone(exceptions.APIException):
    status_code = 410
    default_detail = "This upload is over: given up, refused or out of time. Begin another."


def _header(name: str, description: str) -> OpenApiParameter:
    return OpenApiParameter(
        name, OpenApiTypes.STR, OpenApiParameter.HEADER, description=description
    )


RESUMABLE = _header("Tus-Resumable", "The protocol's version, 1.0.0.")


class Resumable(APIView):
    """What the answers of the protocol have in common."""

    def finalize_response(
        self, request: Request, response: HttpResponse, *args: Any, **kwargs: Any
    ) -> HttpResponse:
        response = super().finalize_response(request, response, *args, **kwargs)
        response.headers["Tus-Resumable"] = headers.VERSION
        if response.status_code == OtherVersion.status_code:
            response.headers["Tus-Version"] = headers.VERSION
        response.headers["Cache-Control"] = "no-store"
        if response.status_code >= 400:
            leave_body(request._request)
        return response

    def options(self, request: Request, **kwargs: Any) -> HttpResponse:
        response = HttpResponse(status=204)
        response.headers["Tus-Version"] = headers.VERSION
        response.headers["Tus-Extension"] = headers.EXTENSIONS
        response.headers["Tus-Checksum-Algorithm"] = ",".join(headers.ALGORITHMS)
        response.headers["Tus-Max-Size"] = str(keeping.limits().file_bytes)
        return response

    def check_version(self, request: Request) -> None:
        try:
            headers.check_version(request.headers.get("Tus-Resumable"))
        except headers.OtherVersion as other:
            raise OtherVersion from other


class UploadBegin(Resumable):
    @extend_schema(
        request=None,
        parameters=[
            RESUMABLE,
            _header("Upload-Length", "The file's size in bytes."),
            _header(
                "Upload-Metadata",
                "capture (an identifier of the sender's), zone, probe, depth_mm, mode; each in "
                "base64. A file's name is not kept.",
            ),
        ],
        responses={
            201: OpenApiResponse(description="Location is the upload's address."),
            404: OpenApiResponse(description="No such exam of yours."),
            409: OpenApiResponse(description="The identifier is taken, or the exam is not open."),
            413: api.RefusalSerializer,
            422: api.RefusalSerializer,
        },
    )
    def post(self, request: Request, exam_id: uuid.UUID) -> HttpResponse:
        """Begins an upload to one's own exam. Begun again with the same identifier and size, it
        is the same upload."""
        exam = api._own(request, exam_id)
        self.check_version(request)
        api._check_may_record(request, exam.programme)
        try:
            size = headers.number("Upload-Length", request.headers.get("Upload-Length"))
            said = headers.metadata(request.headers.get("Upload-Metadata"))
        except headers.Malformed as wrong:
            raise exceptions.ParseError(str(wrong)) from wrong
        metadata = MetadataSerializer(data={k: v for k, v in said.items() if v})
        if not metadata.is_valid():
            fields = {name: " ".join(map(str, all)) for name, all in metadata.errors.items()}
            body = {"detail": _("Look at the marked fields."), "code": "form", "fields": fields}
            return Response(body, status=422)
        described = metadata.validated_data
        try:
            upload = uploads.begin(
                capture_id=described.pop("capture"),
                exam=exam,
                size=size,
                by=request.user,
                at=timezone.now(),
                **described,
            )
        except Refused as refused:
            return api._refused(refused)
        response = HttpResponse(status=201)
        response.headers["Location"] = reverse("api_upload", args=[upload.pk])
        response.headers["Upload-Expires"] = http_date(upload.expires_at.timestamp())
        response.headers["Upload-Offset"] = str(upload.offset)
        return response


class UploadDetail(Resumable):
    @extend_schema(
        responses={
            200: UploadSerializer,
            404: OpenApiResponse(description="Not there, or not yours."),
            410: OpenApiResponse(description="Given up, refused or out of time."),
        },
    )
    def get(self, request: Request, upload_id: uuid.UUID) -> HttpResponse:
        """How far an upload is. HEAD is the protocol's own question and says it in headers."""
        upload = _own(request, upload_id)
        if request.method == "HEAD":
            self.check_version(request)
        _check_alive(upload)
        response = Response(UploadSerializer(upload).data)
        response.headers["Upload-Length"] = str(upload.size)
        response.headers["Upload-Metadata"] = headers.metadata_text(_metadata(upload))
        return _at(response, upload)

    @extend_schema(
        request={headers.CONTENT_TYPE: OpenApiTypes.BINARY},
        parameters=[
            RESUMABLE,
            _header("Upload-Offset", "Where these bytes begin."),
            _header("Upload-Checksum", "sha1 or sha256, a blank, the digest in base64."),
        ],
        responses={
            204: OpenApiResponse(description="Upload-Offset says how far it is."),
            404: OpenApiResponse(description="Not there, or not yours."),
            409: OpenApiResponse(description="Another offset than the upload's."),
            410: OpenApiResponse(description="Given up, refused or out of time."),
            411: OpenApiResponse(description="Say how long the body is."),
            413: OpenApiResponse(description="More than the file's size."),
            415: OpenApiResponse(description="The body is application/offset+octet-stream."),
            460: OpenApiResponse(description="The checksum is another one; nothing was kept."),
            503: OpenApiResponse(description="Too many at once; Retry-After says when."),
        },
    )
    def patch(self, request: Request, upload_id: uuid.UUID) -> HttpResponse:
        """The next bytes. Where the connection breaks, what came is kept, unless a checksum was
        promised."""
        upload = _own(request, upload_id)
        self.check_version(request)
        api._check_may_record(request, upload.programme)
        if request._request.content_type != headers.CONTENT_TYPE:
            return _said(415, f"The body is {headers.CONTENT_TYPE}.")
        try:
            offset = headers.number("Upload-Offset", request.headers.get("Upload-Offset"))
            promise = headers.promise(request.headers.get("Upload-Checksum"))
        except headers.Malformed as wrong:
            raise exceptions.ParseError(str(wrong)) from wrong
        if not request.headers.get("Content-Length"):
            return _said(411, "Say how long the body is: Content-Length.")
        length = headers.number("Content-Length", request.headers["Content-Length"])
        _check_alive(upload)
        if offset != upload.offset:
            return _at(_said(409, "Another offset than the upload's."), upload)
        if offset + length > upload.size or upload.pieces >= MOST_PIECES:
            return _said(413, "More than this upload was begun with.")
        try:
            with pool().slot(request._request):
                taken = receive(
                    upload,
                    request._request,
                    length=length,
                    promise=promise,
                    by=request.user,
                    clock=timezone.now,
                )
        except Full:
            return busy()
        except Moved:
            return _said(409, "Another request was first.")
        except Over as over:
            raise Gone from over
        except Broken:
            return _said(CHECKSUM_MISMATCH, "The checksum is another one.", "Checksum Mismatch")
        except KeyMissing as lost:
            log.warning("upload without its key", upload=str(upload.pk))
            raise Gone from lost
        except OSError as failure:
            log.error("staging cannot be written", failure=repr(failure))
            return _said(507, "There is no room for it at the moment.")
        if taken.cut:
            log.info("cut", upload=str(upload.pk), offset=taken.offset, of=upload.size)
            # Whoever is still there has been silent for too long, and may come again.
            leave_body(request._request)
            return busy()
        if taken.offset == upload.size:
            nudge(upload.capture_id)
        upload.offset = taken.offset
        return _at(HttpResponse(status=204), upload)

    @extend_schema(
        parameters=[RESUMABLE],
        responses={
            204: OpenApiResponse(description="Given up; nothing of it is kept."),
            404: OpenApiResponse(description="Not there, or not yours."),
            409: OpenApiResponse(description="It is part of what has been read."),
            410: OpenApiResponse(description="It was over already."),
        },
    )
    def delete(self, request: Request, upload_id: uuid.UUID) -> HttpResponse:
        """Gives an upload up, and the capture with it."""
        upload = _own(request, upload_id)
        self.check_version(request)
        api._check_may_record(request, upload.programme)
        _check_alive(upload)
        try:
            captures.remove(capture=upload.capture, by=request.user, at=timezone.now())
        except Refused as refused:
            return _said(409, str(refused.sentence))
        return HttpResponse(status=204)

    @extend_schema(exclude=True)
    def post(self, request: Request, upload_id: uuid.UUID) -> HttpResponse:
        """For clients whose line lets no other method through, as the protocol has it."""
        _own(request, upload_id)
        self.check_version(request)
        handler = {"PATCH": self.patch, "DELETE": self.delete}.get(
            request.headers.get(OVERRIDE, "").upper()
        )
        if handler is None:
            raise exceptions.MethodNotAllowed("POST")
        return handler(request, upload_id)


def busy() -> HttpResponse:
    response = _said(503, "Many files are coming in at this moment. Try again shortly.")
    response.headers["Retry-After"] = str(RETRY_AFTER)
    return response


def _own(request: Request, upload_id: uuid.UUID) -> Upload:
    """One's own upload; anybody else's is missing."""
    found = (
        Upload.objects.filter(pk=upload_id, capture__exam__trainee=request.user)
        .select_related("capture", "programme")
        .first()
    )
    if found is None:
        raise exceptions.NotFound
    return found


def _check_alive(upload: Upload) -> None:
    """Raises Gone, also for one whose time is over before the sweep has come by."""
    over = upload.capture.state in (*GONE, "refused")
    if over or (upload.received_at is None and upload.expires_at <= timezone.now()):
        raise Gone


def _metadata(upload: Upload) -> dict[str, str]:
    capture = upload.capture
    said = {
        "capture": str(capture.pk),
        "zone": capture.zone,
        "probe": capture.probe,
        "depth_mm": "" if capture.depth_mm is None else str(capture.depth_mm),
        "mode": capture.mode,
    }
    return {name: value for name, value in said.items() if value}


def _at(response: HttpResponse, upload: Upload) -> HttpResponse:
    response.headers["Upload-Offset"] = str(upload.offset)
    response.headers["Upload-Expires"] = http_date(upload.expires_at.timestamp())
    return response


def _said(status: int, detail: str, reason: str | None = None) -> Response:
    response = Response({"detail": detail}, status=status)
    if reason is not None:
        response.reason_phrase = reason
    return response
