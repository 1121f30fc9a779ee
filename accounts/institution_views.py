"""An institution's administrators: they set up programmes and say who else may. They see the
programmes' names and directors, and nothing that was recorded in them."""

from __future__ import annotations

import uuid

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from accounts.actions import institutions as actions
from accounts.errors import Refused
from accounts.models import CODE, Institution, InstitutionAdministrator, Membership, Role


class ProgrammeForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Name of the programme"), max_length=200)
    code = forms.CharField(
        label=gettext_lazy("Short name for its address"),
        max_length=40,
        validators=[CODE],
        help_text=gettext_lazy("As in emergency-ultrasound. It does not change later."),
    )
    time_zone = forms.CharField(
        label=gettext_lazy("Time zone"), help_text=gettext_lazy("As in Europe/Berlin.")
    )
    director_name = forms.CharField(label=gettext_lazy("Director’s name"), max_length=200)
    director_email = forms.EmailField(label=gettext_lazy("Director’s e-mail address"))


class GrantForm(forms.Form):
    name = forms.CharField(label=gettext_lazy("Name"), max_length=200)
    email = forms.EmailField(label=gettext_lazy("E-mail address"))


def administered(person, *, on) -> list[Institution]:
    """The institutions that a person administers on a day."""
    grants = InstitutionAdministrator.objects.on(on).filter(person=person)
    return list(Institution.objects.filter(pk__in=grants.values("institution")).order_by("name"))


@require_http_methods(["GET", "HEAD", "POST"])
def institution(request: HttpRequest, institution: str) -> HttpResponse:
    """To everybody else the page does not exist."""
    now = timezone.now()
    today = timezone.localdate(now)
    its = Institution.objects.filter(code=institution).first()
    if its is None or not actions.administers(request.user, its, on=today):
        raise Http404
    do = request.POST.get("do", "")
    programme = ProgrammeForm(request.POST if do == "programme" else None, prefix="programme")
    grant = GrantForm(request.POST if do == "grant" else None, prefix="grant")
    said = ""
    if programme.is_bound and programme.is_valid():
        said = _act(
            programme,
            lambda d: actions.set_up(institution=its, by=request.user, at=now, **d),
            _("Set up. Its director has been told how to sign in."),
        )
    elif grant.is_bound and grant.is_valid():
        said = _act(
            grant,
            lambda d: actions.grant(institution=its, on=today, by=request.user, at=now, **d),
            _("Granted."),
        )
    elif do == "end":
        row = _administrator(its, request.POST.get("administrator", ""))
        actions.end(administrator=row, on=today, by=request.user, at=now)
        said = _("Ended. They may until the end of today.")
    if said:
        messages.success(request, said)
        return redirect("accounts:institution", its.code)
    bound = programme.is_bound or grant.is_bound
    return render(
        request,
        "accounts/institution.html",
        {
            "institution": its,
            "programme_form": programme,
            "grant_form": grant,
            "programmes": _programmes(its, today),
            "administrators": its.administrators.filter(Q(to_on=None) | Q(to_on__gte=today))
            .select_related("person")
            .order_by("person__name", "id"),
        },
        status=422 if bound else 200,
    )


def _act(form: forms.Form, do, said: str) -> str:
    try:
        do(form.cleaned_data)
    except Refused as refused:
        form.add_error(refused.field if refused.field in form.fields else None, refused.sentence)
        return ""
    except ValidationError as problem:
        form.add_error(None, problem.messages)
        return ""
    return said


def _administrator(institution: Institution, pk: str) -> InstitutionAdministrator:
    try:
        return institution.administrators.get(pk=uuid.UUID(pk))
    except (ValueError, InstitutionAdministrator.DoesNotExist) as missing:
        raise Http404 from missing


def _programmes(institution: Institution, today) -> list[tuple]:
    """Each programme with the names of its directors of today; two queries."""
    programmes = list(institution.programmes.order_by("name"))
    directors: dict = {}
    for m in (
        Membership.objects.on(today)
        .filter(programme__in=programmes, role=Role.DIRECTOR)
        .select_related("person")
        .order_by("person__name")
    ):
        directors.setdefault(m.programme_id, []).append(m.person.name)
    return [(one, ", ".join(directors.get(one.pk, ()))) for one in programmes]
