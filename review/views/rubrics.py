"""The director changes a rubric; each change is the next version."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from review.actions import programmes
from review.models import RubricVersion
from review.rubric_forms import RubricForm, codes_of
from review.rubrics import KINDS, READING


@require_http_methods(["GET", "HEAD", "POST"])
def rubric(request: HttpRequest, programme: str, kind: str = READING) -> HttpResponse:
    if kind not in KINDS:
        raise Http404
    its = request.programme
    versions = list(
        RubricVersion.objects.filter(programme=its, kind=kind)
        .select_related("by_person")
        .order_by("-n")
    )
    if not versions:
        raise Http404
    form = RubricForm(
        request.POST if request.method == "POST" else None,
        rubric=versions[0].rubric,
        used=codes_of(version.rubric for version in versions),
    )
    if form.is_bound and form.is_valid():
        made = programmes.publish_rubric(
            programme=its, rubric=form.made, by=request.user, at=timezone.now()
        )
        if made.pk == versions[0].pk:
            messages.info(request, _("Nothing was different."))
        else:
            messages.success(
                request,
                _("Version %(n)s counts from now on. What was signed keeps its own.")
                % {"n": made.n},
            )
        return redirect("review:rubric", programme, kind)
    return render(
        request,
        "review/rubric.html",
        {
            "form": form,
            "kind": kind,
            "kinds": KINDS,
            "versions": versions,
            "zone": its.zone_on(request.today),
        },
        status=422 if form.is_bound else 200,
    )
