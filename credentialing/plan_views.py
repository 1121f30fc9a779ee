"""Writing plans: drafts, what they would change, two side by side, files."""

from __future__ import annotations

import json
import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from accounts.errors import Conflict, Refused
from accounts.models import Membership
from credentialing import (
    cohorts,
    drafting,
    plan_forms,
    planfile,
    presenting,
    publishing,
    queries,
    what_if,
    words,
)
from credentialing.actions import drafts
from credentialing.measures import Clause, Gate, Plan
from credentialing.models import BY_CHOICE, PlanDraft, PlanVersion

LARGEST_FILE = 200_000


def _page(request: HttpRequest, name: str, context: dict[str, Any], status: int = 200):
    zone = request.programme.zone_on(request.today)
    return render(
        request, f"credentialing/plans/{name}.html", {"zone": zone, **context}, status=status
    )


def _draft(request: HttpRequest, draft_id: uuid.UUID) -> PlanDraft:
    return get_object_or_404(
        PlanDraft.objects.select_related("programme", "published", "based_on"),
        pk=draft_id,
        programme=request.programme,
    )


def _version(request: HttpRequest, version_id: uuid.UUID) -> PlanVersion:
    return get_object_or_404(
        PlanVersion.objects.with_clauses(), pk=version_id, programme=request.programme
    )


# --- all of them ----------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def plans(request: HttpRequest, programme: str) -> HttpResponse:
    """Drafts and versions; a POST starts a draft."""
    its = request.programme
    versions = list(
        PlanVersion.objects.filter(programme=its).order_by("code", "-n").select_related("programme")
    )
    newest = [v for k, v in enumerate(versions) if k == 0 or versions[k - 1].code != v.code]
    form = plan_forms.StartForm(
        request.POST or None, request.FILES or None, origins=plan_forms.origins(newest)
    )
    if request.method == "POST" and form.is_valid():
        try:
            plan, terms, based_on = _origin(request, form.cleaned_data)
            draft = drafts.start(
                programme=its, plan=plan, terms=terms, based_on=based_on,
                by=request.user, at=timezone.now(),
            )  # fmt: skip
            return redirect("credentialing:plan_draft", programme, draft.pk)
        except planfile.PlanFileError as wrong:
            for problem in wrong.problems:
                form.add_error("file", str(problem))
        except UnicodeDecodeError:
            form.add_error("file", _("This is no text in UTF-8."))
    judged = queries.people_by_version(its, on=request.today)
    context = {
        "form": form,
        "drafts": PlanDraft.objects.filter(programme=its, published=None, dropped_at=None)
        .select_related("saved_by")
        .order_by("-saved_at"),
        "versions": [(one, len(judged.get(one.pk, ()))) for one in versions],
    }
    return _page(request, "list", context, 422 if request.method == "POST" else 200)


def _origin(request: HttpRequest, said: dict) -> tuple[Plan, drafting.Terms, PlanVersion | None]:
    if said["file"] is not None:
        found = planfile.parse(said["file"].read(LARGEST_FILE).decode())
        return found.plan, _terms_of(found), None
    kind, _colon, name = said["origin"].partition(":")
    if kind == "version":
        version = _version(request, uuid.UUID(name))
        terms = drafting.Terms(
            sources=version.sources,
            by_default=version.by_default,
            profession=version.profession,
            level=version.level,
            starts_from=version.starts_from,
        )
        return version.as_plan(), terms, version
    if kind == "template":
        found = planfile.parse(planfile.template(name))
        return found.plan, _terms_of(found), None
    empty = Gate(1, (Clause(1, **drafting.FIRST),))
    return Plan((empty,), "local-plan", _("A plan of our own")), drafting.Terms(), None


def _terms_of(found: planfile.PlanFile) -> drafting.Terms:
    return drafting.Terms(sources=found.sources, override_reason=found.override_reason)


# --- one draft ------------------------------------------------------------------------------------


