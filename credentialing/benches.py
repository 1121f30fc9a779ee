"""Pages at 1x and 10x the data, beside a signed-in page that does nothing."""

from __future__ import annotations

from collections.abc import Iterator
from io import StringIO

from django.core.management import call_command
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.test import Client
from django.test.utils import CaptureQueriesContext, override_settings
from django.urls import include, path, reverse
from django.utils import timezone

from accounts import access
from accounts.benching import Measure, bench, median_ms, scratch_database
from accounts.models import Membership, Role
from accounts.queries import active
from credentialing import standing_bench as standing_bench  # registers its own
from credentialing.actions import standing
from credentialing.models import PlanStanding
from credentialing.reports import benches as _reports  # noqa: F401 (registers its own)
from credentialing.signature_bench import waiting_exam
from review.actions import holds

SMALL, TIMES = (20, 4_000), 15


def nothing(request: HttpRequest, programme: str) -> HttpResponse:
    """The frame of a page of a programme, and no more."""
    return render(request, "ui/base.html")


urlpatterns = [
    path("p/<slug:programme>/nothing/", nothing, name="nothing"),
    path("", include("deploy.urls")),
]


@bench("pages")
def pages() -> Iterator[Measure]:
    """Home, reading list, one reading and cohort at 1x and 10x: milliseconds and queries."""
    counted: dict[str, dict[int, int]] = {}
    with (
        scratch_database(),
        override_settings(ROOT_URLCONF=__name__, ALLOWED_HOSTS=["testserver"]),
    ):
        call_command("collectstatic", interactive=False, verbosity=0)
        access.table()["nothing"] = access.row(GET=access.P.MEMBER)
        for times in (1, 10):
            trainees, scans = SMALL[0] * times, SMALL[1] * times
            call_command("demo_load", trainees=trainees, scans=scans, stdout=StringIO())
            yield from _measure(times, scans, counted)
    for case, queries in counted.items():
        yield Measure(
            "pages", f"queries-{case}", queries[10], queries[1], "queries", SMALL[1] * 10,
            "equal: the count does not grow with the rows",
        )  # fmt: skip


def _measure(times: int, scans: int, counted: dict[str, dict[int, int]]) -> Iterator[Measure]:
    biggest = (
        Membership.objects.on(timezone.now().date())
        .filter(role=Role.TRAINEE)
        .select_related("programme", "person")
        .order_by("-programme__created_at", "person__name")
    )
    trainee = biggest.first()
    programme, now = trainee.programme, timezone.now()
    if not PlanStanding.objects.filter(programme=programme).exists():
        standing.recompute(programme=programme, at=now)
    today = programme.local_date(now)
    director, *_rest = active(programme, Role.DIRECTOR, on=today)
    readers = active(programme, Role.FACULTY, on=today)
    reader, exam = readers[0], waiting_exam(trainee, now)
    holds.take(programme=programme, exam=exam, by=reader, at=now)
    cases = {
        "home": (trainee.person, reverse("credentialing:home", args=[programme.code])),
        "reading-list": (reader, reverse("review:list", args=[programme.code])),
        "reading": (reader, reverse("review:desk", args=[programme.code, exam.pk])),
        "cohort": (director, reverse("credentialing:cohort", args=[programme.code])),
    }
    for case, (person, url) in cases.items():
        client = Client()
        client.force_login(person)
        base = median_ms(_get(client, f"/p/{programme.code}/nothing/"), times=TIMES)
        ours = median_ms(_get(client, url), times=TIMES)
        with CaptureQueriesContext(connection) as queries:
            _get(client, url)()
        counted.setdefault(case, {})[times] = len(queries)
        yield Measure(
            "pages", f"{case}-{times}x", ours, base, "ms", scans, f"{len(queries)} queries"
        )


def _get(client: Client, url: str):
    def get() -> None:
        answer = client.get(url)
        if answer.status_code != 200:
            raise RuntimeError(f"{url}: {answer.status_code}")

    return get
