"""The director's exports: one trainee at once, the cohort in the background."""

from __future__ import annotations

import uuid

from django.core.files.storage import storages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import get_language
from django.views.decorators.http import require_safe

from accounts.access import P
from accounts.errors import Refused
from accounts.models import BackgroundJob
from credentialing.actions.reports import key_of, sheet_of
from credentialing.reports import actions, build, issued_views, work
from credentialing.reports.content import Unsound
from credentialing.reports.forms import COHORT, OrderForm
from credentialing.reports.orders import Order

State = BackgroundJob.State


def reports(request: HttpRequest, programme: str) -> HttpResponse:
    """The form, and what one asked for lately. A trainee's file comes back at once."""
    people = build.people_of(request.programme, on=request.today)
    form = OrderForm(
        request.POST if request.method == "POST" else None,
        initial={"who": request.GET.get("who", COHORT)},
        people=people,
        today=request.today,
    )
    if form.is_bound and form.is_valid():
        order = _order(request, form.cleaned_data)
        if not order.trainee:
            actions.ask(
                programme=request.programme, order=order, by=request.user, at=timezone.now()
            )
            return redirect("credentialing:reports", programme)
        try:
            return _file(work.make(order), order, programme)
        except (Refused, Unsound) as wrong:
            form.add_error(None, str(wrong))
    jobs = _own_jobs(request).order_by("-asked_at")[:20]
    return issued_views.looking_again(
        request,
        "credentialing/reports/page.html",
        {
            "form": form,
            "reports": issued_views.latest(request),
            "batches": issued_views.latest_batches(request),
            "may_issue": P.ISSUE_REPORTS in request.rights,
            "key": key_of(request.programme),
            "jobs": [(job, Order.from_text(job.arguments)) for job in jobs],
            "running": any(job.state in (State.WAITING, State.RUNNING) for job in jobs),
        },
        status=422 if form.is_bound else 200,
    )


@require_safe
def download(request: HttpRequest, programme: str, job: uuid.UUID) -> HttpResponse:
    """A file that this person asked for in this programme."""
    its = _own_jobs(request).filter(pk=job, state=State.DONE).exclude(result="").first()
    if its is None:
        raise Http404
    try:
        with storages["default"].open(its.result) as file:
            data = file.read()
    except FileNotFoundError:
        raise Http404 from None
    return _file(data, Order.from_text(its.arguments), programme)


def _own_jobs(request: HttpRequest):
    return BackgroundJob.objects.filter(
        programme=request.programme, kind=actions.KIND, asked_by=request.user
    )


def _order(request: HttpRequest, chosen: dict) -> Order:
    sheet = sheet_of(request.programme)
    return Order(
        programme=str(request.programme.pk),
        trainee="" if chosen["who"] == COHORT else chosen["who"],
        performed_by=chosen["performed_by"],
        read_by=chosen["read_by"],
        position=build.position_on(request.programme, chosen["read_by"]),
        form=chosen["form"],
        sheet=sheet.n if sheet else 0,
        language=get_language() or "en",
    )


def _file(data: bytes, order: Order, code: str) -> HttpResponse:
    return HttpResponse(
        data,
        content_type=order.media_type,
        headers={
            "Content-Disposition": f'attachment; filename="{order.filename(code)}"',
            "Cache-Control": "no-store",
        },
    )
