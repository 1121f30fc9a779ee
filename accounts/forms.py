from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.models import Role


class SettingsForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=200)
    duty_telephone = forms.CharField(
        label=_("Duty telephone"),
        max_length=40,
        required=False,
        help_text=_(
            "Who a reader telephones when a disagreement may matter to a patient now. Without it "
            "nothing can be read."
        ),
    )


class ZoneForm(forms.Form):
    time_zone = forms.CharField(label=_("Time zone"), help_text=_("As in Europe/Berlin."))
    from_on = forms.DateField(
        label=_("From"), widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )


class _Day(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class PersonForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=200)
    email = forms.EmailField(label=_("E-mail address"))
    legal_name = forms.CharField(
        label=_("Legal name"), max_length=200, required=False, help_text=_("As on the licence.")
    )
    staff_number = forms.CharField(label=_("Staff number"), max_length=40, required=False)
    role = forms.ChoiceField(label=_("Role"), choices=Role.choices, widget=forms.RadioSelect)
    profession = forms.CharField(label=_("Profession"), max_length=60, required=False)
    level = forms.CharField(
        label=_("Level"), max_length=60, required=False, help_text=_("Training year, for example.")
    )
    starts_on = _Day(label=_("Belongs from"))
    ends_on = _Day(label=_("To, if known"), required=False)


class NamesForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=200)
    legal_name = forms.CharField(
        label=_("Legal name"),
        max_length=200,
        required=False,
        help_text=_("As on the licence. Reports that leave the programme carry it."),
    )
    staff_number = forms.CharField(label=_("Staff number"), max_length=40, required=False)


class EndForm(forms.Form):
    ends_on = _Day(label=_("Last day"))


class LevelForm(forms.Form):
    profession = forms.CharField(label=_("Profession"), max_length=60, required=False)
    level = forms.CharField(label=_("Level"), max_length=60, required=False)
    effective_on = _Day(label=_("From"))


class KeyForm(forms.Form):
    name = forms.CharField(label=_("What is it for?"), max_length=60)
