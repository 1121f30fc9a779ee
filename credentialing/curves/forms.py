"""The director's decision about an alarm."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts import remarks
from credentialing.learning_curve import CONTINUE, START_AGAIN


class DecisionForm(forms.Form):
    what = forms.ChoiceField(
        label=_("What follows"),
        widget=forms.RadioSelect,
        choices=[
            (CONTINUE, _("Continue: the signal stands, the watch begins anew")),
            (START_AGAIN, _("Start again: the curve begins at zero")),
        ],
    )
    why = forms.CharField(
        label=_("Why"),
        help_text=_("What you looked at. Nothing about a patient."),
        max_length=remarks.LONGEST,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    alarm_exam = forms.UUIDField(widget=forms.HiddenInput)
