"""The reader's forms. They give shape; whether something may be signed is the actions' business."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from logbook.answers import DIFFUSE, FOCAL, INDETERMINATE, LIMITED, NONE, PATTERN, POSITIVE
from logbook.models import Capture, Exam, Scan
from logbook.queries import Logbook
from logbook.value_lists import exam_lists, signs
from logbook.words import PATTERN_VALUE, SIDE_VALUE
from review import credit
from review.actions.attestations import OwnReading, Signature
from review.actions.scans import FIELDS
from review.drafts import answer_of
from review.models import Attestation, Discrepancy, SetAside
from review.rubrics import AS_EXPECTED, Rubric
from review.words import REASON

FINDING_ROWS = 3
CANNOT_BE_READ = gettext_lazy("cannot be read from these images")
SIDES = (("right", gettext_lazy("Patient’s right")), ("left", gettext_lazy("Patient’s left")))
# Where the fault of an action is shown: a part of a draft -> a field of the form.
PLACES = {"answer": ("right", "pattern"), "findings": ("zone_0",), "items": ("feedback",)}


class FaultsMixin:
    def take_faults(self, faults: Mapping[str, str]) -> None:
        """Puts the sentences of an action beside their fields."""
        for part, sentence in faults.items():
            names = [n for n in PLACES.get(part, (part,)) if n in self.fields]
            self.add_error(names[0] if names else None, sentence)


class BlindForm(FaultsMixin, forms.Form):
    """One scan, before the reveal: the reader's answer, the image quality, findings."""

    def __init__(self, scan: Scan, rubric: Rubric, part: Mapping[str, Any], data=None) -> None:
        self.scan = scan
        self.is_pattern = scan.application.kind == PATTERN
        super().__init__(data, prefix=str(scan.pk), initial=self._initial(part))
        if self.is_pattern:
            self._add_pattern()
        else:
            self._add_sides()
        self.fields["quality"] = forms.ChoiceField(
            label=_("Image quality"),
            choices=[(str(m.value), f"{m.value} {_(m.word)}") for m in rubric.quality],
            widget=forms.RadioSelect,
            required=False,
        )
        self._add_findings(scan)

    def _initial(self, part: Mapping[str, Any]) -> dict[str, Any]:
        initial = {
            "right": part["right"],
            "left": part["left"],
            "limited": part["limited"],
            "pattern": LIMITED if part["limited"] else part["pattern"],
            "focal": [side for side, _label in SIDES if part[side] == POSITIVE],
            "quality": str(part["quality"] or ""),
        }
        for row, (zone, sign, value) in enumerate(part["findings"][:FINDING_ROWS]):
            initial |= {f"zone_{row}": zone, f"sign_{row}": f"{sign}={value}"}
        return initial

    def _add_sides(self) -> None:
        for side, label in SIDES:
            self.fields[side] = forms.ChoiceField(
                label=label, choices=SIDE_VALUE.items(), widget=forms.RadioSelect, required=False
            )
        self.fields["limited"] = forms.BooleanField(
            label=_("Cannot be read from these images"), required=False
        )

    def _add_pattern(self) -> None:
        said = [(code, PATTERN_VALUE[code]) for code in (NONE, FOCAL, DIFFUSE, INDETERMINATE)]
        self.fields["pattern"] = forms.ChoiceField(
            label=_("Pattern"),
            choices=[*said, (LIMITED, CANNOT_BE_READ)],
            widget=forms.RadioSelect,
            required=False,
        )
        self.fields["focal"] = forms.MultipleChoiceField(
            label=_("Where it is focal"),
            choices=SIDES,
            widget=forms.CheckboxSelectMultiple,
            required=False,
        )

    def _add_findings(self, scan: Scan) -> None:
        zones = [("", _("Zone")), *((z.code, z.code) for z in scan.revision.rules.zones.zones)]
        said = [("", _("Sign")), *_signs_for(scan.application.code)]
        for row in range(FINDING_ROWS):
            self.fields[f"zone_{row}"] = forms.ChoiceField(
                label=_("Zone"), choices=zones, required=False
            )
            self.fields[f"sign_{row}"] = forms.ChoiceField(
                label=_("Sign"), choices=said, required=False
            )

    @property
    def finding_rows(self) -> list[tuple]:
        return [(self[f"zone_{row}"], self[f"sign_{row}"]) for row in range(FINDING_ROWS)]

    @property
    def has_findings(self) -> bool:
        return any(self[f"sign_{row}"].value() for row in range(FINDING_ROWS))

    @property
    def marks(self) -> dict[str, Any]:
        """What ``readings.save`` takes. *Cannot be read* stands alone: sides beside it are left."""
        d = self.cleaned_data
        if self.is_pattern:
            said = self._pattern(d)
        else:
            limited = d["limited"]
            said = {
                "pattern": "",
                "limited": limited,
                "right": "" if limited else d["right"],
                "left": "" if limited else d["left"],
            }
        found = [
            [d[f"zone_{row}"], *d[f"sign_{row}"].split("=", 1)]
            for row in range(FINDING_ROWS)
            if d[f"sign_{row}"]
        ]
        return {**said, "quality": int(d["quality"]) if d["quality"] else None, "findings": found}

    def _pattern(self, d: Mapping[str, Any]) -> dict[str, Any]:
        focal = d["focal"] if d["pattern"] == FOCAL else []
        return {
            "pattern": "" if d["pattern"] == LIMITED else d["pattern"],
            "limited": d["pattern"] == LIMITED,
            **{side: POSITIVE if side in focal else "" for side, _label in SIDES},
        }