class _Editor:
    """The forms of a draft, bound to what came or to what stands."""

    def __init__(self, request: HttpRequest, draft: PlanDraft, data: Any = None) -> None:
        its = request.programme
        self.draft, self.names = draft, queries.applications_of(its)
        self.groups = queries.groups_of(its)
        self.plan, self.terms = drafting.from_json(json.loads(draft.text))
        self.head = plan_forms.TermsForm(
            data, prefix="t", initial=plan_forms.TermsForm.begin(self.plan, self.terms)
        )
        self.gates = [
            (
                gate,
                plan_forms.GateForm(data, gate=gate),
                [
                    plan_forms.ClauseForm(data, clause=clause, names=self.names, groups=self.groups)
                    for clause in gate.clauses
                ],
            )
            for gate in self.plan.gates
        ]

    @property
    def errors(self) -> bool:
        return any(form.errors for form in self.forms if form.is_bound)

    @property
    def forms(self) -> list[Any]:
        found = [self.head]
        for _gate, form, clauses in self.gates:
            found += [form, *clauses]
        return found

    def is_valid(self) -> bool:
        # Each of them, so that all errors are told at once.
        return not [form for form in self.forms if not form.is_valid()]

    def read(self) -> tuple[Plan, drafting.Terms]:
        head = self.head.cleaned_data
        gates = tuple(
            form.gate(
                gate.ordinal,
                tuple(
                    one.clause(clause.ordinal, head["transfer_share"])
                    for one, clause in zip(clauses, gate.clauses, strict=True)
                ),
            )
            for gate, form, clauses in self.gates
        )
        return Plan(gates, head["code"], head["name"], head["kind"]), self.head.terms

    def context(self) -> dict[str, Any]:
        reasons = publishing.refusals(
            self.plan, groups=self.groups, override_reason=self.terms.override_reason
        )
        told = [
            {
                "gate": gate,
                "form": form,
                "combined": words.combined(gate, len(gate.clauses)),
                "window": words.best_window(gate),
                "clauses": [
                    (clause, words.sentence(clause, self.names), one)
                    for clause, one in zip(gate.clauses, clauses, strict=True)
                ],
            }
            for gate, form, clauses in self.gates
        ]
        return {
            "draft": self.draft,
            "head": self.head,
            "gates": told,
            "editor": self,
            "reasons": reasons,
            "remarks": [] if reasons else publishing.remarks(self.plan),
            "may_publish": not reasons and self.terms.effective_on is not None,
            "lacks_day": self.terms.effective_on is None,
        }


@require_http_methods(["GET", "HEAD", "POST"])
def plan_draft(request: HttpRequest, programme: str, draft_id: uuid.UUID) -> HttpResponse:
    """The plan as policy, and the form behind each sentence. Every button saves what is there."""
    draft = _draft(request, draft_id)
    if draft.published is not None:
        return redirect("credentialing:plan_version", programme, draft.published_id)
    if request.method != "POST":
        at = request.GET.get("at", "")
        context = _Editor(request, draft).context() | {"at": int(at) if at.isdecimal() else None}
        return _page(request, "draft", context)
    editor = _Editor(request, draft, request.POST)
    version = _seen(request)
    if version != draft.version:
        context = _Editor(request, draft).context() | {"stale": True}
        return _page(request, "draft", context, 409)
    if not editor.is_valid():
        return _page(request, "draft", editor.context(), 422)
    plan, terms = editor.read()
    what = request.POST.get("do", "save")
    try:
        saved = drafts.save(
            draft=draft,
            plan=drafting.changed(plan, what),
            terms=terms,
            version=version,
            by=request.user,
            at=timezone.now(),
        )
    except Refused as refused:
        editor.head.add_error(None, refused.sentence)
        return _page(request, "draft", editor.context(), 422)
    if what == "what-if":
        return redirect("credentialing:plan_what_if", programme, saved.pk)
    messages.success(request, _("The draft is saved."))
    there = reverse("credentialing:plan_draft", args=[programme, saved.pk])
    at = drafting.place_after(plan, what)
    return redirect(f"{there}?at={at}#clause-{at}" if at else there)


def _seen(request: HttpRequest) -> int:
    said = request.POST.get("version", "")
    return int(said) if said.isdecimal() else 0


