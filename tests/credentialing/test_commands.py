"""The commands: a plan in and out as a file, every standing made again, the keys of reports."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.core.management import CommandError, call_command

from credentialing import planfile, queries
from credentialing.models import PlanVersion, Standing
from tests import factories as f

pytestmark = pytest.mark.django_db


def run(*arguments) -> str:
    out = io.StringIO()
    call_command(*arguments, stdout=out, stderr=out)
    return out.getvalue()


def test_a_file_goes_in_and_comes_out_the_same(tmp_path):
    programme = f.a_programme()
    text = planfile.template("thoracic-primary")
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    run(
        "plan", "import", programme.code, str(tmp_path / "plan.toml"), "--publish",
        "--effective-on", "2026-02-01",
    )  # fmt: skip
    version = PlanVersion.objects.get(programme=programme, code="thoracic-primary")
    assert (version.n, str(version.effective_on)) == (1, "2026-02-01")
    assert planfile.parse(run("plan", "export", programme.code, "thoracic-primary")) == (
        planfile.parse(text)
    )


def test_without_publish_a_file_is_only_looked_at():
    programme = f.a_programme()
    before = PlanVersion.objects.count()
    assert "Nothing was written" in run("plan", "import", programme.code, "radiology-current")
    assert PlanVersion.objects.count() == before


def test_a_file_that_cannot_be_published_says_every_reason(tmp_path):
    programme = f.a_programme()
    path = tmp_path / "plan.toml"
    path.write_text(
        'code = "a"\nname = "A"\n[[gate]]\n[[gate.clause]]\nmeasure = "agreement"\n'
        'at_least = 0.8\napplication = "thyroid"\n',
        encoding="utf-8",
    )
    with pytest.raises(CommandError) as refused:
        run("plan", "import", programme.code, str(path), "--publish")
    assert "no application 'thyroid'" in str(refused.value)
    assert "always answering negative" in str(refused.value)
    path.write_text("code = [[[", encoding="utf-8")
    with pytest.raises(CommandError, match="Line 1"):
        run("plan", "import", programme.code, str(path))


def test_recompute_makes_every_standing_and_finds_the_one_that_was_changed_by_hand():
    programme = f.a_programme()
    trainee = f.a_trainee(programme)
    assert "1 people" in run("standing", "recompute", programme.code)
    rows = Standing.objects.filter(membership__person=trainee)
    assert rows.count() == 5  # the clauses of the plan that a programme begins with
    assert "0 rows changed" in run("standing", "recompute", programme.code)
    row = rows.first()
    row.numerator = 99
    row.save(update_fields=["numerator"])
    with pytest.raises(CommandError, match="1 rows were not"):
        run("standing", "recompute", programme.code)
    assert "0 rows changed" in run("standing", "recompute", programme.code)


def test_names_that_are_not_there_are_said():
    programme = f.a_programme()
    for arguments in (
        ("plan", "export", programme.code, "never-published"),
        ("plan", "import", "nowhere", "lung-start"),
        ("plan", "import", programme.code, "no-such-file.toml"),
        ("plan", "import", programme.code, "lung-start", "--publish", "--by", "no@one.example"),
        ("standing", "recompute", "nowhere"),
    ):
        with pytest.raises(CommandError):
            run(*arguments)


def test_a_published_plan_is_given_to_todays_trainees_and_to_whoever_comes():
    programme = f.a_programme()
    ada = f.a_trainee(programme)
    said = run(
        "plan", "import", programme.code, "radiology-current", "--publish", "--assign-all",
        "--for-newcomers", "--effective-on", "2026-02-01",
    )  # fmt: skip
    assert "1 trainees are judged by it." in said
    day = dt.date(2026, 2, 2)
    tom = f.a_trainee(programme, "Tom Vale", starts_on=day, when=f.at(day))
    judged = {
        person.name: version.code
        for version in PlanVersion.objects.filter(programme=programme)
        for person in queries.people_by_version(programme, on=f.at(60).date()).get(version.pk, [])
    }
    assert judged == {ada.name: "radiology-current", tom.name: "radiology-current"}


def test_follow_takes_up_the_news_and_then_finds_none():
    programme = f.a_programme()
    f.a_trainee(programme)
    assert run("standing", "follow", programme.code) == f"{programme.code}: 1 people\n"
    assert run("standing", "follow", programme.code) == f"{programme.code}: 0 people\n"


def test_a_key_is_made_listed_replaced_and_handed_out():
    programme = f.a_programme()
    with pytest.raises(CommandError, match="no key to replace"):
        run("report_key", "rotate", programme.code, "--why", "Lost.")
    assert "1 in use" in run("report_key", "make", programme.code)
    with pytest.raises(CommandError, match="has a key"):
        run("report_key", "make", programme.code)
    run("report_key", "rotate", programme.code, "--why", "The operator left.")
    first, second = run("report_key", "list", programme.code).splitlines()
    assert first.startswith("1 retired")
    assert second.startswith("2 in use")
    given = run("report_key", "certificate", programme.code)
    assert given.startswith("-----BEGIN CERTIFICATE-----")
    with pytest.raises(CommandError, match="no programme"):
        run("report_key", "list", "nowhere")
