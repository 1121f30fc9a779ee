"""The exam API: drafts by PUT with preconditions, submission by a PUT of its own.

Every answer about one exam carries its version as the ETag. Without a precondition nothing is
written (RFC 6585, 428). What one may not see answers like what does not exist, byte for byte.
"""

from __future__ import annotations

import re
import uuid
from typing import Any

from django.db.models import Q
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import exceptions, serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from accounts.access import P, standing_of
from accounts.errors import Refused
from accounts.models import Programme
from logbook import drafts, queries
from logbook.actions import exams
from logbook.models import Exam
from logbook.presenting import disagreement_sentences
from logbook.rules import Incomplete

_ETAG = re.compile(r'"([1-9][0-9]{0,8})"')
PAGE = 100


class PreconditionRequired(exceptions.APIException):
    status_code = 428
    default_detail = "Send If-None-Match: * to create, or If-Match with the version to change."
    default_code = "precondition_required"


# --- what is said ---------------------------------------------------------------------------------


class AnswerSerializer(serializers.Serializer):
    right = serializers.CharField(required=False, allow_blank=True)
    left = serializers.CharField(required=False, allow_blank=True)
    pattern = serializers.CharField(required=False, allow_blank=True)
    limited = serializers.BooleanField(required=False)
    confidence = serializers.CharField(required=False, allow_blank=True)


class DraftSerializer(serializers.Serializer):
    """The draft's fields; every one may be missing while it is a draft."""

    applications = serializers.ListField(child=serializers.CharField(), required=False)
    setting = serializers.CharField(required=False)
    place = serializers.CharField(required=False)
    performed_at = serializers.DateTimeField(required=False)
    answered_at = serializers.DateTimeField(required=False)
    age_band = serializers.CharField(required=False)
    position = serializers.CharField(required=False)
    breathing = serializers.CharField(required=False)
    chest_procedure = serializers.CharField(required=False)
    indication = serializers.CharField(required=False)
    note = serializers.CharField(required=False, max_length=drafts.NOTE_LENGTH)
    operator = serializers.CharField(required=False)
    supervision = serializers.CharField(required=False)
    supervisor = serializers.UUIDField(required=False)
    supervisor_typed = serializers.CharField(required=False)
    knew_result = serializers.ChoiceField(["no", "yes"], required=False)
    same_patient = serializers.UUIDField(required=False)
    answers = serializers.DictField(child=AnswerSerializer(), required=False)
    findings = serializers.DictField(
        child=serializers.DictField(child=serializers.CharField()), required=False
    )


class ExamWriteSerializer(serializers.Serializer):
    programme = serializers.SlugField(help_text="The programme's code.")
    draft = DraftSerializer()


class ScanSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    application = serializers.CharField(source="application.code")
    state = serializers.CharField()
    first_answer = serializers.CharField()
    first_confidence = serializers.CharField()


class CaptureSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    ordinal = serializers.IntegerField()
    zone = serializers.CharField()
    probe = serializers.CharField()
    depth_mm = serializers.IntegerField(allow_null=True)
    mode = serializers.CharField()
    kind = serializers.CharField()
    state = serializers.CharField()
    refusal = serializers.CharField()


class ExamSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    programme = serializers.CharField(source="programme.code")
    code = serializers.CharField()
    version = serializers.IntegerField()
    state = serializers.CharField()
    first_received_at = serializers.DateTimeField(allow_null=True)
    draft = serializers.SerializerMethodField(help_text="Null when nothing is unsubmitted.")
    scans = ScanSerializer(many=True)
    captures = serializers.SerializerMethodField()

    def get_draft(self, exam: Exam) -> DraftSerializer(allow_null=True):
        return drafts.read(exam.draft) if exam.draft is not None else None

    def get_captures(self, exam: Exam) -> CaptureSerializer(many=True):
        gone = ("covered", "removed", "expired")
        return CaptureSerializer(
            [c for c in exam.captures.all() if c.state not in gone], many=True
        ).data


class SubmissionSerializer(ExamSerializer):
    revision = serializers.IntegerField(source="revision.n")
    disagreements = serializers.SerializerMethodField(
        help_text="Sentences where answer and findings do not go together; never before."
    )

    def get_disagreements(self, exam: Exam) -> list[str]:
        return disagreement_sentences(exam, queries.logbook_of(exam.programme))


class ConflictSerializer(serializers.Serializer):
    detail = serializers.CharField()
    stored = ExamSerializer()
    yours = DraftSerializer()


class RefusalSerializer(serializers.Serializer):
    detail = serializers.CharField()
    code = serializers.CharField()
    fields = serializers.DictField(child=serializers.CharField(), required=False)


# --- how it is said -------------------------------------------------------------------------------


def _shown(exam: Exam, status: int = 200, serializer=ExamSerializer) -> Response:
    exam = Exam.objects.select_related("programme", "revision").get(pk=exam.pk)
    return Response(serializer(exam).data, status=status, headers={"ETag": exam.etag})


def _stale(stored: Exam, yours: Any) -> Response:
    body = {
        "detail": "This exam was changed elsewhere since that version.",
        "stored": ExamSerializer(stored).data,
        "yours": yours,
    }
    return Response(body, status=412, headers={"ETag": stored.etag})


def _refused(refused: Refused) -> Response:
    body: dict[str, Any] = {"detail": str(refused.sentence), "code": refused.code}
    if isinstance(refused, Incomplete):
        body["fields"] = refused.faults
    elif refused.field:
        body["fields"] = {refused.field: str(refused.sentence)}
    status = 422 if refused.status == 400 else refused.status
    return Response(body, status=status)


