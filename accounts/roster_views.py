"""Importing a list of people: looked at first, then as a whole or not at all."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods

from accounts import roster
from accounts.actions import rosters
from accounts.errors import Refused


class RosterForm(forms.Form):
    """A file, or the text that was looked at a moment ago."""

    file = forms.FileField(
        label=gettext_lazy("The list"),
        required=False,
        help_text=gettext_lazy("A CSV file, as any spreadsheet saves it."),
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.txt,text/csv"}),
    )
    text = forms.CharField(required=False, widget=forms.HiddenInput, strip=False)

    def clean(self):
        d = super().clean()
        if not d.get("file") and not d.get("text"):
            self.add_error("file", _("Choose a file."))
        return d

    def read(self) -> roster.Roster:
        d = self.cleaned_data
        upload = d.get("file")
        if not upload:
            return roster.read(d["text"].replace("\r\n", "\n"))
        if upload.size > roster.LARGEST:
            raise Refused(_("The file is larger than a list of people can be."), field="file")
        return roster.read(roster.decoded(upload.read()))


@require_http_methods(["GET", "HEAD", "POST"])
def import_people(request: HttpRequest, programme: str) -> HttpResponse:
    its, now = request.programme, timezone.now()
    posted = request.method == "POST"
    form = RosterForm(request.POST if posted else None, request.FILES if posted else None)
    context: dict = {"form": form, "example": roster.EXAMPLE, "columns": roster.COLUMNS}
    if posted and form.is_valid():
        try:
            read = form.read()
            if request.POST.get("do") == "import" and not read.faults:
                steps = rosters.import_roster(programme=its, roster=read, by=request.user, at=now)
                _say(request, steps)
                return redirect("accounts:people", programme)
            steps = rosters.dry_run(its, read, today=request.today)
            context |= {"roster": read, "steps": steps, "tally": _tally(steps)}
        except Refused as refused:
            form.add_error(
                refused.field if refused.field in form.fields else None, refused.sentence
            )
    return render(request, "accounts/roster.html", context, status=422 if form.errors else 200)


def _tally(steps) -> list[tuple[str, int]]:
    return [
        (str(word), n)
        for what, word in rosters.WORDS.items()
        if (n := sum(step.what == what for step in steps))
    ]


def _say(request, steps) -> None:
    written = sum(step.what != rosters.SAME for step in steps)
    if written:
        messages.success(request, _("Imported: %(n)s lines were written.") % {"n": written})
    else:
        messages.info(request, _("Everybody on the list stands here already."))