@require_POST
def plan_drop(request: HttpRequest, programme: str, draft_id: uuid.UUID) -> HttpResponse:
    draft = _draft(request, draft_id)
    try:
        drafts.drop(draft=draft, version=_seen(request), by=request.user, at=timezone.now())
    except (Conflict, Refused) as refused:
        messages.error(request, refused.sentence)
        return redirect("credentialing:plan_draft", programme, draft.pk)
    messages.success(request, _("The draft is put away."))
    return redirect("credentialing:plans", programme)


@require_POST
def plan_publish(request: HttpRequest, programme: str, draft_id: uuid.UUID) -> HttpResponse:
    draft = _draft(request, draft_id)
    try:
        version = drafts.publish(
            draft=draft, version=_seen(request), by=request.user, at=timezone.now()
        )
    except (Conflict, Refused) as refused:
        messages.error(request, refused.sentence)
        return redirect("credentialing:plan_draft", programme, draft.pk)
    messages.success(request, _("This version is published and never changes."))
    return redirect("credentialing:plan_version", programme, version.pk)


@require_safe
def plan_what_if(request: HttpRequest, programme: str, draft_id: uuid.UUID) -> HttpResponse:
    """Judges everybody of the cohort twice, on the records as they are now."""
    draft = _draft(request, draft_id)
    plan, terms = drafting.from_json(json.loads(draft.text))
    names = queries.applications_of(request.programme)
    reasons = publishing.refusals(
        plan, groups=queries.groups_of(request.programme), override_reason=terms.override_reason
    )
    context: dict[str, Any] = {"draft": draft, "reasons": reasons}
    if not reasons:
        found = what_if.run(request.programme, plan, terms, at=timezone.now())
        context |= presenting.what_if(found, plan, terms, names)
    return _page(request, "what_if", context)


# --- versions -------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def plan_version(request: HttpRequest, programme: str, version_id: uuid.UUID) -> HttpResponse:
    """A version as it was published; a POST records who chose it."""
    its, version = request.programme, _version(request, version_id)
    judged = queries.people_by_version(its, on=max(request.today, version.effective_on))
    has = {person.pk for person in judged.get(version.pk, ())}
    others = [
        one
        for one in cohorts.members(its, version, on=max(request.today, version.effective_on))
        if one.person_id not in has
    ]
    may_choose = version.moves == BY_CHOICE
    if request.method == "POST" and may_choose:
        wanted = set(request.POST.getlist("membership"))
        chosen: list[Membership] = [one for one in others if str(one.pk) in wanted]
        n = drafts.give(version=version, memberships=chosen, by=request.user, at=timezone.now())
        messages.success(request, words.chose(n))
        return redirect("credentialing:plan_version", programme, version.pk)
    context = {
        "version": version,
        "gates": presenting.gates_of(version, queries.applications_of(its)),
        "remarks": publishing.remarks(version.as_plan()),
        "people": judged.get(version.pk, []),
        "others": others if may_choose else [],
        "kind": words.KINDS[version.kind],
        "cohort": words.cohort(version),
        "siblings": PlanVersion.objects.filter(programme=its)
        .exclude(pk=version.pk)
        .order_by("code", "-n"),
    }
    return _page(request, "version", context)


@require_safe
def plan_file(request: HttpRequest, programme: str, version_id: uuid.UUID) -> HttpResponse:
    """The version as a commented file that can be read back."""
    version = _version(request, version_id)
    found = planfile.PlanFile(version.as_plan(), version.sources)
    remark = _("%(name)s, in force from %(day)s.") % {
        "name": version, "day": version.effective_on.isoformat(),
    }  # fmt: skip
    answer = HttpResponse(
        planfile.dump(found, remark=remark), content_type="text/plain; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="{version.code}-{version.n}.toml"'
    return answer


@require_safe
def plan_compare(
    request: HttpRequest, programme: str, version_id: uuid.UUID, other_id: uuid.UUID
) -> HttpResponse:
    left, right = _version(request, version_id), _version(request, other_id)
    names = queries.applications_of(request.programme)

    def said(clause: Clause | None) -> str:
        return words.sentence(clause, names) if clause else ""

    pairs = drafting.paired(left.as_plan(), right.as_plan())
    context = {
        "versions": (left, right),
        "differ": [(said(one.left), said(one.right)) for one in pairs if one.what != "same"],
        "same": [said(one.left) for one in pairs if one.what == "same"],
    }
    return _page(request, "compare", context)
