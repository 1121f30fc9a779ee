"""Codes of this floor in words, for pages and reports."""

from __future__ import annotations

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from review import credit, outcomes

REASON = {
    credit.SETTING: gettext_lazy("the setting is not one that counts"),
    credit.OPERATOR: gettext_lazy("the trainee did not do all of it"),
    credit.QUALITY: gettext_lazy("the image quality is below the cut"),
    credit.ZONES: gettext_lazy("zones that this asks for were not captured"),
    credit.ANSWERED_LATE: gettext_lazy("answered too late"),
    credit.RECEIVED_LATE: gettext_lazy("received too late"),
    credit.SAME_FILE: gettext_lazy("the same file was credited in another exam"),
}

OUTCOME = {
    outcomes.AGREES: gettext_lazy("The answers agree."),
    outcomes.UNCOMMITTED: gettext_lazy("The answer was left open where the reading was not."),
    outcomes.MISSED: gettext_lazy("The reading is positive, the answer was not."),
    outcomes.OVERCALLED: gettext_lazy("The answer was positive, the reading is not."),
    outcomes.WRONG_SIDE: gettext_lazy("The answers are positive on different sides."),
    outcomes.SIDES_DIFFER: gettext_lazy("The answers share one side and differ on the other."),
    outcomes.PATTERN_DIFFERS: gettext_lazy("The patterns differ."),
    outcomes.NOT_COMPARED: gettext_lazy(
        "Not compared: the reader could not say enough from these images."
    ),
}

NOT_IN_READ = {
    "late": gettext_lazy("it was late"),
    "not_blind": gettext_lazy("the reading was not blind"),
    "not_independent": gettext_lazy("the reading was not independent"),
    "knew": gettext_lazy("another result or opinion was known"),
    "corrected": gettext_lazy("it was corrected after the answers were shown"),
}


def reasons(codes) -> list[str]:
    return [str(REASON[code]) for code in codes]


def credit_sentence(verdict: credit.Verdict) -> str:
    """What the rule says about one scan, with the reasons."""
    if not verdict.reasons and not verdict.waived:
        return _("The credit rule credits this scan.")
    if not verdict.reasons:
        return _("The credit rule credits this scan by the director's exception: %(waived)s.") % {
            "waived": "; ".join(reasons(verdict.waived))
        }
    return _("The credit rule does not credit this scan: %(reasons)s.") % {
        "reasons": "; ".join(reasons(verdict.reasons))
    }
