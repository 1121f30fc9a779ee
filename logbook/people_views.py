"""What a member of the faculty may read: one privilege an application, from a day to a day."""

from __future__ import annotations

import uuid

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from accounts.errors import Refused
from accounts.models import Membership, Privilege, Role
from logbook.actions import readers
from logbook.models import Application


class MayReadForm(forms.Form):
    """One box an application of the programme."""

    applications = forms.MultipleChoiceField(
        required=False, widget=forms.CheckboxSelectMultiple, label=""
    )

    def __init__(self, *args, applications: list[Application], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["applications"].label = _("May read and sign")
        self.fields["applications"].choices = [(a.code, a.name) for a in applications]


@require_http_methods(["GET", "HEAD", "POST"])
def may_read(request: HttpRequest, programme: str, membership: uuid.UUID) -> HttpResponse:
    its = (
        Membership.objects.select_related("person", "programme")
        .filter(programme=request.programme, pk=membership, role=Role.FACULTY)
        .first()
    )
    if its is None:
        raise Http404
    held = Privilege.objects.filter(programme=request.programme, person=its.person, to_on=None)
    form = MayReadForm(
        request.POST if request.method == "POST" else None,
        applications=list(Application.objects.of(request.programme)),
        initial={"applications": [p.application for p in held]},
    )
    if form.is_bound and form.is_valid():
        try:
            readers.set_privileges(
                programme=request.programme,
                person=its.person,
                applications=form.cleaned_data["applications"],
                by=request.user,
                at=timezone.now(),
            )
        except Refused as refusal:
            form.add_error("applications", refusal.sentence)
        else:
            messages.success(request, _("Saved. It counts from today."))
            return redirect("accounts:person", programme, its.pk)
    return render(
        request,
        "logbook/may_read.html",
        {"form": form, "membership": its},
        status=422 if form.is_bound else 200,
    )
