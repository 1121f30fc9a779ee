"""Reports that are signed: issuing one or a cohort, what became of each, one's own."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import get_language
from django.utils.translation import gettext as _

from accounts.access import P
from accounts.errors import Refused
from accounts.models import BackgroundJob, Person, PersonEvent
from credentialing import queries
from credentialing.actions import batches as asking
from credentialing.actions import reports as actions
from credentialing.models import PlanStanding, Report
from credentialing.reports import batches, build, issuing
from credentialing.reports.content import Unsound
from credentialing.reports.forms import (
    LEAVE_OUT,
    NONE,
    RECOMMENDS,
    YES,
    BatchForm,
    IssueForm,
    WhyForm,
)
from credentialing.reports.orders import INSIDE, OUTSIDE, PDF, Batch, Entry, Order

LATEST = 50
AGAIN = 3  # seconds


def issue(request: HttpRequest, programme: str) -> HttpResponse:
    """One report: made, signed and on record before the answer."""
    form = IssueForm(
        request.POST or None,
        initial={"who": request.GET.get("who", ""), "position": _position(request)},
        people=build.people_of(request.programme, on=request.today),
        today=request.today,
    )
    if form.is_bound and form.is_valid():
        said = form.cleaned_data
        order = _order(request, said, trainee=said["who"])
        there = Report.objects.filter(programme=request.programme, order=order.text)
        if (again := there.standing().first()) is not None:
            return redirect("credentialing:report_issued", programme, again.pk)
        try:
            report = issuing.issue(
                order=order,
                recommends=RECOMMENDS[said["recommends"]],
                sentence=said["sentence"],
                origin=_origin(request),
                by=request.user,
                at=timezone.now(),
            )
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, str(refusal))
        except Unsound as wrong:
            form.add_error(None, str(wrong))
        except Person.DoesNotExist:
            form.add_error("who", _("This person did not belong to the programme by that day."))
        else:
            messages.success(request, _("Signed and issued."))
            return redirect("credentialing:report_issued", programme, report.pk)
    return render(
        request,
        "credentialing/reports/issue.html",
        {"form": form, "key": actions.key_of(request.programme)},
        status=422 if form.is_bound else 200,
    )


def one(request: HttpRequest, programme: str, report: uuid.UUID) -> HttpResponse:
    return _one(request, _report(request, report), WhyForm())


def revoke(request: HttpRequest, programme: str, report: uuid.UUID) -> HttpResponse:
    its, form = _report(request, report), WhyForm(request.POST)
    if form.is_valid():
        try:
            actions.revoke(
                report=its, why=form.cleaned_data["why"], by=request.user, at=timezone.now()
            )
        except Refused as refusal:
            form.add_error("why", str(refusal))
        else:
            messages.success(request, _("Revoked. Whoever checks it reads so from now on."))
            return redirect("credentialing:report_issued", programme, its.pk)
    return _one(request, its, form, status=422)


def _one(request: HttpRequest, report: Report, form: WhyForm, status: int = 200) -> HttpResponse:
    return render(
        request,
        "credentialing/reports/issued.html",
        {
            "report": report,
            "form": form,
            "may_issue": P.ISSUE_REPORTS in request.rights,
            "check_address": request.build_absolute_uri("/check/"),
        },
        status=status,
    )


def signed(request: HttpRequest, programme: str, report: uuid.UUID) -> HttpResponse:
    """The bytes that were signed, to the person they are about and to whoever exports reports."""
    mine = Report.objects.filter(programme=request.programme, pk=report)
    if P.EXPORT_REPORTS not in request.rights:
        mine = mine.filter(person=request.user)
    its = mine.select_related("file").first()
    if its is None:
        raise Http404
    return HttpResponse(
        bytes(its.file.data),
        content_type="application/pdf",
        headers={
            "Content-Disposition": f'attachment; filename="{its.filename}"',
            "Cache-Control": "no-store",
        },
    )


def own(request: HttpRequest, programme: str) -> HttpResponse:
    """A person's own reports; they stay theirs when the membership ends."""
    mine = Report.objects.filter(programme=request.programme, person=request.user)
    return render(
        request,
        "credentialing/reports/own.html",
        {"reports": mine.select_related("issued_by").order_by("-issued_at", "-seq")},
    )


# --- a cohort ---------------------------------------------------------------------------------


def batch_new(request: HttpRequest, programme: str) -> HttpResponse:
    """Everybody's line with what the director says; `?preset=` fills the choices in, and nothing
    is issued before the page is sent."""
    people, met = _cohort(request)
    form = BatchForm(
        request.POST or None,
        initial={
            "position": _position(request),
            "copy": INSIDE if request.GET.get("preset") == "inside" else OUTSIDE,
        },
        people=people,
        preset=_preset(request, people, met),
        today=request.today,
    )
    if form.is_bound and form.is_valid():
        said = form.cleaned_data
        asked = Batch(
            order=_order(request, said, trainee=""),
            origin=_origin(request),
            copy=said["copy"],
            entries=tuple(
                Entry(pk, RECOMMENDS[said[f"say-{pk}"]], said[f"sentence-{pk}"].strip())
                for pk, _name in people
                if said[f"say-{pk}"] != LEAVE_OUT
            ),
        )
        try:
            job = asking.ask(
                programme=request.programme, batch=asked, by=request.user, at=timezone.now()
            )
        except Refused as refusal:
            form.add_error(refusal.field if refusal.field in form.fields else None, str(refusal))
        else:
            return redirect("credentialing:batch", programme, job.pk)
    rows = [(name, pk in met, say, sentence) for (pk, name), (_pk, say, sentence) in
            zip(people, form.rows(), strict=True)]  # fmt: skip
    return render(
        request,
        "credentialing/reports/batch_new.html",
        {"form": form, "rows": rows, "key": actions.key_of(request.programme)},
        status=422 if form.is_bound else 200,
    )


