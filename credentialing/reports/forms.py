from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django import forms
from django.utils.translation import gettext_lazy as _

from credentialing.models import ReportSheet
from credentialing.reports.orders import (
    BOOK,
    CONTENT,
    INSIDE,
    OUTSIDE,
    PDF,
    SCANS,
    STANDING,
)

COHORT = "cohort"


class AsOfForm(forms.Form):
    """D and D2: not in the future, and D2 not before D."""

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

    def __init__(self, *args, today: dt.date, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.today = today
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


class OrderForm(AsOfForm):
    """Whose report, as of when, in which form. `people`: (id, name) of who may be chosen."""

    who = forms.ChoiceField(label=_("Whose record"))
    form = forms.ChoiceField(
        label=_("As"),
        widget=forms.RadioSelect,
        initial=PDF,
        choices=[
            (PDF, _("Report to read and print (PDF)")),
            (BOOK, _("All tables in one spreadsheet (XLSX)")),
            (STANDING, _("Every clause with its numbers (CSV)")),
            (SCANS, _("List of scans (CSV)")),
            (CONTENT, _("The content alone, for programs (JSON)")),
        ],
    )

    field_order = ["who", "performed_by", "read_by", "form"]

    def __init__(self, *args, people: Iterable[tuple[str, str]], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["who"].choices = [(COHORT, _("The whole cohort")), *people]


COPIES = [
    (OUTSIDE, _("Outside copy: totals and months, for a medical staff office")),
    (INSIDE, _("Inside copy: with the list of scans, for the programme")),
]
YES, NO, NONE, LEAVE_OUT = "yes", "no", "none", "leave"
RECOMMENDS = {YES: True, NO: False, NONE: None}
SAYS = [
    (YES, _("I recommend this person")),
    (NO, _("I do not recommend this person")),
    (NONE, _("No recommendation (inside copy only)")),
]


class IssueForm(AsOfForm):
    """One report to be signed and issued. `position` is the ledger's when the page was opened, so
    that sending the page twice asks for the same report."""

    who = forms.ChoiceField(label=_("Whose report"))
    copy = forms.ChoiceField(
        label=_("Which copy"), widget=forms.RadioSelect, choices=COPIES, initial=OUTSIDE
    )
    recommends = forms.ChoiceField(
        label=_("What do you say?"), widget=forms.RadioSelect, choices=SAYS
    )
    sentence = forms.CharField(
        label=_("In a sentence"),
        required=False,
        max_length=600,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=_("Printed under what you say. Nothing about a patient."),
    )
    position = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0)

    field_order = ["who", "copy", "performed_by", "read_by", "recommends", "sentence"]

    def __init__(self, *args, people: Iterable[tuple[str, str]], **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["who"].choices = [("", _("Choose")), *people]


class BatchForm(AsOfForm):
    """Reports of several people. For each of `people` (id, name) a choice and a sentence."""

    copy = forms.ChoiceField(
        label=_("Which copy"), widget=forms.RadioSelect, choices=COPIES, initial=OUTSIDE
    )
    position = forms.IntegerField(widget=forms.HiddenInput, required=False, min_value=0)

    field_order = ["copy", "performed_by", "read_by"]

    def __init__(
        self, *args, people: list[tuple[str, str]], preset: dict[str, str], **kwargs
    ) -> None:
        super().__init__(*args, **kwargs)
        self.people = people
        choices = [
            (LEAVE_OUT, _("leave out")),
            (YES, _("recommend")),
            (NO, _("do not recommend")),
            (NONE, _("say nothing")),
        ]
        for pk, name in people:
            self.fields[f"say-{pk}"] = forms.ChoiceField(
                label=_("%(name)s: what do you say?") % {"name": name},
                choices=choices,
                initial=preset.get(pk, LEAVE_OUT),
            )
            self.fields[f"sentence-{pk}"] = forms.CharField(
                label=_("%(name)s: in a sentence") % {"name": name}, required=False, max_length=600
            )

    def rows(self) -> list[tuple[str, forms.BoundField, forms.BoundField]]:
        return [(pk, self[f"say-{pk}"], self[f"sentence-{pk}"]) for pk, _name in self.people]


class SheetForm(forms.Form):
    heading = forms.CharField(
        label=_("Header of every report"),
        required=False,
        max_length=600,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=_(
            "Words that your counsel asks for. Whether these records are protected is local law; "
            "left blank, nothing is printed."
        ),
    )
    contact = forms.CharField(
        label=_("Whom to ring"),
        required=False,
        max_length=200,
        help_text=_("Printed on outside copies and shown to whoever checks a report."),
    )
    reviewed = forms.CharField(
        label=_("How scans are reviewed here"),
        required=False,
        max_length=600,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=_("Printed on outside copies. Left blank, a plain sentence says it."),
    )
    paper = forms.ChoiceField(
        label=_("Paper"),
        widget=forms.RadioSelect,
        choices=ReportSheet.PAPERS,
        initial=ReportSheet.A4,
    )


class WhyForm(forms.Form):
    why = forms.CharField(
        label=_("Why"), max_length=300, help_text=_("Kept in the record. Nothing about a patient.")
    )
