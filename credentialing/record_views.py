"""The record beside the scans: what stands there, adding a line, correcting or taking one back."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from accounts.access import P
from accounts.errors import Forbidden, Refused
from accounts.models import Membership, Role
from credentialing import keeping, queries, rules
from credentialing.actions import record as actions
from credentialing.models import RECORDS
from credentialing.record_forms import FORMS


def _membership(request: HttpRequest, membership_id: uuid.UUID) -> Membership:
    return get_object_or_404(
        Membership.objects.select_related("person", "programme"),
        pk=membership_id,
        programme=request.programme,
        role=Role.TRAINEE,
    )


def _writes(request: HttpRequest, membership: Membership) -> set[str]:
    """The kinds that whoever asks may write in this record."""
    if membership.person_id == request.user.pk:
        return set()
    return {kind for kind in RECORDS if rules.permission_for(kind) in request.rights}


@require_safe
def record(request: HttpRequest, programme: str, membership_id: uuid.UUID) -> HttpResponse:
    """Everything but remediation to whoever keeps people; that to the director alone."""
    membership = _membership(request, membership_id)
    shown = [kind for kind in RECORDS if kind != "remediation" or P.MANAGE_PLANS in request.rights]
    return render(
        request,
        "credentialing/record.html",
        {
            "membership": membership,
            "sections": keeping.sections(membership, shown),
            "writes": _writes(request, membership),
        },
    )


@require_safe
def own_record(request: HttpRequest, programme: str) -> HttpResponse:
    membership = queries.trainee_membership(request.user, request.programme)
    if membership is None:
        raise Http404
    return render(
        request,
        "credentialing/record.html",
        {
            "membership": membership,
            "own": True,
            "sections": keeping.sections(membership, RECORDS),
            "writes": set(),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def record_add(
    request: HttpRequest, programme: str, membership_id: uuid.UUID, kind: str
) -> HttpResponse:
    membership = _membership(request, membership_id)
    _check_kind(request, membership, kind)
    data = request.POST if request.method == "POST" else None
    form = FORMS[kind](data, programme=request.programme, today=request.today)
    if form.is_bound and form.is_valid() and _write(request, membership, kind, form):
        messages.success(request, _("Written down."))
        return redirect("credentialing:record", programme, membership.pk)
    return _form_page(request, membership, kind, form)


@require_http_methods(["GET", "HEAD", "POST"])
def record_change(
    request: HttpRequest, programme: str, membership_id: uuid.UUID, kind: str, row_id: uuid.UUID
) -> HttpResponse:
    membership = _membership(request, membership_id)
    _check_kind(request, membership, kind)
    row = get_object_or_404(RECORDS[kind], pk=row_id, membership=membership)
    rules.check_current(row)
    data = request.POST if request.method == "POST" else None
    form = FORMS[kind](data, programme=request.programme, today=request.today, before=row)
    take_back = data is not None and data.get("do") == "take_back"
    if take_back:
        for name, field in form.fields.items():
            field.required = name == "why"
    if form.is_bound and form.is_valid() and _write(request, membership, kind, form, take_back):
        messages.success(request, _("Taken back.") if take_back else _("Corrected."))
        return redirect("credentialing:record", programme, membership.pk)
    return _form_page(request, membership, kind, form)


def _check_kind(request: HttpRequest, membership: Membership, kind: str) -> None:
    if kind not in RECORDS:
        raise Http404
    if kind not in _writes(request, membership):
        raise Forbidden(_("This part of the record is not yours to write."), code="not_yours")


def _write(request, membership, kind, form, take_back=False) -> bool:
    more = {"by": request.user, "at": timezone.now()}
    why = form.cleaned_data.get("why", "")
    try:
        if take_back:
            actions.revoke(row=form.before, why=why, **more)
        else:
            actions.add(
                kind=kind,
                membership=membership,
                says=form.says,
                why=why,
                supersedes=form.before,
                record_id=form.cleaned_data["form_id"],
                **more,
            )
    except Refused as refused:
        if refused.status == 403:
            raise
        form.add_error(refused.field if refused.field in form.fields else None, refused.sentence)
        return False
    return True


def _form_page(request, membership, kind, form) -> HttpResponse:
    return render(
        request,
        "credentialing/record_form.html",
        {
            "membership": membership,
            "form": form,
            "title": keeping.TITLES[kind] if form.before else keeping.ADD[kind],
            "about": keeping.SAYS_WHAT.get(kind, ""),
            "before": form.before,
        },
        status=422 if form.is_bound else 200,
    )
