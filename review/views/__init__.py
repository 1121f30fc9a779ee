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

__all__ = [
    "acknowledge",
    "correct",
    "credit_rule",
    "desk",
    "exam",
    "exception",
    "reading_list",
    "release",
    "return_",
    "reveal",
    "save",
    "set_aside",
    "sign",
    "signed",
    "take",
    "take_next",
    "told",
]
