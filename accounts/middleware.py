"""Closed by default: the access table, read-only GETs, keys for the API, the access log."""

import contextlib
from collections.abc import Callable, Iterator

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db import connection, transaction
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseNotAllowed
from django.shortcuts import render
from django.utils import timezone
from rest_framework.views import APIView

from accounts import access
from accounts.access import Answer
from accounts.errors import Refused
from accounts.models import AccessLog, Programme

Handler = Callable[[HttpRequest], HttpResponse]
SAFE = {"GET", "HEAD", "OPTIONS"}


@contextlib.contextmanager
def read_only() -> Iterator[None]:
    """Inside, the database refuses every write."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA query_only = ON")
        try:
            yield
        finally:
            with connection.cursor() as cursor:
                cursor.execute("PRAGMA query_only = OFF")
    else:
        with transaction.atomic():
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION READ ONLY")
            yield


def safe_methods_write_nothing(get_response: Handler) -> Handler:
    """Stands inside the session's middleware, which saves after the answer."""

    def middleware(request: HttpRequest) -> HttpResponse:
        # allauth keeps the state of a sign-in and its limits while it answers.
        if request.method not in SAFE or request.path.startswith("/sign-in/"):
            return get_response(request)
        with read_only():
            return get_response(request)

    return middleware


class AccessTable:
    """Looks every address up, refuses, and leaves what was decided on the request."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.programme = request.standing = None
        request.memberships, request.rights = (), frozenset()
        response = self.get_response(request)
        return response

    def process_view(self, request, view, args, kwargs):
        match = request.resolver_match
        if match.view_name == "static-source":
            return None
        its_row = access.table().get(match.view_name)
        standing = None
        if "programme" in kwargs:
            code = kwargs["programme"]
            if request.user.is_authenticated:
                programme = (
                    Programme.objects.select_related("institution").filter(code=code).first()
                )
                if programme is None:
                    raise Http404
                today = programme.local_date(timezone.now())
                standing = access.standing_of(request.user, programme, on=today)
                request.programme, request.standing = programme, standing
                request.memberships, request.rights = standing.memberships, standing.rights
                request.today = today
        if its_row is not None and issubclass(getattr(view, "cls", object), APIView):
            return None  # the API's permission class asks the same table after its own sign-in
        answer = access.decide(
            its_row, request.method, signed_in=request.user.is_authenticated, standing=standing
        )
        if answer is Answer.YES:
            return None
        if answer is Answer.SIGN_IN:
            back = request.get_full_path() if request.method == "GET" else "/"
            return redirect_to_login(back, settings.LOGIN_URL)
        if answer is Answer.METHOD:
            return HttpResponseNotAllowed(sorted(its_row.methods))
        if answer is Answer.FORBIDDEN:
            raise PermissionDenied
        request.programme = request.standing = None
        request.memberships, request.rights = (), frozenset()
        raise Http404

    def process_exception(self, request, exception):
        if isinstance(exception, Refused):
            return render(
                request,
                "ui/refused.html",
                {"sentence": exception.sentence},
                status=exception.status,
            )
        return None


def access_log(get_response: Handler) -> Handler:
    """Refusals, and the views that the table names, are written down after the answer."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        match = request.resolver_match
        its_row = access.table().get(match.view_name) if match else None
        user = getattr(request, "user", None)
        signed_in = user is not None and user.is_authenticated
        what = ""
        if signed_in and response.status_code in (403, 404) and match:
            what = "refused"
        elif its_row is not None and its_row.log and response.status_code < 400:
            what = its_row.log
        if what:
            programme = getattr(request, "programme", None)
            AccessLog.objects.create(
                at=timezone.now(),
                person_id=user.pk if signed_in else None,
                programme_id=programme.pk if programme else None,
                what=what,
                method=request.method,
                path=request.path[:300],
                status=response.status_code,
                address=request.META.get("REMOTE_ADDR") or None,
            )
        return response

    return middleware
