"""The month in figures as a page and a file, and what the counts of everybody did."""

from __future__ import annotations

import datetime as dt
import itertools

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from accounts.access import P
from credentialing import summary as figures
from credentialing.models import STATES, Run, StandingChange
from credentialing.reports import table

MONTHS = 24
RUNS = 60
SHOWN = 200


def _months(today: dt.date) -> list[dt.date]:
    found = [today.replace(day=1)]
    while len(found) < MONTHS:
        found.append((found[-1] - dt.timedelta(days=1)).replace(day=1))
    return found


@require_http_methods(["GET", "HEAD", "POST"])
def summary(request: HttpRequest, programme: str) -> HttpResponse:
    """GET shows; POST gives the same figures as a file."""
    its, today = request.programme, request.today
    months = _months(today)
    asked = (request.POST if request.method == "POST" else request.GET).get("month", "")
    month = next((m for m in months if f"{m:%Y-%m}" == asked), months[1])
    told = figures.month_of(its, month, today=today)
    rows = figures.table(told)
    if request.method == "POST":
        content = table.write(("month", "section", "what", "value"), [
            (f"{month:%Y-%m}", *row) for row in rows
        ])  # fmt: skip
        answer = HttpResponse(content, content_type="text/csv; charset=utf-8")
        answer["Content-Disposition"] = f'attachment; filename="{its.code}-{month:%Y-%m}.csv"'
        return answer
    context = {
        "month": month,
        "months": months,
        "over": told.last < today,
        "sections": [
            (name, [(what, value) for _name, what, value in some])
            for name, some in itertools.groupby(rows, key=lambda row: row[0])
        ],
        "may_manage": P.MANAGE_PEOPLE in request.rights,
        "least": figures.LEAST,
        "now": timezone.now(),
        "zone": its.zone_on(today),
    }
    return render(request, "credentialing/summary.html", context)


@require_safe
def runs(request: HttpRequest, programme: str) -> HttpResponse:
    """Each full count: when, how long, whom, what moved, what failed."""
    its = request.programme
    rows = list(Run.objects.filter(programme=its).order_by("-started_at")[:RUNS])
    context = {
        "zone": its.zone_on(request.today),
        "runs": [(row, _seconds(row)) for row in rows],
        "troubled": [row for row in rows if row.failed or row.differing],
    }
    return render(request, "credentialing/runs.html", context)


@require_safe
def run(request: HttpRequest, programme: str, run_id) -> HttpResponse:
    """What changed in one count: whose number became what."""
    its = request.programme
    row = get_object_or_404(Run, pk=run_id, programme=its)
    changes = StandingChange.objects.filter(
        programme=its,
        recorded_at__gte=row.started_at,
        recorded_at__lte=row.finished_at or timezone.now(),
    )
    names = dict(STATES)
    shown = changes.select_related("membership__person", "clause").order_by(
        "membership__person__name", "clause__ordinal", "id"
    )[:SHOWN]
    context = {
        "zone": its.zone_on(request.today),
        "run": row,
        "seconds": _seconds(row),
        "total": changes.count(),
        "changes": [(one, names.get(one.before, "–"), names[one.after]) for one in shown],
    }
    return render(request, "credentialing/run.html", context)


def _seconds(run: Run) -> float | None:
    return (run.finished_at - run.started_at).total_seconds() if run.finished_at else None
