"""What faculty sign after watching somebody scan."""

import datetime as dt
import uuid

import pytest
from django.db import IntegrityError, transaction

from accounts import ledger
from accounts.errors import Conflict, Forbidden, Refused
from logbook.models import Application
from review import rubrics
from review.actions import assessments
from review.actions.assessments import Watched
from review.models import Assessment, RubricVersion
from tests import factories as f

pytestmark = pytest.mark.django_db
DAY = f.NOW.date()


@pytest.fixture
def scene():
    programme = f.a_programme()
    return (
        programme,
        f.a_trainee(programme),
        f.a_reader(programme, may_read=("pneumothorax", "effusion")),
    )


def application(programme, code="pneumothorax"):
    return Application.objects.get(programme=programme, code=code)


def sign(scene, watched=None, *, code="pneumothorax", day=DAY, by=None, when=f.NOW, **more):
    programme, ada, bo = scene
    return assessments.sign(
        programme=programme,
        trainee=ada,
        application=application(programme, code),
        watched=watched or Watched(4),
        performed_on=day,
        by=by or bo,
        at=when,
        **more,
    )


def test_a_programme_begins_with_a_rubric_for_it(scene):
    programme, _ada, _bo = scene
    version = RubricVersion.objects.in_force(programme, "assessment")
    assert version.rubric == rubrics.default("assessment")
    assert [item.code for item in version.rubric.items] == [
        "beginning", "finding", "image", "answering", "ending",
    ]  # fmt: skip


def test_what_is_signed_is_frozen_and_stands_in_the_ledger(scene):
    programme, ada, bo = scene
    said = Watched(3, {"image": "prompted"}, "Wait for the whole breath.", summative=True)
    made = sign(scene, said)
    assert (made.trainee, made.assessor, made.level, made.summative) == (ada, bo, 3, True)
    assert made.chosen == {"image": "prompted"}
    assert str(made.remark) == "Wait for the whole breath."
    entry = ledger.read(programme.chain)[-1]
    assert (entry.action, entry.subject) == ("assessment.signed", f"assessment:{made.pk}")
    assert entry.body["trainee"] == str(ada.pk)
    assert "Wait" not in str(entry.body)
    assert made.seq == entry.seq
    with pytest.raises(Exception, match=r"append-only|permission denied"), transaction.atomic():
        Assessment.objects.filter(pk=made.pk).update(level=5)


def test_a_second_tap_is_the_same_assessment(scene):
    programme, _ada, _bo = scene
    form = uuid.uuid4()
    first = sign(scene, assessment_id=form)
    head = ledger.head_of(programme.chain)
    assert sign(scene, Watched(5), assessment_id=form) == first
    assert ledger.head_of(programme.chain) == head
    assert Assessment.objects.get().level == 4


def test_a_form_is_signed_by_one_person(scene):
    programme, _ada, _bo = scene
    form = uuid.uuid4()
    sign(scene, assessment_id=form)
    with pytest.raises(Conflict):
        sign(scene, by=f.a_reader(programme, "Cy Moran"), assessment_id=form)


def test_nobody_assesses_themselves_or_without_the_privilege(scene):
    programme, ada, _bo = scene
    f.people.add(
        programme=programme, name=ada.name, email=ada.email, role="faculty",
        starts_on=f.START, by=None, at=f.at(0), invite=False,
    )  # fmt: skip
    f.people.grant(
        programme=programme, person=ada, application="pneumothorax", from_on=f.START,
        by=None, at=f.at(0),
    )  # fmt: skip
    with pytest.raises(Forbidden, match="themselves"):
        sign(scene, by=ada)
    with pytest.raises(Forbidden, match="privilege"):
        sign(scene, code="consolidation")
    with pytest.raises(Forbidden, match="privilege"):
        sign(scene, by=f.a_director(programme))
    made = sign(scene)
    forged = Assessment(**{**row(made), "id": uuid.uuid4(), "assessor_id": ada.pk})
    with pytest.raises(IntegrityError), transaction.atomic():
        Assessment.objects.bulk_create([forged])
    assert list(Assessment.objects.all()) == [made]


def row(made):
    return {field.attname: getattr(made, field.attname) for field in made._meta.concrete_fields}


@pytest.mark.parametrize(
    ("day", "says"),
    [
        (DAY + dt.timedelta(days=1), "still to come"),
        (DAY - dt.timedelta(days=15), "within 14 days"),
    ],
)
def test_it_is_signed_close_to_the_bedside(scene, day, says):
    with pytest.raises(Refused, match=says):
        sign(scene, day=day)


def test_before_the_first_day_nobody_was_watched(scene):
    programme, _ada, bo = scene
    late = f.a_trainee(programme, "Tom Vale", starts_on=DAY)
    with pytest.raises(Refused, match="not a trainee"):
        sign((programme, late, bo), day=DAY - dt.timedelta(days=1))


@pytest.mark.parametrize("watched", [Watched(0), Watched(6), Watched(3, {"image": "lovely"})])
def test_a_form_that_is_not_the_rubrics_is_refused(scene, watched):
    with pytest.raises(Refused):
        sign(scene, watched)


def test_the_assessor_corrects_with_a_reason(scene):
    _programme, _ada, bo = scene
    before = sign(scene, Watched(2))
    later = f.at(70)
    after = assessments.supersede(
        assessment=before, reason="Tapped one too low.", watched=Watched(3), by=bo, at=later
    )
    before.refresh_from_db()
    assert (before.superseded_on, before.superseded_seq) == (after.signed_on, after.seq)
    assert list(Assessment.objects.current()) == [after]
    then = {"performed": DAY, "signed": DAY, "seq": before.seq}
    assert list(Assessment.objects.as_of(**then)) == [before]
    now = {"performed": DAY, "signed": later.date(), "seq": after.seq}
    assert list(Assessment.objects.as_of(**now)) == [after]
    with pytest.raises(Conflict):
        assessments.supersede(
            assessment=before, reason="Again.", watched=Watched(4), by=bo, at=later
        )


def test_what_should_not_exist_is_taken_back(scene):
    programme, _ada, bo = scene
    made = sign(scene)
    dora = f.a_director(programme)
    with pytest.raises(Forbidden):
        assessments.supersede(assessment=made, reason="Wrong.", watched=None, by=dora, at=f.NOW)
    assessments.supersede(assessment=made, reason="Wrong person.", watched=None, by=bo, at=f.NOW)
    assert list(Assessment.objects.current()) == []


def test_it_is_seen_by_its_trainee_its_assessor_and_the_director(scene):
    programme, ada, bo = scene
    made = sign(scene)
    sees = {
        "ada": ada,
        "bo": bo,
        "cy": f.a_reader(programme, "Cy Moran"),
        "tom": f.a_trainee(programme, "Tom Vale"),
        "cai": f.a_coordinator(programme),
        "dora": f.a_director(programme),
        "hana": f.a_director(f.a_programme(), "Hana Wirth"),
    }
    assert {
        name for name, person in sees.items()
        if made in Assessment.objects.visible_to(person, on=DAY)
    } == {"ada", "bo", "dora"}  # fmt: skip
