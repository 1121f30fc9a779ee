"""Who sees forecasts."""

from django import forms
from django.utils.translation import gettext_lazy as _


class ShownForm(forms.Form):
    shown = forms.BooleanField(
        label=_("Trainees see their own outlook and curves"),
        help_text=_("You and the coordinators see outlooks, only you see everybody’s curves."),
        required=False,
    )