def _named_version(request: Request, *, may_create: bool) -> int | None:
    """The version that the request names; None to create. Raises 428 and 400."""
    match, none_match = request.headers.get("If-Match"), request.headers.get("If-None-Match")
    if may_create and none_match is not None and match is None:
        if none_match.strip() != "*":
            raise exceptions.ParseError("If-None-Match takes * here.")
        return None
    if match is None or none_match is not None:
        if match is not None:
            raise exceptions.ParseError("Send If-Match or If-None-Match, not both.")
        raise PreconditionRequired
    found = _ETAG.fullmatch(match.strip())
    if found is None:
        raise exceptions.ParseError('If-Match names one version, such as "3".')
    return int(found[1])


def _own(request: Request, exam_id: uuid.UUID) -> Exam:
    """One's own exam; anybody else's is missing, fellow trainees' and one's readings included."""
    exam = (
        Exam.objects.of_trainee(request.user)
        .select_related("programme", "revision")
        .filter(pk=exam_id)
        .first()
    )
    if exam is None:
        raise exceptions.NotFound
    return exam


def _check_may_record(request: Request, programme: Programme | None) -> None:
    """Raises 403 for whoever does not record exams there: a missing programme looks the same."""
    rights = frozenset()
    if programme is not None:
        today = programme.local_date(timezone.now())
        rights = standing_of(request.user, programme, on=today).rights
    if P.RECORD_EXAMS not in rights:
        raise exceptions.PermissionDenied("You do not record exams in this programme.")


PRECONDITIONS = [
    OpenApiParameter(
        "If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER,
        description='The version that is changed, such as "3".',
    ),
    OpenApiParameter(
        "If-None-Match", OpenApiTypes.STR, OpenApiParameter.HEADER,
        description="* creates the exam.",
    ),
]  # fmt: skip


class ExamList(APIView):
    @extend_schema(
        responses=ExamSerializer(many=True),
        parameters=[OpenApiParameter("before", OpenApiTypes.UUID,
                                     description="Exams older than this one of yours.")],
    )  # fmt: skip
    def get(self, request: Request) -> Response:
        """One's own exams, newest first, a hundred at a time."""
        found = Exam.objects.of_trainee(request.user).latest_first()
        if before := request.query_params.get("before"):
            try:
                mark = _own(request, uuid.UUID(before))
            except ValueError:
                raise exceptions.ParseError("before names an exam.") from None
            older = Q(created_at__lt=mark.created_at)
            found = found.filter(older | Q(created_at=mark.created_at, id__lt=mark.pk))
        found = found.select_related("programme", "revision").prefetch_related(
            "scans__application", "captures"
        )
        return Response(ExamSerializer(found[:PAGE], many=True).data)


class ExamDetail(APIView):
    @extend_schema(responses={200: ExamSerializer, 404: OpenApiResponse()})
    def get(self, request: Request, exam_id: uuid.UUID) -> Response:
        """One's own exam with its draft."""
        return _shown(_own(request, exam_id))

    @extend_schema(
        request=ExamWriteSerializer,
        parameters=PRECONDITIONS,
        responses={
            200: ExamSerializer,
            201: ExamSerializer,
            404: OpenApiResponse(description="Not there, or not yours."),
            409: OpenApiResponse(description="The identifier is taken; take a new one."),
            412: ConflictSerializer,
            422: RefusalSerializer,
            428: OpenApiResponse(description="Name a version."),
        },
    )
    def put(self, request: Request, exam_id: uuid.UUID) -> Response:
        """Keeps a draft. An equal draft is accepted and writes nothing."""
        version = _named_version(request, may_create=True)
        programme = None
        if version is None:
            programme, draft = self._read(request)
        else:
            exam = _own(request, exam_id)  # before the body is looked at: 404 says nothing else
            programme, draft = self._read(request)
            if programme != exam.programme:
                raise exceptions.ValidationError({"programme": "An exam stays in its programme."})
        _check_may_record(request, programme)
        try:
            saved = exams.save_draft(
                exam_id=exam_id,
                programme=programme,
                draft=draft,
                version=version,
                by=request.user,
                at=timezone.now(),
            )
        except exams.Missing:
            raise exceptions.NotFound from None
        except exams.Taken:
            return Response(status=409)
        except exams.Stale as stale:
            return _stale(stale.exam, drafts.clean(draft))
        except drafts.Misshapen as wrong:
            raise exceptions.ValidationError({"draft": wrong.faults}) from wrong
        except Refused as refused:
            return _refused(refused)
        return _shown(saved.exam, 201 if saved.created else 200)

    def _read(self, request: Request) -> tuple[Programme | None, Any]:
        body = request.data
        if not isinstance(body, dict) or set(body) != {"programme", "draft"}:
            raise exceptions.ParseError("Send an object with programme and draft.")
        code = body["programme"]
        if not isinstance(code, str):
            raise exceptions.ParseError("programme is a code.")
        return Programme.objects.filter(code=code).first(), body["draft"]


class Submission(APIView):
    @extend_schema(
        request=None,
        parameters=PRECONDITIONS[:1],
        responses={
            200: SubmissionSerializer,
            404: OpenApiResponse(description="Not there, or not yours."),
            412: ConflictSerializer,
            422: RefusalSerializer,
            428: OpenApiResponse(description="Name a version."),
        },
    )
    def put(self, request: Request, exam_id: uuid.UUID) -> Response:
        """Submits that version of the draft. Asking again gives the same and writes nothing."""
        version = _named_version(request, may_create=False)
        exam = _own(request, exam_id)
        _check_may_record(request, exam.programme)
        try:
            exams.submit(exam=exam, version=version, by=request.user, at=timezone.now())
        except exams.Missing:
            raise exceptions.NotFound from None
        except exams.Stale as stale:
            return _stale(stale.exam, None)
        except Refused as refused:
            return _refused(refused)
        return _shown(exam, serializer=SubmissionSerializer)
