"""What stands on every report, and the keys that sign them."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.db.models import Count
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from accounts.errors import Refused
from credentialing.actions import reports as actions
from credentialing.models import SigningKey
from credentialing.reports.forms import SheetForm, WhyForm


def sheet(request: HttpRequest, programme: str) -> HttpResponse:
    """The programme's header, whom to ring, how scans were reviewed."""
    now = actions.sheet_of(request.programme)
    form = SheetForm(
        request.POST or None,
        initial={name: getattr(now, name) for name in actions.SHEET} if now else None,
    )
    if form.is_bound and form.is_valid():
        actions.change_sheet(
            programme=request.programme, by=request.user, at=timezone.now(), **form.cleaned_data
        )
        messages.success(request, _("Saved. Reports made from now on carry it."))
        return redirect("credentialing:report_sheet", programme)
    return render(
        request,
        "credentialing/reports/sheet.html",
        {"form": form},
        status=422 if form.is_bound else 200,
    )


def keys(request: HttpRequest, programme: str) -> HttpResponse:
    """Every key there was. Making the first, replacing the present one."""
    form = WhyForm(request.POST if request.POST.get("do") == "rotate" else None)
    by = {"programme": request.programme, "by": request.user, "at": timezone.now()}
    if request.POST.get("do") == "make":
        actions.make_key(**by)
        messages.success(request, _("There is a key. Give its certificate to whoever checks."))
        return redirect("credentialing:signing_keys", programme)
    if form.is_bound and form.is_valid():
        try:
            actions.rotate_key(why=form.cleaned_data["why"], **by)
        except Refused as refusal:
            form.add_error("why", refusal.sentence)
        else:
            messages.success(request, _("Replaced. What the old key signed stays as it is."))
            return redirect("credentialing:signing_keys", programme)
    rows = (
        SigningKey.objects.filter(programme=request.programme)
        .select_related("made_by", "retired_by", "retired_why")
        .annotate(signed=Count("reports"))
        .defer("sealed")
        .order_by("-n")
    )
    return render(
        request,
        "credentialing/reports/keys.html",
        {"form": form, "keys": rows, "in_use": actions.key_of(request.programme)},
        status=422 if form.is_bound else 200,
    )


def certificate(request: HttpRequest, programme: str, key: uuid.UUID) -> HttpResponse:
    """A certificate to hand out: what a reader of PDF files checks a signature against."""
    its = SigningKey.objects.filter(programme=request.programme, pk=key).first()
    if its is None:
        raise Http404
    return HttpResponse(
        its.certificate,
        content_type="application/x-pem-file",
        headers={"Content-Disposition": f'attachment; filename="{programme}-key-{its.n}.pem"'},
    )
