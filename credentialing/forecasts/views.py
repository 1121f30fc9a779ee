"""How past forecasts did, and who sees forecasts at all."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from credentialing import queries
from credentialing.forecasts import presenting
from credentialing.forecasts.forms import ShownForm


@require_http_methods(["GET", "HEAD", "POST"])
def outlook(request: HttpRequest, programme: str) -> HttpResponse:
    its = request.programme
    run, test = queries.outlook_run(its), queries.back_test_of(its)
    if request.method == "POST":
        form = ShownForm(request.POST)
        if form.is_valid():
            from credentialing.actions.outlook import show_to_trainees  # scipy comes with it

            show_to_trainees(
                programme=its, shown=form.cleaned_data["shown"], by=request.user, at=timezone.now()
            )
            messages.success(request, _("Saved."))
            return redirect("credentialing:outlook", programme)
    else:
        form = ShownForm(initial={"shown": run is not None and run.shown_to_trainees})
    context = {
        "zone": its.zone_on(request.today),
        "run": run,
        "test": test,
        "form": form,
        **presenting.back_test(test),
    }
    return render(request, "credentialing/outlook.html", context)
