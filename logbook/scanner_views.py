"""The machines' own monthly counts, beside what was logged."""

from __future__ import annotations

import datetime as dt

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from accounts.errors import Refused
from logbook import scanner_counts
from logbook.actions import scanners

SHOWN = 12


class CountsForm(forms.Form):
    """One number a place of one month; an empty one says nothing."""

    def __init__(self, data=None, *, places: dict[str, str], standing: dict[str, int]) -> None:
        super().__init__(data)
        self.places = places
        for code, name in places.items():
            self.fields[f"place-{code}"] = forms.IntegerField(
                label=name,
                min_value=0,
                max_value=scanners.MOST,
                required=False,
                initial=standing.get(code),
            )

    @property
    def counts(self) -> dict[str, int]:
        return {
            code: n
            for code in self.places
            if (n := self.cleaned_data.get(f"place-{code}")) is not None
        }


def months_until(today: dt.date) -> list[dt.date]:
    found = [today.replace(day=1)]
    while len(found) < SHOWN:
        found.append((found[-1] - dt.timedelta(days=1)).replace(day=1))
    return found


@require_http_methods(["GET", "HEAD", "POST"])
def scanner_counts_page(request: HttpRequest, programme: str) -> HttpResponse:
    its = request.programme
    months = months_until(request.today)
    asked = (request.POST if request.method == "POST" else request.GET).get("month", "")
    month = next((m for m in months if f"{m:%Y-%m}" == asked), months[1])
    places = scanner_counts.places_of(its, retired=False)
    known = scanner_counts.counts(its, [month])
    form = CountsForm(
        request.POST if request.method == "POST" else None,
        places=places,
        standing={place: n for (place, _month), n in known.items()},
    )
    if form.is_bound and form.is_valid():
        try:
            made = scanners.enter_counts(
                programme=its,
                month=month,
                counts=form.counts,
                by=request.user,
                at=timezone.now(),
            )
        except Refused as refused:
            form.add_error(None, refused.sentence)
        else:
            messages.success(request, _("Saved.") if made else _("Nothing was different."))
            return redirect(f"{request.path}?month={month:%Y-%m}")
    rows = scanner_counts.logged_of_performed(its, months)
    return render(
        request,
        "logbook/scanner_counts.html",
        {
            "form": form,
            "month": month,
            "months": months,
            "places": places,
            "rows": [row for row in rows if row.logged or row.performed is not None],
        },
        status=422 if form.is_bound else 200,
    )
