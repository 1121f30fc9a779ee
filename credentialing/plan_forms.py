"""Forms of the pages on which a plan is written: one for its terms, a gate, a clause."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from credentialing import measures, planfile, words
from credentialing.drafting import Terms
from credentialing.measures import Clause, Gate, Plan
from credentialing.measures.plans import SHARES
from credentialing.models import MOVES

SOURCES = _("Where the numbers come from; that the local committee decides is said on every page.")


class _Day(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class _Percent(forms.FloatField):
    """Shown and typed in percent, kept as a share."""

    def __init__(self, **more: Any) -> None:
        super().__init__(min_value=0, max_value=100, **more)

    def prepare_value(self, value: Any) -> Any:
        return f"{value * 100:g}" if isinstance(value, float) else value

    def clean(self, value: Any) -> float | None:
        found = super().clean(value)
        return None if found is None else found / 100


class StartForm(forms.Form):
    """What a new draft begins from."""

    origin = forms.ChoiceField(label=_("Begin with"))
    file = forms.FileField(label=_("or with a plan file"), required=False)

    def __init__(self, *args: Any, origins: list[tuple[str, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self.fields["origin"].choices = origins


class TermsForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=120)
    code = forms.RegexField(
        r"^[a-z0-9]+(-[a-z0-9]+)*$",
        label=_("Code"),
        max_length=40,
        help_text=_("Small letters, digits and hyphens. Versions of one plan share it."),
    )
    kind = forms.ChoiceField(label=_("Kind"), choices=list(words.KINDS.items()))
    transfer_share = _Percent(
        label=_("At most so many percent of a number may have been attested elsewhere")
    )
    profession = forms.CharField(
        label=_("Profession"), max_length=60, required=False, help_text=_("Blank: everybody.")
    )
    level = forms.CharField(
        label=_("Level"), max_length=60, required=False, help_text=_("Blank: every level.")
    )
    starts_from = _Day(label=_("Who began on this day or later"), required=False)
    effective_on = _Day(label=_("In force from"), required=False)
    approved_on = _Day(label=_("Approved by the committee on"), required=False)
    by_default = forms.BooleanField(label=_("Whoever begins later is judged by it"), required=False)
    moves = forms.ChoiceField(
        label=_("Who is judged by it"), choices=MOVES, widget=forms.RadioSelect
    )
    grandfather_on = _Day(
        label=_("Grandfather date"),
        required=False,
        help_text=_("For a choice: whoever began before it keeps their plan unless they choose."),
    )
    sources = forms.CharField(
        label=_("Sources"), required=False, widget=forms.Textarea({"rows": 2}), help_text=SOURCES
    )
    override_reason = forms.CharField(
        label=_("Why accuracy stands without what keeps it honest"),
        required=False,
        widget=forms.Textarea({"rows": 2}),
        help_text=_("Only where a check below says so. It is kept with the version."),
    )

    @classmethod
    def begin(cls, plan: Plan, terms: Terms) -> dict[str, Any]:
        said = {name: getattr(terms, name) for name in Terms.__dataclass_fields__}
        return said | {
            "name": plan.name,
            "code": plan.code,
            "kind": plan.kind,
            "transfer_share": plan.transfer_share,
        }

    def clean(self) -> dict[str, Any]:
        found = super().clean() or {}
        choice = found.get("moves") == "by_choice"
        if choice and not found.get("grandfather_on"):
            self.add_error("grandfather_on", _("A choice has a grandfather date."))
        if not choice:
            found["grandfather_on"] = None
        return found

    @property
    def terms(self) -> Terms:
        return Terms(**{name: self.cleaned_data[name] for name in Terms.__dataclass_fields__})


class GateForm(forms.Form):
    title = forms.CharField(label=_("Heading"), max_length=120, required=False)
    combine = forms.ChoiceField(label=_("Of its numbers"))
    best_months = forms.IntegerField(
        label=_("All within one and the same window of so many months"),
        required=False,
        min_value=1,
        max_value=120,
        help_text=_("Blank: no such window. The best one there is counts."),
    )

    def __init__(self, *args: Any, gate: Gate, **more: Any) -> None:
        more["initial"] = {
            "title": gate.title,
            "combine": str(gate.combine),
            "best_months": gate.within_months,
        }
        super().__init__(*args, prefix=f"g{gate.ordinal}", **more)
        many = range(2, len(gate.clauses))
        choices = [("all", _("all are asked")), ("any", _("one is enough"))]
        choices += [(str(n), _("at least %(n)s are asked") % {"n": n}) for n in many]
        if not any(code == str(gate.combine) for code, _word in choices):
            choices.append((str(gate.combine), _("at least %(n)s are asked") % {"n": gate.combine}))
        self.fields["combine"].choices = choices

    def gate(self, ordinal: int, clauses: tuple[Clause, ...]) -> Gate:
        combine = self.cleaned_data["combine"]
        months = self.cleaned_data["best_months"]
        return Gate(
            ordinal,
            clauses,
            int(combine) if combine.isdecimal() else combine,
            self.cleaned_data["title"],
            measures.BEST if months else "",
            months,
        )


DIRECTIONS = [(measures.AT_LEAST, _("at least")), (measures.AT_MOST, _("at most"))]
UNITS = [("scan", _("scans")), ("exam", _("exams")), ("patient", _("patients"))]
MODES = [
    ("", _("as is usual for it")),
    ("once", _("once is enough")),
    ("still", _("must hold still")),
]
FOCAL = [
    ("apart", _("stands apart")),
    ("positive", _("counts as positive")),
    ("negative", _("counts as negative")),
]
WHICH = [(code, word) for code, word in words.PROCEDURES.items()]
PERIODS = [("year", _("years")), ("month", _("months")), ("week", _("weeks"))]


def measure_choices() -> list[tuple[str, list[tuple[str, Any]]]]:
    def of(*codes: str) -> list[tuple[str, Any]]:
        return [(code, words.MEASURED[code]) for code in codes]

    return [
        (
            _("counts"),
            of("credited", "positive", "negative", "with_finding", "supervised", "adequate",
               "read", "per_period", "readers"),
        ),
        (_("record"), of("assessed", "document", "procedure", "elapsed_months")),
        (_("images"), of("quality", "adequate_share")),
        (
            _("answers"),
            of("agreement", "positive_agreement", "negative_agreement", "determinate", "curve"),
        ),
        (_("what is submitted"), of("clinical_share", "unread_share")),
    ]  # fmt: skip


class ClauseForm(forms.Form):
    direction = forms.ChoiceField(label=_("Limit"), choices=DIRECTIONS)
    bar = forms.FloatField(label=_("Number"), help_text=_("Shares in percent."), min_value=0)
    measure = forms.ChoiceField(label=_("Of what"))
    scope = forms.ChoiceField(label=_("In which application"))
    unit = forms.ChoiceField(label=_("Counted in"), choices=UNITS)
    within_months = forms.IntegerField(
        label=_("In the last so many months"), required=False, min_value=1, max_value=120
    )
    normal_cap = forms.IntegerField(
        label=_("Of the normal ones at most so many count"), required=False, min_value=0
    )
    further = forms.CharField(
        label=_("Further to numbers"), required=False, help_text=_("Numbers of clauses: 1, 2.")
    )
    after = forms.IntegerField(label=_("Only after number"), required=False, min_value=1)
    since = forms.CharField(
        label=_("Only since"),
        required=False,
        help_text=_("A day as 2026-07-01, or course, written_test, other, remediation."),
    )
    mode = forms.ChoiceField(label=_("Met how"), choices=MODES, required=False)
    bound = forms.BooleanField(label=_("The plausible range must clear it"), required=False)
    step = forms.IntegerField(label=_("Looked at after every"), min_value=1)
    min_n = forms.IntegerField(label=_("Known from so many on"), required=False, min_value=1)
    min_each = forms.IntegerField(
        label=_("Of them positive and negative each"), required=False, min_value=0
    )
    focal = forms.ChoiceField(label=_("A focal pattern"), choices=FOCAL)
    cut = forms.IntegerField(label=_("Adequate from quality"), min_value=1, max_value=5)
    finding = forms.CharField(
        label=_("Finding"), required=False, max_length=60, help_text=_("As in fluid=septated.")
    )
    level = forms.IntegerField(label=_("Entrustment level"), min_value=1, max_value=5)
    summative = forms.BooleanField(label=_("Summative only"), required=False)
    record = forms.CharField(
        label=_("Which record or procedure"),
        required=False,
        max_length=60,
        help_text=_("course, written_test, other, with a code as in course:basic."),
    )
    which = forms.ChoiceField(label=_("Procedures"), choices=WHICH)
    periods = forms.IntegerField(label=_("In each of the last so many"), min_value=1, max_value=60)
    period = forms.ChoiceField(label=_("Periods"), choices=PERIODS)
    max_share = _Percent(label=_("No reader with more than so many percent"), required=False)
    adequate_rate = _Percent(label=_("Curve: adequate disagrees in so many percent"))
    inadequate_rate = _Percent(label=_("Curve: inadequate disagrees in so many percent"))
    limit = forms.FloatField(label=_("Curve: signals at"), min_value=0.05)
    text = forms.CharField(label=_("In the plan’s own words"), required=False, max_length=300)
    source = forms.CharField(label=_("Source"), required=False, max_length=300)

    # What every clause says, and what only some do.
    PLAIN = ("direction", "bar", "measure", "unit", "scope", "within_months")
    MORE = (
        (_("Which scans"), ("normal_cap", "further", "after", "since", "finding", "focal")),
        (_("When it is met"), ("mode", "min_n", "min_each", "bound", "step", "cut")),
        (
            _("Assessments, records, periods, readers"),
            ("level", "summative", "record", "which", "periods", "period", "max_share"),
        ),
        (_("Learning curve"), ("adequate_rate", "inadequate_rate", "limit")),
        (_("In words"), ("text", "source")),
    )
    SAME = (
        "direction", "measure", "unit", "within_months", "normal_cap", "after", "since", "mode",
        "bound", "step", "min_n", "min_each", "focal", "cut", "finding", "level", "summative",
        "which", "periods", "period", "max_share", "adequate_rate", "inadequate_rate", "limit",
        "text", "source",
    )  # fmt: skip

    def __init__(
        self,
        *args: Any,
        clause: Clause,
        names: Mapping[str, str],
        groups: Mapping[str, str],
        **more: Any,
    ) -> None:
        share = clause.measure in SHARES
        more["initial"] = {name: getattr(clause, name) for name in self.SAME} | {
            "bar": f"{clause.bar * 100:g}" if share else f"{clause.bar:g}",
            "scope": _scope_of(clause),
            "further": ", ".join(map(str, clause.further)),
            "record": clause.kind,
        }
        super().__init__(*args, prefix=f"c{clause.ordinal}", **more)
        self.fields["measure"].choices = measure_choices()
        scopes = [("", _("every application"))]
        scopes += [
            (f"group:{g}", _("%(g)s together") % {"g": g})
            for g in sorted({*groups.values()} - {""})
        ]
        scopes += [(f"application:{code}", name) for code, name in names.items()]
        if not any(code == _scope_of(clause) for code, _word in scopes):
            scopes.append((_scope_of(clause), _scope_of(clause)))
        self.fields["scope"].choices = scopes
        self.fields["scope"].required = False

    @property
    def plain(self) -> list[forms.BoundField]:
        return [self[name] for name in self.PLAIN]

    @property
    def more(self) -> list[tuple[Any, list[forms.BoundField]]]:
        return [(title, [self[name] for name in names]) for title, names in self.MORE]

    def clean_further(self) -> tuple[int, ...]:
        said = self.cleaned_data["further"].replace(",", " ").split()
        if not all(one.isdecimal() for one in said):
            raise forms.ValidationError(_("Write numbers of clauses, as in 1, 2."))
        return tuple(sorted({int(one) for one in said}))

    def clause(self, ordinal: int, transfer_share: float) -> Clause:
        said = self.cleaned_data
        kind, _colon, name = said["scope"].partition(":")
        bar = said["bar"] / 100 if said["measure"] in SHARES else said["bar"]
        return Clause(
            ordinal=ordinal,
            bar=float(f"{bar:.6g}"),
            application=name if kind == "application" else "",
            group=name if kind == "group" else "",
            further=said["further"],
            kind=said["record"],
            transfer_share=transfer_share,
            **{key: said[key] for key in self.SAME},
        )


def _scope_of(clause: Clause) -> str:
    if clause.application:
        return f"application:{clause.application}"
    return f"group:{clause.group}" if clause.group else ""


def origins(versions: list[Any]) -> list[tuple[str, str]]:
    """An empty plan, the templates that ship with the service, and the newest versions."""
    found = [("empty", str(_("an empty plan")))]
    found += [(f"version:{v.pk}", str(v)) for v in versions]
    found += [
        (f"template:{code}", _("template: %(name)s") % {"name": _name_of(code)})
        for code in planfile.templates()
    ]
    return found


def _name_of(code: str) -> str:
    return planfile.parse(planfile.template(code)).plan.name