def batch(request: HttpRequest, programme: str, job: uuid.UUID) -> HttpResponse:
    """How far a batch came; looks again by itself. POST: go on with one that stopped."""
    its = _job(request, job)
    if request.method == "POST":
        asking.again(job=its, by=request.user, at=timezone.now())
        return redirect("credentialing:batch", programme, its.pk)
    reports = (
        Report.objects.filter(batch=its)
        .select_related("person")
        .order_by("person__name", "person_id")
    )
    running = its.state in (asking.State.WAITING, asking.State.RUNNING)
    return looking_again(
        request,
        "credentialing/reports/batch.html",
        {
            "job": its,
            "order": Batch.from_text(its.arguments).order,
            "copy": dict(Report.COPIES)[Batch.from_text(its.arguments).copy],
            "reports": reports,
            "running": running,
            "failed": its.state == asking.State.FAILED,
        },
    )


def batch_zip(request: HttpRequest, programme: str, job: uuid.UUID) -> HttpResponse:
    its = _job(request, job)
    if its.state not in (asking.State.DONE, asking.State.FAILED):
        raise Http404
    names = PersonEvent.objects.filter(programme=request.programme).newest()
    return FileResponse(
        batches.archive(its, names),
        as_attachment=True,
        filename=f"{programme}-reports-{its.asked_at:%Y-%m-%d}.zip",
        content_type="application/zip",
        headers={"Cache-Control": "no-store"},
    )


# --- what these pages share ---------------------------------------------------------------------


def looking_again(request: HttpRequest, template: str, context: dict, status: int = 200):
    """A page that loads itself anew, without a script, while `running`; `?still` stops that
    (WCAG 2.2.2)."""
    refresh = context["running"] and "still" not in request.GET and request.method == "GET"
    answer = render(request, template, {**context, "refresh": refresh}, status=status)
    if refresh:
        answer["Refresh"] = str(AGAIN)
    return answer


def latest(request: HttpRequest) -> list[Report]:
    return list(
        Report.objects.filter(programme=request.programme)
        .select_related("person", "issued_by")
        .order_by("-issued_at", "-seq")[:LATEST]
    )


def latest_batches(request: HttpRequest) -> list[BackgroundJob]:
    jobs = BackgroundJob.objects.filter(programme=request.programme, kind=asking.KIND)
    return list(jobs.select_related("asked_by").order_by("-asked_at")[:10])


def _report(request: HttpRequest, pk: uuid.UUID) -> Report:
    its = (
        Report.objects.filter(programme=request.programme, pk=pk)
        .select_related(
            "person", "issued_by", "key", "sentence", "revoked_by", "revoked_why", "superseding",
            "version",
        )
        .first()
    )  # fmt: skip
    if its is None:
        raise Http404
    return its


def _job(request: HttpRequest, pk: uuid.UUID) -> BackgroundJob:
    jobs = BackgroundJob.objects.filter(programme=request.programme, kind=asking.KIND, pk=pk)
    its = jobs.select_related("asked_by").first()
    if its is None:
        raise Http404
    return its


def _position(request: HttpRequest) -> int:
    return build.position_on(request.programme, request.today)


def _order(request: HttpRequest, said: dict, *, trainee: str) -> Order:
    """The order of a filled form, at the position of the page or of D2, whichever is earlier."""
    newest = build.position_on(request.programme, said["read_by"])
    shown = said.get("position")
    sheet = actions.sheet_of(request.programme)
    return Order(
        programme=str(request.programme.pk),
        trainee=trainee,
        performed_by=said["performed_by"],
        read_by=said["read_by"],
        position=newest if shown is None else min(shown, newest),
        form=PDF,
        language=get_language() or "en",
        copy=said["copy"] if trainee else INSIDE,
        sheet=sheet.n if sheet else 0,
    )


def _origin(request: HttpRequest) -> str:
    return request.build_absolute_uri("/").rstrip("/")


def _cohort(request: HttpRequest) -> tuple[list[tuple[str, str]], set[str]]:
    """Today's trainees as (id, name) by name, and which of them meet their plan."""
    memberships = queries.trainees_on(request.programme, request.today)
    people = {str(one.person_id): one.person.name for one in memberships}
    met = PlanStanding.objects.filter(membership__in=memberships, met=True)
    return (
        sorted(people.items(), key=lambda one: (one[1], one[0])),
        set(map(str, met.values_list("membership__person_id", flat=True))),
    )


def _preset(request: HttpRequest, people: list[tuple[str, str]], met: set[str]) -> dict[str, str]:
    if request.GET.get("preset") == "inside":
        return {pk: NONE for pk, _name in people}
    if request.GET.get("preset") == "met":
        return dict.fromkeys(met, YES)
    return {}
