"""The director's pages: zones, rules of reading, applications, values of the programme's own."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.errors import Refused
from logbook.actions import programmes
from logbook.forms import ApplicationForm, OwnValueForm, SettingsForm
from logbook.models import Application, LogbookSettings, OwnValue
from logbook.value_lists import exam_lists


def _settings_page(
    request: HttpRequest,
    *,
    form: SettingsForm | None = None,
    value_form: OwnValueForm | None = None,
    status: int = 200,
) -> HttpResponse:
    chosen = LogbookSettings.objects.filter(programme=request.programme).first()
    own = OwnValue.objects.filter(programme=request.programme, retired=False)
    context = {
        "form": form or SettingsForm(instance=chosen or LogbookSettings()),
        "applications": Application.objects.of(request.programme),
        "own": [{"value": value, "list": _(exam_lists()[value.list_code].name)} for value in own],
        "value_form": value_form or OwnValueForm(initial={"list_code": "place"}),
    }
    return render(request, "logbook/settings.html", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
def settings(request: HttpRequest, programme: str) -> HttpResponse:
    if request.method != "POST":
        return _settings_page(request)
    chosen = LogbookSettings.objects.filter(programme=request.programme).first()
    form = SettingsForm(request.POST, instance=chosen or LogbookSettings())
    if form.is_valid():
        try:
            programmes.change_settings(
                programme=request.programme,
                values=form.cleaned_data,
                by=request.user,
                at=timezone.now(),
            )
        except ValidationError as wrong:
            form.add_error(None, wrong)
        else:
            messages.success(
                request, _("Saved. Later submissions follow; earlier ones keep their rules.")
            )
            return redirect("logbook:settings", programme)
    return _settings_page(request, form=form, status=422)


@require_http_methods(["GET", "HEAD", "POST"])
def application(request: HttpRequest, programme: str, code: str | None = None) -> HttpResponse:
    """Adds an application, or changes the name and the zones of one."""
    instance = Application(programme=request.programme)
    if code is not None:
        instance = get_object_or_404(Application.objects.of(request.programme), code=code)
    form = ApplicationForm(request.POST or None, instance=instance)
    if request.method == "POST" and form.is_valid():
        said = form.cleaned_data
        taken = code is None and Application.objects.of(request.programme).filter(code=said["code"])
        if taken and taken.exists():
            form.add_error("code", _("This code is taken. Choose another."))
        else:
            programmes.change_application(
                programme=request.programme, by=request.user, at=timezone.now(), **said
            )
            messages.success(request, _("Saved."))
            return redirect("logbook:settings", programme)
    status = 422 if request.method == "POST" else 200
    context = {"form": form, "code": code}
    return render(request, "logbook/application.html", context, status=status)


@require_POST
def value_add(request: HttpRequest, programme: str) -> HttpResponse:
    form = OwnValueForm(request.POST)
    if form.is_valid():
        try:
            programmes.add_value(
                programme=request.programme,
                by=request.user,
                at=timezone.now(),
                **form.cleaned_data,
            )
        except Refused as refused:
            form.add_error("text", refused.sentence)
        else:
            messages.success(request, _("Added."))
            return redirect("logbook:settings", programme)
    return _settings_page(request, value_form=form, status=422)


@require_POST
def value_retire(request: HttpRequest, programme: str, value_id: uuid.UUID) -> HttpResponse:
    own = OwnValue.objects.filter(programme=request.programme)
    value = get_object_or_404(own, pk=value_id)
    programmes.retire_value(value=value, by=request.user, at=timezone.now())
    messages.success(request, _("Taken off the list. Exams that have it keep it."))
    return redirect("logbook:settings", programme)
