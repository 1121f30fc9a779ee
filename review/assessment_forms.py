"""The form that faculty fill in on a phone beside the trainee: few taps, no script."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts import remarks
from accounts.errors import Refused
from logbook.models import Application
from review.actions.assessments import Watched
from review.models import Assessment, RubricVersion
from review.rubrics import AS_EXPECTED

ITEM = "item_"


class AssessmentForm(forms.Form):
    """One scan that was watched. The level has no choice made for the assessor."""

    form_id = forms.UUIDField(widget=forms.HiddenInput)
    rubric = forms.UUIDField(widget=forms.HiddenInput)
    application = forms.ChoiceField(
        label=gettext_lazy("What was scanned"), widget=forms.RadioSelect
    )
    level = forms.TypedChoiceField(
        label=gettext_lazy("Where does a senior have to be next time?"),
        coerce=int,
        widget=forms.RadioSelect,
    )
    sentence = forms.CharField(
        label=gettext_lazy("One sentence"),
        help_text=gettext_lazy(
            "What to keep, or what to do differently. Nothing about the patient."
        ),
        max_length=remarks.LONGEST,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    summative = forms.BooleanField(
        label=gettext_lazy("A formal assessment, agreed on before the scan"), required=False
    )
    performed_on = forms.DateField(
        label=gettext_lazy("Watched on"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(
        self,
        data=None,
        *,
        version: RubricVersion,
        applications: list[Application],
        today: dt.date,
        asked: str = "",
        before: Assessment | None = None,
    ) -> None:
        self.version, self.before = version, before
        codes = [a.code for a in applications]
        initial: dict[str, Any] = {
            "form_id": uuid.uuid4(),
            "rubric": version.pk,
            "performed_on": today,
            "application": asked if asked in codes else (codes[0] if len(codes) == 1 else ""),
        }
        if before is not None:
            initial |= {
                "level": before.level,
                "sentence": str(before.remark or ""),
                "summative": before.summative,
                **{f"{ITEM}{code}": choice for code, choice in before.chosen.items()},
            }
        super().__init__(data, initial=initial)
        rubric = version.rubric
        self.fields["application"].choices = [(a.code, a.name) for a in applications]
        self.fields["level"].choices = [
            (m.value, f"{m.value} {_(m.word)}. {_(m.means)}") for m in rubric.quality
        ]
        for item in rubric.items:
            self.fields[f"{ITEM}{item.code}"] = forms.ChoiceField(
                label=_(item.name),
                help_text=_(item.help),
                choices=[(code, _(text)) for code, text in item.choices],
                widget=forms.RadioSelect,
                required=False,
                initial=initial.get(f"{ITEM}{item.code}", AS_EXPECTED),
            )
        if before is not None:
            for name in ("application", "performed_on"):
                del self.fields[name]
            self.fields["reason"] = forms.CharField(
                label=_("Why it is corrected"), max_length=remarks.LONGEST
            )

    @property
    def items(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name.startswith(ITEM)]

    @property
    def items_open(self) -> bool:
        """Something is not as expected, or has to be looked at again."""
        return any(
            field.errors or (field.value() or AS_EXPECTED) != AS_EXPECTED for field in self.items
        )

    def clean_sentence(self) -> str:
        return self._plain("sentence")

    def clean_reason(self) -> str:
        return self._plain("reason")

    def _plain(self, name: str) -> str:
        text = self.cleaned_data[name].strip()
        try:
            remarks.check(text)
        except Refused as refused:
            raise forms.ValidationError(refused.sentence) from refused
        return text

    @property
    def watched(self) -> Watched:
        d = self.cleaned_data
        return Watched(
            level=d["level"],
            items={
                name.removeprefix(ITEM): d[name] or AS_EXPECTED
                for name in d
                if name.startswith(ITEM)
            },
            sentence=d["sentence"],
            summative=d["summative"],
            rubric=self.version,
        )
