from review.views.assessments import assess, assessment, assessment_correct, assessments
from review.views.covering import cover, cover_letters, put_back, take_out
from review.views.desk import desk, release, return_, reveal, save, set_aside, sign, take, take_next
from review.views.pages import (
    acknowledge,
    correct,
    credit_rule,
    exam,
    exception,
    reading_list,
    signed,
    told,
)
from review.views.rubrics import rubric

__all__ = [
    "acknowledge",
    "assess",
    "assessment",
    "assessment_correct",
    "assessments",
    "correct",
    "cover",
    "cover_letters",
    "credit_rule",
    "desk",
    "exam",
    "exception",
    "put_back",
    "reading_list",
    "release",
    "return_",
    "reveal",
    "rubric",
    "save",
    "set_aside",
    "sign",
    "signed",
    "take",
    "take_next",
    "take_out",
    "told",
]
