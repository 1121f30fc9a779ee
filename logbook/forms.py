"""The exam's one long form, and the forms of the logbook's settings.

A form here says only that something has no shape at all; whether an exam can be submitted is
``logbook.rules``' business, whose sentences are shown beside the same fields.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django import forms
from django.utils.text import format_lazy
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from logbook import drafts, lung
from logbook.answers import DIFFUSE, FOCAL, INDETERMINATE, LIMITED, NONE, PATTERN, POSITIVE
from logbook.models import Application, Exam, LogbookSettings
from logbook.queries import Logbook
from logbook.value_lists import Value, ValueList, exam_lists, signs
from logbook.words import PATTERN_VALUE, SIDE_VALUE

LISTED = (
    ("setting", forms.RadioSelect, gettext_lazy("Setting")),
    ("age_band", forms.Select, gettext_lazy("Patient’s age")),
    ("position", forms.Select, gettext_lazy("Patient’s position")),
    ("breathing", forms.RadioSelect, gettext_lazy("Breathing")),
    ("chest_procedure", forms.Select, gettext_lazy("Earlier chest procedure or disease")),
    ("indication", forms.Select, gettext_lazy("Indication")),
    ("operator", forms.RadioSelect, gettext_lazy("Who scanned")),
    ("supervision", forms.RadioSelect, gettext_lazy("Supervision")),
)
SIDES = (
    ("right", gettext_lazy("patient’s right")),
    ("left", gettext_lazy("patient’s left")),
)
LIMITED_WORDS = gettext_lazy("the images cannot answer")


def choices_of(values: ValueList, *, blank: bool) -> list[tuple[str, str]]:
    listed = [(value.code, _(value.text)) for value in values]
    return [("", _("Choose…")), *listed] if blank else listed


class ExamForm(forms.Form):
    """Built for one programme's logbook. ``draft`` is what it reads and what it writes."""

    applications = forms.MultipleChoiceField(
        label=gettext_lazy("What does this exam ask?"),
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    performed_at = forms.DateTimeField(
        label=gettext_lazy("When was the exam made?"),
        widget=forms.DateTimeInput(
            attrs={"type": "datetime-local", "step": 60}, format="%Y-%m-%dT%H:%M"
        ),
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"],
        required=False,
    )
    place = forms.CharField(
        label=gettext_lazy("Place"),
        max_length=drafts.TEXT_LENGTH,
        required=False,
        help_text=gettext_lazy(
            "Ward or room. No bed number together with anything about the patient."
        ),
    )
    note = forms.CharField(
        label=gettext_lazy("Remark"),
        widget=forms.Textarea(attrs={"rows": 3}),
        max_length=drafts.NOTE_LENGTH,
        required=False,
        help_text=gettext_lazy("No name, number, birth date or anything else that says who it is."),
    )
    supervisor = forms.ChoiceField(label=gettext_lazy("Responsible attending"), required=False)
    supervisor_typed = forms.CharField(
        label=gettext_lazy("Not on the list? Type the name"),
        max_length=drafts.TEXT_LENGTH,
        required=False,
        help_text=gettext_lazy("A typed name cannot confirm; the supervision stays claimed."),
    )
    knew_result = forms.ChoiceField(
        label=gettext_lazy("Did you know another result or opinion when you answered?"),
        choices=[("no", gettext_lazy("No")), ("yes", gettext_lazy("Yes"))],
        widget=forms.RadioSelect,
        required=False,
    )
    same_patient = forms.ChoiceField(
        label=gettext_lazy("Same patient as an earlier exam of yours"),
        required=False,
        help_text=gettext_lazy("A link between two of your exams; it says nothing of who it is."),
    )

    def __init__(
        self,
        logbook: Logbook,
        data: Mapping[str, Any] | None = None,
        *,
        today: dt.date,
        draft: Mapping[str, Any] | None = None,
        supervisors: Iterable[Any] = (),
        earlier: Iterable[Exam] = (),
        answered: Iterable[str] = (),
    ) -> None:
        """``answered``: codes of the applications whose first answer is already submitted."""
        self.logbook = logbook
        self.zone = logbook.programme.zone_on(today)
        self.stored = dict(draft or drafts.EMPTY)
        self.answered = frozenset(answered)
        self.zone_faults: dict[str, str] = {}
        self.capture_fault = ""
        super().__init__(data, initial=self._initial())
        # Both ways a draft may name what is no longer offered: it stays visible and is refused
        # with a sentence, instead of silently becoming something else.
        asked = [
            a
            for a in logbook.applications
            if not a.retired or a.code in self.stored["applications"]
        ]
        self.asked = asked
        self.fields["applications"].choices = [(a.code, a.name) for a in asked]
        for field, widget, label in LISTED:
            self.fields[field] = self._listed(field, widget, label)
        if logbook.lists["place"].codes:
            self.fields["place"] = self._listed("place", forms.Select, gettext_lazy("Place"))
        self.fields["supervisor"].choices = [
            ("", _("Choose…")),
            *((str(person.pk), person.name) for person in supervisors),
        ]
        self.fields["same_patient"].choices = [
            ("", _("No, or I do not know")),
            *((str(exam.pk), self._names(exam)) for exam in earlier),
        ]
        for application in asked:
            self._add_answer(application)

    # --- building --------------------------------------------------------------------------------

    def _listed(self, field: str, widget: type[forms.Widget], label: str) -> forms.ChoiceField:
        values = self.logbook.lists[field]
        stored = self.stored.get(field, "")
        if stored and stored not in values:
            values = values.with_own([]) if not values.extendable else values
            values = ValueList(
                values.code, values.name, (*values.values, Value(stored, stored)), True
            )
        blank = widget is forms.Select
        return forms.ChoiceField(
            label=label, widget=widget, choices=choices_of(values, blank=blank), required=False
        )

    def _add_answer(self, application: Application) -> None:
        code, locked = application.code, application.code in self.answered
        if application.kind == PATTERN:
            pattern = [
                (value, PATTERN_VALUE[value]) for value in (NONE, FOCAL, DIFFUSE, INDETERMINATE)
            ]
            self._radio(
                f"answer-{code}-pattern",
                application.name,
                [*pattern, (LIMITED, LIMITED_WORDS)],
                locked,
            )
            self.fields[f"answer-{code}-sides"] = forms.MultipleChoiceField(
                label=gettext_lazy("Where focal, on which side?"),
                choices=SIDES,
                widget=forms.CheckboxSelectMultiple,
                required=False,
                disabled=locked,
            )
        else:
            for side, label in SIDES:
                named = format_lazy("{}, {}", application.name, label)  # as the summary names it
                self._radio(f"answer-{code}-{side}", named, list(SIDE_VALUE.items()), locked)
            self.fields[f"answer-{code}-limited"] = forms.BooleanField(
                label=gettext_lazy("The images cannot answer this"), required=False, disabled=locked
            )
        self._radio(
            f"answer-{code}-confidence",
            format_lazy("{}, {}", application.name, gettext_lazy("how sure are you?")),
            choices_of(self.logbook.lists["confidence"], blank=False),
            locked,
        )

    def _radio(self, name: str, label: str, choices: list, locked: bool) -> None:
        self.fields[name] = forms.ChoiceField(
            label=label, choices=choices, widget=forms.RadioSelect, required=False, disabled=locked
        )

    def _names(self, exam: Exam) -> str:
        when = exam.revision.performed_at if exam.revision else exam.created_at
        return f"{exam.code} · {when.astimezone(self.zone):%Y-%m-%d %H:%M}"

    def _initial(self) -> dict[str, Any]:
        draft = self.stored
        simple = {field: draft[field] for field in (*drafts.TEXTS, *drafts.LINKS, "note")}
        initial = {
            **simple,
            "applications": draft["applications"],
            "knew_result": draft["knew_result"],
            "performed_at": self._local(draft["performed_at"]),
        }
        for code, parts in draft["answers"].items():
            name = f"answer-{code}"
            initial[f"{name}-confidence"] = parts["confidence"]
            initial[f"{name}-pattern"] = LIMITED if parts["limited"] else parts["pattern"]
            initial[f"{name}-sides"] = [s for s in ("right", "left") if parts[s] == POSITIVE]
            initial[f"{name}-limited"] = parts["limited"]
            initial[f"{name}-right"], initial[f"{name}-left"] = parts["right"], parts["left"]
        return initial

    def _local(self, stamp: str) -> dt.datetime | None:
        moment = drafts.moment(stamp)
        return moment.astimezone(self.zone).replace(tzinfo=None) if moment else None

    # --- reading ---------------------------------------------------------------------------------

    def clean_performed_at(self) -> str:
        """As typed, in the programme's zone; of the hour that a clock runs twice, the first."""
        typed = self.cleaned_data["performed_at"]
        if typed is None:
            return ""
        typed = typed.replace(tzinfo=None)  # Django took it for the server's zone
        stored = self._local(self.stored["performed_at"])
        if stored is not None and stored.replace(second=0) == typed:
            return self.stored["performed_at"]  # the page shows no seconds: unchanged is unchanged
        return typed.replace(tzinfo=self.zone).astimezone(dt.UTC).isoformat(timespec="seconds")

    @property
    def draft(self) -> dict[str, Any]:
        """The draft that a valid form says."""
        said = self.cleaned_data
        return drafts.clean(
            {
                **{field: said.get(field, "") for field in (*drafts.TEXTS, *drafts.LINKS)},
                "note": said["note"],
                "performed_at": said["performed_at"],
                "answered_at": self.stored["answered_at"],
                "knew_result": said["knew_result"],
                "applications": said["applications"],
                "answers": {a.code: self._answer(a) for a in self.asked},
                "findings": self.findings,
            }
        )

    def _answer(self, application: Application) -> dict[str, Any]:
        name = f"answer-{application.code}"
        if application.code in self.answered:
            return self.stored["answers"].get(application.code, {})
        said = self.cleaned_data
        parts = {"confidence": said[f"{name}-confidence"]}
        if application.kind != PATTERN:
            if said[f"{name}-limited"]:
                return {**parts, "limited": True}
            return {**parts, "right": said[f"{name}-right"], "left": said[f"{name}-left"]}
        pattern = said[f"{name}-pattern"]
        if pattern == LIMITED:
            return {**parts, "limited": True}
        sides = said[f"{name}-sides"] if pattern == FOCAL else []
        return {**parts, "pattern": pattern, **dict.fromkeys(sides, POSITIVE)}

    @property
    def findings(self) -> dict[str, dict[str, str]]:
        if not self.is_bound:
            return self.stored["findings"]
        found: dict[str, dict[str, str]] = {}
        for zone in self.logbook.parameters.zones.zones:
            for sign in signs():
                if value := self.data.get(f"finding-{zone.code}-{sign}", ""):
                    found.setdefault(zone.code, {})[sign] = value[: drafts.CODE_LENGTH]
        return found

    # --- showing ---------------------------------------------------------------------------------

    def zones(self) -> Iterator[dict[str, Any]]:
        """One row a zone for the page: its signs with their choices, and what is said so far."""
        findings = self.findings
        for zone in self.logbook.parameters.zones.zones:
            here = findings.get(zone.code, {})
            yield {
                "code": zone.code,
                "name": _(zone.name),
                "side": zone.side,
                "fault": self.zone_faults.get(zone.code, ""),
                "said": [
                    f"{_(values.name)}: {_(values.text_of(here[sign]))}"
                    for sign, values in signs().items()
                    if sign in here
                ],
                "signs": [
                    {
                        "name": f"finding-{zone.code}-{sign}",
                        "label": _(values.name),
                        "help": _(values.help),
                        "application": values.application,
                        "value": here.get(sign, ""),
                        "choices": [(value.code, _(value.text)) for value in values],
                    }
                    for sign, values in signs().items()
                ],
            }

    def answers(self) -> Iterator[dict[str, Any]]:
        """One block an application for the page, with its bound fields."""
        for application in self.asked:
            name = f"answer-{application.code}"
            if application.kind == PATTERN:
                parts = [("pattern", _("Pattern")), ("sides", _("Where focal, on which side?"))]
            else:
                limited = ("limited", _("The images cannot answer this"))
                parts = [*((side, str(label).capitalize()) for side, label in SIDES), limited]
            yield {
                "code": application.code,
                "name": application.name,
                "is_locked": application.code in self.answered,
                "parts": [{"field": self[f"{name}-{part}"], "label": says} for part, says in parts],
                "confidence": self[f"{name}-confidence"],
            }

    def add_faults(self, faults: Mapping[str, str]) -> None:
        """Puts the sentences of ``rules.Incomplete`` beside the fields that they speak of."""
        for field, sentence in faults.items():
            kind, _dash, rest = field.partition("-")
            if kind == "zone":
                self.zone_faults[rest] = sentence
                self.add_error(None, sentence)
            elif field == "captures":
                self.capture_fault = sentence
                self.add_error(None, sentence)
            elif kind == "answer":
                part = "pattern" if f"{field}-pattern" in self.fields else "right"
                self.add_error(
                    f"{field}-{part}" if f"{field}-{part}" in self.fields else None, sentence
                )
            else:
                self.add_error(field if field in self.fields else None, sentence)


class SettingsForm(forms.ModelForm):
    scheme = forms.ChoiceField(label=gettext_lazy("Zones of the chest"))

    class Meta:
        model = LogbookSettings
        fields = (
            "scheme",
            "b_lines_per_zone",
            "positive_zones_per_side",
            "both_sides",
            "pleura_at_most_mm",
            "deep_at_least_mm",
            "close_returned_after_days",
            "keep_dicom",
        )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scheme"].choices = [(s.code, _(s.name)) for s in lung.schemes().values()]
        self.fields["both_sides"].required = False


class ApplicationForm(forms.ModelForm):
    class Meta:
        model = Application
        fields = ("code", "name", "kind", "required_zones", "retired")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not self.instance._state.adding:
            self.fields["code"].disabled = self.fields["kind"].disabled = True
        self.fields["retired"].label = _("No longer offered")


class OwnValueForm(forms.Form):
    list_code = forms.ChoiceField(label=gettext_lazy("List"))
    text = forms.CharField(label=gettext_lazy("New value"), max_length=80)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["list_code"].choices = [
            (code, _(values.name)) for code, values in exam_lists().items() if values.extendable
        ]
