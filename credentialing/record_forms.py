"""One form a kind of line in a trainee's record. What may stand there is `rules`' business."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts import remarks
from accounts.models import Programme
from credentialing.models import (
    Completion,
    Document,
    Leave,
    Record,
    TransferCredit,
)
from logbook.models import Application
from review import rubrics
from review.models import RubricVersion

NOTHING_OF_PATIENTS = gettext_lazy("Nothing about a patient.")


def day(label, **more) -> forms.DateField:
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    return forms.DateField(label=label, widget=widget, **more)


def words(label, **more) -> forms.CharField:
    widget = forms.Textarea(attrs={"rows": 2})
    more = {"help_text": NOTHING_OF_PATIENTS, "max_length": remarks.LONGEST, **more}
    return forms.CharField(label=label, widget=widget, **more)


class RecordForm(forms.Form):
    """`before`: the line that is corrected, which then needs its reason."""

    form_id = forms.UUIDField(widget=forms.HiddenInput)
    why_needed = False

    def __init__(
        self, data=None, *, programme: Programme, today, before: Record | None = None
    ) -> None:
        self.before = before
        initial: dict[str, Any] = {"form_id": uuid.uuid4()}
        if before is not None:
            for name in before.SAYS:
                value = getattr(before, name)
                initial[name] = str(value) if name == "document" and value else value
                if name == "application" and value is not None:
                    initial[name] = value.code
        super().__init__(data, initial=initial)
        for field in self.fields.values():
            if isinstance(field, forms.DateField) and before is None and field.required:
                field.initial = today
        if "application" in self.fields:
            self.applications = {a.code: a for a in Application.objects.of(programme)}
            first = [] if self.fields["application"].required else [("", self.any_application)]
            self.fields["application"].choices = first + [
                (code, a.name) for code, a in self.applications.items()
            ]
        if "level" in self.fields:
            version = RubricVersion.objects.in_force(programme, rubrics.ASSESSMENT)
            steps = version.rubric.quality if version else ()
            self.fields["level"].choices = [("", "–")] + [
                (m.value, f"{m.value} {_(m.word)}") for m in steps
            ]
        if before is not None:
            self.fields["why"] = words(_("Why it is corrected or taken back"))
        elif self.why_needed:
            self.fields["why"] = words(_("Why"))

    any_application = gettext_lazy("every application")

    @property
    def says(self) -> dict[str, Any]:
        said = {
            name: value
            for name, value in self.cleaned_data.items()
            if name not in ("form_id", "why")
        }
        if "application" in said:
            said["application"] = self.applications.get(said["application"])
        if "level" in said:
            said["level"] = int(said["level"]) if said["level"] else None
        return said


class TransferForm(RecordForm):
    measure = forms.ChoiceField(
        label=gettext_lazy("What is counted"),
        choices=TransferCredit.MEASURES,
        widget=forms.RadioSelect,
    )
    any_application = gettext_lazy("none: a document")
    application = forms.ChoiceField(label=gettext_lazy("Application"), required=False)
    count = forms.IntegerField(
        label=gettext_lazy("How many"), min_value=1, max_value=9999, initial=1
    )
    positive = forms.IntegerField(
        label=gettext_lazy("Of them positive"), min_value=0, max_value=9999, required=False
    )
    level = forms.ChoiceField(label=gettext_lazy("Level, for bedside assessments"), required=False)
    kind = forms.ChoiceField(
        label=gettext_lazy("Kind, for a document"),
        choices=[("", "–"), *Document.KINDS],
        required=False,
    )
    code = forms.SlugField(
        label=gettext_lazy("Code, as in the plan"), max_length=40, required=False
    )
    performed_from = day(gettext_lazy("Performed from"))
    performed_to = day(gettext_lazy("Performed to"))
    grantor = forms.CharField(
        label=gettext_lazy("Attested by"),
        max_length=120,
        help_text=gettext_lazy("The programme or department that stands behind it."),
    )
    document = words(
        gettext_lazy("What was seen of it"),
        required=False,
        help_text=gettext_lazy("A letter, a logbook page. Nothing about a patient."),
    )
    effective_on = day(gettext_lazy("Granted on"))

    def clean_positive(self) -> int:
        return self.cleaned_data["positive"] or 0


class DocumentForm(RecordForm):
    kind = forms.ChoiceField(
        label=gettext_lazy("Kind"), choices=Document.KINDS, widget=forms.RadioSelect
    )
    title = forms.CharField(label=gettext_lazy("Title"), max_length=120)
    code = forms.SlugField(
        label=gettext_lazy("Code, as in the plan"),
        max_length=40,
        required=False,
        help_text=gettext_lazy("Only where a number of the plan names one."),
    )
    effective_on = day(gettext_lazy("Done on"))
    valid_until = day(gettext_lazy("Valid until"), required=False)


class ProcedureForm(RecordForm):
    code = forms.SlugField(
        label=gettext_lazy("Procedure"),
        max_length=40,
        help_text=gettext_lazy("Its code as in the plan, such as pleural-drainage."),
    )
    effective_on = day(gettext_lazy("Done on"))
    supervised = forms.TypedChoiceField(
        label=gettext_lazy("Supervised"),
        choices=[("yes", gettext_lazy("yes")), ("no", gettext_lazy("no"))],
        coerce=lambda said: said == "yes",
        widget=forms.RadioSelect,
    )
    complications = forms.TypedChoiceField(
        label=gettext_lazy("Complications"),
        choices=[("no", gettext_lazy("none")), ("yes", gettext_lazy("yes"))],
        coerce=lambda said: said == "yes",
        widget=forms.RadioSelect,
    )

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        for name in ("supervised", "complications"):
            if name in self.initial:
                self.initial[name] = "yes" if self.initial[name] else "no"


class LeaveForm(RecordForm):
    starts_on = day(gettext_lazy("First day away"))
    ends_on = day(gettext_lazy("Last day away"))
    reason = forms.ChoiceField(
        label=gettext_lazy("Reason"),
        choices=Leave.REASONS,
        widget=forms.RadioSelect,
        help_text=gettext_lazy("Never an illness: leave is enough."),
    )


class ExtensionForm(RecordForm):
    ends_on = day(gettext_lazy("New last day"))


class RemediationForm(RecordForm):
    why_needed = True
    application = forms.ChoiceField(label=gettext_lazy("Application"), required=False)
    begins_on = day(gettext_lazy("Begins on"))
    ends_on = day(gettext_lazy("Ends on, if known"), required=False)


class CompletionForm(RecordForm):
    outcome = forms.ChoiceField(
        label=gettext_lazy("How it ends"), choices=Completion.OUTCOMES, widget=forms.RadioSelect
    )
    effective_on = day(gettext_lazy("Last day"))


FORMS: dict[str, type[RecordForm]] = {
    "transfer": TransferForm,
    "document": DocumentForm,
    "procedure": ProcedureForm,
    "leave": LeaveForm,
    "extension": ExtensionForm,
    "remediation": RemediationForm,
    "completion": CompletionForm,
}
