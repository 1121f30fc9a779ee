"""The director writes a plan, looks at what it would change, and publishes it."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from django.urls import reverse

from credentialing import drafting, measures, planfile, queries
from credentialing.actions import standing
from credentialing.models import Assignment, PlanDraft, PlanVersion
from tests import factories as f

pytestmark = pytest.mark.django_db


@pytest.fixture
def programme():
    return f.a_programme(code="northfield")


@pytest.fixture
def dora(programme, client):
    dora = f.a_director(programme, "Dora Quist")
    client.force_login(dora)
    return dora


def address(name, *args):
    return reverse(f"credentialing:{name}", args=["northfield", *args])


def begin(client, origin="template:lung-start"):
    answer = client.post(address("plans"), {"origin": origin})
    assert answer.status_code == 302, answer.content.decode()[:2000]
    return PlanDraft.objects.latest("started_at")


def filled(client, draft, **changes):
    """What a browser sends back of the page as it stands, with these fields changed."""
    page = client.get(address("plan_draft", draft.pk))
    assert page.status_code == 200
    editor, data = page.context["editor"], {"version": draft.version, "do": "save"}
    for form in editor.forms:
        for bound in form:
            value = bound.value()
            if value is True:
                data[bound.html_name] = "on"
            elif value not in (None, False):
                data[bound.html_name] = value
    return data | changes


def save(client, draft, status=302, **changes):
    answer = client.post(address("plan_draft", draft.pk), filled(client, draft, **changes))
    assert answer.status_code == status, answer.content.decode()[:3000]
    draft.refresh_from_db()
    return answer


def plan_of(draft) -> measures.Plan:
    return drafting.from_json(json.loads(draft.text))[0]


def test_a_draft_speaks_like_policy_and_saves_what_it_shows(client, programme, dora):
    draft = begin(client)
    before = plan_of(draft)
    page = client.get(address("plan_draft", draft.pk)).content.decode()
    assert "at least 25 exams, credited" in page
    save(client, draft)
    assert plan_of(draft) == before


def test_every_template_comes_back_from_the_page_as_it_went_in(client, programme, dora):
    for code in planfile.templates():
        draft = begin(client, f"template:{code}")
        save(client, draft)
        assert plan_of(draft) == planfile.parse(planfile.template(code)).plan


def test_numbers_are_changed_added_moved_and_taken_out(client, programme, dora):
    draft = begin(client, "template:thoracic-primary")
    save(client, draft, **{"c2-bar": "40", "do": "clause-up:2"})
    first, second = plan_of(draft).clauses[:2]
    assert (first.bar, first.further, second.measure) == (40, (2,), "supervised")
    save(client, draft, do="clause-remove:2")
    assert [clause.further for clause in plan_of(draft).clauses[:3]] == [(), (), ()]
    save(client, draft, do="clause-add:1")
    assert plan_of(draft).gates[0].clauses[-1].bar == 25
    save(client, draft, do="gate-add")
    assert len(plan_of(draft).gates) == 3
    save(client, draft, do="gate-remove:2")
    assert [len(gate.clauses) for gate in plan_of(draft).gates] == [4, 1]


def test_a_number_that_was_moved_or_added_stays_open(client, programme, dora):
    draft = begin(client, "template:thoracic-primary")
    answer = save(client, draft, do="clause-up:2")
    assert answer.url.endswith("?at=1#clause-1")
    page = client.get(answer.url).content.decode()
    opened = page.rindex("<details", 0, page.index(" open><summary>"))
    assert opened == page.index("<details", page.index('id="clause-1"'))
    plan = plan_of(draft)
    named = tuple(
        replace(gate, clauses=tuple(replace(c, text=f"number {c.ordinal}") for c in gate.clauses))
        for gate in plan.gates
    )
    plan = replace(plan, gates=named)
    for clause in plan.clauses:
        for verb in ("clause-up", "clause-down"):
            what = f"{verb}:{clause.ordinal}"
            [moved] = [c for c in drafting.changed(plan, what).clauses if c.text == clause.text]
            assert drafting.place_after(plan, what) == moved.ordinal, what
    for gate in plan.gates:
        what = f"clause-add:{gate.ordinal}"
        [added] = [c for c in drafting.changed(plan, what).clauses if not c.text]
        assert drafting.place_after(plan, what) == added.ordinal
    for what in ("save", "gate-add", "clause-remove:1", "clause-up:99", "clause-add:99"):
        assert drafting.place_after(plan, what) is None


def test_a_share_is_typed_in_percent(client, programme, dora):
    draft = begin(client, "empty")
    save(client, draft, **{"c1-measure": "determinate", "c1-bar": "87.5", "c1-unit": "scan"})
    assert plan_of(draft).clauses[0].bar == 0.875
    assert filled(client, draft)["c1-bar"] == "87.5"


def test_what_keeps_it_from_being_published_is_said(client, programme, dora):
    draft = begin(client, "empty")
    save(client, draft, **{"c1-measure": "agreement", "c1-bar": "80", "c1-unit": "scan"})
    page = client.get(address("plan_draft", draft.pk)).content.decode()
    assert "always answering negative" in page
    answer = client.post(address("plan_publish", draft.pk), {"version": draft.version}, follow=True)
    assert "Say from which day" in answer.content.decode()
    assert not PlanVersion.objects.filter(code="local-plan").exists()


def test_nonsense_is_marked_and_nothing_is_saved(client, programme, dora):
    draft = begin(client, "empty")
    save(client, draft, 422, **{"c1-bar": "many"})
    assert draft.version == 1


def test_two_directors_do_not_overwrite_each_other(client, programme, dora):
    draft = begin(client)
    mine = filled(client, draft)
    save(client, draft)
    answer = client.post(address("plan_draft", draft.pk), mine)
    assert answer.status_code == 409
    assert "Somebody saved this draft" in answer.content.decode()


def publish(client, draft, **changes):
    save(client, draft, **{"t-effective_on": "2026-03-01", "t-moves": "everyone"} | changes)
    return client.post(address("plan_publish", draft.pk), {"version": draft.version}, follow=True)


def test_published_it_never_changes_and_everybody_moves(client, programme, dora):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    standing.recompute(programme=programme, at=f.NOW)
    draft = begin(client, "empty")
    answer = publish(client, draft, **{"c1-bar": "1", "t-name": "One exam", "t-code": "one"})
    page = answer.content.decode()
    assert "Published, and never changed" in page
    version = PlanVersion.objects.get(code="one")
    assert "1 trainee is judged by it" in page
    assert Assignment.objects.filter(version=version, membership__person=ada).exists()
    # The draft is shut.
    assert client.get(address("plan_draft", draft.pk)).status_code == 302
    again = client.post(address("plan_publish", draft.pk), {"version": draft.version}, follow=True)
    assert "This draft is shut" in again.content.decode()


def test_a_choice_is_recorded_for_those_before_the_grandfather_date(client, programme, dora):
    ada = f.a_trainee(programme)
    draft = begin(client, "empty")
    publish(
        client, draft,
        **{"t-moves": "by_choice", "t-grandfather_on": "2030-01-01", "t-code": "choice"},
    )  # fmt: skip
    version = PlanVersion.objects.get(code="choice")
    assert not Assignment.objects.filter(version=version).exists()
    membership = ada.memberships.get()
    client.post(address("plan_version", version.pk), {"membership": str(membership.pk)})
    assert Assignment.objects.get(version=version).membership == membership


def test_a_version_is_for_its_cohort_and_the_closest_one_counts(client, programme, dora):
    draft = begin(client, "empty")
    publish(client, draft, **{"t-moves": "newcomers", "t-level": "PGY-2", "t-code": "second"})
    later = f.at(400)
    someone = f.a_trainee(programme, "Tom Vale", level="PGY-2", when=later)
    other = f.a_trainee(programme, "Eve Stone", level="PGY-1", when=later)
    on = programme.local_date(later)
    assert queries.plan_of(someone.memberships.get(), on=on).code == "second"
    assert queries.plan_of(other.memberships.get(), on=on).code == "lung-start"


def test_a_file_goes_out_and_comes_in_again(client, programme, dora):
    draft = begin(client, "template:thoracic-primary")
    publish(client, draft)
    version = PlanVersion.objects.get(code="thoracic-primary")
    taken = client.get(address("plan_file", version.pk))
    assert planfile.parse(taken.content.decode()).plan == version.as_plan()
    from django.core.files.uploadedfile import SimpleUploadedFile

    file = SimpleUploadedFile("plan.toml", taken.content)
    client.post(address("plans"), {"origin": "empty", "file": file})
    assert plan_of(PlanDraft.objects.latest("started_at")) == version.as_plan()
    broken = SimpleUploadedFile("plan.toml", b"code = [")
    answer = client.post(address("plans"), {"origin": "empty", "file": broken})
    assert answer.status_code == 422
    assert "Line 1" in answer.content.decode()


def test_two_versions_side_by_side(client, programme, dora):
    first = PlanVersion.objects.get(programme=programme, code="lung-start")
    draft = begin(client, f"version:{first.pk}")
    publish(client, draft, **{"c1-bar": "40"})
    second = PlanVersion.objects.get(code="lung-start", n=2)
    page = client.get(address("plan_compare", first.pk, second.pk))
    ((before, after),) = page.context["differ"]
    assert "at least 25 exams" in before
    assert "at least 40 exams" in after
    assert len(page.context["same"]) == 4


def test_what_if_says_who_and_by_which_number(client, programme, dora):
    ada, bo = f.a_trainee(programme), f.a_reader(programme)
    f.signed_exam(bo, f.waiting_exam(ada, programme))
    draft = begin(client, "empty")
    save(client, draft, **{"c1-bar": "3", "t-moves": "everyone", "do": "what-if"})
    page = client.get(address("plan_what_if", draft.pk)).content.decode()
    assert "Ada Fenn" in page
    assert "People would have scanned differently under other rules." in page
    assert "not met, and still not" in page