def _signs_for(application: str) -> list[tuple[str, list[tuple[str, str]]]]:
    """Signs that speak to the application first, grouped, with every value."""
    own = [s for s in signs().values() if s.application in (application, "")]
    return [
        (_(sign.name), [(f"{sign.code}={v.code}", f"{_(sign.name)}: {_(v.text)}") for v in sign])
        for sign in own
    ]


class SignForm(FaultsMixin, forms.Form):
    """One scan, after the reveal: rubric items, a sentence, credit, and who was told."""

    feedback = forms.CharField(
        label=gettext_lazy("A sentence for the trainee"),
        widget=forms.Textarea(attrs={"rows": 2}),
        required=False,
    )
    credited = forms.ChoiceField(
        label=gettext_lazy("Credit"),
        choices=[("yes", gettext_lazy("credited")), ("no", gettext_lazy("not credited"))],
        widget=forms.RadioSelect,
        required=False,
    )
    reason = forms.CharField(
        label=gettext_lazy("Why it differs from the rule"),
        required=False,
        widget=forms.TextInput,
    )
    urgent = forms.BooleanField(
        label=gettext_lazy("I saw something else that may matter to the patient now"),
        required=False,
    )
    told = forms.ChoiceField(
        label=gettext_lazy("Who was told"),
        choices=[("", gettext_lazy("nobody yet")), *Discrepancy.TOLD],
        required=False,
    )
    told_note = forms.CharField(
        label=gettext_lazy("What was said"), required=False, widget=forms.TextInput
    )

    def __init__(
        self,
        scan: Scan,
        rubric: Rubric,
        verdict: credit.Verdict,
        part: Mapping[str, Any],
        data=None,
    ) -> None:
        self.scan = scan
        initial = {
            **{name: part[name] for name in ("feedback", "reason", "urgent", "told", "told_note")},
            "credited": part["credited"] or ("yes" if verdict.credited else "no"),
            **{f"item_{code}": choice for code, choice in part["items"].items()},
        }
        super().__init__(data, prefix=str(scan.pk), initial=initial)
        _add_items(self, rubric)

    @property
    def items(self) -> list:
        return [self[name] for name in self.fields if name.startswith("item_")]

    @property
    def items_touched(self) -> bool:
        return any(bound.value() not in ("", None, AS_EXPECTED) for bound in self.items)

    @property
    def open_parts(self) -> dict[str, Any]:
        """What ``readings.save`` takes after the reveal."""
        d = self.cleaned_data
        return {
            **{name: d[name] for name in ("feedback", "credited", "reason", "urgent", "told")},
            "told_note": d["told_note"],
            "items": _chosen_items(d),
        }

    @property
    def signature(self) -> Signature:
        d = self.cleaned_data
        return Signature(
            scan_id=self.scan.pk,
            items=_chosen_items(d),
            feedback=d["feedback"],
            credited={"yes": True, "no": False}.get(d["credited"]),
            override_reason=d["reason"],
            urgent=d["urgent"],
            told=d["told"],
            told_note=d["told_note"],
        )


