from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django import forms
from django.utils.translation import gettext_lazy as _

from credentialing.reports.orders import PDF, SCANS, STANDING

COHORT = "cohort"


class OrderForm(forms.Form):
    """Whose report, as of when, in which form. `people`: (id, name) of who may be chosen."""

    who = forms.ChoiceField(label=_("Whose record"))
    performed_by = forms.DateField(
        label=_("Scans performed up to"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    read_by = forms.DateField(
        label=_("Read up to"),
        required=False,
        help_text=_("Left empty: the same day. A later day lets slow readings count."),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    form = forms.ChoiceField(
        label=_("As"),
        widget=forms.RadioSelect,
        initial=PDF,
        choices=[
            (PDF, _("Report to read and print (PDF)")),
            (STANDING, _("Every clause with its numbers (CSV)")),
            (SCANS, _("List of scans (CSV)")),
        ],
    )

    def __init__(self, *args, people: Iterable[tuple[str, str]], today: dt.date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
        self.fields["who"].choices = [(COHORT, _("The whole cohort")), *people]
        self.fields["performed_by"].initial = today

    def clean_performed_by(self) -> dt.date:
        day = self.cleaned_data["performed_by"]
        if day > self.today:
            raise forms.ValidationError(_("This day lies in the future. Choose today or earlier."))
        return day

    def clean(self) -> dict:
        cleaned = super().clean()
        performed = cleaned.get("performed_by")
        if performed is None:
            return cleaned
        read = cleaned.get("read_by") or performed
        if read < performed:
            self.add_error(
                "read_by", _("This lies before the last scan. Choose the same day or a later one.")
            )
        elif read > self.today:
            self.add_error("read_by", _("This day lies in the future. Choose today or earlier."))
        cleaned["read_by"] = read
        return cleaned