def _add_items(form: forms.Form, rubric: Rubric) -> None:
    for item in rubric.items:
        form.fields[f"item_{item.code}"] = forms.ChoiceField(
            label=_(item.name),
            help_text=_(item.help),
            choices=[(code, _(text)) for code, text in item.choices],
            initial=AS_EXPECTED,
            required=False,
        )


def _chosen_items(data: Mapping[str, Any]) -> dict[str, str]:
    return {
        name.removeprefix("item_"): choice
        for name, choice in data.items()
        if name.startswith("item_") and choice and choice != AS_EXPECTED
    }


class ArchiveForm(forms.Form):
    """Which captures that are kept in the department's archive the reader has looked at there."""

    archive = forms.TypedMultipleChoiceField(
        label=gettext_lazy("I have read these in the department’s archive"),
        widget=forms.CheckboxSelectMultiple,
        coerce=int,
        required=False,
    )

    def __init__(self, captures: Sequence[Capture], read: Sequence[int], data=None) -> None:
        super().__init__(data, initial={"archive": [str(n) for n in read]})
        self.fields["archive"].choices = [
            (str(c.ordinal), f"{c.zone}, {c.ordinal}") for c in captures if c.kind == "archive"
        ]

    @property
    def is_needed(self) -> bool:
        return bool(self.fields["archive"].choices)


class _ScansForm(FaultsMixin, forms.Form):
    scans = forms.TypedMultipleChoiceField(
        label=gettext_lazy("Which scans"), widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, scans: Sequence[Scan], data=None, **more) -> None:
        super().__init__(data, initial={"scans": [str(s.pk) for s in scans]}, **more)
        self.fields["scans"].coerce = uuid.UUID
        self.fields["scans"].choices = [(str(s.pk), s.application.name) for s in scans]


class ReturnForm(_ScansForm):
    zones = forms.MultipleChoiceField(
        label=gettext_lazy("Zones"), widget=forms.CheckboxSelectMultiple, required=False
    )
    captures = forms.MultipleChoiceField(
        label=gettext_lazy("Captures"), widget=forms.CheckboxSelectMultiple, required=False
    )
    fields_asked = forms.MultipleChoiceField(
        label=gettext_lazy("Fields"), widget=forms.CheckboxSelectMultiple, required=False
    )
    text = forms.CharField(
        label=gettext_lazy("A sentence for the trainee"),
        widget=forms.Textarea(attrs={"rows": 2}),
        required=False,
    )

    def __init__(
        self, exam: Exam, scans: Sequence[Scan], captures: Sequence[Capture], data=None
    ) -> None:
        super().__init__(scans, data, prefix="return")
        scheme = (scans[0].revision if scans else exam.revision).rules.zones
        self.fields["zones"].choices = [(z.code, z.code) for z in scheme.zones]
        self.fields["captures"].choices = [
            (str(c.ordinal), f"{c.ordinal}: {c.zone}") for c in captures
        ]
        self.fields["fields_asked"].choices = [(f, field_name(f)) for f in FIELDS]


def field_name(code: str) -> str:
    own = {
        "performed_at": _("When it was made"),
        "supervisor": _("Responsible attending"),
        "findings": _("Findings"),
    }
    return own.get(code) or _(exam_lists()[code].name)


class AsideForm(_ScansForm):
    reason = forms.ChoiceField(
        label=gettext_lazy("Why"), choices=SetAside.REASONS, widget=forms.RadioSelect
    )
    text = forms.CharField(label=gettext_lazy("Remark"), required=False)

    def __init__(self, scans: Sequence[Scan], data=None) -> None:
        super().__init__(scans, data, prefix="aside")


class ToldForm(forms.Form):
    told = forms.ChoiceField(label=gettext_lazy("Who was told"), choices=Discrepancy.TOLD)
    note = forms.CharField(label=gettext_lazy("What was said"), required=False)


class CorrectionForm(FaultsMixin, forms.Form):
    """A correction by the signer: everything but the reading, which stays."""

    reason = forms.CharField(
        label=gettext_lazy("Why it is corrected"), widget=forms.Textarea(attrs={"rows": 2})
    )
    credited = SignForm.base_fields["credited"]
    override_reason = forms.CharField(
        label=gettext_lazy("Why it differs from the rule"), required=False
    )
    feedback = SignForm.base_fields["feedback"]

    def __init__(
        self, attestation: Attestation, rubric: Rubric, items: Mapping[str, str], data=None
    ) -> None:
        initial = {
            "credited": "yes" if attestation.credited else "no",
            "feedback": attestation.feedback.text if attestation.feedback else "",
            "override_reason": attestation.override_reason.text
            if attestation.override_reason
            else "",
            **{f"item_{code}": choice for code, choice in items.items()},
        }
        super().__init__(data, initial=initial)
        _add_items(self, rubric)

    @property
    def items(self) -> list:
        return [self[name] for name in self.fields if name.startswith("item_")]

    @property
    def arguments(self) -> dict[str, Any]:
        d = self.cleaned_data
        return {
            "reason": d["reason"],
            "credited": {"yes": True, "no": False}.get(d["credited"]),
            "override_reason": d["override_reason"],
            "feedback": d["feedback"],
            "items": _chosen_items(d),
        }


def own_reading(form: BlindForm) -> OwnReading | None:
    """The reading of somebody who corrects another's. None where its parts cannot stand together
    or the quality is missing; the form then says so."""
    marks = form.marks
    if marks["quality"] is None:
        form.take_faults({"quality": _("Mark the image quality.")})
        return None
    try:
        return OwnReading(answer_of(marks), marks["quality"], marks["findings"])
    except ValueError:
        form.take_faults({"answer": _("These cannot stand together. Choose again.")})
        return None


class CreditRuleForm(forms.Form):
    settings = forms.MultipleChoiceField(
        label=gettext_lazy("Settings that count"), widget=forms.CheckboxSelectMultiple
    )
    operators = forms.MultipleChoiceField(
        label=gettext_lazy("Who scanned"), widget=forms.CheckboxSelectMultiple
    )
    quality_cut = forms.TypedChoiceField(
        label=gettext_lazy("Lowest image quality that counts"),
        coerce=int,
        choices=[(n, n) for n in range(1, 6)],
    )
    zones = forms.BooleanField(
        label=gettext_lazy("The application’s required zones must be captured"), required=False
    )
    answered_within_hours = forms.IntegerField(
        label=gettext_lazy("Hours from the exam to the first answer"), min_value=1, max_value=8760
    )
    received_within_days = forms.IntegerField(
        label=gettext_lazy("Days from the exam to its arrival here"), min_value=1, max_value=366
    )

    def __init__(self, logbook: Logbook, rule: credit.Rule, data=None) -> None:
        initial = {name: getattr(rule, name) for name in credit.Rule.__dataclass_fields__}
        super().__init__(data, initial=initial)
        for name, values in (("settings", "setting"), ("operators", "operator")):
            self.fields[name].choices = [(v.code, _(v.text)) for v in logbook.lists[values]]

    @property
    def rule(self) -> credit.Rule:
        d = self.cleaned_data
        return credit.Rule(
            **{**d, "settings": tuple(d["settings"]), "operators": tuple(d["operators"])}
        )


class ExceptionForm(forms.Form):
    scan = forms.ChoiceField(label=gettext_lazy("Which scan"))
    waives = forms.MultipleChoiceField(
        label=gettext_lazy("What is waived"),
        choices=REASON.items(),
        widget=forms.CheckboxSelectMultiple,
    )
    reason = forms.CharField(label=gettext_lazy("Why"), widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, scans: Sequence[Scan], data=None) -> None:
        super().__init__(data, prefix="exception")
        self.fields["scan"].choices = [(str(s.pk), s.application.name) for s in scans]
